"""Laboratory Observations: groups, antibodies, crossmatches, allowed groups, other results."""

from collections import defaultdict
from collections.abc import Callable

from service.facts.fact import Body
from service.facts.identity import Ref
from service.facts.records import (
    UNRECOGNISED,
    AllowedGroups,
    Antibody,
    AntibodyResult,
    CrossmatchResult,
    GroupResult,
    LabResult,
)
from service.facts.unit import Component, Group, UnitRef
from service.fhir.read.antigen import ANTIGEN_SYSTEM, antigen_of
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import (
    Json,
    choice,
    chosen,
    codings,
    each,
    flag_of,
    number_of,
    one,
    text_of,
    wording,
)
from service.fhir.read.group_text import group_of, group_of_text
from service.fhir.read.order import flag
from service.fhir.read.told import told, unread
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
    words = [
        reader.word("result-words", concept, "interpretation")
        for concept in each(reader.resource, "interpretation")
    ]
    return next((word for word in words if word), None)


def _sample(reader: Reader) -> Ref | None:
    return reader.ref(one(reader.resource, "specimen"), "Specimen")


def _about_unit(reader: Reader) -> bool:
    """True for the typing of a bag: no statement about the patient."""
    focus = [reader.ref(reference) for reference in each(reader.resource, "focus")]
    return any(ref is not None and ref.kind in BAGS for ref in focus)


# -- how far a statement counts

PROVISIONAL = frozenset({"preliminary", "unknown"})
PLAIN = frozenset({"normal", "positive", "negative"})


def _provisional(reader: Reader) -> bool:
    """True for a result that is not final, or of unknown status: only its worse side counts."""
    return reader.resource.get("status") in PROVISIONAL


def _value(part: Json) -> Json:
    """The value as a CodeableConcept, a string as its text; empty when there is none."""
    value = chosen(part, "value", "CodeableConcept")
    if isinstance(value, dict):
        return value
    found = choice(part, "value")
    text = text_of(part, "valueString")
    return {"text": text} if text else {"text": "a value of another type"} if found else {}


def _doubtful(reader: Reader, part: Json) -> bool:
    """True where the interpretation is more than normal, positive or negative."""
    words = {
        reader.word("result-words", concept, "interpretation")
        for concept in each(part, "interpretation")
    }
    if words <= PLAIN:
        return False
    reader.warn("The interpretation is not a known one.", "interpretation", "code-invalid")
    return True


# -- ABO and RhD


def _rhd(reader: Reader) -> tuple[Body, ...]:
    """A patient's RhD type alone; one that cannot be read counts as negative."""
    if not _value(reader.resource) and not each(reader.resource, "interpretation"):
        reader.warn("An RhD type without a value is not used.", "value", "value")
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
    elif group.rhd == UNRECOGNISED:
        text = "The RhD type cannot be read; it counts as negative."
        reader.warn(text, "value", "code-invalid")
    as_type = reader.own(reader.resource, "rhd-transfuse-as")
    of_no_status = reader.resource.get("status") == "unknown"
    if of_no_status:
        reader.warn("A group of unknown status counts as discrepant with any other.", "status")
    discrepant = of_no_status or flag(reader, "group-discrepant") is True
    return (
        GroupResult(
            group=group or Group(),
            at=when(reader),
            confirmed=False if _provisional(reader) else flag(reader, "group-confirmed"),
            rhd_transfuse_as=as_type if as_type in ("positive", "negative") else None,
            sample=_sample(reader),
            discrepant=group is None or discrepant,
        ),
    )


def _stated_group(reader: Reader) -> Group | None:
    """The group of the Observation's own value and of its ABO and RhD components together.

    None where ABO cannot be read or two values differ; an RhD type that cannot be read is
    ``unrecognised``.
    """
    parts = (reader.resource, *each(reader.resource, "component"))
    said = [group for part in parts if (group := _part_group(reader, part)) is not None]
    abo = {group.abo for group in said if group.abo}
    rhd = {group.rhd for group in said if group.rhd}
    if len(abo) > 1 or UNRECOGNISED in abo or not said:
        return None
    if UNRECOGNISED not in rhd and len(rhd) > 1:
        return None
    return Group(
        abo=next(iter(abo), None),
        rhd=UNRECOGNISED if UNRECOGNISED in rhd else next(iter(rhd), None),
    )


UNREAD = {
    "abo": Group(abo=UNRECOGNISED),
    "rhd": Group(rhd=UNRECOGNISED),
    "abo-rhd": Group(abo=UNRECOGNISED, rhd=UNRECOGNISED),
}


def _part_group(reader: Reader, part: Json) -> Group | None:
    """What a part says of the group; None for another test, or for one without a value."""
    test = reader.word("tests", one(part, "code"), "code") or ""
    if test not in UNREAD:
        return None
    value = _value(part)
    if test != "rhd" and not value:
        return None
    if _doubtful(reader, part):
        return UNREAD[test]
    if test == "rhd":
        rhd = _answer(reader, part, "rhd-types", "positive")
        return Group(rhd=rhd) if rhd else None
    coded = isinstance(chosen(part, "value", "CodeableConcept"), dict)
    group = group_of(reader, value, "value") if coded else group_of_text(text_of(value, "text"))
    return group or UNREAD[test]


