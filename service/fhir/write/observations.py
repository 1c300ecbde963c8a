"""Observations: the volume given, and readings and signs sent beside a notice.

They have the same shape in R4 and in R5.
"""

import re
from collections.abc import Iterable

from service.assessment.desired import Desired, Observed, Volume
from service.facts.moment import Moment
from service.facts.quantity import UNIT_OF, Reading, Vital
from service.fhir.write import narrative
from service.fhir.write.codes import (
    BLOOD_PRESSURE,
    HL7,
    OWN_OBSERVATION,
    OWN_SIGN,
    VITAL_CODES,
    Code,
)
from service.fhir.write.common import (
    Resource,
    concept,
    emitted,
    head_of,
    notes,
    period,
    plain,
    quantity,
    reference,
    unit_reference,
)
from service.fhir.write.context import WriteContext
from service.fhir.write.times import when
from service.fhir.write.wording import LABEL_TEXT

_PRESSURES = {Vital.SYSTOLIC, Vital.DIASTOLIC, Vital.MEAN_PRESSURE}
_DATA_ABSENT = f"{HL7}/data-absent-reason"
_WORD = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


def volume(desired: Desired, content: Volume, context: WriteContext) -> Resource:
    """The volume given. No standard code exists, so: own code and text."""
    how = "Measured" if content.measured else "Calculated, not measured"
    code: Code = (OWN_OBSERVATION, "volume-given", None)
    return {
        **head_of(desired, context),
        "text": narrative.volume(content, context),
        "partOf": [emitted(content.procedure, context)],
        "status": content.status,
        "code": concept("Volume of blood component given", code),
        "subject": reference(content.patient, context),
        "focus": [unit_reference(content.unit)],
        "effectiveDateTime": content.at.text,
        "valueQuantity": quantity(content.value, "mL"),
        "method": concept(how),
    }


def observed(desired: Desired, content: Observed, context: WriteContext) -> Resource:
    """Readings and signs that led to a notice: one LOINC-coded value, a pressure, or a set."""
    return {
        **head_of(desired, context),
        "text": narrative.observed(content, context),
        "partOf": [emitted(content.procedure, context)] if content.procedure else [],
        "status": content.status,
        "category": _categories(content),
        "subject": reference(content.patient, context),
        "focus": [unit_reference(content.unit)] if content.unit else [],
        **_effective(content),
        **_values(content, context),
        "note": notes(*_reading_notes(content, context)),
    }


def _categories(content: Observed) -> list[Resource]:
    words = ["vital-signs"] if content.readings else []
    words += ["exam"] if content.signs or not words else []
    return [concept(None, (f"{HL7}/observation-category", word, None)) for word in words]


def _effective(content: Observed) -> Resource:
    times = [reading.at for reading in content.readings]
    if not times:
        return {"effectiveDateTime": content.at.text if content.at else None}
    if len({time.text for time in times}) == 1:
        return {"effectiveDateTime": times[0].text}
    ordered = sorted(times, key=_time_order)
    return {"effectivePeriod": period(ordered[0], ordered[-1])}


def _time_order(moment: Moment) -> tuple[str, str]:
    exact = moment.instant.isoformat() if moment.instant else moment.text
    return (exact, moment.text)


def _values(content: Observed, context: WriteContext) -> Resource:
    readings, signs = content.readings, content.signs
    if len(readings) == 1 and not signs and readings[0].vital not in _PRESSURES:
        value = quantity(readings[0].value, UNIT_OF[readings[0].vital])
        return {"code": _labelled(content, *_vital(readings[0])), "valueQuantity": value}
    if len(signs) == 1 and not readings:
        return {"code": _sign(signs[0], context), "valueBoolean": True}
    if readings and not signs and {reading.vital for reading in readings} <= _PRESSURES:
        return {"code": _labelled(content, "Blood pressure", BLOOD_PRESSURE), **_pressure(content)}
    parts = [_component(reading) for reading in readings]
    parts += [{"code": _sign(sign, context), "valueBoolean": True} for sign in signs]
    return {"code": _set_code(content), "component": parts, **_nothing(parts)}


def _labelled(content: Observed, text: str, *codes: Code) -> Resource:
    label = LABEL_TEXT.get(content.label, content.label)
    return concept(f"{text}, {label}" if label else text, *codes)


def _vital(reading: Reading) -> tuple[str, *tuple[Code, ...]]:
    codes = VITAL_CODES[reading.vital]
    return (codes[0][2] or reading.vital.value, *codes)


def _component(reading: Reading) -> Resource:
    text, *codes = _vital(reading)
    return {
        "code": concept(text, *codes),
        "valueQuantity": quantity(reading.value, UNIT_OF[reading.vital]),
    }


def _pressure(content: Observed) -> Resource:
    """Both slices of the pressure profile; a pressure that was not read says so."""
    parts = [_component(reading) for reading in content.readings]
    read = {reading.vital for reading in content.readings}
    for vital in (Vital.SYSTOLIC, Vital.DIASTOLIC):
        if vital not in read:
            text = VITAL_CODES[vital][0][2]
            absent = concept(None, (_DATA_ABSENT, "unknown", None))
            code = concept(text, *VITAL_CODES[vital])
            parts.append({"code": code, "dataAbsentReason": absent})
    return {"component": parts}


def _set_code(content: Observed) -> Resource:
    """Own code: the panel code of vital signs wants members of their own, which these are not."""
    code: Code = (OWN_OBSERVATION, "observation-set", None)
    return _labelled(content, "Observation set", code)


def _nothing(parts: list[Resource]) -> Resource:
    absent = concept(None, (_DATA_ABSENT, "unknown", None))
    return {} if parts else {"dataAbsentReason": absent}


def _sign(sign: str, context: WriteContext) -> Resource:
    """A sign by its standard code, where the free set has one, and its own word; else text."""
    if _WORD.fullmatch(sign) is None:
        return concept(plain(sign) or "Sign not named")
    codes: list[Code] = [context.sign_codes[sign]] if sign in context.sign_codes else []
    return concept(sign.replace("-", " "), *codes, (OWN_SIGN, sign, None))


def _reading_notes(content: Observed, context: WriteContext) -> Iterable[str]:
    """What a component has no place for: each reading's own time, unit as sent, and source."""
    many = len({reading.at.text for reading in content.readings}) > 1
    for reading in content.readings:
        text, *_ = _vital(reading)
        said = [f"at {when(reading.at, context.zone)}"] if many else []
        if reading.sent_unit != UNIT_OF[reading.vital]:
            said.append(f"sent as {reading.sent_value} {reading.sent_unit}")
        if reading.device:
            said.append("from a device")
        if reading.room_air is not None:
            said.append("on room air" if reading.room_air else "on added oxygen")
        if said:
            yield f"{text}: {', '.join(said)}."
