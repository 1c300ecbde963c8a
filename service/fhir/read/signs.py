"""Symptoms and signs: the code is the sign, or the value of a general code is."""

from service.facts.records import Sign
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import Json, chosen, codings, each, flag_of, one, text_of
from service.fhir.read.vitals import performer_of, when


def read_signs(reader: Reader) -> tuple[Sign, ...]:
    """Every sign that an Observation and its components state, present or denied."""
    observation = reader.resource
    found = (_sign(reader, part) for part in (observation, *each(observation, "component")))
    return tuple(sign for sign in found if sign is not None)


def _sign(reader: Reader, part: Json) -> Sign | None:
    code = one(part, "code")
    value = chosen(part, "value", "CodeableConcept") or {}
    coded = reader.word("signs", code, "code") if codings(code) else None
    valued = reader.word("signs", value, "value") if codings(value) else None
    sign = coded or valued
    if sign is None:
        return None
    if one(part, "dataAbsentReason"):
        reader.warn(f"Whether there was {sign} was not observed.", "dataAbsentReason")
        return None
    present = True if coded is None else _present(reader, part, value)
    if present is None:
        reader.warn(f"What was sent is taken as: {sign} is present.", "value", "value")
    return Sign(
        sign=sign,
        present=present is not False,
        at=when(reader),
        severity=_severity(reader),
        performer=performer_of(reader),
    )


def _present(reader: Reader, part: Json, value: Json) -> bool | None:
    """Whether the sign is there. A sign stated without a value is; an unknown value is unknown."""
    told = flag_of(part, "valueBoolean")
    if told is not None:
        return told
    words = {reader.word("presence", value, "value")}
    words.add(reader.codes.text_word("presence", text_of(part, "valueString")))
    words |= {
        reader.word("presence", concept, "interpretation")
        for concept in each(part, "interpretation")
    }
    found = {word == "present" for word in words if word}
    if len(found) == 1:
        return next(iter(found))
    severity = reader.word("severities", value, "value")
    return None if (value and severity is None) or len(found) > 1 else True


def _severity(reader: Reader) -> str | None:
    own = reader.own(reader.resource, "sign-severity")
    value = chosen(reader.resource, "value", "CodeableConcept") or {}
    said = own if own in reader.codes.concepts["severities"].words else None
    return said or reader.word("severities", value, "value")
