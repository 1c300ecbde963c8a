"""A case: all facts that bear on one patient's transfusions, indexed for the rules."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from itertools import pairwise
from typing import Any, TypeVar, cast

from service.facts.acts import Act, ActBody, UnitNamed
from service.facts.fact import Body, Fact
from service.facts.identity import Ref
from service.facts.records import BloodUnit, CrossmatchResult, Issue, Order
from service.facts.steps import Step, StepCode
from service.facts.unit import Component, UnitKey, UnitRef

K = TypeVar("K", bound=Body)
A = TypeVar("A", bound=ActBody)

EARLIEST = datetime(1, 1, 1, tzinfo=UTC)
# A sender's clock tells two versions apart by this at least; less was put there to order them.
OWN_TIME = timedelta(milliseconds=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherStart:
    """A start of one of the case's units that is recorded in another case. Says no more."""

    unit: UnitKey
    at: datetime
    step: str


# What takes a bag down.
DOWN = (StepCode.END, StepCode.DISCARD_UNIT, StepCode.RETURN_UNIT)


@dataclass(frozen=True, kw_only=True)
class UnitView:
    """Everything about one unit within a case; ``key`` None when the unit was not identified.

    steps are in clinical order (equal times: by fact key). A unit may have several descriptions
    and issues, one per source; issues in force come latest hand-over last. named: what its emitted
    resources are named by, where that is decided.
    """

    key: UnitKey | None
    described: tuple[Fact[BloodUnit], ...] = ()
    issues: tuple[Fact[Issue], ...] = ()
    crossmatches: tuple[Fact[CrossmatchResult], ...] = ()
    steps: tuple[Fact[Step], ...] = ()
    elsewhere: tuple[OtherStart, ...] = ()
    named: str | None = None

    @property
    def subject(self) -> str:
        """What the unit's emitted resources are named by in this case."""
        return self.named or (self.key.text if self.key else "")

    def done(self, *codes: StepCode) -> tuple[Fact[Step], ...]:
        """The unit's steps of these codes, in clinical order."""
        return tuple([fact for fact in self.steps if fact.body.code in codes])

    @cached_property
    def started(self) -> Fact[Step] | None:
        """The first start by clinical time; one that was not sent to the minute only by itself."""
        starts = self.done(StepCode.START)
        exact = (fact for fact in starts if step_time(fact) != EARLIEST)
        return next(exact, next(iter(starts), None))

    @cached_property
    def downs(self) -> tuple[Fact[Step], ...]:
        """The ends, returns and discards from the start on, in clinical order."""
        begun = self.started
        if begun is None:
            return ()
        return tuple(fact for fact in self.done(*DOWN) if step_time(fact) >= step_time(begun))

    @cached_property
    def hung_again(self) -> tuple[Fact[Step], ...]:
        """Every other start, and what resumed the unit after it was down; in clinical order."""
        first = self.downs[0] if self.downs else None
        return tuple(
            fact
            for fact in self.done(StepCode.START, StepCode.RESUME)
            if fact is not self.started
            and (
                fact.body.code is StepCode.START
                or (first is not None and step_time(fact) > step_time(first))
            )
        )

    @cached_property
    def ended(self) -> Fact[Step] | None:
        """What took the bag down for good; None while it hangs or was never started.

        An end says when flow ended, so it stands before a return or discard of what was left; the
        last end where several were sent, the first return or discard where none was.
        """
        hung = max(map(step_time, self.hung_again), default=EARLIEST)
        over = [fact for fact in self.downs if step_time(fact) >= hung]
        ends = [fact for fact in over if fact.body.code is StepCode.END]
        return ends[-1] if ends else next(iter(over), None)

    @cached_property
    def component(self) -> Component | None:
        """The component, from whoever described the unit."""
        return next((f.body.component for f in reversed(self.described) if f.body.component), None)


def step_time(fact: Fact[Step]) -> datetime:
    """When the step was done: its start; a time too coarse for minutes sorts first."""
    return fact.body.start.instant or EARLIEST


def step_finished(fact: Fact[Step]) -> datetime:
    """When the step was finished: its end, or its start where no end was sent."""
    end = fact.body.end
    return (end.instant if end and end.instant else None) or step_time(fact)


def in_force(versions: Iterable[Fact[Any]]) -> list[Fact[Any]]:
    """The version of each fact that holds: latest by stamp, without one by receipt.

    Equal stamps break by content digest, so that the order of arrival decides nothing. A
    retraction holds like any other version and removes the fact.
    """
    best: dict[str, Fact[Any]] = {}
    for fact in versions:
        held = best.get(fact.key)
        if held is None or _precedence(fact) > _precedence(held):
            best[fact.key] = fact
    return [fact for fact in best.values() if not fact.retracted]


def told_at(fact: Fact[Any]) -> datetime:
    """When a version was told: its sender's stamp, without one its receipt."""
    return fact.stamp or fact.received


