"""A unit under observation: its window, baseline, and what one pass over the chart found."""

from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from operator import attrgetter

from service.facts.case import EARLIEST
from service.facts.quantity import Reading, Vital
from service.facts.records import EncounterRecord
from service.facts.unit import UnitKey
from service.rules.context import Running
from service.rules.monitoring_chart import Chart, chart_of
from service.rules.monitoring_conditions import Bands, Measure, bands_of, tenth
from service.rules.monitoring_episode import NEVER, Episode, dismissals, episode_of
from service.rules.monitoring_limits import Limits, limits_at
from service.rules.monitoring_sweep import Sweep, sweep
from service.rules.observed import Read
from service.rules.recipient import recipient_at

ACUTE = (
    "allergic",
    "febrile",
    "hypotensive",
    "trali",
    "taco",
    "tad",
    "ahtr",
    "sepsis",
    "mixed",
    "respiratory",
)
HIGHEST_IS_WORST = (
    Vital.TEMPERATURE,
    Vital.HEART_RATE,
    Vital.RESPIRATORY_RATE,
    Vital.OXYGEN_FLOW,
)
LOWEST_IS_WORST = (Vital.SYSTOLIC, Vital.DIASTOLIC, Vital.MEAN_PRESSURE, Vital.SATURATION)


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """One unit as the rules for vitals and reactions see it.

    end: the last instant of the widest acute window, NEVER while the unit runs. baseline: the last
    set before the unit, by vital; compared: with the last set before the episode added.
    dismissed: when the ward last dismissed a suspected reaction of the episode. inside: readings
    from the start to the end, by vital.
    """

    running: Running
    limits: Limits
    chart: Chart
    episode: Episode
    years: int | None
    bands: Bands
    start: datetime
    end: datetime
    baseline: dict[Vital, tuple[Read, ...]]
    compared: dict[Vital, tuple[Read, ...]]
    dismissed: datetime | None
    inside: dict[Vital, list[Read]]
    found: Sweep

    @property
    def unit(self) -> UnitKey | None:
        """The unit's key."""
        return self.running.unit.key

    @property
    def ended(self) -> bool:
        """True once the bag is down."""
        return self.running.ended is not None

    def old(self, read: Read) -> bool:
        """True for a baseline taken longer before the start than the policy's age."""
        return self.start - read.at > self.limits.span("baseline-age")

    def masked(self, at: datetime) -> bool:
        """True in theatre or critical care, where vital signs alone give notes."""
        placed = [
            (_began(fact.body), fact.body.setting)
            for fact in self.running.case.of(EncounterRecord)
            if fact.body.setting is not None and _began(fact.body) <= at
        ]
        if not placed:
            return False
        latest = max(began for began, _ in placed)
        masking = self.limits.words("masked-settings")
        return all(setting in masking for began, setting in placed if began == latest)

    def readings_before(self) -> tuple[Reading, ...]:
        """The unit's baseline for a notice."""
        return tuple(read.reading for read in chain.from_iterable(self.baseline.values()))

    def worst_readings(self) -> tuple[Reading, ...]:
        """The worst reading of each vital since the start; of equal ones the first.

        The worst systolic pressure is the highest where one shows a rise (VIT-12), and beside it
        the lowest where that shows a fall.
        """
        found: list[Reading] = []
        for vitals, worst in ((HIGHEST_IS_WORST, max), (LOWEST_IS_WORST, min)):
            for vital in vitals:
                reads = self.inside.get(vital)
                if not reads:
                    continue
                read = worst(reads, key=_value)
                risen = self.found.rising() if vital is Vital.SYSTOLIC else []
                if not risen or self.found.falling(read):
                    found.append(read.reading)
                if risen:
                    found.append(max(risen, key=_value).reading)
        return tuple(found)


def watched(running: Running) -> Watched:
    """Looks once at everything that was measured and reported while the unit's window was open."""
    start = running.started_at
    limits = limits_at(running.policy, start)
    chart = chart_of(running.case)
    episode = episode_of(running, limits.after_end)
    who = recipient_at(running.case, running.site, start, typed=False)
    bands = bands_of(who.years, who.weight, limits)
    baseline = _sets_before(chart, limits, start)
    compared = _compared(chart, limits, baseline, episode.began, start)
    febrile = any(
        tenth(read.reading.value) >= limits.baseline_fever
        for read in baseline.get(Vital.TEMPERATURE, ())
    )
    readings = {vital: tuple(r.reading for r in reads) for vital, reads in compared.items()}
    end = _window_end(running, limits)
    measure = Measure(limits, bands, readings, febrile=febrile)
    between = {vital: chart.between(vital, start, end) for vital in chart.reads}
    inside = {vital: reads for vital, reads in between.items() if reads}
    return Watched(
        running=running,
        limits=limits,
        chart=chart,
        episode=episode,
        years=who.years,
        bands=bands,
        start=start,
        end=end,
        baseline=baseline,
        compared=compared,
        dismissed=max(dismissals(running, episode), default=None),
        inside=inside,
        found=sweep(chart, inside, measure, limits, start, end),
    )


def _window_end(running: Running, limits: Limits) -> datetime:
    ended = running.ended_at
    if ended is None:
        return NEVER
    return ended + max(limits.after_end, *(limits.span(f"window.{word}") for word in ACUTE))


def _sets_before(chart: Chart, limits: Limits, at: datetime) -> dict[Vital, tuple[Read, ...]]:
    found = {vital: chart.last_set(vital, at, limits.set_window) for vital in chart.reads}
    return {vital: tuple(reads) for vital, reads in found.items() if reads}


def _compared(
    chart: Chart,
    limits: Limits,
    baseline: dict[Vital, tuple[Read, ...]],
    began: datetime,
    start: datetime,
) -> dict[Vital, tuple[Read, ...]]:
    if began >= start:
        return baseline
    first = _sets_before(chart, limits, began)
    return {
        vital: tuple(dict.fromkeys((*first.get(vital, ()), *baseline.get(vital, ()))))
        for vital in {**first, **baseline}
    }


_value = attrgetter("reading.value")


def _began(encounter: EncounterRecord) -> datetime:
    return (encounter.start.instant if encounter.start is not None else None) or EARLIEST
