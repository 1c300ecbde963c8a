"""ServiceRequest: the transfusion order."""

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from service.facts.fact import Body
from service.facts.moment import Moment
from service.facts.records import Order, OrderKind
from service.facts.unit import Component
from service.fhir.read.antigen import antigen_of, typed_antigen
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import (
    Json,
    choice,
    chosen,
    codings,
    each,
    flag_of,
    identifier_of,
    one,
    text_of,
    wording,
)
from service.fhir.read.told import unread
from service.fhir.read.which_unit import PRODUCT_SYSTEM
from service.scan.keyed import read_product

URGENT = frozenset({"urgent", "asap", "stat"})


@dataclass(slots=True, kw_only=True)
class _Details:
    """What the parameters of an order say, collected one by one."""

    requirements: set[str] = field(default_factory=set)
    antigens: set[str] = field(default_factory=set)
    rates: set[Decimal | None] = field(default_factory=set)
    continues: bool = False
    premedication: bool | None = None
    recent_transfusion: bool | None = None
    recent_pregnancy: bool | None = None


def read_order(reader: Reader) -> tuple[Body, ...]:
    """A transfusion order; nothing for an order of anything else."""
    order = reader.resource
    reader.subject = reader.patient("subject")
    reader.retracted = order.get("status") == "entered-in-error"
    concept = one(one(order, "code"), "concept")
    named = [concept, *each(order, "category")]
    kind = _kind(reader, named)
    product = _product(reader, concept)
    component = _component(reader, named, product)
    if kind is None and component is None and product is None:
        reader.unknown("order-kinds", concept, "code")
        return ()
    said = _details(reader)
    said.requirements |= reader.codes.words("requirements", codings(concept))
    start, end = _window(reader)
    amount, unit = _quantity(reader)
    return (
        Order(
            identifiers=reader.identifiers(),
            requisition=identifier_of(one(order, "requisition")),
            status=text_of(order, "status") or "unknown",
            intent=text_of(order, "intent") or "unknown",
            do_not_perform=order.get("doNotPerform") is True,
            kind=kind or (OrderKind.PREPARE if product else OrderKind.ADMINISTER),
            component=component,
            product=product,
            quantity=amount,
            quantity_unit=unit,
            requirements=frozenset(said.requirements),
            antigens_negative=frozenset(said.antigens),
            rate=_only_rate(reader, said),
            urgency=_urgency(reader, named),
            start=start,
            end=end,
            authored=reader.moment(order, "authoredOn"),
            requester=reader.staff(one(order, "requester")),
            specimens=reader.refs(order, "specimen", "Specimen"),
            based_on=reader.refs(order, "basedOn", "ServiceRequest"),
            reason=_reason(order),
            continues=said.continues,
            autologous="autologous" in said.requirements,
            premedication_ordered=_said(reader, "premedication-ordered", said.premedication),
            recent_transfusion=_said(reader, "recent-transfusion", said.recent_transfusion),
            recent_pregnancy=_said(reader, "recent-pregnancy", said.recent_pregnancy),
            long_term_dependent=flag(reader, "long-term-dependent"),
            surgery_on=_surgery(reader),
        ),
    )


def flag(reader: Reader, fact: str) -> bool | None:
    """An own boolean extension of the resource."""
    found = reader.own(reader.resource, fact)
    return found if isinstance(found, bool) else None


def _said(reader: Reader, fact: str, parameter: bool | None) -> bool | None:
    found = flag(reader, fact)
    return found if found is not None else parameter


def _surgery(reader: Reader) -> Moment | None:
    found = reader.own(reader.resource, "surgery-on")
    return reader.moment_of(found, "extension") if isinstance(found, str) else None


def _kind(reader: Reader, named: list[Json]) -> OrderKind | None:
    """What is asked for: a category that says so before the code."""
    words = [reader.word("order-kinds", concept, "code") for concept in reversed(named)]
    word = next((word for word in words if word), None)
    return OrderKind(word) if word else None


def _product(reader: Reader, concept: Json) -> str | None:
    for coding in codings(concept):
        if reader.codes.system(text_of(coding, "system")) == PRODUCT_SYSTEM:
            text = text_of(coding, "code") or ""
            found = read_product(text.upper() if len(text) == len("E0398") else text)
            if found is not None:
                return found.product
    return None


def _component(reader: Reader, named: list[Json], product: str | None) -> Component | None:
    words = [reader.word("components", concept, "code") for concept in named]
    word = next((word for word in words if word), None)
    if word is not None:
        return Component(word)
    known = reader.context.products.get(product or "")
    return known.component if known else None


def _urgency(reader: Reader, named: list[Json]) -> str:
    details = [
        concept
        for detail in each(reader.resource, "orderDetail")
        for parameter in each(detail, "parameter")
        if (concept := one(parameter, "valueCodeableConcept"))
    ]
    for concept in (*named, *details):
        if reader.codes.words("urgencies", codings(concept)):
            return "life-threatening"
    return "urgent" if reader.resource.get("priority") in URGENT else "routine"


def _window(reader: Reader) -> tuple[Moment | None, Moment | None]:
    found = choice(reader.resource, "occurrence")
    start, end = reader.span(reader.resource, "occurrence")
    return start, (None if found and found[0] == "DateTime" else end)


