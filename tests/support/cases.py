"""An invented patient at Harrow Vale Hospital whose red-cell unit passes every check.

Every builder is valid by default and takes keyword overrides. ``a_case`` takes one override per
fact: a dict replaces fields of its body, None leaves the fact out, a Fact stands in its place.
All instants are UTC; people, places and numbers are invented (A9999 is the published example
facility number).
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from service.assessment.clock import RecordingClock
from service.facts.acts import Act
from service.facts.case import Case, OtherStart, UnitView, step_finished, step_time
from service.facts.fact import KIND_OF, Fact
from service.facts.finding import Finding, Stage
from service.facts.identity import Identifier, PersonName, Ref, Staff
from service.facts.moment import Moment, at
from service.facts.quantity import UNIT_OF, Reading, Vital
from service.facts.records import (
    AntibodyResult,
    BloodUnit,
    ConsentRecord,
    CrossmatchResult,
    GroupResult,
    Issue,
    Order,
    PatientRecord,
    Sample,
    Vitals,
)
from service.facts.steps import BagLabel, Band, CompatibilityLabel, Scan, Step, StepCode
from service.facts.unit import UNDIVIDED, Component, Group, UnitKey, UnitRef
from service.policy.policy import Policy, Site
from service.rules.context import PreStart, Running, urgency_at
from tests.support.policies import default_policy

HOSPITAL = "https://harrow-vale.example/id"
PATIENT_SYSTEM = f"{HOSPITAL}/patient"
TEMPORARY_SYSTEM = f"{HOSPITAL}/temporary"
ORDER_SYSTEM = f"{HOSPITAL}/order"
ISSUE_SYSTEM = f"{HOSPITAL}/issue"
SAMPLE_SYSTEM = f"{HOSPITAL}/sample"
STAFF_SYSTEM = f"{HOSPITAL}/staff"

SITE = Site(
    facility="harrow-vale",
    zone=ZoneInfo("Europe/London"),
    identity_systems=(PATIENT_SYSTEM,),
    temporary_systems=(TEMPORARY_SYSTEM,),
)

COLLECTED_AT = datetime(2025, 6, 1, 8, 0, tzinfo=UTC)
ISSUED_AT = datetime(2025, 6, 2, 9, 50, tzinfo=UTC)
BASELINE_AT = datetime(2025, 6, 2, 9, 55, tzinfo=UTC)
CHECK_AT = datetime(2025, 6, 2, 10, 0, tzinfo=UTC)
CHECKED_AT = datetime(2025, 6, 2, 10, 4, tzinfo=UTC)
START_AT = datetime(2025, 6, 2, 10, 5, tzinfo=UTC)
END_AT = datetime(2025, 6, 2, 12, 0, tzinfo=UTC)

MRN = Identifier(PATIENT_SYSTEM, "0043817")
PATIENT = Ref(kind="Patient", id="p1", identifier=MRN)
STRANGER = Ref(kind="Patient", id="p2", identifier=Identifier(PATIENT_SYSTEM, "0099102"))
NAME = PersonName(family="Ashgrove", given="Wren")
BIRTH_DATE = "1961-04-12"
SAMPLE_NUMBER = "S250601-17"

UNIT = UnitRef(din="A999925123456", product="E0398", division=UNDIVIDED, collection="V")
UNIT_KEY = UnitKey("A999925123456", "E0398")
# the first two codes are read in published examples, the others only tell the units apart
PRODUCTS: dict[Component, str] = {
    Component.RED_CELLS: "E0398",
    Component.PLATELETS: "E3046",
    Component.PLASMA: "E9981",
    Component.CRYOPRECIPITATE: "E9982",
    Component.WHOLE_BLOOD: "E9983",
    Component.GRANULOCYTES: "E9984",
}


def staff(name: str, *roles: str) -> Staff:
    """A member of staff known by one number."""
    number = Identifier(STAFF_SYSTEM, name)
    return Staff(
        keys=frozenset({number.token}), identifier=number, display=name, roles=frozenset(roles)
    )


NURSE = staff("nurse-1", "registered-nurse")
SECOND = staff("nurse-2", "registered-nurse")
THIRD = staff("nurse-3", "registered-nurse")


def group(text: str | None) -> Group:
    """``A+``, ``O-``, ``AB`` (RhD unknown) or ``unknown`` as a Group."""
    if text is None or text.startswith("unknown"):
        rhd = {"+": "positive", "-": "negative"}.get((text or "")[-1:])
        return Group(rhd=rhd)
    rhd = {"+": "positive", "-": "negative"}.get(text[-1])
    return Group(abo=text.rstrip("+-"), rhd=rhd)


def moment(when: datetime | str | None) -> Moment | None:
    """An exact Moment of an instant, a coarse one of a text, None of None."""
    if when is None:
        return None
    return at(when) if isinstance(when, datetime) else Moment(text=when)


def fact(body: Any, key: str, **overrides: Any) -> Fact[Any]:
    """A fact in its envelope; ``subject`` defaults to the patient but for a unit."""
    named = None if isinstance(body, BloodUnit) else PATIENT
    envelope: dict[str, Any] = {
        "version": 1,
        "source": "harrow-vale",
        "received": CHECKED_AT,
        "digest": f"digest of {key}",
        "subject": named,
    }
    return Fact(key=key, body=body, **(envelope | overrides))


def a_patient(key: str = "Patient/p1", **overrides: Any) -> Fact[PatientRecord]:
    """The patient's record: one identity-bearing number, name, birth date, sex."""
    body = PatientRecord(identifiers=(MRN,), names=(NAME,), birth_date=BIRTH_DATE, sex="female")
    return fact(replace(body, **overrides), key)


