"""Which stored resources a fact points at, so that a case can be read whole."""

from collections.abc import Iterable
from typing import Any

from service.facts.fact import Fact
from service.facts.identity import Ref
from service.facts.records import (
    BloodUnit,
    CrossmatchResult,
    DeviceRecord,
    DeviceUse,
    EncounterRecord,
    Issue,
    LocationRecord,
    Order,
)
from service.facts.steps import Step
from service.facts.unit import UnitRef


def unit_resources(fact: Fact[Any]) -> set[str]:
    """``Type/id`` of the units and issues that a fact means, and of what a unit was made from."""
    body = fact.body
    refs: list[UnitRef | None] = []
    if isinstance(body, Step):
        refs = [body.unit, body.focus]
    elif isinstance(body, BloodUnit):
        refs = [body.unit, *body.parents]
    elif isinstance(body, Issue | CrossmatchResult):
        refs = [body.unit]
    return {ref.resource for ref in refs if ref is not None and ref.resource}


def resources(fact: Fact[Any]) -> set[str]:
    """Every name of what a case needs beside the fact: units, issues, orders, places, devices.

    Names are ``Type/id`` and ``system|value``, as they were sent. Orders of one requisition belong
    together, so an order names its requisition.
    """
    found = unit_resources(fact)
    for ref in _pointed_at(fact.body):
        found |= ref.tokens
    if isinstance(fact.body, Order) and fact.body.requisition is not None:
        found.add(fact.body.requisition.token)
    return found


def own_names(fact: Fact[Any]) -> set[str]:
    """The ``system|value`` names by which an order, a place or a device may be pointed at."""
    body = fact.body
    if not isinstance(body, Order | LocationRecord | DeviceRecord):
        return set()
    names = {identifier.token for identifier in body.identifiers}
    if isinstance(body, Order) and body.requisition is not None:
        names.add(body.requisition.token)
    return names


def _pointed_at(body: Any) -> Iterable[Ref]:
    """References to orders, places and devices."""
    refs: tuple[Ref | None, ...] = ()
    if isinstance(body, Step):
        refs = (*body.based_on, body.location, body.set, body.line)
    elif isinstance(body, Issue):
        refs = (*body.based_on, body.destination)
    elif isinstance(body, Order):
        refs = body.based_on
    elif isinstance(body, DeviceUse):
        refs = (body.device,)
    elif isinstance(body, EncounterRecord):
        refs = (body.location,)
    return (ref for ref in refs if ref is not None)
