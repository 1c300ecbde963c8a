"""Content as the assessment states it, about an invented unit at Harrow Vale Hospital.

Every builder is valid by default and takes keyword overrides. People, places and numbers are
invented (A9999 is the published example facility number).
"""

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from service.assessment.desired import (
    Content,
    Desired,
    Event,
    Issue,
    Key,
    Observed,
    Procedure,
    Request,
    Suspect,
    To,
    UnitShown,
    Volume,
)
from service.facts.finding import Advice, Candidate, Cited, Finding, Grade, Remedy, Stage, Verdict
from service.facts.identity import Identifier, Ref, Staff
from service.facts.moment import Moment, at
from service.facts.quantity import UNIT_OF, Reading, Vital
from service.facts.unit import Component, Group, UnitKey
from service.fhir.write import Party, WriteContext

HOSPITAL = "https://harrow-vale.example/id"
NAMESPACE = UUID("6f0d6a3e-6a55-4b0c-9d4f-2f2b7d8f4a10")
RECORDED = datetime(2025, 6, 2, 12, 30, tzinfo=UTC)

UNIT_KEY = UnitKey("A999925123456", "E0398")
PROCEDURE = Key("procedure", UNIT_KEY.text)
PATIENT = Ref(
    kind="Patient",
    id="0d8f3a52-1f4e-4a7d-8a57-5a9b3c1d2e3f",
    identifier=Identifier(f"{HOSPITAL}/patient", "0043817"),
    display="ASHGROVE, Wren",
)
ORDER = Ref(kind="ServiceRequest", identifier=Identifier(f"{HOSPITAL}/order", "TX-1107"))
STEP = Ref(kind="Task", identifier=Identifier(f"{HOSPITAL}/step", "ST-2"))
WARD = Ref(kind="Location", identifier=Identifier(f"{HOSPITAL}/location", "larch"), display="Larch")
STARTED = Moment(text="2025-06-02T11:05:00+01:00", instant=datetime(2025, 6, 2, 10, 5, tzinfo=UTC))
ENDED = at(datetime(2025, 6, 2, 12, 0, tzinfo=UTC))
CHECKED = at(datetime(2025, 6, 2, 10, 4, tzinfo=UTC))


def a_context(**changed: Any) -> WriteContext:
    """The hospital's installation and its blood bank."""
    context = WriteContext(
        namespace=NAMESPACE,
        recorded=RECORDED,
        software="0.1.0",
        policy_profile="uk",
        policy_digest="9b1c",
        facility=Party(
            identifier=Identifier(f"{HOSPITAL}/organisation", "harrow-vale"),
            name="Harrow Vale Hospital",
        ),
        blood_bank=Party(
            identifier=Identifier(f"{HOSPITAL}/organisation", "harrow-vale-blood-bank"),
            name="Harrow Vale blood bank",
        ),
        zone=ZoneInfo("Europe/London"),
    )
    return replace(context, **changed)


def a_nurse(number: str = "S-2207", name: str = "Rowan Thistle, RN") -> Staff:
    """A member of staff by number and name."""
    found = Identifier(f"{HOSPITAL}/staff", number)
    return Staff(keys=frozenset({found.token}), identifier=found, display=name)


def a_unit(**changed: Any) -> UnitShown:
    """A unit of red cells."""
    unit = UnitShown(
        key=UNIT_KEY,
        component=Component.RED_CELLS,
        group=Group(abo="A", rhd="positive"),
        expiry=Moment(
            text="2025-06-20T23:59:00+01:00", instant=datetime(2025, 6, 20, 22, 59, tzinfo=UTC)
        ),
        volume=Decimal("280"),
    )
    return replace(unit, **changed)


def a_procedure(**changed: Any) -> Procedure:
    """A unit that was checked by two, started, and is down."""
    content = Procedure(
        unit=a_unit(),
        patient=PATIENT,
        status="completed",
        orders=(ORDER,),
        issue_numbers=(Identifier(f"{HOSPITAL}/issue", "ISS-700412"),),
        start=STARTED,
        end=ENDED,
        performers=(("PPRF", a_nurse()), ("VRF", a_nurse("S-0311", "Linden Marsh, RN"))),
        location=WARD,
        disposition="TX",
        volume=Decimal("276.50"),
        volume_measured=True,
        check=Ref(kind="Task", identifier=Identifier(f"{HOSPITAL}/step", "ST-1")),
        checked_at=CHECKED,
        check_answer="no-objection",
    )
    return replace(content, **changed)


def a_volume(**changed: Any) -> Volume:
    """The volume given, measured."""
    content = Volume(
        unit=a_unit(),
        patient=PATIENT,
        procedure=PROCEDURE,
        value=Decimal("276.50"),
        measured=True,
        at=ENDED,
    )
    return replace(content, **changed)


