"""Laboratory Observations: groups, antibodies, crossmatches, allowed groups, other results."""

from collections import defaultdict
from collections.abc import Callable

from service.facts.fact import Body
from service.facts.identity import Ref
from service.facts.records import (
    AllowedGroups,
    Antibody,
    AntibodyResult,
    CrossmatchResult,
    GroupResult,
    LabResult,
)
from service.facts.unit import Component, Group, UnitRef
from service.fhir.read.antigen import antigen_of
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import (
    Json,
    chosen,
    codings,
    each,
    flag_of,
    number_of,
    one,
    text_of,
)
from service.fhir.read.group_text import group_of, group_of_text
from service.fhir.read.order import flag
from service.fhir.read.vitals import when
from service.fhir.read.which_unit import BAGS, unit_of_text, unit_ref

ANTI = "anti-"


def read_test(reader: Reader, test: str) -> tuple[Body, ...]:
    """The facts of one compatibility test."""
    if one(reader.resource, "dataAbsentReason"):
        reader.warn("A test without a result is stored and not used.", "dataAbsentReason")
        return ()
    return TESTS[test](reader)


def read_result(reader: Reader, analyte: str) -> tuple[Body, ...]:
    """A result used in screening; one that is only a bound, or absent, is none."""
    observation = reader.resource
    quantity = chosen(observation, "value", "Quantity") or {}
    word = _result_word(reader)
    if one(observation, "dataAbsentReason") or (text_of(quantity, "comparator") and word is None):
        reader.warn(f"The result of {analyte} is no value and is not used.", "value", "value")
        return ()
    bound = bool(text_of(quantity, "comparator"))
    value = None if bound else number_of(quantity.get("value"))
    unit = text_of(quantity, "code") if value is not None else None
    return (LabResult(analyte=analyte, value=value, unit=unit, word=word, at=when(reader)),)


def _result_word(reader: Reader) -> str | None:
    value = chosen(reader.resource, "value", "CodeableConcept")
    said = reader.word("result-words", value, "value") if isinstance(value, dict) else None
    if said is None:
        text = text_of(reader.resource, "valueString")
        said = reader.codes.text_word("result-words", text)
    flagged = flag_of(reader.resource, "valueBoolean")
    if said is None and flagged is not None:
        said = "yes" if flagged else "no"
    if said is not None:
        return said
    told = [
        reader.word("result-words", concept, "interpretation")
        for concept in each(reader.resource, "interpretation")
    ]
    return next((word for word in told if word), None)


def _sample(reader: Reader) -> Ref | None:
    return reader.ref(one(reader.resource, "specimen"), "Specimen")


def _about_unit(reader: Reader) -> bool:
    """True for the typing of a bag: no statement about the patient."""
    focus = [reader.ref(reference) for reference in each(reader.resource, "focus")]
    return any(ref is not None and ref.kind in BAGS for ref in focus)


# -- ABO and RhD


def _rhd(reader: Reader) -> tuple[Body, ...]:
    """A patient's RhD type alone."""
    if _stated_group(reader) is None:
        reader.warn("The RhD type cannot be read and is not used.", "value", "value")
        return ()
    return _groups(reader)


def _groups(reader: Reader) -> tuple[Body, ...]:
    """A patient's group. One that cannot be read leaves no other one standing."""
    if _about_unit(reader):
        reader.warn("The typing of a unit is stored and not used.", "focus")
        return ()
    group = _stated_group(reader)
    if group is None:
        text = "The group cannot be read; it counts as discrepant with any other."
        reader.warn(text, "value", "value")
    preliminary = reader.resource.get("status") == "preliminary"
    as_type = reader.own(reader.resource, "rhd-transfuse-as")
    return (
        GroupResult(
            group=group or Group(),
            at=when(reader),
            confirmed=False if preliminary else flag(reader, "group-confirmed"),
            rhd_transfuse_as=as_type if as_type in ("positive", "negative") else None,
            sample=_sample(reader),
            discrepant=group is None or flag(reader, "group-discrepant") is True,
        ),
    )


def _stated_group(reader: Reader) -> Group | None:
    """The group of the Observation's own value, or of its ABO and RhD components together."""
    own = _part_group(reader, reader.resource)
    if own is not None:
        return own
    parts = [_part_group(reader, part) for part in each(reader.resource, "component")]
    said = [part for part in parts if part is not None]
    abo = {part.abo for part in said if part.abo}
    rhd = {part.rhd for part in said if part.rhd}
    if len(abo) > 1 or len(rhd) > 1 or not said:
        return None
    return Group(abo=next(iter(abo), None), rhd=next(iter(rhd), None))


def _part_group(reader: Reader, part: Json) -> Group | None:
    test = reader.word("tests", one(part, "code"), "code")
    if test == "rhd":
        rhd = _said(reader, part, "rhd-types")
        return Group(rhd=rhd) if rhd else None
    if test not in ("abo", "abo-rhd"):
        return None
    value = chosen(part, "value", "CodeableConcept")
    if isinstance(value, dict):
        return group_of(reader, value, "value")
    return group_of_text(text_of(part, "valueString"))


def _said(reader: Reader, part: Json, concept: str) -> str | None:
    """A word, from value and interpretation; None when they contradict each other."""
    value = chosen(part, "value", "CodeableConcept") or {}
    said = {
        reader.word(concept, value, "value"),
        reader.codes.text_word(concept, text_of(part, "valueString")),
        *(reader.word(concept, told, "value") for told in each(part, "interpretation")),
    }
    found = {word for word in said if word}
    if len(found) > 1:
        reader.warn("Value and interpretation contradict each other.", "interpretation", "value")
    return next(iter(found)) if len(found) == 1 else None