def an_order(key: str = "ServiceRequest/o1", **overrides: Any) -> Fact[Order]:
    """An active order to give two units of red cells."""
    body = Order(
        identifiers=(Identifier(ORDER_SYSTEM, "O-1001"),),
        status="active",
        intent="order",
        component=Component.RED_CELLS,
        quantity=Decimal(2),
        quantity_unit="{unit}",
        start=at(CHECK_AT - timedelta(hours=2)),
        authored=at(CHECK_AT - timedelta(hours=3)),
        recent_transfusion=False,
        recent_pregnancy=False,
    )
    return fact(replace(body, **overrides), key)


def a_sample(key: str = "Specimen/s1", **overrides: Any) -> Fact[Sample]:
    """A usable sample of the day before."""
    number = Identifier(SAMPLE_SYSTEM, SAMPLE_NUMBER)
    body = Sample(numbers=(number,), collected=at(COLLECTED_AT))
    return fact(replace(body, **overrides), key)


def a_group(key: str = "Observation/g1", **overrides: Any) -> Fact[GroupResult]:
    """The patient's confirmed group, A RhD positive."""
    body = GroupResult(group=group("A+"), at=at(COLLECTED_AT), confirmed=True)
    return fact(replace(body, **overrides), key)


def an_antibody_screen(key: str = "Observation/ab1", **overrides: Any) -> Fact[AntibodyResult]:
    """A negative antibody screen."""
    body = AntibodyResult(at=at(COLLECTED_AT), screen="negative")
    return fact(replace(body, **overrides), key)


def a_consent(key: str = "Consent/c1", **overrides: Any) -> Fact[ConsentRecord]:
    """Consent given for every component."""
    body = ConsentRecord(in_force=True, decision="given", at=at(COLLECTED_AT))
    return fact(replace(body, **overrides), key)


def a_unit(key: str = "BiologicallyDerivedProduct/u1", **overrides: Any) -> Fact[BloodUnit]:
    """A red-cell unit, A RhD positive, available, with a week to go."""
    body = BloodUnit(
        unit=UNIT,
        component=Component.RED_CELLS,
        group=group("A+"),
        expiry=at(CHECK_AT + timedelta(days=7)),
        attributes=frozenset({"leukoreduced"}),
        volume=Decimal(280),
        status="available",
    )
    return fact(replace(body, **overrides), key)


def an_issue(key: str = "Basic/i1", **overrides: Any) -> Fact[Issue]:
    """The unit issued to the patient as crossmatched, from a monitored refrigerator."""
    body = Issue(
        identifiers=(Identifier(ISSUE_SYSTEM, "I-5001"),),
        unit=UNIT,
        patient=PATIENT,
        status="issued",
        match="crossmatched",
        handed_over=at(ISSUED_AT),
        based_on=(Ref(kind="ServiceRequest", id="o1"),),
    )
    return fact(replace(body, **overrides), key)


def a_crossmatch(key: str = "Observation/x1", **overrides: Any) -> Fact[CrossmatchResult]:
    """A compatible crossmatch of the unit."""
    body = CrossmatchResult(unit=UNIT, result="compatible", at=at(COLLECTED_AT))
    return fact(replace(body, **overrides), key)


def a_band(**overrides: Any) -> Band:
    """The patient's band, scanned and read aloud."""
    band = Band(
        scans=(MRN.value,),
        identifiers=(MRN,),
        name=NAME,
        birth_date=BIRTH_DATE,
        sample_number=SAMPLE_NUMBER,
        read_aloud=True,
    )
    return replace(band, **overrides)


