"""Scenarios that turn on the unit, its sample, its order and its consent."""

from tests.support.authoring import people as who
from tests.support.authoring.openings import issued, observed, opened, ordered, screened
from tests.support.authoring.people import bag
from tests.support.authoring.scene import (
    BEDSIDE,
    Scene,
    advance,
    scene,
    send,
)
from tests.support.authoring.steps import check, give_back


def old_sample() -> Scene:
    """The sample is 72 hours and one minute old."""
    person, taken, number = who.OLD_SAMPLE, bag(21, "O RhD positive"), "TO-4421"
    back = give_back("ST-2102", person, taken, "09:26", "09:10", "Sample too old")
    return scene(
        "sample-too-old-is-refused-and-the-unit-returned",
        [
            ordered(person, number),
            screened(person, collected="09:20", day="2027-06-05"),
            issued(person, taken, number),
            observed(person, "OB-2101", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-2101", person, taken, "09:18", "09:21", number),
                answer="refuse",
            ),
            send("09:26", BEDSIDE, "return", back, answer="accept"),
            advance("10:30"),
        ],
        title="A sample that is too old is refused and the unit returned",
    )


def not_hung() -> Scene:
    """The patient is away; the unit waits outside the refrigerator."""
    person, taken, number = who.AWAY, bag(22, "A RhD positive"), "TO-4422"
    late = check("ST-2201", person, taken, "09:38", "09:41", number, out_since="09:08")
    back = give_back("ST-2202", person, taken, "09:47", "09:08", "Patient away for a scan")
    return scene(
        "unit-not-hung-in-time-goes-back-and-is-discarded",
        [
            *opened(person, taken, number, 22),
            send("09:41", BEDSIDE, "check", late, answer="caution"),
            send("09:47", BEDSIDE, "return", back, answer="discard"),
            advance("10:50"),
        ],
        title="A unit that was not hung in time goes back and is not restocked",
    )


SCENES = (old_sample, not_hung)
