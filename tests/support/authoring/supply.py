"""Scenarios that turn on the unit, its sample, its order and its consent."""

from tests.support.authoring import people as who
from tests.support.authoring.openings import begun, issued, observed, opened, ordered, screened
from tests.support.authoring.people import bag
from tests.support.authoring.resources import (
    advance_refusal,
    consent,
    order,
    patient,
    unit,
)
from tests.support.authoring.scene import (
    BEDSIDE,
    LABORATORY,
    RECORD_SYSTEM,
    Scene,
    advance,
    scene,
    send,
)
from tests.support.authoring.steps import change_rate, check, end, give_back, hold, start, step
from tests.support.authoring.words import VANE, own, stamped


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


def refusal() -> Scene:
    """The patient refused red cells in March."""
    person, taken, number = who.REFUSING, bag(31, "A RhD positive"), "TO-4431"
    allowed = step(
        "authorise",
        "ST-3102",
        person,
        "09:25",
        ("rule", "CodeableConcept", own("rule", "PRE-02")),
        ("reason", "CodeableConcept", {"text": "Haemoglobin 58 g/L, benefit outweighs"}),
        bag=taken,
        order=number,
        by=VANE,
    )
    back = give_back("ST-3104", person, taken, "09:33", "09:10", "Patient refused red cells")
    return scene(
        "advance-refusal-of-red-cells-is-not-overridden",
        [
            send(
                "08:20",
                RECORD_SYSTEM,
                "order",
                patient(person),
                order(person, number),
                advance_refusal(person, "C-3107", "2027-03-12"),
            ),
            screened(person),
            issued(person, taken, number),
            observed(person, "OB-3101", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-3101", person, taken, "09:18", "09:21", number),
                answer="refuse",
            ),
            send("09:25", BEDSIDE, "authorise", allowed),
            send(
                "09:30",
                BEDSIDE,
                "check-again",
                check("ST-3103", person, taken, "09:27", "09:30", number),
                answer="refuse",
            ),
            send("09:33", BEDSIDE, "return", back, answer="accept"),
            advance("10:40"),
        ],
        title="An advance refusal of red cells is not overridden",
    )


def two_orders() -> Scene:
    """One order to prepare, one to give; what the first requires counts for the second."""
    person, taken = who.TWICE_ORDERED, bag(39, "A RhD positive")
    prepare, give = "TO-4439", "TO-4449"
    wanted = order(
        person,
        prepare,
        requirements=("cmv-negative",),
        code=own("component", "red-cells"),
        kind="prepare",
    )
    described = stamped(unit(taken, attribute="cmv-negative"), "09:26")
    return scene(
        "two-orders-make-one-transfusion",
        [
            send("08:20", RECORD_SYSTEM, "order-to-prepare", patient(person), wanted),
            send(
                "08:24",
                RECORD_SYSTEM,
                "order-to-give",
                order(person, give, based_on=prepare),
                consent(person, f"C-{give}"),
            ),
            screened(person, "08:26"),
            issued(person, taken, prepare),
            observed(person, "OB-3901", "09:15", "baseline"),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-3901", person, taken, "09:18", "09:21", give),
                answer="authorise",
            ),
            send("09:26", LABORATORY, "unit-described", described),
            send(
                "09:31",
                BEDSIDE,
                "check-again",
                check("ST-3902", person, taken, "09:28", "09:31", give),
                answer="no-objection",
            ),
            send(
                "09:33",
                BEDSIDE,
                "start",
                start("ST-3903", person, taken, "09:33", give),
                answer="no-objection",
            ),
            observed(person, "OB-3902", "09:48", "first-observations"),
            observed(person, "OB-3903", "10:33", "hourly-observations"),
            send("11:05", BEDSIDE, "end", end("ST-3904", person, taken, "11:05", 276)),
            observed(person, "OB-3904", "11:10", "end-observations"),
            advance("12:10"),
        ],
        title="Two orders make one transfusion",
    )


def recall() -> Scene:
    """The blood bank recalls a unit that is running."""
    person, taken, number = who.RECALLED, bag(38, "A RhD positive"), "TO-4438"
    recalled = stamped(unit(taken, status="recalled"), "10:05")
    return scene(
        "running-unit-is-recalled",
        [
            *begun(person, taken, number, 38),
            observed(person, "OB-3802", "09:39", "first-observations"),
            send("10:05", LABORATORY, "recall", recalled),
            send(
                "10:07",
                BEDSIDE,
                "hold",
                hold("ST-3803", person, taken, "10:07", 52),
                answer="stop",
            ),
            send(
                "10:10",
                BEDSIDE,
                "end",
                end("ST-3804", person, taken, "10:10", 52, "Unit recalled"),
                answer="escalate",
            ),
            observed(person, "OB-3803", "10:15", "end-observations"),
            advance("11:30"),
        ],
        title="A running unit is recalled",
    )


def partly_given() -> Scene:
    """The access is lost after 120 mL."""
    person, taken, number = who.LOST_ACCESS, bag(34, "A RhD positive"), "TO-4434"
    discarded = step("discard-unit", "ST-3405", person, "10:58", bag=taken)
    lost = "Venous access lost"
    return scene(
        "partly-given-unit-is-discarded",
        [
            *begun(person, taken, number, 34, units=2),
            observed(person, "OB-3402", "09:39", "first-observations"),
            send("09:41", BEDSIDE, "rate", change_rate("ST-3406", person, taken, "09:41", 150)),
            observed(person, "OB-3403", "10:24", "hourly-observations"),
            send(
                "10:40",
                BEDSIDE,
                "hold",
                hold("ST-3403", person, taken, "10:40", 120),
                answer="continue",
            ),
            send(
                "10:55",
                BEDSIDE,
                "end",
                end("ST-3404", person, taken, "10:55", 120, lost),
                answer="continue",
            ),
            send("10:58", BEDSIDE, "discard", discarded),
            observed(person, "OB-3404", "11:05", "end-observations"),
            advance("12:10"),
        ],
        title="A unit that was given in part is discarded",
    )


SCENES = (old_sample, not_hung, refusal, partly_given, recall, two_orders)
