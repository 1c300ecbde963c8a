"""What is done at the bedside: one Task per step, written alike in both releases."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from service.generate.people import CHILDREN, Person
from service.generate.plans import MINUTE, Bag, Plan, UnitPlan
from service.generate.records import of_person
from service.generate.words import (
    OWN,
    Json,
    Worker,
    amount,
    at,
    named,
    number,
    of_worker,
    own,
    ward,
)

Input = tuple[str, str, Any]  # step-input code, value[x] type, value
SPEAKS_FROM = 8 * 12  # months of age
LEFT_OUT = {  # a defect -> the inputs of the check that it leaves out
    "spoken": ("spoken-confirmed", "spoken-unable", "confirmed-by"),
    "second-checker": ("second-checker", "second-checked-at", "read-aloud-match"),
    "appearance": ("appearance",),
    "band-birth-date": ("band-birth-date",),
}


def step(
    code: str,
    value: str,
    who: Person,
    began: datetime,
    by: Worker,
    inputs: Iterable[Input] = (),
    *,
    bag: Bag | None = None,
    ended: datetime | None = None,
    order: str | None = None,
) -> Json:
    """A completed step. ``bag`` is what was meant; a scan among the inputs decides."""
    period = {"start": at(began)} | ({"end": at(ended)} if ended else {})
    task: Json = {
        "resourceType": "Task",
        "identifier": [number("step", f"{code}-{value}")],
        "status": "completed",
        "intent": "order",
        "code": own("bedside-step", code),
        "for": of_person(who),
        "executionPeriod": period,
        "authoredOn": at(ended or began),
        "owner": of_worker(by),
        "location": ward(who.ward),
    }
    if order:
        task["basedOn"] = [named("ServiceRequest", number("order", order))]
    if bag:
        meant = {"system": f"{OWN}/sid/unit", "value": bag.sid}
        task["focus"] = named("BiologicallyDerivedProduct", meant)
    given = [_input(*one) for one in inputs]
    return task | ({"input": given} if given else {})


def _input(code: str, kind: str, value: Any) -> Json:
    return {"type": own("step-input", code), f"value{kind}": value}


def check(plan: Plan, unit: UnitPlan) -> Json:
    """A whole bedside check, less what a defect leaves out."""
    who, bag = plan.person, unit.bag
    given: list[Input] = [
        ("band-scan", "String", who.number),
        *_printed("band", who),
        ("read-aloud-match", "Boolean", True),
        *_spoken(plan, unit),
        *_printed("label", who),
        ("label-donation-number", "String", bag.printed),
        ("label-product-code", "String", f"{bag.product}V00"),
        ("label-patient-group", "String", who.group),
        ("label-unit-group", "String", bag.group),
        ("label-expiry", "DateTime", at(bag.expires)),
        *(("bag-scan", "String", scan) for scan in bag.scans),
        ("second-checker", "Reference", of_worker(unit.nurses[1])),
        ("second-checked-at", "DateTime", at(unit.checked)),
        ("appearance", "Code", "normal"),
        ("interrupted", "Boolean", False),
        ("out-since", "DateTime", at(unit.issued)),
        ("access-gauge", "Integer", 22 if who.child else 18),
        ("filter", "Quantity", amount(200, "um")),
        ("fluid", "CodeableConcept", {"text": "Sodium chloride 0.9 %"}),
    ]
    left_out = {name for defect in unit.defects for name in LEFT_OUT.get(defect, ())}
    kept = [one for one in given if one[0] not in left_out]
    began = unit.checked - timedelta(minutes=2)
    return _of_unit("check-unit", plan, unit, began, kept, ended=unit.checked)


def _printed(side: str, who: Person) -> list[Input]:
    return [
        (f"{side}-identifier", "Identifier", number("patient", who.number)),
        (f"{side}-family", "String", who.family),
        (f"{side}-given", "String", who.given),
        (f"{side}-birth-date", "Date", who.born.isoformat()),
        (f"{side}-sample-number", "String", who.sample),
    ]


def _spoken(plan: Plan, unit: UnitPlan) -> list[Input]:
    """Young children, and patients in an emergency, are confirmed by somebody else."""
    who = plan.person
    if who.months >= SPEAKS_FROM and plan.urgency != "life-threatening":
        return [("spoken-confirmed", "Code", "matches")]
    why = "Young child" if who.ward == CHILDREN else "Not conscious"
    carer = named("RelatedPerson", number("carer", f"K-{who.number}"), "A relative")
    return [
        ("spoken-confirmed", "Code", "unable"),
        ("spoken-unable", "CodeableConcept", {"text": why}),
        ("confirmed-by", "Reference", carer),
    ]


def start(plan: Plan, unit: UnitPlan) -> Json:
    """The start of flow; the bag is scanned once more."""
    donation, product, _, _ = unit.bag.scans
    hung = named("Device", number("set", f"SET-{plan.index}"))
    given: list[Input] = [
        ("rate", "Quantity", amount(unit.rates[0], "mL/h")),
        ("set", "Reference", hung),
        ("bag-scan", "String", donation),
        ("bag-scan", "String", product),
    ]
    kept = [one for one in given if one[0] != "rate" or "first-rate" not in unit.defects]
    return _of_unit("start", plan, unit, unit.start, kept)


def change_rate(plan: Plan, unit: UnitPlan, when: datetime) -> Json:
    """The rate after the slow start."""
    return _of_unit("change-rate", plan, unit, when, [_rate(unit.rates[1])])


def _rate(value: int) -> Input:
    return ("rate", "Quantity", amount(value, "mL/h"))


def interrupt(plan: Plan, unit: UnitPlan, when: datetime) -> Json:
    """Flow is held."""
    return _of_unit("interrupt", plan, unit, when, [_volume(unit)])


def end(plan: Plan, unit: UnitPlan) -> Json:
    """The bag is down; a reason says that it was stopped before it was through."""
    given = [] if "volume" in unit.defects else [_volume(unit)]
    if unit.stopped:
        given.append(("reason", "CodeableConcept", {"text": "Suspected reaction"}))
    return _of_unit("end", plan, unit, unit.ends, given)


def _volume(unit: UnitPlan) -> Input:
    return ("volume-given", "Quantity", amount(unit.given, "mL"))


def authorise(plan: Plan, unit: UnitPlan, rules: Iterable[str]) -> Json:
    """A doctor takes the responsibility for these rules."""
    given: list[Input] = [("rule", "CodeableConcept", own("rule", rule)) for rule in rules]
    given.append(("reason", "CodeableConcept", {"text": "Life-threatening bleeding"}))
    return _of_unit("authorise", plan, unit, unit.start - MINUTE, given, by=plan.doctor)


def emergency(plan: Plan, code: str, when: datetime) -> Json:
    """The emergency is declared, or ended."""
    reason: Input = ("reason", "CodeableConcept", {"text": "Major haemorrhage"})
    return step(code, str(plan.index), plan.person, when, plan.doctor, [reason], order=plan.order)


def suspect(plan: Plan, unit: UnitPlan, signs: Iterable[Json], when: datetime) -> Json:
    """The ward's own report, with what a laboratory asks first."""
    reaction = unit.reaction
    onset = reaction.onset if reaction is not None else when
    given: list[Input] = [
        *(("sign", "CodeableConcept", sign) for sign in signs),
        ("onset", "DateTime", at(onset)),
        ("volume-given", "Quantity", amount(unit.given, "mL")),
        ("identity-recheck", "Code", "match"),
        ("bag-inspection", "CodeableConcept", {"text": "No leak, no clot, no change of colour"}),
        ("bag-and-set-sent", "Boolean", True),
        ("needs-more-blood", "Code", "none"),
        ("contact", "String", f"Ward {plan.person.ward}, extension 4417"),
    ]
    if unit.stopped:
        given.insert(1, ("flow-stopped-at", "DateTime", at(onset + 2 * MINUTE)))
    return _of_unit("suspect-reaction", plan, unit, when, given)


def confirm(plan: Plan, unit: UnitPlan, text: str, when: datetime) -> Json:
    """A doctor confirms the reaction."""
    given: list[Input] = [("reason", "CodeableConcept", {"text": text})]
    return _of_unit("confirm-reaction", plan, unit, when, given, by=plan.doctor)


def _of_unit(
    code: str,
    plan: Plan,
    unit: UnitPlan,
    began: datetime,
    given: Iterable[Input],
    *,
    ended: datetime | None = None,
    by: Worker | None = None,
) -> Json:
    return step(
        code,
        str(unit.index),
        plan.person,
        began,
        by or unit.nurses[0],
        given,
        bag=unit.bag,
        ended=ended,
        order=plan.order,
    )
