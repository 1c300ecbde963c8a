"""Scenarios that turn on the check: what is refused, returned, authorised or done without it."""

from tests.support.authoring import people as who
from tests.support.authoring.openings import issued, observed, ordered, screened
from tests.support.authoring.people import bag
from tests.support.authoring.resources import patient
from tests.support.authoring.scene import BEDSIDE, RECORD_SYSTEM, Scene, advance, scene, send
from tests.support.authoring.steps import check, give_back, start, step
from tests.support.authoring.words import VANE, own


def wrong_band() -> Scene:
    """The neighbour's band is read."""
    person, taken, number = who.BANDED, bag(3, "O RhD positive"), "TO-4402"
    return scene(
        "wrong-band-is-refused-and-read-again",
        [
            ordered(person, number),
            send("08:22", RECORD_SYSTEM, "neighbour", patient(who.NEIGHBOUR)),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-201", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-201", person, taken, "09:18", "09:21", number, band=who.NEIGHBOUR),
                answer="refuse",
            ),
            send(
                "09:28",
                BEDSIDE,
                "check-again",
                check("ST-202", person, taken, "09:25", "09:28", number),
                answer="no-objection",
            ),
            send(
                "09:31",
                BEDSIDE,
                "start",
                start("ST-203", person, taken, "09:31", number),
                answer="no-objection",
            ),
            observed(person, "OB-202", "09:46", "first-observations"),
            advance("09:50"),
        ],
        title="The neighbour's band is read, refused, and the right one read again",
    )


def wrong_group() -> Scene:
    """A unit of group A for a patient of group O."""
    person, taken, number = who.MISMATCHED, bag(4, "A RhD positive"), "TO-4403"
    back = give_back("ST-302", person, taken, "09:27", "09:10", "Group of the unit differs")
    return scene(
        "unit-of-another-group-is-refused-and-returned",
        [
            ordered(person, number),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-301", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-301", person, taken, "09:18", "09:21", number),
                answer="refuse",
            ),
            send("09:27", BEDSIDE, "return", back, answer="accept"),
            advance("10:30"),
        ],
        title="A unit of another group is refused and returned",
    )


def expired() -> Scene:
    """The unit expired the evening before."""
    person, number = who.STALE, "TO-4404"
    taken = bag(5, "A RhD positive", expires="2027-06-07T23:59")
    back = give_back("ST-402", person, taken, "09:26", "09:10", "Unit expired")
    return scene(
        "expired-unit-is-refused-and-returned",
        [
            ordered(person, number),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-401", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-401", person, taken, "09:18", "09:21", number),
                answer="refuse",
            ),
            send("09:26", BEDSIDE, "return", back, answer="discard"),
            advance("10:30"),
        ],
        title="A unit that expired the evening before is refused",
    )


def requirement() -> Scene:
    """CMV-negative was ordered, the unit says nothing of it."""
    person, taken, number = who.REQUIRING, bag(6, "A RhD positive"), "TO-4405"
    allowed = step(
        "authorise",
        "ST-502",
        person,
        "09:24",
        ("rule", "CodeableConcept", own("rule", "PRE-03")),
        (
            "reason",
            "CodeableConcept",
            {"text": "No CMV negative unit in stock; leukoreduced accepted"},
        ),
        bag=taken,
        order=number,
        by=VANE,
    )
    return scene(
        "unmet-requirement-is-authorised-by-name",
        [
            ordered(person, number, requirements=("leukoreduced", "cmv-negative")),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-501", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-501", person, taken, "09:18", "09:21", number),
                answer="authorise",
            ),
            send("09:25", BEDSIDE, "authorise", allowed),
            send(
                "09:28",
                BEDSIDE,
                "start",
                start("ST-503", person, taken, "09:28", number),
                answer="no-objection",
            ),
            observed(person, "OB-502", "09:43", "first-observations"),
            advance("09:50"),
        ],
        title="An unmet requirement is authorised by a named person",
    )


def no_check() -> Scene:
    """The start comes before its check."""
    person, taken, number = who.UNCHECKED, bag(10, "A RhD positive"), "TO-4409"
    return scene(
        "start-without-check-is-raised-until-its-check-arrives",
        [
            ordered(person, number),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-901", "09:15", "baseline"),
            send(
                "09:24",
                BEDSIDE,
                "start",
                start("ST-902", person, taken, "09:24", number),
                answer="refuse",
            ),
            advance("09:30"),
            send(
                "09:33",
                BEDSIDE,
                "late-check",
                check("ST-901", person, taken, "09:18", "09:21", number),
                answer="no-objection",
            ),
            observed(person, "OB-902", "09:39", "first-observations"),
            advance("09:45"),
        ],
        title="A start without a check is raised until its check arrives",
    )


def two_patients() -> Scene:
    """One bag, two starts."""
    first, second = who.INTENDED, who.UNINTENDED
    taken, number, other = bag(11, "A RhD positive"), "TO-4410", "TO-4411"
    return scene(
        "one-unit-is-started-in-two-patients",
        [
            ordered(first, number),
            screened(first),
            ordered(second, other, "08:30"),
            screened(second, "08:35"),
            issued(first, taken, number),
            observed(first, "OB-1001", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-1001", first, taken, "09:18", "09:21", number),
                answer="no-objection",
            ),
            send(
                "09:24",
                BEDSIDE,
                "start",
                start("ST-1002", first, taken, "09:24", number),
                answer="no-objection",
            ),
            send(
                "09:29",
                BEDSIDE,
                "second-start",
                start("ST-1003", second, taken, "09:27", other),
                answer="refuse",
            ),
            advance("09:40"),
        ],
        title="One unit is reported started in two patients",
    )


SCENES = (wrong_band, wrong_group, expired, requirement, no_check, two_patients)
