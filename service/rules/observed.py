"""Sets of readings: which were taken together, and for which unit."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from operator import attrgetter

from service.facts.case import Case, UnitView
from service.facts.once import once
from service.facts.quantity import Reading, Vital
from service.facts.records import Vitals


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One reading with an exact time: when, what, the fact that holds it, what it was taken for."""

    at: datetime
    reading: Reading
    fact: str
    part_of: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedSet:
    """Readings taken within one set window; ``at`` is the last, ``latest`` has one per vital."""

    at: datetime
    latest: tuple[Taken, ...]

    @property
    def vitals(self) -> frozenset[Vital]:
        """What the set holds."""
        return frozenset(taken.reading.vital for taken in self.latest)

    @property
    def facts(self) -> tuple[str, ...]:
        """Keys of the facts it rests on."""
        return tuple(sorted({taken.fact for taken in self.latest}))

    def value(self, vital: Vital) -> Reading | None:
        """The set's reading of one vital, or None."""
        return next((t.reading for t in self.latest if t.reading.vital is vital), None)


@once
def readings(case: Case) -> tuple[Taken, ...]:
    """All readings of the patient that have an exact time, in clinical order."""
    found = [
        Taken(
            at=reading.at.instant,
            reading=reading,
            fact=fact.key,
            part_of=frozenset(token for ref in fact.body.part_of for token in ref.tokens),
        )
        for fact in case.of(Vitals)
        for reading in fact.body.readings
        if reading.at.instant is not None
    ]
    return tuple(sorted(found, key=lambda t: (t.at, t.reading.vital, t.fact)))


def between(taken: Sequence[Taken], since: datetime, until: datetime) -> Sequence[Taken]:
    """The readings of a stretch of time, both ends included; they are in clinical order."""
    first = bisect_left(taken, since, key=_at)
    return taken[first : bisect_right(taken, until, lo=first, key=_at)]


_at = attrgetter("at")


def sets(taken: Sequence[Taken], window: timedelta) -> Iterator[ObservedSet]:
    """A set for every instant of a reading, in clinical order: what was read within the window.

    taken: in clinical order, as ``readings`` gives them.
    """
    first = 0
    for place, last in enumerate(taken, start=1):
        if place < len(taken) and taken[place].at == last.at:
            continue
        while taken[first].at < last.at - window:
            first += 1
        latest = {t.reading.vital: t for t in taken[first:place]}
        yield ObservedSet(at=last.at, latest=tuple(latest[key] for key in sorted(latest)))


def required(words: Iterable[str]) -> frozenset[Vital]:
    """The vitals that a policy row names."""
    return frozenset(Vital(word) for word in words)


def missing_of(needed: frozenset[Vital], found: ObservedSet | None) -> tuple[str, ...]:
    """What a set lacks, in the order of the words; all of it without a set."""
    held = found.vitals if found is not None else frozenset()
    return tuple(vital.value for vital in Vital if vital in needed - held)


def fullest(found: Iterable[ObservedSet], needed: frozenset[Vital]) -> ObservedSet | None:
    """The set that holds most of what is needed; of equals the latest. None without any."""
    return max(found, key=lambda s: (len(s.vitals & needed), s.at), default=None)


def of_unit(taken: Iterable[Taken], unit: UnitView, case: Case) -> tuple[Taken, ...]:
    """The readings that may satisfy a unit's due observation.

    One that says which unit's step it belongs to satisfies that unit only; one that says nothing,
    or names something unknown, satisfies every unit whose window holds it.
    """
    own = _step_tokens(unit)
    others = frozenset(
        token
        for key, other in case.units.items()
        if key != unit.key
        for token in _step_tokens(other)
    )
    return tuple(t for t in taken if not t.part_of & (others - own) or t.part_of & own)


def _step_tokens(unit: UnitView) -> frozenset[str]:
    return frozenset(
        token
        for step in unit.steps
        for token in (step.resource, *(number.token for number in step.body.identifiers))
    )
