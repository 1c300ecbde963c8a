"""Scenarios that turn on who the patient is."""

from dataclasses import replace

from tests.support.authoring import people as who
from tests.support.authoring.openings import observed, opened
from tests.support.authoring.people import bag
from tests.support.authoring.scene import (
    BEDSIDE,
    Scene,
    advance,
    scene,
    send,
)
from tests.support.authoring.steps import check, start


def dropped_zero() -> Scene:
    """The label's printer drops the leading zero of the patient's number."""
    person, taken, order = who.DROPPED_ZERO, bag(20, "A RhD positive"), "TO-4420"
    printed = replace(person, number=person.number.lstrip("0"))
    wrong = check("ST-2001", person, taken, "09:18", "09:21", order, label=printed)
    return scene(
        "label-drops-a-leading-zero-and-is-refused",
        [
            *opened(person, taken, order, 20),
            send("09:21", BEDSIDE, "check", wrong, answer="refuse"),
            send(
                "09:36",
                BEDSIDE,
                "check-again",
                check("ST-2002", person, taken, "09:33", "09:36", order),
                answer="no-objection",
            ),
            send(
                "09:38",
                BEDSIDE,
                "start",
                start("ST-2003", person, taken, "09:38", order),
                answer="no-objection",
            ),
            observed(person, "OB-2002", "09:53", "first-observations"),
            advance("09:56"),
        ],
        title="A label that drops a leading zero is refused until it is printed anew",
    )


SCENES = (dropped_zero,)
