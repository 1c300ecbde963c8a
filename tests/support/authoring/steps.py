"""What is done at the bedside: one Task per step, written alike in both releases."""

from collections.abc import Iterable
from typing import Any

from tests.support.authoring.words import (
    LARK,
    OWN,
    PEMBER,
    SNOMED,
    Bag,
    Both,
    Json,
    Person,
    Worker,
    amount,
    at,
    concept,
    instant,
    named,
    number,
    of_person,
    of_worker,
    own,
    same,
    ward,
)

Input = tuple[str, str, Any]  # step-input code, value[x] type, value


def step(
    code: str,
    value: str,
    person: Person,
    began: str,
    *inputs: Input,
    bag: Bag | None = None,
    ended: str | None = None,
    order: str | None = None,
    by: Worker = PEMBER,
    place: Json | None = None,
) -> Both:
    """A completed step. ``bag`` is what was meant; a scan among the inputs decides."""
    period = {"start": at(began)} | ({"end": at(ended)} if ended else {})
    task: Json = {
        "resourceType": "Task",
        "identifier": [number("step", value)],
        "status": "completed",
        "intent": "order",
        "code": own("bedside-step", code),
        "for": of_person(person),
        "executionPeriod": period,
        "authoredOn": at(ended or began),
        "owner": of_worker(by),
        "location": place or ward(),
    }
    if order:
        task["basedOn"] = [named("ServiceRequest", number("order", order))]
    if bag:
        meant = {"system": f"{OWN}/sid/unit", "value": bag.sid}
        task["focus"] = named("BiologicallyDerivedProduct", meant)
    if inputs:
        task["input"] = [_input(*given) for given in inputs]
    return same(task)


def _input(code: str, kind: str, value: Any) -> Json:
    return {"type": own("step-input", code), f"value{kind}": value}


def check(
    value: str,
    person: Person,
    bag: Bag,
    began: str,
    ended: str,
    order: str | None,
    *,
    band: Person | None = None,
    label: Person | None = None,
    out_since: str | None = None,
    second: Worker = LARK,
    leave_out: Iterable[str] = (),
    instead: Iterable[Input] = (),
    place: Json | None = None,
) -> Both:
    """A whole bedside check.

    band, label: whose band and label were read, when it is not the patient's. leave_out: inputs
    that are not sent; instead: inputs sent in the place of those of the same word.
    """
    worn = band or person
    replaced = list(instead)
    left = {*leave_out, *(word for word, _, _ in replaced)}
    given: list[Input] = [
        ("band-scan", "String", worn.number),
        ("band-identifier", "Identifier", number("patient", worn.number)),
        ("band-family", "String", worn.family),
        ("band-given", "String", worn.given),
        ("band-birth-date", "Date", worn.born),
        ("band-sample-number", "String", worn.sample),
        ("read-aloud-match", "Boolean", True),
        ("spoken-confirmed", "Code", "matches"),
        *_label(label or person, bag),
        *(("bag-scan", "String", scan) for scan in bag.scans),
        ("second-checker", "Reference", of_worker(second)),
        ("second-checked-at", "DateTime", at(f"{ended}:00")),
        ("appearance", "Code", "normal"),
        ("interrupted", "Boolean", False),
        ("access-gauge", "Integer", 18),
        ("filter", "Quantity", amount(200, "um")),
        ("fluid", "CodeableConcept", {"text": "Sodium chloride 0.9 %"}),
    ]
    if out_since:
        given.append(("out-since", "DateTime", at(out_since)))
    kept = [*(one for one in given if one[0] not in left), *replaced]
    return step(
        "check-unit", value, person, began, *kept, bag=bag, ended=ended, order=order, place=place
    )


def _label(person: Person, bag: Bag) -> list[Input]:
    """The compatibility label tied to the bag: always the patient's for whom it was issued."""
    return [
        ("label-identifier", "Identifier", number("patient", person.number)),
        ("label-family", "String", person.family),
        ("label-given", "String", person.given),
        ("label-birth-date", "Date", person.born),
        ("label-sample-number", "String", person.sample),
        ("label-donation-number", "String", bag.printed),
        ("label-product-code", "String", f"{bag.product}V00"),
        ("label-patient-group", "String", person.group),
        ("label-unit-group", "String", bag.group),
        ("label-expiry", "DateTime", instant(bag.expires)),
    ]


LABEL_INPUTS = (
    "label-identifier",
    "label-family",
    "label-given",
    "label-birth-date",
    "label-sample-number",
    "label-donation-number",
    "label-product-code",
    "label-patient-group",
    "label-unit-group",
    "label-expiry",
)


def start(
    value: str,
    person: Person,
    bag: Bag,
    began: str,
    order: str | None,
    *,
    rate: int = 50,
    blood_set: str | None = None,
    place: Json | None = None,
) -> Both:
    """The start of flow; the bag is scanned once more. blood_set: by default one of its own."""
    donation, product, _, _ = bag.scans
    return step(
        "start",
        value,
        person,
        began,
        ("rate", "Quantity", amount(rate, "mL/h")),
        ("set", "Reference", named("Device", number("set", blood_set or f"SET-{value}"))),
        ("bag-scan", "String", donation),
        ("bag-scan", "String", product),
        bag=bag,
        order=order,
        place=place,
    )


def change_rate(value: str, person: Person, bag: Bag, when: str, rate: int) -> Both:
    """A new rate, in mL/h."""
    return step(
        "change-rate", value, person, when, ("rate", "Quantity", amount(rate, "mL/h")), bag=bag
    )


def end(
    value: str,
    person: Person,
    bag: Bag,
    when: str,
    volume: int,
    reason: str | None = None,
    *,
    place: Json | None = None,
) -> Both:
    """The bag is down; a reason says that it was stopped before it was through."""
    given: list[Input] = [("volume-given", "Quantity", amount(volume, "mL"))]
    if reason:
        given.append(("reason", "CodeableConcept", {"text": reason}))
    return step("end", value, person, when, *given, bag=bag, place=place)


def hold(value: str, person: Person, bag: Bag, when: str, volume: int) -> Both:
    """The flow is held."""
    given = ("volume-given", "Quantity", amount(volume, "mL"))
    return step("interrupt", value, person, when, given, bag=bag)


def give_back(value: str, person: Person, bag: Bag, when: str, out_since: str, why: str) -> Both:
    """An unstarted unit goes back, its seal unbroken."""
    return step(
        "return-unit",
        value,
        person,
        when,
        ("out-since", "DateTime", at(out_since)),
        ("temperature", "Quantity", amount(6.5, "Cel")),
        ("seal-intact", "Boolean", True),
        ("reason", "CodeableConcept", {"text": why}),
        bag=bag,
    )


def sign(code: str, display: str) -> Input:
    """A sign in SNOMED CT."""
    return ("sign", "CodeableConcept", concept(SNOMED, code, display))
