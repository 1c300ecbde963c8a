"""The messages that open every scenario: order, tests, issue, observations."""

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
from tests.support.authoring.words import Bag, Person


def ordered(person: Person, value: str, clock: str = "08:20", **more: object) -> Line:
    """The order reaches the service: patient, order, consent."""
    wanted = order(person, value, **more)  # type: ignore[arg-type]
    return send(
        clock, RECORD_SYSTEM, "order", patient(person), wanted, consent(person, f"C-{value}")
    )


def screened(person: Person, clock: str = "08:25") -> Line:
    """The blood bank's work of the day before: sample, group, antibody screen."""
    return send(
        clock,
        LABORATORY,
        "sample-and-group",
        sample(person),
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


def observed(person: Person, value: str, clock: str, name: str, **changed: float) -> Line:
    """A set of observations."""
    return send(clock, BEDSIDE, name, vitals(person, value, clock, **changed))
