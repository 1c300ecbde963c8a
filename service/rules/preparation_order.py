"""Order and consent before the start: PRE-01, PRE-02."""

from dataclasses import dataclass
from datetime import datetime, tzinfo
from decimal import Decimal

from service.facts.fact import Fact
from service.facts.finding import Finding
from service.facts.moment import Moment, end_of_day, start_of_day
from service.facts.records import ConsentRecord, Order
from service.facts.unit import Component
from service.rules.context import Also, PreStart, Stating
from service.rules.orders import ORDERED, deciding, in_window, is_met, started_under
from service.rules.planned import orders_of
from service.rules.recipient import recipient_of
from service.rules.supplied import supplied
from service.rules.volume import dose_shown

ADULT = 18

FAULTS: dict[str, str] = {
    "order-not-active": "The order is not active.",
    "order-other-component": "The order is for another component.",
    "order-outside-window": "The order's date window does not hold now.",
    "order-quantity-met": "The ordered quantity is already given.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weighed:
    """One order weighed: what speaks against it, or what it does not say; neither when it holds."""

    fact: Fact[Order]
    fault: str | None = None
    lacking: tuple[str, ...] = ()

    @property
    def rank(self) -> int:
        return 2 if self.fault else 1 if self.lacking else 0


def order(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-01: active order for this patient and component, quantity left, right date window."""
    say = Stating(pre, "PRE-01")
    component = supplied(pre).component
    forbidden = _forbidding(pre, component)
    if forbidden is not None:
        text = "An order in force says that this component is not to be given."
        return say.failed("order-forbids", text, also=Also(facts=(forbidden.key,)))
    found = orders_of(pre)
    mine = deciding(pre.case, tuple(f for f in found if not f.body.do_not_perform))
    if not mine:
        return _no_order(say, found)
    best = min((_weigh(pre, fact, component) for fact in mine), key=lambda w: w.rank)
    also = Also(facts=(best.fact.key,), shown=_child_dose(pre, best.fact.body))
    if best.fault is not None:
        return say.failed(best.fault, FAULTS[best.fault], also=also)
    if best.lacking:
        text = f"The order does not say enough: {', '.join(best.lacking)}."
        return say.missing("order-incomplete", text, best.lacking, also=also)
    text = "An active order covers this unit."
    return say.passed("order-active", text, also=also)


def _no_order(say: Stating, found: tuple[Fact[Order], ...]) -> tuple[Finding, ...]:
    others = tuple(fact.key for fact in found if not fact.body.do_not_perform)
    if others:
        text = "The unit's order is made out to another patient."
        return say.failed("order-for-another-patient", text, also=Also(facts=others))
    text = "No order for this patient and component is known."
    return say.missing("order-missing", text, ("order",))


def _forbidding(pre: PreStart, component: Component | None) -> Fact[Order] | None:
    for fact in pre.case.of(Order):
        body = fact.body
        covers = None in (body.component, component) or body.component is component
        holds = body.status == "active" and in_window(body, pre.at, pre.site.zone) is not False
        if body.do_not_perform and covers and holds:
            return fact
    return None


def _weigh(pre: PreStart, fact: Fact[Order], component: Component | None) -> _Weighed:
    body = fact.body
    before = [
        unit
        for unit in started_under(pre.case, fact, pre.at, pre.site.zone)
        if unit.key != pre.unit.key
    ]
    met = is_met(body, tuple(before))
    window = in_window(body, pre.at, pre.site.zone)
    other = None not in (body.component, component) and body.component is not component
    faults = {
        "order-not-active": body.status != "active" or body.intent not in ORDERED,
        "order-other-component": other,
        "order-outside-window": window is False,
        "order-quantity-met": met is True,
    }
    lacks = {
        "component": None in (body.component, component),
        "quantity": met is None,
        "window": window is None,
    }
    return _Weighed(
        fact=fact,
        fault=next((name for name, so in faults.items() if so), None),
        lacking=tuple(name for name, so in lacks.items() if so),
    )


def _child_dose(pre: PreStart, body: Order) -> tuple[tuple[str, str], ...]:
    """A child's ordered volume beside the weight; nothing is advised."""
    who = recipient_of(pre)
    child = who.years is not None and who.years < ADULT
    if not child or body.quantity is None or body.quantity_unit != "mL" or not who.weight:
        return ()
    return dose_shown(Decimal(who.weight), body.quantity)


def consent(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-02: consent for this component, and no refusal in force.

    A refusal is lifted only by a later valid permit or a recorded lawful authority; urgency does
    not soften it.
    """
    say = Stating(pre, "PRE-02")
    component = supplied(pre).component
    valid = [f for f in pre.case.of(ConsentRecord) if _in_force(f.body, pre.at, pre.site.zone)]
    permits = [f for f in valid if f.body.decision == "given" and _permits(f.body, component)]
    refusals = [f for f in valid if f.body.decision == "refused" and _denies(f.body, component)]
    standing = [f for f in refusals if not _lifted(f, permits, pre.site.zone)]
    if standing:
        text = "A refusal of this component is in force."
        also = Also(facts=_keys(standing), shown=_in_full(standing))
        return say.failed("consent-refused", text, also=also)
    if permits:
        text = "Consent for this component is on record."
        return say.passed("consent-given", text, also=Also(facts=_keys((*permits, *refusals))))
    text = "No consent for this component is on record."
    return say.missing("consent-missing", text, ("consent",), also=Also(facts=_keys(valid)))


def _keys(facts: list[Fact[ConsentRecord]] | tuple[Fact[ConsentRecord], ...]) -> tuple[str, ...]:
    return tuple(fact.key for fact in facts)


def _in_full(facts: list[Fact[ConsentRecord]]) -> tuple[tuple[str, str], ...]:
    return tuple(("refusal", fact.body.text) for fact in facts if fact.body.text)


def _in_force(record: ConsentRecord, at: datetime, zone: tzinfo) -> bool:
    begins = _earliest(record.start, zone)
    ends = _latest(record.end, zone)
    began = begins is None or begins <= at
    return record.in_force and began and (ends is None or at <= ends)


def _permits(record: ConsentRecord, component: Component | None) -> bool:
    return not record.components or component in record.components


def _denies(record: ConsentRecord, component: Component | None) -> bool:
    """A refusal covers an unknown component too."""
    return _permits(record, component) or component is None


def _lifted(refusal: Fact[ConsentRecord], permits: list[Fact[ConsentRecord]], zone: tzinfo) -> bool:
    if any(permit.body.lawful_authority for permit in permits):
        return True
    refused = _latest(refusal.body.at, zone)
    given = [_earliest(permit.body.at, zone) for permit in permits]
    return refused is not None and any(when is not None and when > refused for when in given)


def _earliest(moment: Moment | None, zone: tzinfo) -> datetime | None:
    if moment is None or moment.instant is not None:
        return moment.instant if moment is not None else None
    return start_of_day(moment.day, zone) if moment.day is not None else None


def _latest(moment: Moment | None, zone: tzinfo) -> datetime | None:
    if moment is None or moment.instant is not None:
        return moment.instant if moment is not None else None
    return end_of_day(moment.day, zone) if moment.day is not None else None