def _quantity(reader: Reader) -> tuple[Decimal | None, str | None]:
    quantity = chosen(reader.resource, "quantity", "Quantity")
    if not isinstance(quantity, dict):
        return None, None
    if quantity.get("code") == "{unit}":
        return reader.amount(quantity, "{unit}", "quantityQuantity"), "{unit}"
    amount = reader.amount(quantity, "mL", "quantityQuantity")
    return amount, ("mL" if amount is not None else None)


def _reason(order: Json) -> str | None:
    said = [wording(one(reason, "concept")) for reason in each(order, "reason")]
    return "; ".join(text for text in said if text) or None


def _details(reader: Reader) -> _Details:
    said = _Details()
    for detail in each(reader.resource, "orderDetail"):
        for parameter in each(detail, "parameter"):
            code = one(parameter, "code")
            word = reader.word("order-parameters", code, PARAMETER) if code else None
            READ.get(word or "", _loose)(reader, parameter, said)
    return said


def _only_rate(reader: Reader, said: _Details) -> Decimal | None:
    """The ordered rate; none where two differ or one cannot be read."""
    if len(said.rates) > 1:
        reader.warn("Rates that differ are not used.", PARAMETER, "value")
    return next(iter(said.rates)) if len(said.rates) == 1 else None


PARAMETER = "orderDetail.parameter"


def _requirement(reader: Reader, parameter: Json, said: _Details) -> None:
    """A requirement without a word is kept as it came, so that no unit is taken to meet it."""
    concept = one(parameter, "valueCodeableConcept")
    text = text_of(parameter, "valueString") or wording(concept)
    words = reader.codes.words("requirements", codings(concept))
    antigens = _antigens(reader, concept)
    said.requirements |= words
    said.antigens |= antigens
    if not words and not antigens:
        _unread(reader, "requirements", concept, text, said)


def _unread(reader: Reader, concept: str, value: Json, text: str | None, said: _Details) -> None:
    """Keeps what has no word as a requirement that no unit is taken to meet."""
    if wording(value):
        reader.unknown(concept, value, PARAMETER)
    else:
        reader.warn("What the order requires cannot be read.", PARAMETER, "code-invalid")
    said.requirements.add(unread(text))


def _negative(reader: Reader, parameter: Json, said: _Details) -> None:
    concept = one(parameter, "valueCodeableConcept")
    antigens = _antigens(reader, concept)
    said.antigens |= antigens
    if not antigens:
        text = text_of(parameter, "valueString") or wording(concept) or "antigen-negative"
        reader.unknown("antigens", concept or {"text": text}, PARAMETER)
        said.requirements.add(unread(f"{text} negative"))


def _antigens(reader: Reader, concept: Json) -> set[str]:
    """Antigens a unit must lack; a code that says *positive* names none."""
    found: set[str] = set()
    for coding in codings(concept):
        antigen, present = typed_antigen(reader, coding) or (antigen_of(reader, coding), False)
        if antigen and not present:
            found.add(antigen)
    return found


def _rate(reader: Reader, parameter: Json, said: _Details) -> None:
    said.rates.add(reader.amount(one(parameter, "valueQuantity"), "mL/h", PARAMETER))


def _continue(reader: Reader, parameter: Json, said: _Details) -> None:
    """Alone it says yes; beside a value that is no boolean it says nothing."""
    value = choice(parameter, "value")
    said.continues = value is None or value == ("Boolean", True)


def _flag_reader(name: str) -> Callable[[Reader, Json, _Details], None]:
    def read(reader: Reader, parameter: Json, said: _Details) -> None:
        value: Any = flag_of(parameter, "valueBoolean")
        setattr(said, name, True if value is None else value)

    return read


def _loose(reader: Reader, parameter: Json, said: _Details) -> None:
    """A detail that no parameter code explains: R4 writes requirements so, among other things.

    What is neither an urgency nor mapped as information may be a requirement, and counts as one.
    """
    code, concept = one(parameter, "code"), one(parameter, "valueCodeableConcept")
    known = reader.codes.words("urgencies", codings(concept))
    if known or "information" in reader.codes.words("order-parameters", codings(concept)):
        return
    if wording(concept) and not wording(code):
        _requirement(reader, parameter, said)
        return
    words = reader.codes.words("requirements", codings(concept))
    antigens = _antigens(reader, concept)
    if words or antigens:
        _requirement(reader, parameter, said)
        return
    value = text_of(parameter, "valueString") or wording(concept)
    text = ": ".join(part for part in (wording(code), value) if part)
    _unread(reader, "order-parameters", code, text, said)


def _information(reader: Reader, parameter: Json, said: _Details) -> None:
    """What a site maps as of no consequence to any rule."""


READ: dict[str, Callable[[Reader, Json, _Details], None]] = {
    "special-requirement": _requirement,
    "antigen-negative": _negative,
    "rate": _rate,
    "continue": _continue,
    "premedication": _flag_reader("premedication"),
    "recent-transfusion": _flag_reader("recent_transfusion"),
    "recent-pregnancy": _flag_reader("recent_pregnancy"),
    "information": _information,
}