def _answer(reader: Reader, part: Json, concept: str, best: str) -> str | None:
    """A word from value and interpretation; unrecognised where neither has one.

    The best word does not stand on an interpretation beside a value that cannot be read.
    """
    value, word = _value(part), _said(reader, part, concept)
    if word is None:
        return UNRECOGNISED if value or each(part, "interpretation") else None
    if word == best and value and reader.word(concept, value, "value") is None:
        return UNRECOGNISED
    return word


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
    """An antibody screen. One that cannot be read may be positive, and is no negative one."""
    screen = _answer(reader, reader.resource, "polarities", "negative")
    if _doubtful(reader, reader.resource):
        screen = UNRECOGNISED
    if screen in (None, UNRECOGNISED):
        reader.warn("The result of the antibody screen cannot be read.", "value", "value")
    if screen == "negative" and _provisional(reader):
        reader.warn("A negative screen that is not final is not used.", "status")
        screen = None
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
    """The antibodies of a value: antigens by code, or exact texts such as ``anti-K``.

    One that no code map knows is kept as unrecognised, for no unit is typed against it.
    """
    value = _value(part)
    found = [antigen_of(reader, coding) for coding in codings(value)]
    if not any(found):
        found = [_against(reader, text_of(value, "text"))]
    kept = sorted({antigen for antigen in found if antigen})
    if not kept and _may_name(reader, part, value):
        reader.unknown("antigens", value, "value")
        kept = [unread(wording(value))]
    return [
        Antibody(
            antigen=antigen,
            historical=_flagged(reader, part, "antibody-historical"),
            passive=_flagged(reader, part, "antibody-passive"),
        )
        for antigen in kept
    ]


def _may_name(reader: Reader, part: Json, value: Json) -> bool:
    """True where a value that is no polarity stands in the place of an antibody's name."""
    if not value or reader.word("polarities", value, "value"):
        return False
    of_antigens = any(
        reader.codes.system(text_of(coding, "system")) == ANTIGEN_SYSTEM
        for coding in codings(value)
    )
    named = (wording(value) or "").lower().startswith(ANTI)
    test = reader.word("tests", one(part, "code"), "code")
    return of_antigens or named or test == "antibody-identification"


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
    until = reader.own(reader.resource, "crossmatch-valid-until")
    return (
        CrossmatchResult(
            unit=unit,
            result=_matched(reader),
            at=when(reader),
            valid_until=reader.moment_of(until, "extension") if until else None,
            sample=_sample(reader),
        ),
    )


# What an interpretation may say beside a result without contradicting it.
BESIDE = {
    "compatible": frozenset({"normal", "negative"}),
    "least-incompatible": PLAIN,
    "incompatible": None,
}


def _matched(reader: Reader) -> str | None:
    """The result; unrecognised where its interpretation does not go with it.

    A compatible one that is not final says nothing yet, and one of unknown status is doubtful.
    """
    result = told(reader, "crossmatch-results", _value(reader.resource), "value")
    if result is None:
        reader.warn("A crossmatch without a result is not used.", "value", "value")
        return None
    beside = BESIDE.get(result)
    words = {
        reader.word("result-words", concept, "interpretation")
        for concept in each(reader.resource, "interpretation")
    }
    if beside is not None and not words <= beside:
        reader.warn("Value and interpretation contradict each other.", "interpretation", "value")
        return UNRECOGNISED
    if result != "compatible" or not _provisional(reader):
        return result
    reader.warn("A compatible crossmatch that is not final is not used.", "status")
    return UNRECOGNISED if reader.resource.get("status") == "unknown" else None


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
    """Groups the laboratory allows, per component; without components, for every component.

    A group that cannot be read is a list without that group, and allows none.
    """
    listed: dict[Component | None, set[str]] = defaultdict(set)
    if _value(reader.resource):
        listed[None].add(_group_word(reader, reader.resource))
    for part in each(reader.resource, "component"):
        component = reader.known("components", one(part, "code"), "component.code")
        listed[Component(component) if component else None].add(
            _group_word(reader, part) if component else UNRECOGNISED
        )
    at = when(reader)
    return tuple(
        AllowedGroups(component=component, groups=frozenset(groups), at=at)
        for component, groups in sorted(listed.items(), key=lambda item: item[0] or "")
    )


def _group_word(reader: Reader, part: Json) -> str:
    """``A positive``, or ``A`` when RhD does not matter; unrecognised when it cannot be read."""
    value = chosen(part, "value", "CodeableConcept") or {}
    group = group_of(reader, value, "value") if value else None
    if group is None:
        group = group_of_text(text_of(part, "valueString"))
    if group is None or group.abo is None:
        reader.warn("An allowed group cannot be read and allows nothing.", "value", "value")
        return UNRECOGNISED
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
