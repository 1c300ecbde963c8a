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
from tests.support.authoring.words import named, number


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


def carer() -> Scene:
    """The patient cannot speak; a daughter confirms who he is."""
    person, taken, order = who.UNCONSCIOUS, bag(32, "A RhD positive"), "TO-4432"
    unable = ("spoken-confirmed", "Code", "unable")
    daughter = named("RelatedPerson", number("relation", "R-3307"), "M. Quernstead, daughter")
    confirmed = [
        unable,
        ("spoken-unable", "CodeableConcept", {"text": "Unconscious"}),
        ("confirmed-by", "Reference", daughter),
    ]
    return scene(
        "unconscious-patient-is-confirmed-by-a-carer",
        [
            *opened(person, taken, order, 32),
            send(
                "09:21",
                BEDSIDE,
                "check",
                check("ST-3201", person, taken, "09:18", "09:21", order, instead=[unable]),
                answer="refuse",
            ),
            send(
                "09:29",
                BEDSIDE,
                "check-again",
                check("ST-3202", person, taken, "09:26", "09:29", order, instead=confirmed),
                answer="note",
            ),
            send(
                "09:31",
                BEDSIDE,
                "start",
                start("ST-3203", person, taken, "09:31", order),
                answer="note",
            ),
            observed(person, "OB-3202", "09:46", "first-observations"),
            advance("09:50"),
        ],
        title="An unconscious patient is confirmed by a carer",
    )


SCENES = (dropped_zero, carer)
