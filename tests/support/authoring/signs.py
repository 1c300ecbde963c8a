"""Scenarios that turn on what is seen in the patient, and on what becomes of the notice."""

from typing import Any

from tests.support.authoring import people as who
from tests.support.authoring.bedside import symptom, weight
from tests.support.authoring.openings import begun, checked, observed, ordered
from tests.support.authoring.people import bag
from tests.support.authoring.resources import PLATELETS, group, issue, sample, unit, vitals
from tests.support.authoring.scene import (
    BEDSIDE,
    LABORATORY,
    Line,
    Scene,
    advance,
    reply,
    scene,
    send,
)
from tests.support.authoring.steps import end, hold, sign, start, step
from tests.support.authoring.words import VANE, Bag, Both, Person, amount, at, ours


def _word(code: str, value: str, person: Person, taken: Bag, when: str, why: str) -> Both:
    """A doctor confirms or dismisses a suspected reaction."""
    reason = ("reason", "CodeableConcept", {"text": why})
    return step(code, value, person, when, reason, bag=taken, by=VANE)


def _sign(person: Person, value: str, clock: str, code: str, display: str) -> Line:
    """A sign that the nurse reports."""
    return send(clock, BEDSIDE, "sign", symptom(person, value, clock, code, display))


def hives() -> Scene:
    """Urticaria and nothing else."""
    person, taken, number = who.ITCHING, bag(23, "A RhD positive"), "TO-4423"
    confirmed = _word(
        "confirm-reaction", "ST-2304", person, taken, "09:58", "Mild allergic reaction"
    )
    return scene(
        "hives-alone-wait-for-the-ward-and-are-confirmed",
        [
            *begun(person, taken, number, 23),
            observed(person, "OB-2302", "09:39", "first-observations"),
            _sign(person, "OB-2303", "09:49", "126485001", "Urticaria"),
            send(
                "09:50",
                BEDSIDE,
                "hold",
                hold("ST-2303", person, taken, "09:50", 22),
                answer="pause",
            ),
            observed(person, "OB-2304", "09:54", "observations"),
            send("09:58", BEDSIDE, "confirm", confirmed),
            reply("10:08", "blood-bank", "investigate-reaction", "accepted"),
            advance("10:30"),
        ],
        title="Hives alone wait for the ward's word and go to the blood bank once confirmed",
    )


def _on_air(both: Both) -> Both:
    """The saturation was taken on air."""
    return {
        release: resource | {"extension": [ours("room-air", valueBoolean=True)]}
        for release, resource in both.items()
    }


def breathless() -> Scene:
    """Breathless with a low saturation and a rise in pressure, and nobody answers."""
    person, taken, number = who.BREATHLESS, bag(24, "O RhD positive"), "TO-4424"
    ill = vitals(
        person,
        "OB-2403",
        "10:04",
        saturation=86,
        systolic=158,
        diastolic=92,
        heart_rate=112,
        respiratory_rate=30,
    )
    return scene(
        "breathless-patient-is-notified-with-sister-components-held",
        [
            *begun(person, taken, number, 24),
            observed(person, "OB-2402", "09:39", "first-observations"),
            send(
                "10:04",
                BEDSIDE,
                "breathless",
                symptom(person, "OB-2404", "10:04", "267036007", "Dyspnea"),
                _on_air(ill),
            ),
            send(
                "10:06",
                BEDSIDE,
                "hold",
                hold("ST-2403", person, taken, "10:06", 34),
                answer="stop",
            ),
            send(
                "10:15",
                BEDSIDE,
                "end",
                end("ST-2404", person, taken, "10:15", 34, "Suspected reaction"),
                answer="escalate",
            ),
            reply("10:20", "blood-bank", "investigate-reaction", "accepted"),
            observed(
                person, "OB-2405", "10:30", "end-observations", saturation=93, respiratory_rate=22
            ),
            advance("11:30"),
        ],
        title="A breathless patient is notified at once and sister components are held",
    )


def child() -> Scene:
    """A boy of seven; systolic pressure falls by 26 %."""
    person, taken, number = who.CHILD, bag(25, "A RhD positive"), "TO-4425"
    well: dict[str, Any] = {
        "systolic": 100,
        "diastolic": 60,
        "heart_rate": 96,
        "respiratory_rate": 20,
    }
    fallen = well | {"systolic": 74, "diastolic": 44, "heart_rate": 118}
    opening = begun(person, taken, number, 25, millilitres=160, rate=100)
    heavy = weight(person, "OB-2500", "09:15", 22)
    baseline = send("09:15", BEDSIDE, "baseline", heavy, vitals(person, "OB-2501", "09:15", **well))
    return scene(
        "child-with-a-pressure-drop-is-stopped",
        [
            *(baseline if line.name == "baseline" else line for line in opening),
            observed(person, "OB-2502", "09:39", "first-observations", **fallen),
            send(
                "09:40",
                BEDSIDE,
                "hold",
                hold("ST-2503", person, taken, "09:40", 12),
                answer="stop",
            ),
            reply("09:44", "blood-bank", "investigate-reaction", "accepted"),
            send(
                "09:50",
                BEDSIDE,
                "end",
                end("ST-2504", person, taken, "09:50", 12, "Suspected reaction"),
                answer="escalate",
            ),
            observed(person, "OB-2503", "09:55", "end-observations", **well),
            advance("10:55"),
        ],
        title="A child with a drop in pressure is stopped",
    )


