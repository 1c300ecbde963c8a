"""When a fact was true at the bedside, for ordering facts against each other."""

from datetime import datetime
from typing import Any

from service.facts.case import step_finished
from service.facts.fact import Fact
from service.facts.records import Issue, Order, Sample
from service.facts.steps import Step


def clinical_time(fact: Fact[Any]) -> datetime | None:
    """The clinical instant of a fact, or None for a record without one."""
    body = fact.body
    if isinstance(body, Step):
        return step_finished(fact)
    if isinstance(body, Issue):
        moment = body.handed_over
    elif isinstance(body, Sample):
        moment = body.collected
    elif isinstance(body, Order):
        moment = body.authored
    else:
        moment = getattr(body, "at", None)
    return moment.instant if moment is not None else None


def changed_after(fact: Fact[Any], instant: datetime) -> bool:
    """True when the fact came true, or was corrected, after an instant.

    A first version without a clinical time has not changed; a later one changed when its sender
    stamped it, or when it was received.
    """
    when = clinical_time(fact)
    if when is not None and when > instant:
        return True
    return fact.version > 1 and (fact.stamp or fact.received) > instant
