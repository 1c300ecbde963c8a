"""One pass over a unit's readings and signs: when was which trigger met, and on what evidence.

A set at an instant holds the readings of the set window up to it and the signs not denied since.
A trigger is met at an instant only by a set in which something new bears on it.
"""

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from operator import attrgetter, itemgetter
from typing import NamedTuple

from service.facts.quantity import Reading, Vital
from service.rules.monitoring_chart import Chart, Said
from service.rules.monitoring_conditions import OF_VITAL, SHOWN, SURGE, UNSURE, Measure, of_sign
from service.rules.monitoring_limits import Limits
from service.rules.monitoring_triggers import Trigger, met, unsure
from service.rules.monitoring_words import by_content
from service.rules.observed import Read

_at = attrgetter("at")
_reading = attrgetter("reading")
Found = tuple[str, int, bool]  # a trigger's reason, the conditions that met it, by signs alone


class Shown(NamedTuple):
    """A reading that shows something or leaves it open; ``mask``: what of it may advise."""

    at: datetime
    mask: int
    read: Read


class Signed(NamedTuple):
    """A sign's conditions from an instant on; ``until``: when it was denied, or None."""

    at: datetime
    mask: int
    said: Said
    until: datetime | None


class Hit(NamedTuple):
    """A trigger was met, or could not be told. ``by_signs``: by reported signs alone."""

    at: datetime
    conditions: int
    by_signs: bool


Noted = tuple[Callable[[Hit], None], int, bool]  # where its hits are written down, then the same


@dataclass(slots=True, kw_only=True)
class Sweep:
    """What one pass found. hits, open_hits: by the trigger's reason, in clinical order.

    normal: by vital, the instants of readings that show nothing. times: of all readings.
    """

    window: timedelta
    shown: list[Shown] = field(default_factory=list)
    signs: list[Signed] = field(default_factory=list)
    hits: dict[str, list[Hit]] = field(default_factory=dict)
    open_hits: dict[str, list[Hit]] = field(default_factory=dict)
    normal: dict[Vital, list[datetime]] = field(default_factory=dict)
    times: dict[Vital, list[datetime]] = field(default_factory=dict)

    def evidence(self, hit: Hit) -> tuple[Read | Said, ...]:
        """The readings and signs of the set that met a trigger, by time and then by content.

        Never by key: that is an id given on arrival, and the order of arrival decides nothing.
        """
        wanted = hit.conditions | hit.conditions << UNSURE
        low = bisect_left(self.shown, hit.at - self.window, key=_at)
        high = bisect_right(self.shown, hit.at, key=_at)
        reads = [row.read for row in self.shown[low:high] if row.mask & wanted]
        signs = [row.said for row in self.signs if row.mask & wanted and _active(row, hit.at)]
        return tuple(sorted((*reads, *signs), key=by_content))

    def rising(self) -> list[Read]:
        """The systolic pressures that show a rise from the baseline."""
        return [row.read for row in self.shown if row.mask & SURGE]

    def falling(self, read: Read) -> bool:
        """True for a pressure that shows a fall."""
        falls = OF_VITAL[Vital.SYSTOLIC] & ~SURGE
        low = bisect_left(self.shown, read.at, key=_at)
        high = bisect_right(self.shown, read.at, key=_at)
        return any(row.read is read and row.mask & falls for row in self.shown[low:high])

    def left_open(self, hit: Hit) -> list[Reading]:
        """The readings of the set at a hit that leave some of its conditions open."""
        wanted = hit.conditions << UNSURE
        low = bisect_left(self.shown, hit.at - self.window, key=_at)
        high = bisect_right(self.shown, hit.at, key=_at)
        return [row.read.reading for row in self.shown[low:high] if row.mask & wanted]

    def absent_at(self, at: datetime) -> set[Vital]:
        """The vitals that the set at an instant does not hold."""
        found = set()
        for vital in OF_VITAL:
            times = self.times.get(vital, [])
            place = bisect_right(times, at)
            if place == 0 or times[place - 1] < at - self.window:
                found.add(vital)
        return found

    def runs(self, trigger: Trigger, hits: list[Hit], rearm: timedelta) -> list[list[Hit]]:
        """Hits parted where all that bears on the trigger was normal for the re-arm time."""
        normal = [found for vital in trigger.vitals if (found := self.normal.get(vital))]
        denied = {row.until for row in self.signs if row.until and row.mask & trigger.conditions}
        if denied:
            normal.append(sorted(denied))
        if not normal:
            return [hits]
        parted: list[list[Hit]] = []
        for hit in hits:
            if not parted or _rested(normal, parted[-1][-1].at, hit.at, rearm):
                parted.append([])
            parted[-1].append(hit)
        return parted

    def measured_after(self, trigger: Trigger, instant: datetime) -> bool:
        """True when a vital that bears on the trigger was measured after an instant."""
        return any(
            vital in self.times and self.times[vital][-1] > instant for vital in trigger.vitals
        )