def platelets() -> Scene:
    """Chills first; fever and a fast heart ten minutes later."""
    person, number = who.CHILLED, "TO-4426"
    taken = bag(26, "A RhD positive", expires="2027-06-10T23:59", product="E7003")
    given = issue(person, taken, number, "09:10", container="validated-container", match="selected")
    return scene(
        "platelets-with-chills-turn-into-suspected-sepsis",
        [
            ordered(
                person,
                number,
                code=PLATELETS,
                kind="administer",
                rate=300,
                reason="Bleeding gums, platelets 9",
            ),
            send(
                "08:25",
                LABORATORY,
                "sample-and-group",
                sample(person),
                group(person, f"G-{person.sample}"),
            ),
            send("09:10", LABORATORY, "issue", unit(taken), given),
            observed(person, "OB-2601", "09:15", "baseline"),
            checked(person, taken, number, 26),
            send(
                "09:24",
                BEDSIDE,
                "start",
                start("ST-2602", person, taken, "09:24", number, rate=300),
                answer="no-objection",
            ),
            observed(person, "OB-2602", "09:39", "first-observations"),
            send(
                "09:44",
                BEDSIDE,
                "chills",
                symptom(person, "OB-2603", "09:44", "43724002", "Chill"),
                vitals(person, "OB-2604", "09:44", temperature=37.6, heart_rate=96),
            ),
            send(
                "09:45",
                BEDSIDE,
                "hold",
                hold("ST-2603", person, taken, "09:45", 100),
                answer="stop",
            ),
            reply("09:49", "blood-bank", "investigate-reaction", "accepted"),
            observed(
                person,
                "OB-2605",
                "09:54",
                "observations",
                temperature=39.2,
                heart_rate=128,
                systolic=112,
            ),
            send(
                "09:57",
                BEDSIDE,
                "end",
                end("ST-2604", person, taken, "09:57", 100, "Suspected reaction"),
                answer="escalate",
            ),
            observed(
                person, "OB-2606", "10:20", "end-observations", temperature=39.0, heart_rate=122
            ),
            advance("11:20"),
        ],
        title="Platelets with chills: sepsis comes first once its criteria are met",
    )


def dismissed() -> Scene:
    """Nausea, a suspicion, and a doctor who dismisses it."""
    person, taken, number = who.UNEASY, bag(36, "A RhD positive"), "TO-4436"
    suspected = step(
        "suspect-reaction",
        "ST-3604",
        person,
        "10:06",
        sign("422587007", "Nausea"),
        ("onset", "DateTime", at("10:04")),
        ("flow-stopped-at", "DateTime", at("10:05")),
        ("volume-given", "Quantity", amount(31, "mL")),
        ("identity-recheck", "Code", "match"),
        ("contact", "String", "Ward Larch, extension 4417"),
        bag=taken,
    )
    refuted = _word(
        "dismiss-reaction", "ST-3605", person, taken, "10:25", "Nausea known from the morning"
    )
    resumed = step("resume", "ST-3606", person, "10:27", bag=taken)
    return scene(
        "suspected-reaction-is-dismissed-and-the-unit-resumed",
        [
            *begun(person, taken, number, 36),
            observed(person, "OB-3602", "09:39", "first-observations"),
            send("10:05", BEDSIDE, "hold", hold("ST-3603", person, taken, "10:05", 31)),
            send("10:06", BEDSIDE, "suspect", suspected, answer="stop"),
            reply("10:11", "blood-bank", "investigate-reaction", "accepted"),
            observed(person, "OB-3603", "10:20", "observations"),
            send("10:25", BEDSIDE, "dismiss", refuted, answer="continue"),
            send("10:27", BEDSIDE, "resume", resumed, answer="continue"),
            observed(person, "OB-3604", "11:24", "hourly-observations"),
            send(
                "11:40",
                BEDSIDE,
                "end",
                end("ST-3607", person, taken, "11:40", 274),
                answer="continue",
            ),
            observed(person, "OB-3605", "11:45", "end-observations"),
            advance("12:45"),
        ],
        title="A suspected reaction is dismissed and the unit resumed",
    )


def rejected() -> Scene:
    """The blood bank's system turns the notice down."""
    person, taken, number = who.UNTAKEN, bag(41, "A RhD positive"), "TO-4441"
    by_phone = step("acknowledge", "ST-4105", person, "09:50", bag=taken)
    return scene(
        "blood-bank-rejects-a-notice",
        [
            *begun(person, taken, number, 41),
            observed(
                person, "OB-4102", "09:39", "first-observations", temperature=38.6, heart_rate=98
            ),
            send(
                "09:41",
                BEDSIDE,
                "hold",
                hold("ST-4103", person, taken, "09:41", 14),
                answer="stop",
            ),
            reply("09:42", "blood-bank", "investigate-reaction", "rejected"),
            send("09:50", BEDSIDE, "acknowledge", by_phone),
            send(
                "09:55",
                BEDSIDE,
                "end",
                end("ST-4104", person, taken, "09:55", 14, "Suspected reaction"),
                answer="escalate",
            ),
            observed(person, "OB-4103", "10:05", "end-observations", temperature=37.9),
            advance("11:00"),
        ],
        title="The blood bank rejects a notice and the ward telephones",
    )


SCENES = (hives, breathless, child, platelets, dismissed, rejected)
