"""When the general early-warning score fires (VIT-16); off unless the site switches it on."""

from datetime import datetime, timedelta
from decimal import Decimal
from typing import NamedTuple

from service.facts.quantity import Reading, Vital
from service.rules.monitoring_chart import Chart
from service.rules.monitoring_limits import Limits
from service.rules.news2 import CHART, Score, points, score
from service.rules.observed import Read

LOWEST_AGE = 16
SIGNS = (*CHART, Vital.OXYGEN_FLOW, Vital.CONSCIOUSNESS)


class ScoreSet(NamedTuple):
    """A complete set whose score fires, at the instant that completed it."""

    at: datetime
    reads: tuple[Read, ...]


def fired(
    chart: Chart, limits: Limits, start: datetime, end: datetime, years: int | None
) -> list[ScoreSet]:
    """The complete sets, in clinical order, whose score fires; none for children or age unknown."""
    if years is None or years < LOWEST_AGE:
        return []
    before = _score(_set_before(chart, limits, start))
    found: list[ScoreSet] = []
    first_device: datetime | None = None
    for at in sorted({read.at for vital in SIGNS for read in chart.between(vital, start, end)}):
        reads = _set_at(chart, limits, at, start)
        now = _score(reads)
        if now is None or not _fires(now, before, limits):
            continue
        if any(read.reading.device for read in reads):
            first_device = first_device or at
            if at - first_device < limits.confirm:
                continue
        found.append(ScoreSet(at, tuple(reads)))
    return found


def _fires(now: Score, before: Score | None, limits: Limits) -> bool:
    risen = before is not None and now.total - before.total >= limits.number("news2-rise")
    high = now.total >= limits.number("news2-total")
    return high or risen or now.highest >= limits.number("news2-single")


def _set_before(chart: Chart, limits: Limits, at: datetime) -> list[Read]:
    """The baseline: each sign in the last set up to the start."""
    return [read for vital in SIGNS for read in chart.last_set(vital, at, limits.set_window)]


def _set_at(chart: Chart, limits: Limits, at: datetime, start: datetime) -> list[Read]:
    """The set that ends at an instant, without what was measured before the unit."""
    since = max(at - limits.set_window - timedelta.resolution, start)
    return [read for vital in SIGNS for read in chart.between(vital, since, at)]


def _score(reads: list[Read]) -> Score | None:
    """The score of a complete set; the worse of several values of one sign."""
    values: dict[Vital, Decimal] = {}
    for read in reads:
        reading = read.reading
        if reading.vital in CHART:
            held = values.get(reading.vital)
            if held is None or points(reading.vital, reading.value) > points(reading.vital, held):
                values[reading.vital] = reading.value
    alert = [r.reading.value == 0 for r in reads if r.reading.vital is Vital.CONSCIOUSNESS]
    on_oxygen = _on_oxygen([read.reading for read in reads])
    if len(values) < len(CHART) or not alert or on_oxygen is None:
        return None
    return score(values, on_oxygen=on_oxygen, alert=all(alert))


def _on_oxygen(readings: list[Reading]) -> bool | None:
    said = [r.value > 0 for r in readings if r.vital is Vital.OXYGEN_FLOW]
    said += [not r.room_air for r in readings if r.room_air is not None]
    return any(said) if said else None