def sweep(
    chart: Chart,
    inside: dict[Vital, list[Read]],
    measure: Measure,
    limits: Limits,
    start: datetime,
    end: datetime,
) -> Sweep:
    """Screens what lies in a unit's window: readings after the start, signs from the start on.

    inside: those readings, by vital.
    """
    found = Sweep(window=limits.set_window)
    for vital, reads in inside.items():
        _confirm(found, vital, reads, measure, limits)
    found.shown.sort(key=_at)
    found.signs = _signed(chart.signs, start, end)
    _pass_over(found)
    return found


def _confirm(
    found: Sweep, vital: Vital, reads: list[Read], measure: Measure, limits: Limits
) -> None:
    """Keeps what may advise: a device's value only when one as bad came long enough before it.

    A stretch of normal readings as long as the re-arm time makes earlier ones forgotten.
    """
    times = [read.at for read in reads]
    masks = list(map(measure.of(vital), map(_reading, reads)))
    found.times[vital] = times
    if not any(masks):
        found.normal[vital] = times
        return
    seen: dict[int, datetime] = {}
    known = 0
    normal: list[datetime] = []
    normal_since: datetime | None = None
    for read, mask in zip(reads, masks, strict=True):
        if not mask:
            normal.append(read.at)
            normal_since = normal_since or read.at
            continue
        if not mask & SHOWN:
            normal.append(read.at)
            normal_since = normal_since or read.at
        else:
            if normal_since is not None and read.at - normal_since >= limits.rearm:
                seen, known = {}, 0
            normal_since = None
        fresh = mask & ~known
        if fresh:
            seen.update((bit, read.at) for bit in _bits(fresh))
            known |= fresh
        if read.reading.device:
            mask = _ripe(mask, seen, read.at - limits.confirm)
        if mask:
            found.shown.append(Shown(read.at, mask, read))
    found.normal[vital] = normal


def _ripe(mask: int, seen: dict[int, datetime], by: datetime) -> int:
    found = 0
    for bit, first in seen.items():
        if bit & mask and first <= by:
            found |= bit
    return found


def _bits(mask: int) -> list[int]:
    found = []
    while mask:
        found.append(mask & -mask)
        mask &= mask - 1
    return found


def _signed(signs: list[Said], start: datetime, end: datetime) -> list[Signed]:
    """The signs of a window, each with its end; one that began earlier counts from its report."""
    denied: dict[str, list[datetime]] = {}
    for said in signs:
        if not said.present:
            denied.setdefault(said.word, []).append(said.at)
    found: list[Signed] = []
    for said in signs:
        at = said.at if said.at >= start else said.told
        mask = of_sign(said.word, said.severity)
        if said.present and mask and start <= at <= end:
            found.append(Signed(at, mask, said, _next(denied.get(said.word, []), at)))
    return sorted(found, key=itemgetter(0))


def _next(instants: list[datetime], after: datetime) -> datetime | None:
    place = bisect_right(instants, after)
    return instants[place] if place < len(instants) else None


def _active(row: Signed, at: datetime) -> bool:
    return row.at <= at and (row.until is None or at < row.until)


def _rested(normal: list[list[datetime]], last: datetime, then: datetime, rearm: timedelta) -> bool:
    first = [found for instants in normal if (found := _next(instants, last)) is not None]
    return bool(first) and then - min(first) >= rearm