# -- antibodies


def _screen(reader: Reader) -> tuple[Body, ...]:
    screen = _said(reader, reader.resource, "polarities")
    if screen is None:
        reader.warn("The result of the antibody screen cannot be read.", "value", "value")
    return (_antibodies(reader, screen),)


def _identified(reader: Reader) -> tuple[Body, ...]:
    found = _antibodies(reader, None)
    if not found.antibodies:
        reader.warn("No antibody could be read.", "value", "value")
        return ()
    return (found,)


def _antibodies(reader: Reader, screen: str | None) -> AntibodyResult:
    observation = reader.resource
    parts = [observation, *each(observation, "component")]
    return AntibodyResult(
        at=when(reader),
        screen=screen,
        antibodies=tuple(a for part in parts for a in _named(reader, part)),
        maternal=flag(reader, "maternal") is True,
        sample=_sample(reader),
    )


def _named(reader: Reader, part: Json) -> list[Antibody]:
    """The antibodies of a value: antigens by code, or exact texts such as ``anti-K``."""
    value = chosen(part, "value", "CodeableConcept") or {}
    texts = [text_of(value, "text"), text_of(part, "valueString")]
    found = [antigen_of(reader, coding) for coding in codings(value)]
    if not any(found):
        found = [_against(reader, text) for text in texts]
    kept = sorted({antigen for antigen in found if antigen})
    if codings(value) and not kept and not _said(reader, part, "polarities"):
        reader.unknown("antigens", value, "value")
    return [
        Antibody(
            antigen=antigen,
            historical=_flagged(reader, part, "antibody-historical"),
            passive=_flagged(reader, part, "antibody-passive"),
        )
        for antigen in kept
    ]


def _against(reader: Reader, text: str | None) -> str | None:
    if not text or not text.lower().startswith(ANTI):
        return None
    antigen = text[len(ANTI) :]
    return antigen if antigen in reader.codes.concepts["antigens"].words else None


def _flagged(reader: Reader, part: Json, fact: str) -> bool:
    return reader.own(part, fact) is True or reader.own(reader.resource, fact) is True


# -- crossmatch


def _crossmatch(reader: Reader) -> tuple[Body, ...]:
    """A crossmatch names its unit: by focus, or by a unit identifier among its components."""
    unit = _crossmatched(reader)
    if unit is None:
        reader.warn("A crossmatch that names no unit is stored and not used.", "focus")
        return ()
    value = chosen(reader.resource, "value", "CodeableConcept") or {}
    text = text_of(reader.resource, "valueString")
    result = reader.word("crossmatch-results", value, "value")
    result = result or reader.codes.text_word("crossmatch-results", text)
    if result is None:
        reader.warn("The result of the crossmatch cannot be read.", "value", "value")
    until = reader.own(reader.resource, "crossmatch-valid-until")
    return (
        CrossmatchResult(
            unit=unit,
            result=result,
            at=when(reader),
            valid_until=reader.moment_of(until, "extension") if until else None,
            sample=_sample(reader),
        ),
    )


def _crossmatched(reader: Reader) -> UnitRef | None:
    for focus in each(reader.resource, "focus"):
        unit = unit_ref(reader, focus)
        if unit is not None:
            return unit
    for part in each(reader.resource, "component"):
        if reader.word("tests", one(part, "code"), "component.code") == "unit-identifier":
            value = chosen(part, "value", "CodeableConcept") or {}
            coded = [text_of(coding, "code") for coding in codings(value)]
            said = [text_of(part, "valueString"), *coded, text_of(value, "text")]
            return next(filter(None, map(unit_of_text, said)), None)
    return None


# -- allowed groups


def _allowed(reader: Reader) -> tuple[Body, ...]:
    """Groups the laboratory allows, per component; without components, for every component."""
    listed: dict[Component | None, set[str]] = defaultdict(set)
    own = _group_word(reader, reader.resource)
    if own:
        listed[None].add(own)
    for part in each(reader.resource, "component"):
        component = reader.known("components", one(part, "code"), "component.code")
        group = _group_word(reader, part)
        if component and group:
            listed[Component(component)].add(group)
    at = when(reader)
    return tuple(
        AllowedGroups(component=component, groups=frozenset(groups), at=at)
        for component, groups in sorted(listed.items(), key=lambda item: item[0] or "")
    )


def _group_word(reader: Reader, part: Json) -> str | None:
    """``A positive``, or ``A`` when RhD does not matter."""
    value = chosen(part, "value", "CodeableConcept") or {}
    group = group_of(reader, value, "value") if value else None
    if group is None:
        group = group_of_text(text_of(part, "valueString"))
    if group is None or group.abo is None:
        return None
    return f"{group.abo} {group.rhd}" if group.rhd else group.abo


def _only_a_part(reader: Reader) -> tuple[Body, ...]:
    reader.warn("A unit number alone states nothing about the patient.", "code")
    return ()


TESTS: dict[str, Callable[[Reader], tuple[Body, ...]]] = {
    "abo-rhd": _groups,
    "abo": _groups,
    "rhd": _rhd,
    "antibody-screen": _screen,
    "antibody-identification": _identified,
    "crossmatch": _crossmatch,
    "allowed-groups": _allowed,
    "unit-identifier": _only_a_part,
}
