"""Scenarios that turn on who the patient is."""

from dataclasses import replace

from tests.support.authoring import people as who
from tests.support.authoring.openings import observed, opened
from tests.support.authoring.people import bag
from tests.support.authoring.resources import patient, unit
from tests.support.authoring.scene import (
    BEDSIDE,
    LABORATORY,
    RECORD_SYSTEM,
    Scene,
    advance,
    scene,
    send,
)
from tests.support.authoring.steps import LABEL_INPUTS, check, end, start, step
from tests.support.authoring.words import VANE, Bag, Both, Json, named, number, own, stamped


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


EMERGENCY_RULES = ("COMP-01", "COMP-03", "COMP-15", "ID-10", "ID-13", "ID-37")


def unidentified() -> Scene:
    """Two units of emergency stock for somebody without a name, who is known an hour later."""
    person, known = who.UNIDENTIFIED, who.KNOWN
    first, second = bag(30, "O RhD negative"), bag(35, "O RhD negative")
    place = named("Location", number("location", "emergency"), "Emergency department")
    bleeding = ("reason", "CodeableConcept", {"text": "Major haemorrhage"})
    declared = step("declare-emergency", "ST-3001", person, "14:02", bleeding, by=VANE, place=place)
    allowed = step(
        "authorise",
        "ST-3003",
        person,
        "14:07",
        *(("rule", "CodeableConcept", own("rule", rule)) for rule in EMERGENCY_RULES),
        bleeding,
        bag=first,
        by=VANE,
        place=place,
    )
    over = step("end-emergency", "ST-3009", person, "15:10", bleeding, by=VANE, place=place)
    merged = stamped(patient(person, replaced_by=known), "15:40")
    return scene(
        "emergency-stock-for-an-unidentified-patient-who-is-later-known",
        [
            send("14:00", RECORD_SYSTEM, "patient", patient(person)),
            send("14:01", LABORATORY, "stock", unit(first), unit(second)),
            send("14:02", BEDSIDE, "emergency", declared),
            send(
                "14:06",
                BEDSIDE,
                "check",
                _stock_check("ST-3002", first, "14:04", "14:06", place),
                answer="authorise",
            ),
            send("14:07", BEDSIDE, "authorise", allowed),
            send(
                "14:08",
                BEDSIDE,
                "start",
                start("ST-3004", person, first, "14:08", None, rate=999, place=place),
                answer="note",
            ),
            send(
                "14:19",
                BEDSIDE,
                "end",
                end("ST-3005", person, first, "14:19", 281, place=place),
            ),
            send(
                "14:22",
                BEDSIDE,
                "second-check",
                _stock_check("ST-3006", second, "14:20", "14:22", place),
                answer="note",
            ),
            send(
                "14:23",
                BEDSIDE,
                "second-start",
                start("ST-3007", person, second, "14:23", None, rate=999, place=place),
                answer="note",
            ),
            observed(person, "OB-3001", "14:38", "observations", systolic=104, heart_rate=112),
            send(
                "14:40",
                BEDSIDE,
                "second-end",
                end("ST-3008", person, second, "14:40", 279, place=place),
            ),
            send("15:10", BEDSIDE, "emergency-over", over),
            observed(person, "OB-3002", "15:15", "end-observations", systolic=116),
            send("15:38", RECORD_SYSTEM, "known", patient(known)),
            send("15:40", RECORD_SYSTEM, "merged", merged),
            advance("16:00"),
        ],
        title="Emergency stock for an unidentified patient who is later known",
        start="13:55",
    )


def _stock_check(value: str, taken: Bag, began: str, ended: str, place: Json) -> Both:
    """A check of emergency stock: a band with a number and a name, and no label on the bag."""
    return check(
        value,
        who.UNIDENTIFIED,
        taken,
        began,
        ended,
        None,
        out_since=began,
        leave_out=(*LABEL_INPUTS, "band-birth-date", "band-sample-number"),
        place=place,
    )


SCENES = (dropped_zero, carer, unidentified)
