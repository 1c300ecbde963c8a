"""The pieces that resources are made of, and the invented world they speak of.

Harrow Vale Hospital, its people and its numbers are invented; A9999 is the facility number of
published ISBT 128 examples, and every donation number here is built on it.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo

from service.scan.isbt128 import check_character

Json = dict[str, Any]
Both = dict[str, Json]  # release -> the resource in that release

RELEASES = ("R4", "R5")
HOSPITAL = "https://harrow-vale.example/id"
OWN = "https://transfusion-events.example/fhir"
CROSS = "http://hl7.org/fhir/5.0/StructureDefinition/extension-"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
ISBT = "https://www.isbt128.org/uri"
ZONE = ZoneInfo("Europe/London")
DAY = "2027-06-08"

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
class Person:
    """An invented patient."""

    number: str
    family: str
    given: str
    born: str
    gender: str
    sample: str  # number of the sample that the blood bank holds
    group: str
    temporary: bool = False  # the number is that of somebody unidentified


@dataclass(frozen=True, slots=True, kw_only=True)
class Bag:
    """An invented unit of red cells. expires: local time."""

    din: str
    group: str
    expires: str = "2027-07-06T23:59"
    product: str = "E0398"
    issue: str = ""

    @property
    def sid(self) -> str:
        """The unit in our own identifier system."""
        return f"{self.din}/{self.product}/000000"

    @property
    def scans(self) -> tuple[str, str, str, str]:
        """What a scanner reads from the bag: donation, product, group, expiry."""
        code, _, _ = GROUPS[self.group]
        when = datetime.fromisoformat(self.expires)
        return (
            f"={self.din}00",
            f"=<{self.product}V00",
            f"=%{code}00",
            f"&>0{when:%y%j%H%M}",
        )

    @property
    def printed(self) -> str:
        """The donation number as printed, with its check character."""
        return f"{self.din}{check_character(self.din)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Worker:
    """An invented member of staff."""

    number: str
    name: str


PEMBER = Worker(number="S-2231", name="H. Pemberly, nurse")
LARK = Worker(number="S-2274", name="T. Larkspire, nurse")
VANE = Worker(number="S-0417", name="Dr O. Vanewright")
MARL = Worker(number="L-0052", name="J. Marlowick, biomedical scientist")


def same(resource: Json) -> Both:
    """A resource that is written alike in both releases."""
    return dict.fromkeys(RELEASES, resource)


def at(clock: str, day: str = DAY) -> str:
    """A time of the day on the hospital's clock, ``09:15`` or ``09:15:30``, with its offset."""
    full = clock if clock.count(":") > 1 else f"{clock}:00"
    return datetime.fromisoformat(f"{day}T{full}").replace(tzinfo=ZONE).isoformat()


def instant(local: str) -> str:
    """A local date and time with its offset."""
    return at(local.partition("T")[2], local.partition("T")[0])


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


def of_person(person: Person) -> Json:
    """A reference to a patient by number."""
    return named("Patient", number("patient", person.number))


def of_worker(worker: Worker) -> Json:
    """A reference to a member of staff."""
    return named("Practitioner", number("staff", worker.number), worker.name)


def ward(name: str = "Larch") -> Json:
    """A reference to a ward."""
    return named("Location", number("location", name.lower()), f"Ward {name}")


def stamped(both: Both, clock: str) -> Both:
    """A resource with its sender's own time of this version."""
    return {
        release: resource | {"meta": resource.get("meta", {}) | {"lastUpdated": at(clock)}}
        for release, resource in both.items()
    }
