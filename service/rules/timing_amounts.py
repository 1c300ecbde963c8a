"""Volumes, rates and weights that cannot be right: VOL-01, judged as if they had not been sent."""

from collections.abc import Iterator
from decimal import Decimal

from service.facts.finding import Finding
from service.facts.quantity import Vital
from service.rules.context import Also, PreStart, Running, Stating
from service.rules.flow import steps_of_flow
from service.rules.measurable import given_of, is_quantity, rate_of, volume_of
from service.rules.observed import impossible
from service.rules.planned import orders_of
from service.rules.running import Following

Amiss = tuple[str, str, Decimal]  # fact, what the number says, the number
TEXT = "A number on record cannot be right and was left out: correct the record."


def amounts(pre: PreStart) -> tuple[Finding, ...]:
    """VOL-01 before the start: what order, label, issue and first rate say can be right."""
    found = [*_ordered(pre), *_supplied(pre), *_weighed(pre)]
    first = pre.start.body.rate if pre.start is not None else None
    if pre.start is not None and first is not None and rate_of(first) is None:
        found.append((pre.start.key, "rate", first))
    if not found:
        return ()
    also = Also(facts=_facts(found), shown=_shown(found))
    return Stating(pre, "VOL-01").missing("number-implausible", TEXT, _missing(found), also=also)


def amounts_given(running: Running) -> tuple[Finding, ...]:
    """VOL-01 after the start: the rates set since, and the volumes given."""
    found: list[Amiss] = []
    for step in steps_of_flow(running.unit):
        rate, given = step.body.rate, step.body.volume_given
        if step is not running.start and rate is not None and rate_of(rate) is None:
            found.append((step.key, "rate", rate))
        if given is not None and given_of(given) is None:
            found.append((step.key, "volume given", given))
    if not found:
        return ()
    say = Following(running, "VOL-01")
    return say.says(
        "number-implausible",
        TEXT,
        word=say.row.when_missing,
        missing=_missing(found),
        facts=_facts(found),
        shown=_shown(found),
    )


def _ordered(pre: PreStart) -> Iterator[Amiss]:
    for order in orders_of(pre):
        rate, quantity = order.body.rate, order.body.quantity
        if rate is not None and rate_of(rate) is None:
            yield order.key, "rate", rate
        if quantity is not None and not is_quantity(quantity, order.body.quantity_unit):
            yield order.key, "quantity", quantity


def _supplied(pre: PreStart) -> Iterator[Amiss]:
    for unit in pre.unit.described:
        if unit.body.volume is not None and volume_of(unit.body.volume) is None:
            yield unit.key, "volume", unit.body.volume
    for issue in pre.unit.issues:
        if issue.body.quantity is not None and volume_of(issue.body.quantity) is None:
            yield issue.key, "volume", issue.body.quantity


def _weighed(pre: PreStart) -> Iterator[Amiss]:
    for read in impossible(pre.case):
        if read.reading.vital is Vital.WEIGHT and read.at <= pre.at:
            yield read.key, "weight", read.reading.value


def _facts(found: list[Amiss]) -> tuple[str, ...]:
    return tuple(sorted({fact for fact, _, _ in found}))


def _missing(found: list[Amiss]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for _, name, _ in found))


def _shown(found: list[Amiss]) -> tuple[tuple[str, str], ...]:
    return tuple(dict.fromkeys((name, f"{number:.12g}") for _, name, number in found))
