"""The units that a split or a pool was made from."""

from collections.abc import Iterator

from service.facts.case import UnitView
from service.facts.fact import Fact
from service.facts.records import UNRECOGNISED, BloodUnit
from service.rules.context import PreStart

# What follows a unit into all that was made from it. That it is used up or gone does not.
INHERITED = frozenset({"recalled", "quarantined", UNRECOGNISED})


def withdrawn_parent(pre: PreStart) -> Fact[BloodUnit] | None:
    """The description of a unit that this one was made from, withdrawn from use; None for none."""
    return next((fact for fact in _parents(pre) if fact.body.status in INHERITED), None)


def _parents(pre: PreStart) -> Iterator[Fact[BloodUnit]]:
    """The descriptions of the units it was made from, and of those they were made from."""
    seen = {pre.unit.key}
    waiting: list[UnitView] = [pre.unit]
    while waiting:
        for fact in waiting.pop().described:
            for ref in fact.body.parents:
                key = pre.case.unit_of(ref)
                if key is not None and key not in seen:
                    seen.add(key)
                    made_from = pre.case.unit(key)
                    yield from made_from.described
                    waiting.append(made_from)
