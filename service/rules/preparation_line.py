"""What the blood runs through and beside: PRE-07 to PRE-10 and PRE-17."""

from decimal import Decimal

from service.facts.case import step_time
from service.facts.finding import Finding
from service.facts.identity import Ref
from service.facts.records import DeviceRecord
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.policy.policy import Row
from service.rules.context import Also, PreStart, Stating
from service.rules.devices import described, in_use, same_device
from service.rules.flow import highest_ordered
from service.rules.planned import orders_of
from service.rules.recipient import recipient_of
from service.rules.supplied import supplied

SALINE = "sodium-chloride-0.9"
SAME_LUMEN = frozenset({"same", "same-lumen", "same lumen"})
OTHER_LUMEN = frozenset({"other", "other-lumen", "other lumen"})
ADULT = 18


def filtered(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-07: an in-line filter within the limits; silent for aliquots filtered at issue."""
    say = Stating(pre, "PRE-07")
    if _filtered_at_issue(pre):
        return ()
    size, facts = _filter(pre)
    least, most = (pre.policy.row(key, pre.at) for key in ("filter-min", "filter-max"))
    also = Also(facts=facts, cited=(least.cited, most.cited))
    if size is None:
        text = "Which filter the set has was not sent."
        return say.missing("filter-not-sent", text, ("filter",), also=also)
    if least.number <= size <= most.number:
        return say.passed("filter-within-limits", "The filter is within the limits.", also=also)
    text = f"The set's filter is not within {least.number} to {most.number} µm."
    return say.failed("filter-outside-limits", text, also=also)


def _filtered_at_issue(pre: PreStart) -> bool:
    return any(
        fact.body.container == "syringe" and "filtered-at-issue" in (fact.body.attributes or ())
        for fact in pre.unit.described
    )


def _filter(pre: PreStart) -> tuple[Decimal | None, tuple[str, ...]]:
    if pre.check is not None and pre.check.body.filter_um is not None:
        return pre.check.body.filter_um, (pre.check.key,)
    named = pre.start.body.set if pre.start is not None else None
    fact = described(pre.case, named) if named is not None else None
    used = in_use(pre.case, pre.at, pre.site.zone)
    sized = [f for f in (fact, *used) if f is not None and f.body.filter_um is not None]
    return (sized[0].body.filter_um, (sized[0].key,)) if sized else (None, ())


def fluids(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-08: fails only for a fluid shown in the same lumen that is not 0.9 % saline."""
    say = Stating(pre, "PRE-08")
    body = pre.check.body if pre.check is not None else None
    fluid = body.fluid if body is not None else None
    lumen = body.lumen if body is not None else None
    if fluid is None:
        return say.missing("fluid-not-sent", "What else runs was not sent.", ("fluid",))
    if fluid == SALINE:
        return say.passed("saline-only", "Nothing but 0.9 % sodium chloride runs beside it.")
    if lumen is None or lumen.lower() not in SAME_LUMEN | OTHER_LUMEN:
        text = "In which lumen the other fluid runs was not sent, or in no known word."
        return say.missing("lumen-not-sent", text, ("lumen",))
    if lumen.lower() not in SAME_LUMEN:
        return say.passed("other-lumen", "The other fluid runs in another lumen.")
    text = "A fluid other than 0.9 % sodium chloride runs in the same lumen."
    return say.failed("incompatible-fluid", text, also=Also(shown=(("fluid", fluid),)))


def access(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-09: venous access wide enough; an unknown age counts as adult."""
    say = Stating(pre, "PRE-09")
    gauge = pre.check.body.access_gauge if pre.check is not None else None
    row = _by_age(pre, "access-gauge-max")
    also = Also(cited=(row.cited,))
    if gauge is None:
        text = "The venous access was not sent."
        return say.missing("access-not-sent", text, ("access-gauge",), also=also)
    if gauge <= row.number:
        return say.passed("access-wide-enough", "The venous access is wide enough.", also=also)
    text = f"The venous access is narrower than {row.number} gauge."
    return say.failed("access-narrow", text, also=also)


def _by_age(pre: PreStart, key: str) -> Row:
    years = recipient_of(pre).years
    child = years is not None and years < ADULT
    return pre.policy.row(f"{key}-child" if child else key, pre.at)


def machines(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-10: pump and warmer approved for components, not too warm, and used when needed."""
    say = Stating(pre, "PRE-10")
    used = in_use(pre.case, pre.at, pre.site.zone)
    ours = tuple(fact for fact in used if fact.body.device in ("pump", "warmer"))
    facts = tuple(fact.key for fact in ours)
    for fact in ours:
        fault = _machine_fault(pre, fact.body)
        if fault is not None:
            return say.failed(*fault, also=Also(facts=(fact.key,)))
    if not any(fact.body.device == "warmer" for fact in ours):
        limit = _by_age(pre, "warm-above-rate")
        if _is_faster(pre, limit.number):
            text = f"The rate is above {limit.number} mL/kg/h and no warmer is in use."
            return say.failed("not-warmed", text, also=Also(facts=facts, cited=(limit.cited,)))
    unsaid = [fact for fact in ours if fact.body.approved is None]
    if unsaid or not ours:
        text = "Whether pump or warmer is approved for components was not sent."
        return say.missing("devices-not-sent", text, ("pump or warmer",), also=Also(facts=facts))
    return say.passed("devices-approved", "Pump and warmer are approved.", also=Also(facts=facts))


def _machine_fault(pre: PreStart, device: DeviceRecord) -> tuple[str, str] | None:
    limit = pre.policy.row("warmer-limit", pre.at)
    if device.approved is False:
        return "device-not-approved", f"The {device.device} is not approved for components."
    if device.device == "pump" and supplied(pre).component is Component.GRANULOCYTES:
        return "pump-for-granulocytes", "Granulocytes do not go through an infusion pump."
    warm = device.set_temperature
    if device.device == "warmer" and warm is not None and warm > limit.number:
        return "warmer-too-warm", f"The warmer is set above {limit.number} °C."
    return None


def _is_faster(pre: PreStart, limit: Decimal) -> bool:
    weight = recipient_of(pre).weight
    started = pre.start.body.rate if pre.start is not None else None
    rate = started if started is not None else highest_ordered(orders_of(pre))
    return rate is not None and bool(weight) and rate > limit * Decimal(weight or 0)


def own_set(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-17: platelets not through a set that carried another component."""
    if supplied(pre).component is not Component.PLATELETS:
        return ()
    say = Stating(pre, "PRE-17")
    named = pre.start.body.set if pre.start is not None else None
    if named is None:
        return say.missing("set-not-sent", "Which set is used was not sent.", ("set",))
    carried = _carried(pre, named)
    if not carried:
        return say.passed("own-set", "The set carried nothing but platelets.")
    text = "The set carried another component before."
    return say.failed("set-used-for-other-component", text, also=Also(facts=carried))


def _carried(pre: PreStart, named: Ref) -> tuple[str, ...]:
    """The steps that hung other components on the set."""
    return tuple(
        step.key
        for unit in pre.case.units.values()
        if unit.component is not Component.PLATELETS
        for step in unit.done(StepCode.START, StepCode.RESUME, StepCode.CHANGE_SET)
        if step.body.set is not None
        and same_device(step.body.set, named)
        and step_time(step) <= pre.at
    )
