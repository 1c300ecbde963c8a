"""Vital signs: single, as a panel with components, or as a panel with members."""

from collections.abc import Iterable
from decimal import Decimal

from service.facts.identity import Staff
from service.facts.moment import Moment
from service.facts.quantity import UNIT_OF, Unusable, Vital
from service.facts.quantity import Reading as Measurement
from service.facts.records import Vitals
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import (
    Json,
    choice,
    chosen,
    codings,
    each,
    number_of,
    one,
    text_of,
    wording,
)

ROOM_AIR = Decimal(21)  # per cent of oxygen
UNTIMED = Moment(text="")
SCORES = {"alert": Decimal(0), "not-alert": Decimal(3)}  # NEWS2 chart


def has_vitals(reader: Reader) -> bool:
    """True for a vital sign, a panel of them, or any grouping of vital-sign components."""
    code = one(reader.resource, "code")
    grouped = reader.codes.words("panels", codings(code))
    return bool(grouped) or any(_vital(reader, part) for _, part in _parts(reader.resource))


def read_vitals(reader: Reader) -> Vitals:
    """The readings of one Observation, and what was sent but is no reading."""
    observation = reader.resource
    at = when(reader)
    by_device = _by_device(reader)
    found = [
        _reading(reader, vital, part, at, place, device=by_device)
        for place, part in _parts(observation)
        if (vital := _vital(reader, part)) is not None
    ]
    found += [
        _unusable(reader, None, at, place, "Its codes name several vital signs")
        for place, part in _parts(observation)
        if len(_vitals(reader, part)) > 1
    ]
    taken = tuple(one for one in found if isinstance(one, Measurement))
    if taken and at is None:
        text = "No clinical time was sent: the readings count only as members of a timed panel."
        reader.warn(text, "effective", "value")
    _unmapped_parts(reader)
    return Vitals(
        readings=taken if at is not None else (),
        untimed=taken if at is None else (),
        unusable=tuple(one for one in found if isinstance(one, Unusable)),
        at=at,
        members=reader.refs(observation, "hasMember", "Observation"),
        part_of=(*reader.refs(observation, "partOf"), *reader.refs(observation, "focus")),
        performer=performer_of(reader),
        clinician_reported=not by_device,
    )


def when(reader: Reader) -> Moment | None:
    """The clinical time of an Observation: a Period counts at its end. Never ``issued``."""
    found = choice(reader.resource, "effective")
    if found is None or found[0] == "Timing":
        return None
    return reader.span(reader.resource, "effective")[1]


def performer_of(reader: Reader) -> Staff | None:
    """The first member of staff who performed an Observation."""
    found = (reader.staff(performer) for performer in each(reader.resource, "performer"))
    return next((staff for staff in found if staff is not None), None)


def _by_device(reader: Reader) -> bool:
    """True when a device is named and no person vouches for the value."""
    return bool(one(reader.resource, "device")) and performer_of(reader) is None


def _parts(observation: Json) -> Iterable[tuple[str, Json]]:
    """The Observation itself and its components, each with the path of its value."""
    yield "value", observation
    for number, component in enumerate(each(observation, "component")):
        yield f"component[{number}].value", component


def _vital(reader: Reader, part: Json) -> Vital | None:
    words = _vitals(reader, part)
    return Vital(next(iter(words))) if len(words) == 1 else None


def _vitals(reader: Reader, part: Json) -> frozenset[str]:
    return reader.codes.words("vitals", codings(one(part, "code")))


def _unmapped_parts(reader: Reader) -> None:
    """Lists the components that say nothing to anybody here."""
    for part in each(reader.resource, "component"):
        code = one(part, "code")
        known = ("vitals", "inspired-oxygen", "signs", "panels")
        if not any(reader.codes.words(concept, codings(code)) for concept in known):
            reader.unknown("vitals", code, "component.code")


def _reading(
    reader: Reader, vital: Vital, part: Json, at: Moment | None, place: str, *, device: bool
) -> Measurement | Unusable:
    absent = one(part, "dataAbsentReason")
    if absent:
        return Unusable(vital=vital, at=at, reason=f"absent: {wording(absent) or 'not said'}")
    at = at or UNTIMED
    if vital is Vital.CONSCIOUSNESS:
        return _consciousness(reader, part, at, place, device=device)
    quantity = chosen(part, "value", "Quantity")
    if not isinstance(quantity, dict):
        return _unusable(reader, vital, at, place, "No quantity was sent")
    value, reason = reader.measure(quantity, UNIT_OF[vital])
    sent = number_of(quantity.get("value"))
    if value is None or sent is None:
        return _unusable(reader, vital, at, place, reason or "No value was sent")
    return Measurement(
        vital=vital,
        value=value,
        at=at,
        sent_value=sent,
        sent_unit=text_of(quantity, "code") or "",
        site=_site(reader.resource),
        device=device,
        room_air=_room_air(reader, part) if vital is Vital.SATURATION else None,
    )


def _unusable(
    reader: Reader, vital: Vital | None, at: Moment | None, place: str, reason: str
) -> Unusable:
    at = at if at != UNTIMED else None
    name = vital.replace("_", " ") if vital is not None else "one vital sign"
    reader.warn(f"{reason}: this is no reading of {name}.", place, "value")
    return Unusable(vital=vital, at=at, reason=reason)


def _consciousness(
    reader: Reader, part: Json, at: Moment, place: str, *, device: bool
) -> Measurement | Unusable:
    concept = chosen(part, "value", "CodeableConcept")
    word = reader.word("consciousness", concept, place) if isinstance(concept, dict) else None
    if word is None:
        reason = "The level of consciousness is not one of the known levels"
        return _unusable(reader, Vital.CONSCIOUSNESS, at, place, reason)
    score = SCORES[word]
    unit = UNIT_OF[Vital.CONSCIOUSNESS]
    return Measurement(
        vital=Vital.CONSCIOUSNESS,
        value=score,
        at=at,
        sent_value=score,
        sent_unit=unit,
        device=device,
    )


def _site(observation: Json) -> str | None:
    """Where it was measured, for comparing like with like: the code, else the text."""
    concept = one(observation, "bodySite")
    coded = [text_of(coding, "code") for coding in codings(concept)]
    return next((code for code in coded if code), None) or wording(concept)


def _room_air(reader: Reader, part: Json) -> bool | None:
    """True on room air, False on added oxygen, None when nobody said."""
    for place in (part, reader.resource):
        said = reader.own(place, "room-air")
        if isinstance(said, bool):
            return said
    answers = [_breathing(reader, other) for other in each(reader.resource, "component")]
    return next((answer for answer in answers if answer is not None), None)


def _breathing(reader: Reader, part: Json) -> bool | None:
    code = codings(one(part, "code"))
    if reader.codes.words("inspired-oxygen", code):
        share, _ = reader.measure(one(part, "valueQuantity"), "%")
        return None if share is None else share <= ROOM_AIR
    if Vital.OXYGEN_FLOW in reader.codes.words("vitals", code):
        flow, _ = reader.measure(one(part, "valueQuantity"), UNIT_OF[Vital.OXYGEN_FLOW])
        return None if flow is None else flow == 0
    return None
