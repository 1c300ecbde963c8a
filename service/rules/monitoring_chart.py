"""The patient's readings and signs in clinical order, as one unit's screening sees them."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from decimal import Decimal
from itertools import groupby, islice
from operator import eq, itemgetter
from typing import NamedTuple

from service.facts.case import Case, step_time
from service.facts.fact import Fact
from service.facts.moment import Moment
from service.facts.once import once
from service.facts.quantity import Unusable, Vital
from service.facts.records import Sign, Vitals
from service.facts.steps import Step, StepCode
from service.rules.monitoring_conditions import tenth
from service.rules.observed import Read, impossible, panel_times, readings, timed

SLIP = "The value cannot be right"


class Lost(NamedTuple):
    """A measurement that was sent and cannot be read as a number."""

    at: datetime
    key: str
    unusable: Unusable


class Said(NamedTuple):
    """A sign that somebody reported as present, or denied. ``told``: when it was reported."""

    at: datetime
    key: str
    word: str
    severity: str | None
    present: bool
    told: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Readings by vital, signs, and measurements without a number, each by time.

    coarse: facts whose time is too coarse to be placed, with the text that was sent for it.
    """

    reads: dict[Vital, list[Read]]
    signs: list[Said]
    lost: list[Lost]
    coarse: list[tuple[str, str]]

    def between(self, vital: Vital, after: datetime, until: datetime) -> list[Read]:
        """The readings of a vital later than one instant and up to another."""
        found = self.reads.get(vital, [])
        low = bisect_right(found, after, key=_at)
        return found[low : bisect_right(found, until, key=_at)]

    def last_set(self, vital: Vital, until: datetime, window: timedelta) -> list[Read]:
        """A vital in the last set up to an instant: the latest reading of each site in the set."""
        found = self.reads.get(vital, [])
        end = bisect_right(found, until, key=_at)
        if end == 0:
            return []
        latest = found[end - 1].at
        group = found[bisect_left(found, latest - window, key=_at) : end]
        newest = {read.reading.site: read.at for read in group}
        return [read for read in group if read.at == newest[read.reading.site]]


_at = itemgetter(0)


@once
def chart_of(case: Case) -> Chart:
    """Every reading and sign of the patient."""
    chart = Chart(reads=_by_vital(readings(case)), signs=[], lost=[], coarse=[])
    vitals = case.of(Vitals)
    panels = panel_times(case)
    for fact in vitals:
        chart.coarse.extend(_undated(case, fact))
        if fact.body.unusable:
            _file_lost(chart, fact, panels.get(fact.resource))
    chart.lost.extend(
        Lost(read.at, read.key, Unusable(vital=read.reading.vital, at=read.reading.at, reason=SLIP))
        for read in impossible(case)
    )
    _file_signs(chart, case)
    chart.signs.sort(key=lambda said: (said.at, said.present, said.key, said.word))
    chart.lost.sort(key=lambda lost: (lost.at, lost.key))
    return chart


def _by_vital(dated: Iterable[Read]) -> dict[Vital, list[Read]]:
    found: dict[Vital, list[Read]] = {}
    for read in dated:
        vital = read.reading.vital
        if vital in found:
            found[vital].append(read)
        else:
            found[vital] = [read]
    return found


def _undated(case: Case, fact: Fact[Vitals]) -> list[tuple[str, str]]:
    """Readings whose time is too coarse, with the text that was sent for it."""
    return [(fact.key, one.at.text) for one in timed(case, fact) if one.at.instant is None]


def _file_lost(chart: Chart, fact: Fact[Vitals], panel: Moment | None) -> None:
    """What is no number has a time of its own, or its panel's."""
    for unusable in fact.body.unusable:
        moment = unusable.at or fact.body.at or panel
        if moment is None or moment.instant is None:
            chart.coarse.append((fact.key, moment.text if moment is not None else ""))
        else:
            chart.lost.append(Lost(moment.instant, fact.key, unusable))


def _file_signs(chart: Chart, case: Case) -> None:
    for fact in case.of(Sign):
        sign = fact.body
        moment = sign.at or panel_times(case).get(fact.resource)
        at = moment.instant if moment is not None else None
        if at is not None:
            said = Said(at, fact.key, sign.sign, sign.severity, sign.present, at)
            chart.signs.append(said)
        elif sign.present:
            chart.coarse.append((fact.key, moment.text if moment is not None else ""))
    for step in case.steps:
        if step.body.code is StepCode.SUSPECT_REACTION:
            at, told = reported_at(step), step_time(step)
            chart.signs.extend(
                Said(at, step.key, word, None, True, told) for word in step.body.signs
            )


def reported_at(step: Fact[Step]) -> datetime:
    """When the signs of a report began: the onset that was given, else the report itself."""
    onset = step.body.onset
    return (onset.instant if onset is not None else None) or step_time(step)


def may_fall_in(text: str, start: datetime, end: datetime | None, zone: tzinfo) -> bool:
    """True when a time sent as year, month, day or not at all may lie in a unit's window."""
    day = text[:10]
    first = start.astimezone(zone).date().isoformat()
    last = end.astimezone(zone).date().isoformat() if end is not None else None
    return day >= first[: len(day)] and (last is None or day <= last[: len(day)])


def conflicts(reads: list[Read]) -> list[tuple[Read, ...]]:
    """Readings of one vital, site and instant whose values differ."""
    times = [read.at for read in reads]
    if True not in map(eq, times, islice(times, 1, None)):
        return []
    found = []
    for _, same in groupby(reads, key=_at):
        by_site: dict[str | None, list[Read]] = {}
        for read in same:
            by_site.setdefault(read.reading.site, []).append(read)
        found += [tuple(group) for group in by_site.values() if len(_values(group)) > 1]
    return found


def _values(reads: list[Read]) -> set[Decimal]:
    return {
        tenth(read.reading.value) if read.reading.vital is Vital.TEMPERATURE else read.reading.value
        for read in reads
    }
