"""The pieces that resources are made of, and the invented world they speak of.

Harrow Vale Hospital, its people and its numbers are invented; A9999 is the facility number of
published ISBT 128 examples, and every donation number is built on it.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo

Json = dict[str, Any]

RELEASES = ("R4", "R5")
HOSPITAL = "https://harrow-vale.example/id"
OWN = "https://transfusion-events.example/fhir"
CROSS = "http://hl7.org/fhir/5.0/StructureDefinition/extension-"
V2 = "http://terminology.hl7.org/CodeSystem"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
ISBT = "https://www.isbt128.org/uri"
ZONE = ZoneInfo("Europe/London")
FACILITY_NUMBER = "A9999"

GROUPS = {  # text on a label: (ISBT 128 code, SNOMED CT code, SNOMED CT display)
    "A RhD positive": ("62", "278149003", "Blood group A Rh(D) positive"),
    "A RhD negative": ("06", "278152006", "Blood group A Rh(D) negative"),
    "B RhD positive": ("73", "278150003", "Blood group B Rh(D) positive"),
    "B RhD negative": ("17", "278153001", "Blood group B Rh(D) negative"),
    "O RhD positive": ("51", "278147001", "Blood group O Rh(D) positive"),
    "O RhD negative": ("95", "278148006", "Blood group O Rh(D) negative"),
    "AB RhD positive": ("84", "278151004", "Blood group AB Rh(D) positive"),
    "AB RhD negative": ("28", "278154007", "Blood group AB Rh(D) negative"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Worker:
    """An invented member of staff."""

    number: str
    name: str


def at(instant: datetime) -> str:
    """An instant to the second, on the hospital's clock with its offset."""
    return instant.astimezone(ZONE).isoformat(timespec="seconds")


def number(kind: str, value: str) -> Json:
    """An identifier in one of the hospital's systems."""
    return {"system": f"{HOSPITAL}/{kind}", "value": value}


def named(type_name: str, identifier: Json, display: str | None = None) -> Json:
    """A reference by identifier only."""
    found: Json = {"type": type_name, "identifier": identifier}
    return found | ({"display": display} if display else {})


def urn(resource: Json) -> str:
    """The fullUrl of a resource in a transaction: made of what it is, so always the same."""
    first = first_identifier(resource)
    return f"urn:uuid:{uuid5(NAMESPACE_URL, '/'.join(first.values()))}"


def first_identifier(resource: Json) -> Json:
    """The identifier by which a resource is created once."""
    found = resource["identifier"][0]
    return {"system": found["system"], "value": found["value"]}


def concept(system: str, code: str, display: str | None = None) -> Json:
    """A CodeableConcept of one coding."""
    coding = {"system": system, "code": code} | ({"display": display} if display else {})
    return {"coding": [coding]}


def own(code_system: str, code: str) -> Json:
    """A CodeableConcept in one of our own code systems."""
    return concept(f"{OWN}/CodeSystem/{code_system}", code)


def amount(value: float, code: str, unit: str | None = None) -> Json:
    """A Quantity in UCUM."""
    return {"value": value, "unit": unit or code, "system": UCUM, "code": code}


def ours(name: str, **value: Any) -> Json:
    """An extension of our own."""
    return {"url": f"{OWN}/StructureDefinition/{name}", **value}


def crossed(name: str, **value: Any) -> Json:
    """An R5 element in R4: the published cross-version extension."""
    return {"url": f"{CROSS}{name}", **value}


def of_worker(worker: Worker) -> Json:
    """A reference to a member of staff."""
    return named("Practitioner", number("staff", worker.number), worker.name)


def ward(name: str) -> Json:
    """A reference to a ward."""
    return named("Location", number("location", name.lower()), f"Ward {name}")


def transaction(resources: list[Json]) -> Json:
    """A Bundle that creates each resource once, or corrects it."""
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [_entry(resource) for resource in resources],
    }


def _entry(resource: Json) -> Json:
    kind, first = resource["resourceType"], first_identifier(resource)
    request = {"method": "POST", "url": kind}
    # a correction has to reach what is held, and may not be taken for a second creation
    if resource.get("status") not in ("corrected", "amended", "entered-in-error"):
        request["ifNoneExist"] = f"identifier={first['system']}|{first['value']}"
    return {"fullUrl": urn(resource), "resource": resource, "request": request}