def _history(versions: tuple[Fact[Any], ...]) -> dict[str, tuple[Fact[Any], ...]]:
    """The versions of each fact that has several, or was retracted; a repeated one counts once."""
    seen: set[str] = set()
    moved: dict[str, dict[tuple[datetime, str], Fact[Any]]] = {}
    for fact in versions:
        if fact.retracted or fact.key in seen:
            moved[fact.key] = {}
        seen.add(fact.key)
    for fact in versions:
        if fact.key in moved:
            moved[fact.key].setdefault(_precedence(fact), fact)
    ordered = {key: [held[place] for place in sorted(held)] for key, held in moved.items()}
    return {
        key: _numbered(found)
        for key, found in ordered.items()
        if len(found) > 1 or found[0].retracted
    }


def _numbered(versions: list[Fact[Any]]) -> tuple[Fact[Any], ...]:
    """Versions in order, numbered from 1.

    A correction that bears the time of what it corrects says nothing of its own time: it was told
    when it was received.
    """
    found = [replace(versions[0], version=1)]
    for number, (before, fact) in enumerate(pairwise(versions), start=2):
        stamp = fact.stamp
        if stamp is not None and stamp - told_at(before) < OWN_TIME:
            stamp = max(stamp, fact.received)
        found.append(replace(fact, version=number, stamp=stamp))
    return tuple(found)


def _told_by(versions: tuple[Fact[Any], ...], instant: datetime) -> Fact[Any]:
    """The latest version told by an instant; the first one where none was."""
    by_then = [fact for fact in versions if told_at(fact) <= instant]
    return by_then[-1] if by_then else versions[0]


def _precedence(fact: Fact[Any]) -> tuple[datetime, str]:
    return (told_at(fact), fact.digest)


