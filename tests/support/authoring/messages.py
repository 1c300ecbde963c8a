"""Scenarios that turn on how messages arrive: late, shuffled, twice, corrected."""

from tests.support.authoring import people as who
from tests.support.authoring.openings import issued, observed, screened
from tests.support.authoring.people import bag
from tests.support.authoring.resources import consent, order, patient, vitals
from tests.support.authoring.scene import (
    BEDSIDE,
    RECORD_SYSTEM,
    Scene,
    advance,
    scene,
    send,
)
from tests.support.authoring.steps import check, start


def shuffled() -> Scene:
    """A backlog of two minutes, in any order."""
    person, taken, number = who.SHUFFLED, bag(43, "A RhD positive"), "TO-4443"
    wanted = (patient(person), order(person, number), consent(person, f"C-{number}"))
    begun = start("ST-4302", person, taken, "09:24", number)
    first = vitals(person, "OB-4302", "09:39")
    return scene(
        "messages-come-shuffled-and-twice",
        [
            issued(person, taken, number, "09:10"),
            observed(person, "OB-4301", "09:15", "baseline"),
            screened(person, "09:24:20"),
            send("09:24:30", RECORD_SYSTEM, "order", *wanted),
            send("09:24:40", BEDSIDE, "start", begun, answer="refuse"),
            send("09:24:50", RECORD_SYSTEM, "order-again", *wanted),
            send(
                "09:25:10",
                BEDSIDE,
                "check",
                check("ST-4301", person, taken, "09:18", "09:21", number),
                answer="no-objection",
            ),
            send("09:25:30", BEDSIDE, "start-again", begun),
            send("09:40", BEDSIDE, "first-observations", first),
            send("09:41", BEDSIDE, "first-observations-again", first),
            advance("09:50"),
        ],
        title="Messages come shuffled and twice",
    )


SCENES = (shuffled,)