def a_label(**overrides: Any) -> CompatibilityLabel:
    """The compatibility label of the unit, made out to the patient."""
    label = CompatibilityLabel(
        identifiers=(MRN,),
        name=NAME,
        birth_date=BIRTH_DATE,
        sample_number=SAMPLE_NUMBER,
        din=UNIT.din,
        product=UNIT.product,
        patient_group=group("A+"),
        unit_group=group("A+"),
        expiry=at(CHECK_AT + timedelta(days=7)),
    )
    return replace(label, **overrides)


def a_bag(**overrides: Any) -> BagLabel:
    """The bag's own label, scanned in full."""
    bag = BagLabel(
        scans=(
            Scan(raw="=A99992512345600", structure="001"),
            Scan(raw="=<E0398V00", structure="003"),
        ),
        unit=UNIT,
        group=group("A+"),
        expiry=at(CHECK_AT + timedelta(days=7)),
        scanned=True,
    )
    return replace(bag, **overrides)


def a_step(code: StepCode, key: str, when: datetime, **overrides: Any) -> Fact[Step]:
    """Any step done to the unit by the first nurse."""
    body = Step(code=code, start=at(when), owner=NURSE, unit=UNIT)
    return fact(replace(body, **overrides), key)


def a_check(key: str = "Task/check", **overrides: Any) -> Fact[Step]:
    """A complete bedside check by two nurses, four minutes long, nothing amiss."""
    inputs: dict[str, Any] = {
        "end": at(CHECKED_AT),
        "based_on": (Ref(kind="ServiceRequest", id="o1"),),
        "band": a_band(),
        "label": a_label(),
        "bag": a_bag(),
        "spoken": "matches",
        "second_checker": SECOND,
        "second_checked_at": at(CHECKED_AT + timedelta(seconds=30)),
        "appearance": "normal",
        "interrupted": False,
    }
    return a_step(StepCode.CHECK_UNIT, key, CHECK_AT, **(inputs | overrides))


def a_start(key: str = "Task/start", **overrides: Any) -> Fact[Step]:
    """The start of the unit, one minute after the check, by the first nurse."""
    inputs: dict[str, Any] = {"rate": Decimal(120), "start": at(START_AT), "bag": a_bag()}
    return a_step(StepCode.START, key, START_AT, **(inputs | overrides))


def an_end(key: str = "Task/end", **overrides: Any) -> Fact[Step]:
    """The end of the unit at noon."""
    inputs: dict[str, Any] = {"volume_given": Decimal(280), "start": at(END_AT)}
    return a_step(StepCode.END, key, END_AT, **(inputs | overrides))


def a_reading(vital: Vital, value: str | int, when: datetime, **overrides: Any) -> Reading:
    """One reading in the unit the rules use."""
    number = Decimal(value)
    reading = Reading(
        vital=vital, value=number, at=at(when), sent_value=number, sent_unit=UNIT_OF[vital]
    )
    return replace(reading, **overrides)


BASELINE: dict[str, str] = {
    "temperature": "36.8",
    "heart_rate": "78",
    "systolic": "124",
    "diastolic": "76",
    "respiratory_rate": "16",
    "saturation": "97",
}


def some_vitals(when: datetime, key: str, values: Mapping[str, Any]) -> Fact[Vitals]:
    """One set of readings at one instant, as ``{"temperature": "37.0"}``."""
    readings = tuple(a_reading(Vital(name), str(value), when) for name, value in values.items())
    return fact(Vitals(readings=readings, at=at(when)), key)


def a_baseline(key: str = "Observation/v0", **values: Any) -> Fact[Vitals]:
    """A complete normal set five minutes before the check; None leaves a vital out."""
    kept = {name: value for name, value in (BASELINE | values).items() if value is not None}
    return some_vitals(BASELINE_AT, key, kept)


BUILDERS: dict[str, Any] = {
    "patient": a_patient,
    "order": an_order,
    "sample": a_sample,
    "group": a_group,
    "antibodies": an_antibody_screen,
    "consent": a_consent,
    "unit": a_unit,
    "issue": an_issue,
    "check": a_check,
    "baseline": a_baseline,
    "crossmatch": a_crossmatch,
    "start": a_start,
    "end": an_end,
}
USUAL = frozenset(BUILDERS) - {"crossmatch", "start", "end"}


def some_facts(
    *,
    recipient: str | None = None,
    bag_group: str | None = None,
    component: Component | None = None,
    **overrides: Any,
) -> tuple[Fact[Any], ...]:
    """The facts of the invented case.

    ``recipient``, ``bag_group`` (such as ``A+``) and ``component`` change every fact that says
    them; the other keywords are those of BUILDERS. ``{}`` adds a fact that is not usual.
    """
    built = {}
    for name, build in BUILDERS.items():
        override = overrides.pop(name, {} if name in USUAL else None)
        if isinstance(override, Fact):
            built[name] = override
        elif override is not None:
            told = _told(name, recipient, bag_group, component)
            built[name] = build(**(told | dict(override)))
    if overrides:
        raise TypeError(f"no such facts: {sorted(overrides)}")
    return tuple(built.values())


