"""The units of one patient whose windows touch, seen from one of them."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from service.facts.case import Case, UnitView, step_finished, step_time
from service.facts.fact import Fact
from service.facts.steps import Step, StepCode
from service.facts.unit import UnitKey
from service.rules.context import Running

NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(slots=True)
class Episode:
    """``began``: start of the first unit. ``until``: when the last window closes."""

    began: datetime
    until: datetime
    units: set[UnitKey] = field(default_factory=set)


def episode_of(running: Running, after_end: timedelta) -> Episode:
    """The episode of a unit: windows run from start to end plus the span, and touch inclusively."""
    for episode in _episodes(running.case, after_end):
        if running.unit.key in episode.units:
            return episode
    return Episode(began=running.started_at, until=NEVER)


def _episodes(case: Case, after_end: timedelta) -> list[Episode]:
    found: list[Episode] = []
    for start, key, unit in _started(case):
        if not found or start > found[-1].until:
            found.append(Episode(began=start, until=start))
        episode = found[-1]
        episode.units.add(key)
        ended = unit.ended
        closes = NEVER if ended is None else step_time(ended) + after_end
        episode.until = max(episode.until, closes)
    return found


def _started(case: Case) -> list[tuple[datetime, UnitKey, UnitView]]:
    found = [
        (step_time(unit.started), key, unit)
        for key, unit in case.units.items()
        if unit.started is not None
    ]
    return sorted(found, key=lambda row: row[:2])


def dismissals(running: Running, episode: Episode) -> tuple[datetime, ...]:
    """When the ward dismissed a suspected reaction of the episode."""
    return tuple(
        step_finished(step)
        for step in running.case.steps
        if step.body.code is StepCode.DISMISS_REACTION and about(running.case, step, episode.units)
    )


def about(case: Case, step: Fact[Step], units: set[UnitKey]) -> bool:
    """True when a step on a reaction names a notice or a unit of these, or names neither."""
    named = step.body.notice
    if named is not None:
        return any(f"/{unit.text}/" in f"/{named.value}/" for unit in units)
    return case.unit_of_step(step.body) in units | {None}
