"""When a unit is planned to end if it is hung at the judgement."""

from datetime import datetime

from service.facts.fact import Fact
from service.facts.once import once
from service.facts.records import Order
from service.rules import flow
from service.rules.context import PreStart
from service.rules.orders import linked
from service.rules.supplied import supplied


@once
def orders_of(pre: PreStart) -> tuple[Fact[Order], ...]:
    """The orders named for the unit, else those of its component and window."""
    return linked(pre.case, pre.orders, supplied(pre).component, pre.at, pre.site.zone)


@once
def planned_end(pre: PreStart) -> datetime | None:
    """At the first rate for the slow start, then at the highest ordered one; None without them."""
    first = pre.start.body.rate if pre.start is not None else None
    slow = pre.policy.row("slow-start-window", pre.at).span
    return flow.planned_end(pre.unit, pre.at, first, flow.highest_ordered(orders_of(pre)), slow)
