"""Scenarios that turn on how messages arrive: late, shuffled, twice, corrected."""

from tests.support.authoring import people as who
from tests.support.authoring.openings import issued, observed, opened, ordered, screened
from tests.support.authoring.people import bag
from tests.support.authoring.resources import consent, order, patient, vitals
from tests.support.authoring.scene import (
    BEDSIDE,
    RECORD_SYSTEM,
    Scene,
    advance,
    post,
    reply,
    scene,
    send,
)
from tests.support.authoring.steps import change_rate, check, end, start
from tests.support.authoring.words import stamped


def paper() -> Scene:
    """Five hours of paper in one message, a fever among it."""
    person, taken, number = who.ON_PAPER, bag(42, "A RhD positive"), "TO-4442"
    return scene(
        "paper-record-is-entered-after-downtime",
        [
            ordered(person, number),
            screened(person),
            issued(person, taken, number),
            send(
                "14:00",
                BEDSIDE,
                "paper",
                vitals(person, "OB-4201", "09:15"),
                check("ST-4201", person, taken, "09:18", "09:21", number),
                start("ST-4202", person, taken, "09:24", number),
                vitals(person, "OB-4202", "09:39"),
                vitals(person, "OB-4203", "10:24", temperature=38.4, heart_rate=98),
                end("ST-4203", person, taken, "10:27", 140, "Suspected reaction"),
                vitals(person, "OB-4204", "11:00", temperature=37.4),
            ),
            reply("14:06", "blood-bank", "investigate-reaction", "accepted"),
            advance("15:00"),
        ],
        title="A paper record is entered after a downtime",
    )


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


def post_only() -> Scene:
    """A gateway without update: what it corrects, it posts again with a later stamp."""
    person, taken, number = who.CORRECTING, bag(40, "A RhD positive"), "TO-4440"
    checked = check("ST-4001", person, taken, "09:18", "09:21", number)
    fast = start("ST-4002", person, taken, "09:24", number, rate=500)
    slow = start("ST-4002", person, taken, "09:24", number, rate=50)
    first = vitals(person, "OB-4002", "09:39")
    little = end("ST-4004", person, taken, "11:08", 28)
    right = end("ST-4004", person, taken, "11:08", 278)
    return scene(
        "sender-that-can-only-post-corrects-itself",
        [
            *opened(person, taken, number, 40),
            post("09:21", BEDSIDE, "check", checked, answer="no-objection"),
            post("09:24", BEDSIDE, "start", stamped(fast, "09:24"), answer="caution"),
            post(
                "09:26", BEDSIDE, "start-corrected", stamped(slow, "09:26"), answer="no-objection"
            ),
            post("09:39", BEDSIDE, "first-observations", first),
            post("09:40", BEDSIDE, "first-observations-again", first),
            post("09:41", BEDSIDE, "rate", change_rate("ST-4003", person, taken, "09:41", 150)),
            post("10:24", BEDSIDE, "hourly-observations", vitals(person, "OB-4003", "10:24")),
            post("11:08", BEDSIDE, "end", stamped(little, "11:08"), answer="continue"),
            post("11:11", BEDSIDE, "end-corrected", stamped(right, "11:11"), answer="continue"),
            post("11:15", BEDSIDE, "end-observations", vitals(person, "OB-4004", "11:15")),
            advance("12:15"),
        ],
        title="A sender that can only POST corrects itself",
    )


SCENES = (paper, shuffled, post_only)