def a_case(
    *,
    extra: Iterable[Fact[Any]] = (),
    acts: Iterable[Act] = (),
    elsewhere: Iterable[OtherStart] = (),
    aliases: frozenset[str] = frozenset(),
    **overrides: Any,
) -> Case:
    """The invented case; ``extra`` facts come on top, the rest as in ``some_facts``."""
    facts = (*some_facts(**overrides), *extra)
    return Case("person-1", facts, acts, aliases or PATIENT.tokens, elsewhere)


def unit_of(component: Component) -> UnitRef:
    """The invented donation as one component, so that its product code fits."""
    return replace(UNIT, product=PRODUCTS[component])


def _told(
    name: str, recipient: str | None, bag_group: str | None, component: Component | None
) -> dict[str, Any]:
    told: dict[str, Any] = {}
    if component is not None:
        told |= _told_component(name, component)
    if recipient is not None and name == "group":
        told["group"] = group(recipient)
    if bag_group is not None and name == "unit":
        told["group"] = group(bag_group)
    if name == "check":
        told["label"] = a_label(
            product=PRODUCTS[component or Component.RED_CELLS],
            patient_group=group(recipient or "A+"),
            unit_group=group(bag_group or "A+"),
        )
    if name in ("check", "start"):
        unit = unit_of(component or Component.RED_CELLS)
        told["bag"] = a_bag(unit=unit, group=group(bag_group or "A+"))
    return told


def _told_component(name: str, component: Component) -> dict[str, Any]:
    unit = unit_of(component)
    if name == "order":
        return {"component": component}
    if name == "unit":
        return {"component": component, "unit": unit}
    return {"unit": unit} if name in ("issue", "crossmatch", "check", "start", "end") else {}


def the_unit(case: Case) -> UnitView:
    """The unit that was checked, started or described; the invented one where several were."""
    told = [unit for unit in case.units.values() if unit.done(StepCode.CHECK_UNIT, StepCode.START)]
    found = told or [unit for unit in case.units.values() if unit.described]
    return found[0] if len(found) == 1 else case.unit(UNIT_KEY)


def pre_start(
    case: Case | None = None,
    *,
    policy: Policy | None = None,
    site: Site = SITE,
    at: datetime | None = None,
    stage: Stage | None = None,
    unit: UnitView | None = None,
    check: Fact[Step] | str | None = "latest",
    start: Fact[Step] | str | None = "first",
    urgency: str | None = None,
) -> PreStart:
    """The judgement of a case's unit at its check, or at its start where it has one.

    ``check`` None is a start that no valid check covers; ``unit`` an unidentified one.
    """
    held = case or a_case()
    view = unit or the_unit(held)
    checks = view.done(StepCode.CHECK_UNIT)
    chosen = (checks[-1] if checks else None) if isinstance(check, str) else check
    begun = view.started if isinstance(start, str) else start
    when = at or (step_time(begun) if begun else step_finished(chosen) if chosen else CHECKED_AT)
    orders = held.orders_of(view)
    return PreStart(
        case=held,
        unit=view,
        policy=policy or default_policy(),
        site=site,
        at=when,
        stage=stage or (Stage.START if begun else Stage.CHECK),
        check=chosen,
        start=begun,
        urgency=urgency or urgency_at(held, orders, when),
        orders=orders,
    )


def a_running(
    case: Case | None = None,
    *,
    now: datetime = START_AT + timedelta(minutes=30),
    policy: Policy | None = None,
    site: Site = SITE,
    clock: RecordingClock | None = None,
) -> Running:
    """The case's unit from its start on, seen at ``now``."""
    held = case or a_case(start={})
    view = the_unit(held)
    begun = view.started
    if begun is None:
        raise ValueError("the case holds no start")
    return Running(
        case=held,
        unit=view,
        policy=policy or default_policy(),
        site=site,
        clock=clock or RecordingClock(now),
        start=begun,
        ended=view.ended,
        orders=held.orders_of(view),
    )


def of_rule(findings: Iterable[Finding], rule: str) -> tuple[Finding, ...]:
    """The findings of one rule."""
    return tuple(finding for finding in findings if finding.rule == rule)


def reasons(findings: Iterable[Finding]) -> tuple[str, ...]:
    """The reasons of findings, in order."""
    return tuple(finding.reason for finding in findings)


def kinds(case: Case) -> tuple[str, ...]:
    """The kinds of fact in a case, for tests of the builders themselves."""
    return tuple(sorted(KIND_OF[type(held.body)] for held in case.facts))
