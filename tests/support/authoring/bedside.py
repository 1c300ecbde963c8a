"""What the ward tells of the patient and the bedside: weight, signs, whereabouts, sets."""

from tests.support.authoring.resources import V2
from tests.support.authoring.words import (
    LOINC,
    PEMBER,
    SNOMED,
    Both,
    Json,
    Person,
    amount,
    at,
    concept,
    number,
    of_person,
    of_worker,
    ours,
    own,
    same,
)


def weight(person: Person, value: str, clock: str, kilograms: float) -> Both:
    """The patient's weight."""
    found = _at_bedside(person, value, clock, "vital-signs", "Vital Signs")
    code = concept(LOINC, "29463-7", "Body weight")
    return same(found | {"code": code, "valueQuantity": amount(kilograms, "kg")})


def symptom(person: Person, value: str, clock: str, code: str, display: str) -> Both:
    """A sign in SNOMED CT that a nurse reports as present."""
    found = _at_bedside(person, value, clock, "symptom", "Symptom")
    return same(found | {"code": concept(SNOMED, code, display), "valueBoolean": True})


def _at_bedside(person: Person, value: str, clock: str, kind: str, display: str) -> Json:
    return {
        "resourceType": "Observation",
        "identifier": [number("observation", value)],
        "status": "final",
        "category": [concept(f"{V2}/observation-category", kind, display)],
        "subject": of_person(person),
        "effectiveDateTime": at(clock),
        "performer": [of_worker(PEMBER)],
    }


def encounter(person: Person, value: str, since: str, place: Json, setting: str) -> Both:
    """Where the patient is, and since when."""
    inpatient = concept(f"{V2}/v3-ActCode", "IMP", "inpatient encounter")
    shared: Json = {
        "resourceType": "Encounter",
        "identifier": [number("encounter", value)],
        "status": "in-progress",
        "type": [own("setting", setting)],
        "subject": of_person(person),
        "location": [{"location": place, "status": "active"}],
    }
    began = {"start": at(since)}
    r4 = shared | {"class": inpatient["coding"][0], "period": began}
    return {"R4": r4, "R5": shared | {"class": [inpatient], "actualPeriod": began}}


def blood_set(value: str, most_units: int) -> Both:
    """An administration set, with the number of units its maker allows."""
    kind = own("device", "set")
    shared: Json = {
        "resourceType": "Device",
        "identifier": [number("set", value)],
        "extension": [ours("set-unit-limit", valueInteger=most_units)],
        "status": "active",
    }
    return {"R4": shared | {"type": kind}, "R5": shared | {"type": [kind]}}
