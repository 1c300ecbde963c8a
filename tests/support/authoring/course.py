"""Scenarios that turn on what is due while units run: observations, sets, places."""

from tests.support.authoring import people as who
from tests.support.authoring.bedside import blood_set, encounter
from tests.support.authoring.openings import begun, issued, observed, opened
from tests.support.authoring.people import bag
from tests.support.authoring.resources import vitals
from tests.support.authoring.scene import (
    BEDSIDE,
    RECORD_SYSTEM,
    Line,
    Scene,
    advance,
    scene,
    send,
)
from tests.support.authoring.steps import change_rate, check, end, start, step
from tests.support.authoring.words import Bag, Person, amount, named, number


def missed() -> Scene:
    """The observation at fifteen minutes is forgotten."""
    person, taken, order = who.UNWATCHED, bag(27, "A RhD positive"), "TO-4427"
    return scene(
        "first-observation-is-missed-and-made-up",
        [
            *begun(person, taken, order, 27),
            send(
                "09:46",
                BEDSIDE,
                "rate",
                change_rate("ST-2703", person, taken, "09:46", 150),
                answer="watch",
            ),
            observed(person, "OB-2702", "09:52", "late-observations"),
            send(
                "09:55",
                BEDSIDE,
                "rate-again",
                change_rate("ST-2704", person, taken, "09:55", 160),
                answer="continue",
            ),
            observed(person, "OB-2703", "10:24", "hourly-observations"),
            advance("10:30"),
        ],
        title="The first observation is missed, asked for and made up",
    )


SET = "SET-2800"


def one_set() -> Scene:
    """Two units on one set, and the third hung on it too."""
    person, order = who.THREE_UNITS, "TO-4428"
    first, second, third = (bag(place, "A RhD positive") for place in (28, 29, 33))
    changed = step(
        "change-set",
        "ST-2810",
        person,
        "11:38",
        ("set", "Reference", named("Device", number("set", "SET-2801"))),
        bag=third,
    )
    return scene(
        "one-set-carries-two-units-and-is-changed-for-the-third",
        [
            *opened(person, first, order, 28, units=3),
            send("09:16", BEDSIDE, "set", blood_set(SET, 2), blood_set("SET-2801", 2)),
            *_given(person, first, order, 1, ("09:18", "09:21", "09:24", "09:39", "10:18")),
            issued(person, second, order, "10:20"),
            *_given(person, second, order, 4, ("10:24", "10:27", "10:28", "10:43", "11:22")),
            issued(person, third, order, "11:24"),
            *_given(person, third, order, 7, ("11:27", "11:30", "11:32", None, None)),
            send("11:38", BEDSIDE, "change-set", changed),
            observed(person, "OB-2809", "11:47", "first-observations"),
            send("12:26", BEDSIDE, "end", end("ST-2811", person, third, "12:26", 277)),
            observed(person, "OB-2810", "12:30", "end-observations"),
            advance("13:30"),
        ],
        title="One set carries two units and is changed for the third",
    )


Clocks = tuple[str, str, str, str | None, str | None]


def _given(person: Person, taken: Bag, order: str, place: int, clocks: Clocks) -> list[Line]:
    """One unit on the one set, quickly: check, start, first observation, end, last observation."""
    began, ended, hung, watched, down = clocks
    checked = check(f"ST-28{place:02d}", person, taken, began, ended, order)
    started = start(f"ST-28{place + 1:02d}", person, taken, hung, order, rate=200, blood_set=SET)
    lines = [
        send(ended, BEDSIDE, "check", checked, answer="no-objection"),
        send(hung, BEDSIDE, "start", started, answer="no-objection"),
    ]
    if watched:
        lines.append(observed(person, f"OB-28{place + 1:02d}", watched, "first-observations"))
    if down:
        bag_down = end(f"ST-28{place + 2:02d}", person, taken, down, 278)
        lines += [
            send(down, BEDSIDE, "end", bag_down, answer="continue"),
            observed(person, f"OB-28{place + 2:02d}", down, "end-observations"),
        ]
    return lines


def theatre() -> Scene:
    """The patient goes to theatre with the unit running."""
    person, taken, order = who.MOVED, bag(37, "O RhD positive"), "TO-4433"
    place = named("Location", number("location", "theatre-2"), "Theatre 2")
    moved = encounter(person, "EN-3301", "10:00", place, "theatre")
    ended = step(
        "end",
        "ST-3303",
        person,
        "11:10",
        ("volume-given", "Quantity", amount(276, "mL")),
        bag=taken,
        place=place,
    )
    return scene(
        "patient-moves-to-theatre-while-a-unit-runs",
        [
            *begun(person, taken, order, 33),
            observed(person, "OB-3302", "09:39", "first-observations"),
            send("10:00", RECORD_SYSTEM, "move", moved),
            send(
                "10:24",
                BEDSIDE,
                "hourly-observations",
                vitals(person, "OB-3303", "10:24", systolic=86, diastolic=50, heart_rate=96),
            ),
            send("11:10", BEDSIDE, "end", ended, answer="continue"),
            observed(person, "OB-3304", "11:20", "end-observations", systolic=108),
            advance("12:20"),
        ],
        title="The patient moves to theatre while a unit runs",
    )


SCENES = (missed, one_set, theatre)
