"""Sets of readings: which were taken together, and for which unit."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from operator import itemgetter
from typing import NamedTuple

from service.facts.case import Case, UnitView
from service.facts.fact import Fact
from service.facts.moment import Moment
from service.facts.once import once
from service.facts.quantity import Reading, Vital
from service.facts.records import Vitals
from service.rules.measurable import is_measurable


class Read(NamedTuple):
    """A usable reading with an exact time, and the fact it came in."""

    at: datetime
    key: str
    reading: Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedSet:
    """Readings taken within one set window; ``at`` is the last, ``latest`` has one per vital."""

    at: datetime
    latest: tuple[Read, ...]

    @property
    def vitals(self) -> frozenset[Vital]:
        """What the set holds."""
        return frozenset(read.reading.vital for read in self.latest)

    @property
    def facts(self) -> tuple[str, ...]:
        """Keys of the facts it rests on."""
        return tuple(sorted({read.key for read in self.latest}))

    def value(self, vital: Vital) -> Reading | None:
        """The set's reading of one vital, or None."""
        return next((read.reading for read in self.latest if read.reading.vital is vital), None)


def readings(case: Case) -> tuple[Read, ...]:
    """All readings with an exact time, in clinical order; equal times by key."""
    return _dated(case)[0]


def impossible(case: Case) -> tuple[Read, ...]:
    """Those that no living patient can have, and that are therefore no readings."""
    return _dated(case)[1]


@once
def _dated(case: Case) -> tuple[tuple[Read, ...], tuple[Read, ...]]:
    found = [
        Read(at, fact.key, reading)
        for fact in case.of(Vitals)
        for reading in timed(case, fact)
        if (at := reading.at.instant) is not None
    ]
    found.sort(key=_at)
    lost = tuple(read for read in found if not is_measurable(read.reading))
    kept = (read for read in found if is_measurable(read.reading)) if lost else found
    return tuple(kept), lost


def timed(case: Case, fact: Fact[Vitals]) -> tuple[Reading, ...]:
    """The readings of a fact; those without a time of their own have that of their panel."""
    if not fact.body.untimed:
        return fact.body.readings
    at = panel_times(case).get(fact.resource)
    late = tuple(replace(reading, at=at) if at else reading for reading in fact.body.untimed)
    return (*fact.body.readings, *late)


@once
def panel_times(case: Case) -> dict[str, Moment]:
    """The panel's time by the member it holds; none for a member of panels that differ in it."""
    found: dict[str, dict[Moment, None]] = {}
    for fact in case.of(Vitals):
        for member in fact.body.members:
            if fact.body.at is not None and member.local is not None:
                found.setdefault(member.local, {})[fact.body.at] = None
    return {member: next(iter(times)) for member, times in found.items() if len(times) == 1}


def between(taken: Sequence[Read], since: datetime, until: datetime) -> Sequence[Read]:
    """The readings of a stretch of time, both ends included; they are in clinical order."""
    first = bisect_left(taken, since, key=_at)
    return taken[first : bisect_right(taken, until, lo=first, key=_at)]


_at = itemgetter(0)


def sets(taken: Sequence[Read], window: timedelta) -> Iterator[ObservedSet]:
    """A set for every instant of a reading, in clinical order: what was read within the window.

    taken: in clinical order, as ``readings`` gives them.
    """
    newest: dict[Vital, Read] = {}
    for place, last in enumerate(taken, start=1):
        newest[last.reading.vital] = last
        if place == len(taken) or taken[place].at != last.at:
            yield _set_of(newest, last.at, last.at - window)


def _set_of(newest: dict[Vital, Read], at: datetime, since: datetime) -> ObservedSet:
    kept = (newest[vital] for vital in sorted(newest))
    return ObservedSet(at=at, latest=tuple(read for read in kept if read.at >= since))


def best_set(
    taken: Sequence[Read], window: timedelta, needed: frozenset[Vital]
) -> ObservedSet | None:
    """The first set that holds all that is needed, else the one that holds most of it.

    Of equals the latest; None without a reading. Each reading is looked at once.
    """
    newest: dict[Vital, datetime] = {}
    most, ends = -1, 0
    for place, last in enumerate(taken, start=1):
        if last.reading.vital in needed:
            newest[last.reading.vital] = last.at
        if place < len(taken) and taken[place].at == last.at:
            continue
        since = last.at - window
        held = sum([at >= since for at in newest.values()])
        if held >= most:
            most, ends = held, place
        if held == len(needed):
            break
    if not ends:
        return None
    at = taken[ends - 1].at
    reads = between(taken[:ends], at - window, at)
    return _set_of({read.reading.vital: read for read in reads}, at, at - window)


def required(words: Iterable[str]) -> frozenset[Vital]:
    """The vitals that a policy row names."""
    return frozenset(Vital(word) for word in words)


def missing_of(needed: frozenset[Vital], found: ObservedSet | None) -> tuple[str, ...]:
    """What a set lacks, in the order of the words; all of it without a set."""
    lacking = needed - found.vitals if found is not None else needed
    return tuple(vital.value for vital in Vital if vital in lacking) if lacking else ()


def fullest(found: Iterable[ObservedSet], needed: frozenset[Vital]) -> ObservedSet | None:
    """The set that holds most of what is needed; of equals the latest. None without any."""
    return max(found, key=lambda s: (len(s.vitals & needed), s.at), default=None)


def of_unit(taken: tuple[Read, ...], unit: UnitView, case: Case) -> tuple[Read, ...]:
    """The readings that may satisfy a unit's due observation.

    One that says which unit's step it belongs to satisfies that unit only; one that says nothing,
    or names something unknown, satisfies every unit whose window holds it.
    """
    stated = [fact for fact in case.of(Vitals) if fact.body.part_of]
    if not stated:
        return taken
    own = _step_tokens(unit)
    others = frozenset(
        token
        for key, other in case.units.items()
        if key != unit.key
        for token in _step_tokens(other)
    )
    away: set[str] = set()
    for fact in stated:
        named = {token for ref in fact.body.part_of for token in ref.tokens}
        if named & (others - own) and not named & own:
            away.add(fact.key)
    return tuple(read for read in taken if read.key not in away)


def _step_tokens(unit: UnitView) -> frozenset[str]:
    return frozenset(
        token
        for step in unit.steps
        for token in (step.resource, *(number.token for number in step.body.identifiers))
    )
