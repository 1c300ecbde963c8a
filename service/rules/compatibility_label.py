"""What a correction of a unit's description changed, beside what was checked (COMP-11)."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from service.facts.case import told_at
from service.facts.fact import Fact
from service.facts.moment import Moment
from service.facts.records import AntibodyResult, BloodUnit
from service.facts.steps import BagLabel, StepCode
from service.facts.unit import Group, UnitKey
from service.rules.compatibility_told import at_start, in_time, now
from service.rules.context import Running

Pairs = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A description that says something else now. shown: what was said, beside what is said."""

    fact: str
    shown: Pairs


def corrections(running: Running) -> tuple[Correction, ...]:
    """The corrections of a unit's label that came to light after its start."""
    key = running.unit.key
    if key is None:
        return ()
    before = {fact.key: fact for fact in at_start(running).unit(key).described}
    after = {fact.key: fact for fact in now(running).unit(key).described}
    found = (
        *(_changed(running, before.get(name), fact) for name, fact in after.items()),
        *(_gone(running, key, name, others=bool(after)) for name in before.keys() - after.keys()),
    )
    return tuple(sorted((one for one in found if one.shown), key=lambda one: one.fact))


def _changed(running: Running, before: Fact[BloodUnit] | None, fact: Fact[BloodUnit]) -> Correction:
    corrected = fact.version > 1 and running.started_at < told_at(fact) and in_time(running, fact)
    if not corrected:
        return Correction(fact=fact.key, shown=())
    shown = [pair for bag in _bags(running) for pair in _beside_bag(bag, fact.body)]
    if before is not None:
        shown += _beside(running, before.body, fact.body)
    return Correction(fact=fact.key, shown=tuple(dict.fromkeys(shown)))


def _gone(running: Running, key: UnitKey, name: str, *, others: bool) -> Correction:
    """It describes another unit now; one that was only withdrawn is missed where no other is."""
    fact = now(running).fact(name)
    stands = fact is not None and isinstance(fact.body, BloodUnit)
    moved = fact.body.unit.key if fact is not None and stands else None
    if others and not stands:
        return Correction(fact=name, shown=())
    other = moved.text if moved is not None else "not known" if stands else "withdrawn"
    return Correction(fact=name, shown=(("unit at the start", key.text), ("unit now", other)))


def _bags(running: Running) -> tuple[BagLabel, ...]:
    steps = running.unit.done(StepCode.CHECK_UNIT, StepCode.START)
    return tuple(step.body.bag for step in steps if step.body.bag is not None)


def _beside_bag(bag: BagLabel, body: BloodUnit) -> Iterator[tuple[str, str]]:
    """What the bag said when it was read, beside what the unit's description says now."""
    yield from _groups("group on the bag", bag.group, body.group)
    yield from _expiries("expiry on the bag", bag.expiry, body.expiry)


def _beside(running: Running, before: BloodUnit, body: BloodUnit) -> Iterator[tuple[str, str]]:
    """What the description said at the start, beside what it says now."""
    yield from _groups("group at the start", before.group, body.group)
    yield from _expiries("expiry at the start", before.expiry, body.expiry)
    if before.component and body.component and before.component is not body.component:
        yield "component at the start", before.component.replace("_", " ")
        yield "component now", body.component.replace("_", " ")
    for word in sorted(_lost(running, before, body)):
        yield f"{word} at the start", "yes"
        yield f"{word} now", "no"
    for antigen in sorted(_positive(body) - _positive(before)):
        if antigen in _unwanted(running):
            yield f"{antigen} at the start", "not positive"
            yield f"{antigen} now", "positive"


def _groups(said: str, before: Group | None, body: Group | None) -> Iterator[tuple[str, str]]:
    if before and body and (before.abo, before.rhd) != (body.abo, body.rhd):
        yield said, before.text
        yield "group now", body.text


def _expiries(said: str, before: Moment | None, body: Moment | None) -> Iterator[tuple[str, str]]:
    if before and body and _when(before) != _when(body):
        yield said, before.text
        yield "expiry now", body.text


def _when(moment: Moment) -> datetime | str:
    return moment.instant or moment.text


def _lost(running: Running, before: BloodUnit, body: BloodUnit) -> frozenset[str]:
    """Attributes that an order asks for, that the unit had and has no more."""
    if before.attributes is None or body.attributes is None:
        return frozenset()
    asked = frozenset(word for order in running.orders for word in order.body.requirements)
    return (before.attributes - body.attributes) & asked


def _positive(body: BloodUnit) -> frozenset[str]:
    return frozenset(antigen for antigen, positive in body.antigens if positive)


def _unwanted(running: Running) -> frozenset[str]:
    """Antigens that an order wants absent, or that the patient has an antibody of its own to."""
    asked = {word for order in running.orders for word in order.body.antigens_negative}
    own = {
        antibody.antigen
        for fact in running.case.of(AntibodyResult)
        for antibody in fact.body.antibodies
        if not antibody.passive
    }
    return frozenset(asked | own)