class _Times:
    """The instants of each vital's readings, walked through once, forwards."""

    def __init__(self, times: dict[Vital, list[datetime]], window: timedelta) -> None:
        self._window = window
        self._walks = [(OF_VITAL[vital], times[vital]) for vital in OF_VITAL if times.get(vital)]
        self._places = [0] * len(self._walks)
        self._never = 0
        for vital, conditions in OF_VITAL.items():
            if not times.get(vital):
                self._never |= conditions

    def absent(self, at: datetime) -> int:
        """Conditions that no reading of the set speaks to; one pressure speaks for another."""
        absent, present = self._never, 0
        since = at - self._window
        for number, (conditions, times) in enumerate(self._walks):
            place = self._places[number]
            while place < len(times) and times[place] <= at:
                place += 1
            self._places[number] = place
            if place and times[place - 1] >= since:
                present |= conditions
            else:
                absent |= conditions
        return absent & ~present


@dataclass(slots=True)
class _Held:
    """The set as it stands while the pass moves on, and what equal sets have met before.

    shown: how many readings of the set show the same.
    """

    times: _Times
    reads: deque[Shown] = field(default_factory=deque)
    shown: dict[int, int] = field(default_factory=dict)
    said: dict[str, tuple[int, datetime | None]] = field(default_factory=dict)
    met: dict[tuple[int, int, int], tuple[Noted, ...]] = field(default_factory=dict)
    open: dict[tuple[int, int, int], tuple[Noted, ...]] = field(default_factory=dict)

    def take(self, row: Shown) -> int:
        """A reading joins the set; what it shows."""
        self.reads.append(row)
        self.shown[row.mask] = self.shown.get(row.mask, 0) + 1
        return row.mask

    def until(self, at: datetime, window: timedelta) -> None:
        """Lets go of what no longer belongs to the set at an instant."""
        since = at - window
        while self.reads and self.reads[0].at < since:
            mask = self.reads.popleft().mask
            self.shown[mask] -= 1
            if not self.shown[mask]:
                del self.shown[mask]
        if not self.said:
            return
        over = [word for word, (_, until) in self.said.items() if until and until <= at]
        for word in over:
            del self.said[word]

    def signs(self) -> int:
        """The conditions of the signs."""
        found = 0
        for mask, _ in self.said.values():
            found |= mask
        return found


def _pass_over(found: Sweep) -> None:
    held = _Held(_Times(found.times, found.window))
    reads = deque(found.shown)
    signs = deque(found.signs)
    instants = {row.at for row in found.shown} | {row.at for row in found.signs}
    for at in sorted(instants):
        held.until(at, found.window)
        fresh = 0
        while reads and reads[0].at == at:
            fresh |= held.take(reads.popleft())
        while signs and signs[0].at == at:
            row = signs.popleft()
            fresh |= row.mask
            before = held.said.get(row.said.word, (0, None))[0]
            held.said[row.said.word] = (before | row.mask, row.until)
        _note(found, held, at, fresh)


def _note(found: Sweep, held: _Held, at: datetime, fresh: int) -> None:
    """Writes down every trigger that the set at an instant meets or leaves open."""
    said = held.signs()
    mask = said
    for shown in held.shown:
        mask |= shown
    state = (mask, fresh, said)
    if state not in held.met:
        held.met[state] = _noted(found.hits, _newly_met(*state))
    for note, conditions, by_signs in held.met[state]:
        note(Hit(at, conditions, by_signs))
    state = (mask, fresh, held.times.absent(at))
    if state not in held.open:
        held.open[state] = _noted(found.open_hits, _newly_open(*state))
    for note, conditions, by_signs in held.open[state]:
        note(Hit(at, conditions, by_signs))


def _noted(hits: dict[str, list[Hit]], found: Iterator[Found]) -> tuple[Noted, ...]:
    """What was found, each with where its hits are written down."""
    return tuple(
        (hits.setdefault(reason, []).append, conditions, by_signs)
        for reason, conditions, by_signs in found
    )


def _newly_met(mask: int, fresh: int, said: int) -> Iterator[Found]:
    for trigger, conditions in met(mask & SHOWN):
        if conditions & fresh:
            by_signs = any(combination & ~said == 0 for combination in trigger.any_of)
            yield trigger.reason, conditions, by_signs


def _newly_open(mask: int, fresh: int, absent: int) -> Iterator[Found]:
    for trigger, conditions in unsure(mask & SHOWN, mask >> UNSURE, absent):
        if conditions & (fresh | fresh >> UNSURE):
            yield trigger.reason, conditions, False
