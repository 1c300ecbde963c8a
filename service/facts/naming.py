"""Which stored resources a fact points at, so that a case can be read whole."""

from typing import Any

from service.facts.fact import Fact
from service.facts.records import BloodUnit, CrossmatchResult, Issue, Order
from service.facts.steps import Step
from service.facts.unit import UnitRef


def unit_resources(fact: Fact[Any]) -> set[str]:
    """``Type/id`` of the units and issues that a fact means."""
    body = fact.body
    refs: list[UnitRef | None] = []
    if isinstance(body, Step):
        refs = [body.unit, body.focus]
    elif isinstance(body, Issue | CrossmatchResult | BloodUnit):
        refs = [body.unit]
    return {ref.resource for ref in refs if ref is not None and ref.resource}


def resources(fact: Fact[Any]) -> set[str]:
    """``Type/id`` of everything a case needs beside the fact: units, issues, orders, places."""
    found = unit_resources(fact)
    body = fact.body
    if isinstance(body, Step | Issue | Order):
        found |= {ref.local for ref in body.based_on if ref.local}
    place = body.location if isinstance(body, Step) else None
    place = body.destination if isinstance(body, Issue) else place
    if place is not None and place.local:
        found.add(place.local)
    return found