class Case:
    """The facts in force, the acts, and who the patient is.

    person: our opaque id of the case. aliases: every key of the patient (``Patient/id`` and
    ``system|value``). elsewhere: starts of the case's units in other cases. history: of each fact
    that was corrected or retracted, all versions in order, numbered so whatever order they came in.
    """

    def __init__(
        self,
        person: str,
        facts: Iterable[Fact[Any]],
        acts: Iterable[Act] = (),
        aliases: frozenset[str] = frozenset(),
        elsewhere: Iterable[OtherStart] = (),
    ) -> None:
        self.person = person
        self.aliases = aliases
        self.elsewhere = tuple(elsewhere)
        self._orders: dict[int, tuple[Fact[Order], ...]] = {}
        versions = tuple(facts)
        held = in_force(versions)
        self.history = _history(versions) if len(held) < len(versions) else {}
        moved = (found[-1] for found in self.history.values() if not found[-1].retracted)
        held = [*(fact for fact in held if fact.key not in self.history), *moved]
        self.facts = tuple(sorted(held, key=lambda fact: fact.key))
        self.acts = {act.key: act for act in sorted(acts, key=lambda act: act.key)}
        self._by_kind: dict[type[Any], list[Fact[Any]]] = defaultdict(list)
        for fact in self.facts:
            self._by_kind[type(fact.body)].append(fact)
        self._mine: dict[type[Any], tuple[Fact[Any], ...]] = {}
        self._resource_unit = self._index_resources()
        self.units = self._index_units(self.elsewhere)
        self.loose = tuple(f for f in self.steps if self.unit_of_step(f.body) is None)

    def of(self, kind: type[K]) -> tuple[Fact[K], ...]:
        """All facts of a kind that concern this patient or no patient, by key."""
        held = self._mine.get(kind)
        if held is None:
            held = tuple(fact for fact in self._by_kind.get(kind, ()) if self.mine(fact))
            self._mine[kind] = held
        return held

    def every(self, kind: type[K]) -> tuple[Fact[K], ...]:
        """All facts of a kind in the case, those that name another patient included."""
        return tuple(self._by_kind.get(kind, ()))

    def mine(self, fact: Fact[Any]) -> bool:
        """True when the fact names this patient or no patient."""
        return fact.subject is None or self.is_me(fact.subject)

    def is_me(self, patient: Ref) -> bool:
        """True when a reference points at this patient: by our id, only without one by number.

        A number in a system that is not identity-bearing may be another patient's as well.
        """
        if patient.local is not None:
            return patient.local in self.aliases
        return patient.identifier is not None and patient.identifier.token in self.aliases

    def acted(self, kind: type[A]) -> tuple[tuple[Act, A], ...]:
        """The acts of a kind, by key."""
        return tuple((a, cast(A, a.body)) for a in self.acts.values() if isinstance(a.body, kind))

    def fact(self, key: str) -> Fact[Any] | None:
        """The fact in force under a key."""
        return self._by_key.get(key)

    @cached_property
    def _by_key(self) -> dict[str, Fact[Any]]:
        return {fact.key: fact for fact in self.facts}

    def as_told(self, instant: datetime, kinds: tuple[type[Any], ...]) -> "Case":
        """The case as it had been told by an instant, of these kinds of fact only.

        What was first told later stands as it was first told: a record that comes late is no
        correction. This very case where no fact of these kinds was corrected or retracted.
        """
        moved = {
            key: _told_by(versions, instant)
            for key, versions in self.history.items()
            if any(isinstance(fact.body, kinds) for fact in versions)
        }
        if not moved:
            return self
        same = (fact for fact in self.facts if fact.key not in moved)
        told = [fact for fact in (*same, *moved.values()) if isinstance(fact.body, kinds)]
        return Case(self.person, told, (), self.aliases, self.elsewhere)

    @cached_property
    def steps(self) -> tuple[Fact[Step], ...]:
        """The patient's steps in clinical order; equal times by key."""
        return tuple(sorted(self.of(Step), key=lambda f: (step_time(f), f.key)))

    def unit(self, key: UnitKey) -> UnitView:
        """The view of a unit, empty for a unit nobody spoke of."""
        return self.units.get(key) or UnitView(key=key)

    def unit_of(self, ref: UnitRef) -> UnitKey | None:
        """The unit a reference means: what the resource says now, else the parts that were sent."""
        if ref.resource is not None and ref.resource in self._resource_unit:
            return self._resource_unit[ref.resource]
        return ref.key

    def unit_of_step(self, step: Step) -> UnitKey | None:
        """The unit a step was done to: the scanned bag; what was meant completes a partial scan."""
        own = self.unit_of(step.unit)
        if own is not None or step.focus is None:
            return own
        meant = self.unit_of(step.focus)
        scanned = step.unit
        if meant is None or (scanned.din or meant.din) != meant.din:
            return None
        return meant if (scanned.product or meant.product) == meant.product else None

    def orders_of(self, unit: UnitView) -> tuple[Fact[Order], ...]:
        """Orders that a unit's issue or steps name, with those linked to them; else none.

        Orders link by basedOn and by requisition (design: linked by basedOn, requisition, or
        patient and component and window; the last is the caller's).
        """
        known = self._orders.get(id(unit))
        if unit.key is None or self.units.get(unit.key) is not unit:
            return self._linked_orders(unit)
        if known is None:
            known = self._orders[id(unit)] = self._linked_orders(unit)
        return known

    def _linked_orders(self, unit: UnitView) -> tuple[Fact[Order], ...]:
        orders = self.every(Order)
        named: set[str] = set()
        for issue in unit.issues:
            named.update(token for ref in issue.body.based_on for token in ref.tokens)
        for step in unit.steps:
            named.update(token for ref in step.body.based_on for token in ref.tokens)
        found: dict[str, Fact[Order]] = {}
        grew = True
        while grew:
            grew = False
            for fact in orders:
                if fact.key not in found and not named.isdisjoint(order_tokens(fact)):
                    found[fact.key] = fact
                    named.update(order_tokens(fact) | linked_tokens(fact))
                    grew = True
        return tuple(found[key] for key in sorted(found))

    def _index_resources(self) -> dict[str, UnitKey]:
        found: dict[str, UnitKey] = {}
        for described in self._by_kind.get(BloodUnit, ()):
            key = described.body.unit.key
            if key is not None:
                found[described.resource] = key
        for issue in self._by_kind.get(Issue, ()):
            ref: UnitRef = issue.body.unit
            key = found.get(ref.resource) if ref.resource else None
            if (key or ref.key) is not None:
                found[issue.resource] = cast(UnitKey, key or ref.key)
        return found

    def _index_units(self, elsewhere: tuple[OtherStart, ...]) -> dict[UnitKey, UnitView]:
        parts: dict[UnitKey, dict[str, list[Any]]] = defaultdict(lambda: defaultdict(list))
        for unit_fact in self._by_kind.get(BloodUnit, ()):
            self._file(parts, unit_fact.body.unit, "described", unit_fact)
        for issue in sorted(self._by_kind.get(Issue, ()), key=_handed_over):
            self._file(parts, issue.body.unit, "issues", issue)
        for crossmatch in self.of(CrossmatchResult):
            self._file(parts, crossmatch.body.unit, "crossmatches", crossmatch)
        for step in self.steps:
            key = self.unit_of_step(step.body)
            if key is not None:
                parts[key]["steps"].append(step)
        for start in elsewhere:
            parts[start.unit]["elsewhere"].append(start)
        names = {body.unit: body.subject for _, body in reversed(self.acted(UnitNamed))}
        return {
            key: UnitView(
                key=key,
                named=names.get(key.text),
                **{name: tuple(facts) for name, facts in found.items()},
            )
            for key, found in sorted(parts.items())
        }

    def _file(
        self, parts: dict[UnitKey, dict[str, list[Any]]], ref: UnitRef, name: str, fact: Fact[Any]
    ) -> None:
        key = self.unit_of(ref)
        if key is not None:
            parts[key][name].append(fact)


def order_tokens(fact: Fact[Order]) -> frozenset[str]:
    """Every key under which an order may be named."""
    tokens = {fact.resource, *(i.token for i in fact.body.identifiers)}
    if fact.body.requisition is not None:
        tokens.add(fact.body.requisition.token)
    return frozenset(tokens)


def linked_tokens(fact: Fact[Order]) -> frozenset[str]:
    """The keys of the orders that an order is based on."""
    return frozenset(token for ref in fact.body.based_on for token in ref.tokens)


def _handed_over(fact: Fact[Issue]) -> tuple[datetime, str]:
    moment = fact.body.handed_over
    return ((moment.instant if moment else None) or EARLIEST, fact.key)
