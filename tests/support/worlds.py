"""Patients with everything a clean transfusion needs, in both releases, on the invented day.

The pieces are those that the scenarios are written with; here they are put together for tests.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from tests.support.apps import House, read_json
from tests.support.authoring import resources, steps
from tests.support.authoring.scene import bundle
from tests.support.authoring.words import HOSPITAL, Bag, Both, Json, Person

WREN = Person(
    number="0061001",
    family="Ashgrove",
    given="Wren",
    born="1961-04-12",
    gender="female",
    sample="HV27-30001",
    group="A RhD positive",
)
PIKE = Person(
    number="0061002",
    family="Millrace",
    given="Pike",
    born="1975-09-30",
    gender="male",
    sample="HV27-30002",
    group="A RhD positive",
)
BAG = Bag(din="A999927300001", group="A RhD positive", issue="IS-9001")
OTHER_BAG = Bag(din="A999927300002", group="A RhD positive", issue="IS-9002")
ORDER = "ORD-1"


def token(person: Person) -> str:
    """The patient's hospital number as a key."""
    return f"{HOSPITAL}/patient|{person.number}"


def order_of(person: Person) -> str:
    """The number of the patient's order."""
    return f"{ORDER}-{person.number}"


def admission(person: Person = WREN, **order: Any) -> tuple[Both, ...]:
    """Patient, order for two units, consent, sample, group and antibody screen."""
    name = person.number
    return (
        resources.patient(person),
        resources.order(person, order_of(person), **({"units": 2, "rate": 150} | order)),
        resources.consent(person, f"CON-{name}"),
        resources.sample(person),
        resources.group(person, f"GRP-{name}"),
        resources.antibody_screen(person, f"ABS-{name}"),
    )


def supply(person: Person = WREN, bag: Bag = BAG, handed_over: str = "09:50") -> tuple[Both, ...]:
    """The unit, its issue and its crossmatch."""
    return (
        resources.unit(bag),
        resources.issue(person, bag, order_of(person), handed_over),
        resources.crossmatch(person, bag, f"XM-{person.number}-{bag.din}"),
    )


def baseline(person: Person = WREN, clock: str = "09:55", **changed: float) -> Both:
    """A full set of vital signs before the check."""
    return resources.vitals(person, f"VS-{person.number}-{clock}", clock, **changed)


def a_check(
    person: Person = WREN,
    bag: Bag = BAG,
    began: str = "10:00",
    ended: str = "10:04",
    **said: Any,
) -> Both:
    """The bedside check by two nurses."""
    value = f"CHK-{person.number}-{bag.din}-{began}"
    return steps.check(value, person, bag, began, ended, order_of(person), **said)


def a_start(person: Person = WREN, bag: Bag = BAG, began: str = "10:05", rate: int = 150) -> Both:
    """The start of flow."""
    value = f"STA-{person.number}-{bag.din}-{began}"
    return steps.start(value, person, bag, began, order_of(person), rate=rate)


def an_end(person: Person = WREN, bag: Bag = BAG, when: str = "12:00", volume: int = 275) -> Both:
    """The bag is down."""
    return steps.end(f"END-{person.number}-{bag.din}-{when}", person, bag, when, volume)


def vitals(person: Person, clock: str, **changed: Any) -> Both:
    """A set of vital signs at a time of the day."""
    return resources.vitals(person, f"VS-{person.number}-{clock}", clock, **changed)


def ready(person: Person = WREN, bag: Bag = BAG, **order: Any) -> tuple[Both, ...]:
    """Everything up to the bedside check."""
    return (*admission(person, **order), *supply(person, bag), baseline(person))


def tell(house: House, said: Iterable[Both], release: str = "R4", **how: Any) -> list[Json]:
    """Sends resources in one transaction; the entries of its answer."""
    answer = house.post(f"/fhir/{release.lower()}", bundle(list(said), release), **how)
    assert answer.status_code == 200, answer.text
    return list(read_json(answer)["entry"])


def with_fields(both: Both, **fields: Any) -> Both:
    """A resource with fields replaced alike in both releases; None leaves one out."""
    return {
        release: {k: v for k, v in (resource | fields).items() if v is not None}
        for release, resource in both.items()
    }


def answered(entry: Mapping[str, Any]) -> str:
    """The word a step was answered."""
    word: str = entry["resource"]["businessStatus"]["coding"][0]["code"]
    return word


def rules(entry: Mapping[str, Any]) -> set[str]:
    """The rules of the findings a step was answered."""
    outputs = entry["resource"].get("output", [])
    return {
        coding["code"]
        for output in outputs
        for coding in output.get("valueCodeableConcept", {}).get("coding", [])
        if coding["system"].endswith("/rule")
    }
