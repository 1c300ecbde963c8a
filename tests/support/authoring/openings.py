"""The messages that open every scenario: order, tests, issue, observations."""

from typing import Any

from tests.support.authoring.resources import (
    antibody_screen,
    consent,
    crossmatch,
    group,
    issue,
    order,
    patient,
    sample,
    unit,
    vitals,
)
from tests.support.authoring.scene import BEDSIDE, LABORATORY, RECORD_SYSTEM, Line, send
from tests.support.authoring.steps import check, start
from tests.support.authoring.words import Bag, Person


def ordered(person: Person, value: str, clock: str = "08:20", **more: Any) -> Line:
    """The order reaches the service: patient, order, consent."""
    wanted = order(person, value, **more)
    return send(
        clock, RECORD_SYSTEM, "order", patient(person), wanted, consent(person, f"C-{value}")
    )


def screened(person: Person, clock: str = "08:25", **taken: str) -> Line:
    """The blood bank's work of the day before: sample, group, antibody screen."""
    return send(
        clock,
        LABORATORY,
        "sample-and-group",
        sample(person, **taken),
        group(person, f"G-{person.sample}"),
        antibody_screen(person, f"AS-{person.sample}"),
    )


def issued(person: Person, bag: Bag, value: str, clock: str = "09:10") -> Line:
    """A crossmatched unit is handed over for the patient."""
    return send(
        clock,
        LABORATORY,
        "issue",
        unit(bag),
        crossmatch(person, bag, f"XM-{bag.issue}"),
        issue(person, bag, value, clock),
    )


def opened(person: Person, bag: Bag, value: str, scene: int, **more: Any) -> list[Line]:
    """Everything up to the baseline at 09:15. scene: number that the scenario's numbers bear."""
    return [
        ordered(person, value, **more),
        screened(person),
        issued(person, bag, value),
        observed(person, f"OB-{scene}01", "09:15", "baseline"),
    ]


def checked(person: Person, bag: Bag, value: str, scene: int) -> Line:
    """The clean check that ends at 09:21."""
    said = check(f"ST-{scene}01", person, bag, "09:18", "09:21", value)
    return send("09:21", BEDSIDE, "check", said, answer="no-objection")


def begun(person: Person, bag: Bag, value: str, scene: int, **more: Any) -> list[Line]:
    """Opened, checked and started at 09:24, all clean."""
    said = start(f"ST-{scene}02", person, bag, "09:24", value)
    return [
        *opened(person, bag, value, scene, **more),
        checked(person, bag, value, scene),
        send("09:24", BEDSIDE, "start", said, answer="no-objection"),
    ]


def observed(person: Person, value: str, clock: str, name: str, **changed: Any) -> Line:
    """A set of observations."""
    return send(clock, BEDSIDE, name, vitals(person, value, clock, **changed))