def a_finding(**changed: Any) -> Finding:
    """A refusal: band and label name different people."""
    finding = Finding(
        rule="ID-05",
        reason="label-differs",
        stage=Stage.CHECK,
        text="The compatibility label and the band name different patients.",
        verdict=Verdict.REFUSE,
        unit=UNIT_KEY,
        facts=("Task/5a3e1b7c-2f6d-4c80-9a41-0b7f5d3c2e10#1", "Observation/7c1d"),
        cited=(Cited(row="ID-05", value="refuse", since="2020-01-01", source="[S14]"),),
        remedy=Remedy.CALL_LABORATORY,
        shown=(("band", "0043817"), ("label", "0099102")),
        critical=True,
    )
    return replace(finding, **changed)


def an_issue(**changed: Any) -> Issue:
    """The refusal as a record system sees it."""
    content = Issue(
        findings=(a_finding(),),
        patient=PATIENT,
        status="final",
        severity="high",
        at=CHECKED,
        unit=a_unit(),
        procedure=PROCEDURE,
        step=STEP,
        author=a_nurse(),
    )
    return replace(content, **changed)


def a_suspect(**changed: Any) -> Suspect:
    """The unit as a suspect of a reaction."""
    suspect = Suspect(unit=a_unit(), start=STARTED, end=ENDED, procedure=PROCEDURE)
    return replace(suspect, **changed)


def a_candidate(**changed: Any) -> Candidate:
    """A febrile screen."""
    candidate = Candidate(
        rule="RXN-FEB",
        category="FNHTR",
        grade=Grade.POSSIBLE,
        met=("temperature 38.0 °C or more", "rise of 1.0 °C or more"),
        not_met=("rigors",),
        unknown=("cultures",),
    )
    return replace(candidate, **changed)


def an_event(**changed: Any) -> Event:
    """A suspected reaction, told to the laboratory at once."""
    content = Event(
        patient=PATIENT,
        actuality="actual",
        status="in-progress",
        title="Suspected blood transfusion reaction",
        onset=at(datetime(2025, 6, 2, 11, 10, tzinfo=UTC)),
        detected=at(datetime(2025, 6, 2, 11, 14, tzinfo=UTC)),
        suspects=(a_suspect(),),
        candidates=(a_candidate(),),
        not_excluded=("sepsis-suspected", "AHTR"),
        findings=(
            a_finding(
                rule="VIT-03",
                text="Temperature rose.",
                verdict=None,
                advice=Advice.STOP,
                remedy=None,
            ),
        ),
        lines=(("Ward", "Larch"), ("Call back", "extension 4417")),
        observations=(Key("observation", "n1", "baseline"), Key("observation", "n1", "worst")),
        recorder=a_nurse(),
        location=WARD,
        telephone_now=True,
    )
    return replace(content, **changed)


def a_request(**changed: Any) -> Request:
    """The blood bank is asked to investigate."""
    content = Request(
        code="investigate-reaction",
        text="Investigate a suspected transfusion reaction.",
        patient=PATIENT,
        priority="stat",
        owner="blood-bank",
        location=WARD,
        unit=a_unit(),
        focus=Key("event", "n1", "reaction"),
        group="n1",
        orders=(ORDER,),
        due=at(datetime(2025, 6, 2, 13, 0, tzinfo=UTC)),
        requester=a_nurse(),
        details=(("Ward", "Larch"), ("More blood needed", "now")),
    )
    return replace(content, **changed)


def a_reading(vital: Vital = Vital.TEMPERATURE, value: str = "38.40", **changed: Any) -> Reading:
    """One reading in the unit of the rules."""
    reading = Reading(
        vital=vital,
        value=Decimal(value),
        at=STARTED,
        sent_value=Decimal(value),
        sent_unit=UNIT_OF[vital],
    )
    return replace(reading, **changed)


def an_observed(**changed: Any) -> Observed:
    """The worst readings since the start."""
    content = Observed(
        patient=PATIENT,
        readings=(a_reading(), a_reading(Vital.HEART_RATE, "118")),
        at=STARTED,
        label="worst",
        procedure=PROCEDURE,
    )
    return replace(content, **changed)


KEYS: dict[type, Key] = {
    Procedure: PROCEDURE,
    Volume: Key("volume", UNIT_KEY.text),
    Issue: Key("issue", UNIT_KEY.text, "ID-05"),
    Event: Key("event", "n1", "reaction"),
    Request: Key("task", "n1", "investigate-reaction"),
    Observed: Key("observation", "n1", "worst"),
}


def desired(content: Content, **changed: Any) -> Desired:
    """The content under the identity of its kind."""
    found = Desired(
        key=KEYS[type(content)],
        to=frozenset({To.RECORD_SYSTEM, To.BLOOD_BANK}),
        stream=UNIT_KEY.text,
        content=content,
        basis=("Task/5a3e1b7c", "Observation/7c1d#2", "Observation/7c1d#1"),
    )
    return replace(found, **changed)


def one_of_each() -> tuple[Content, ...]:
    """One content of every kind."""
    return (a_procedure(), a_volume(), an_issue(), an_event(), a_request(), an_observed())
