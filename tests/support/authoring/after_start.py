"""Scenarios that turn on the running unit: the clean routine, reactions, limits."""

from tests.support.authoring import people as who
from tests.support.authoring.openings import issued, observed, ordered, screened
from tests.support.authoring.people import bag
from tests.support.authoring.resources import vitals
from tests.support.authoring.scene import BEDSIDE, Scene, advance, reply, scene, send
from tests.support.authoring.steps import change_rate, check, end, sign, start, step
from tests.support.authoring.words import VANE, Bag, Both, Person, amount, at


def two_units() -> Scene:
    """The clean routine: nothing is to be said of it."""
    person, first, second = who.TWO_UNITS, bag(1, "A RhD positive"), bag(2, "A RhD positive")
    number = "TO-4401"
    return scene(
        "two-units-run-without-event",
        [
            ordered(person, number, units=2),
            screened(person),
            issued(person, first, number),
            observed(person, "OB-101", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-101", person, first, "09:18", "09:21", number),
                answer="no-objection",
            ),
            send(
                "09:24",
                BEDSIDE,
                "start",
                start("ST-102", person, first, "09:24", number),
                answer="no-objection",
            ),
            observed(person, "OB-102", "09:39", "first-observations", temperature=36.9),
            send("09:41", BEDSIDE, "rate", change_rate("ST-103", person, first, "09:41", 150)),
            observed(person, "OB-103", "10:24", "hourly-observations"),
            issued(person, second, number, "11:04"),
            send(
                "11:08",
                BEDSIDE,
                "end",
                end("ST-104", person, first, "11:08", 276),
                answer="continue",
            ),
            observed(person, "OB-104", "11:12", "end-observations", heart_rate=80),
            send(
                "11:17",
                BEDSIDE,
                "check",
                check("ST-105", person, second, "11:14", "11:17", number),
                answer="no-objection",
            ),
            send(
                "11:20",
                BEDSIDE,
                "start",
                start("ST-106", person, second, "11:20", number),
                answer="no-objection",
            ),
            observed(person, "OB-105", "11:35", "first-observations"),
            send("11:37", BEDSIDE, "rate", change_rate("ST-107", person, second, "11:37", 150)),
            observed(person, "OB-106", "12:20", "hourly-observations"),
            send(
                "13:04",
                BEDSIDE,
                "end",
                end("ST-108", person, second, "13:04", 275),
                answer="continue",
            ),
            observed(person, "OB-107", "13:10", "end-observations"),
            advance("15:30"),
        ],
        title="Two units run without event",
    )


def suspected(value: str, person: Person, taken: Bag, when: str) -> Both:
    """The ward's own report, with what a laboratory asks first."""
    return step(
        "suspect-reaction",
        value,
        person,
        when,
        sign("43724002", "Chill"),
        ("onset", "DateTime", at("09:38")),
        ("flow-stopped-at", "DateTime", at("09:41")),
        ("volume-given", "Quantity", amount(14, "mL")),
        ("identity-recheck", "Code", "match"),
        ("bag-inspection", "CodeableConcept", {"text": "No leak, no clot, no change of colour"}),
        ("samples-sent", "CodeableConcept", {"text": "Repeat group and direct antiglobulin test"}),
        ("bag-and-set-sent", "Boolean", True),
        ("needs-more-blood", "Code", "routine"),
        ("contact", "String", "Ward Larch, extension 4417"),
        bag=taken,
    )


def fever() -> Scene:
    """A fever at fifteen minutes, notified and taken up."""
    person, taken, number = who.FEBRILE, bag(7, "A RhD positive"), "TO-4406"
    stopped = step(
        "interrupt",
        "ST-603",
        person,
        "09:41",
        ("volume-given", "Quantity", amount(14, "mL")),
        bag=taken,
    )
    confirmed = step(
        "confirm-reaction",
        "ST-606",
        person,
        "11:05",
        ("reason", "CodeableConcept", {"text": "Febrile reaction"}),
        bag=taken,
        by=VANE,
    )
    return scene(
        "fever-at-fifteen-minutes-is-notified-and-taken-up",
        [
            ordered(person, number, units=2),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-601", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-601", person, taken, "09:18", "09:21", number),
                answer="no-objection",
            ),
            send(
                "09:24",
                BEDSIDE,
                "start",
                start("ST-602", person, taken, "09:24", number),
                answer="no-objection",
            ),
            observed(
                person, "OB-602", "09:39", "first-observations", temperature=38.9, heart_rate=104
            ),
            send("09:41", BEDSIDE, "interrupt", stopped, answer="stop"),
            send("09:44", BEDSIDE, "suspect", suspected("ST-604", person, taken, "09:44")),
            reply("09:47", "blood-bank", "investigate-reaction", "accepted"),
            send(
                "09:52",
                BEDSIDE,
                "end",
                end("ST-605", person, taken, "09:52", 14, "Suspected reaction"),
            ),
            observed(
                person, "OB-603", "10:00", "later-observations", temperature=38.2, heart_rate=92
            ),
            reply("10:50", "blood-bank", "investigate-reaction", "completed"),
            send("11:05", BEDSIDE, "confirm", confirmed),
            advance("12:00"),
        ],
        title="A fever at fifteen minutes is notified, taken up and confirmed",
    )


def mistyped() -> Scene:
    """39.6 was typed for 36.9."""
    person, taken, number = who.MISTYPED, bag(8, "O RhD positive"), "TO-4407"
    wrong = vitals(person, "OB-702", "09:39", temperature=39.6)
    right = vitals(person, "OB-702", "09:39", status="corrected", temperature=36.9)
    return scene(
        "mistyped-temperature-is-corrected-after-the-notice",
        [
            ordered(person, number),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-701", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-701", person, taken, "09:18", "09:21", number),
                answer="no-objection",
            ),
            send(
                "09:24",
                BEDSIDE,
                "start",
                start("ST-702", person, taken, "09:24", number),
                answer="no-objection",
            ),
            send("09:39", BEDSIDE, "first-observations", wrong),
            send("09:43", BEDSIDE, "correction", right),
            send(
                "09:46",
                BEDSIDE,
                "rate",
                change_rate("ST-703", person, taken, "09:46", 150),
                answer="continue",
            ),
            observed(person, "OB-703", "10:24", "hourly-observations"),
            advance("10:30"),
        ],
        title="A mistyped temperature is corrected after the notice went out",
    )


def slow_bag() -> Scene:
    """The bag hangs past four hours."""
    person, taken, number = who.SLOW, bag(9, "A RhD positive"), "TO-4408"
    return scene(
        "bag-hangs-past-its-limit",
        [
            ordered(person, number, rate=60),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-801", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-801", person, taken, "09:18", "09:21", number, out_since="09:08"),
            ),
            send(
                "09:24", BEDSIDE, "start", start("ST-802", person, taken, "09:24", number, rate=60)
            ),
            observed(person, "OB-802", "09:39", "first-observations"),
            observed(person, "OB-803", "10:24", "hourly-observations"),
            observed(person, "OB-804", "11:24", "hourly-observations"),
            observed(person, "OB-805", "12:24", "hourly-observations"),
            send(
                "13:22",
                BEDSIDE,
                "end",
                end("ST-803", person, taken, "13:20", 238),
                answer="escalate",
            ),
            observed(person, "OB-806", "13:30", "end-observations"),
            advance("14:30"),
        ],
        title="A bag hangs past its limit",
    )


SCENES = (two_units, fever, mistyped, slow_bag)
