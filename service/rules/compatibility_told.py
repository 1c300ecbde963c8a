"""What had been told by the start of a unit, beside what is told now (COMP-11)."""

from datetime import UTC, datetime
from typing import Any

from service.facts.case import Case, told_at
from service.facts.fact import Fact
from service.facts.once import once
from service.facts.records import AllowedGroups, BloodUnit, GroupResult, Issue, Order
from service.facts.steps import Step
from service.rules.context import Running

KINDS = (GroupResult, AllowedGroups, Order, Issue, BloodUnit, Step)
FOREVER = datetime(9000, 1, 1, tzinfo=UTC)


@once
def at_start(running: Running) -> Case:
    """The case as it had been told by the start; the very case where nothing was corrected."""
    return running.case.as_told(running.started_at, KINDS)


@once
def now(running: Running) -> Case:
    """The case as it stands; of a unit that is down, as it was told while it was a suspect."""
    return running.case if running.ended is None else running.case.as_told(until(running), KINDS)


def until(running: Running) -> datetime:
    """How long news counts: while the unit runs, and while it stays a suspect after its end."""
    if running.ended_at is None:
        return FOREVER
    return running.ended_at + running.policy.row("suspects-after-end", running.started_at).span


def in_time(running: Running, fact: Fact[Any]) -> bool:
    """True for what came to light while the unit ran or was a suspect."""
    moment = getattr(fact.body, "at", None)
    came = (moment.instant if moment is not None else None) or told_at(fact)
    return came <= until(running)
