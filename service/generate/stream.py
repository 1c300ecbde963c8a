"""The whole hospital as one stream of messages by arrival, in bounded memory."""

from collections.abc import Iterator
from datetime import timedelta
from heapq import heappop, heappush

from service.generate.plans import Plan, plans
from service.generate.story import Habits, Message, told
from service.generate.traffic import Traffic

EARLIEST = timedelta(hours=6, minutes=30)  # no message comes longer before its first start


def stream(
    units: int,
    seed: int,
    traffic: Traffic,
    *,
    routine: bool = False,
    habits: Habits | None = None,
) -> Iterator[Message]:
    """Every message of so many units, by arrival.

    The n-th unit is the same whatever their number; an order that would go beyond it keeps the
    units up to it. What is held at a time are the messages of the orders under way.
    """
    waiting: list[tuple[float, int, int, Message]] = []
    for plan, messages in orders(units, seed, traffic, routine=routine, habits=habits):
        safe = (plan.units[0].start - EARLIEST).timestamp()
        while waiting and waiting[0][0] < safe:
            yield heappop(waiting)[-1]
        for place, message in enumerate(messages):
            heappush(waiting, (message.at.timestamp(), plan.index, place, message))
    while waiting:
        yield heappop(waiting)[-1]


def orders(
    units: int,
    seed: int,
    traffic: Traffic,
    *,
    routine: bool = False,
    habits: Habits | None = None,
) -> Iterator[tuple[Plan, list[Message]]]:
    """The same traffic order by order, each with its own messages by arrival."""
    for plan in until(units, plans(seed, traffic, routine=routine)):
        messages = told(plan, seed, traffic, habits or Habits(), routine=routine)
        yield plan, [one for one in messages if one.unit is None or one.unit < units]


def until(units: int, endless: Iterator[Plan]) -> Iterator[Plan]:
    """The orders that hold the first so many units."""
    if units < 1:
        return
    for plan in endless:
        yield plan
        if plan.units[-1].index >= units - 1:
            return
