"""When a unit last left controlled storage: the clock that never resets (rules.md 4)."""

from dataclasses import dataclass
from datetime import datetime, tzinfo

from service.facts.case import UnitView, step_finished, step_time
from service.facts.fact import Fact
from service.facts.moment import Moment, latest_instant
from service.facts.records import Issue
from service.facts.steps import Step, StepCode

UNCONTROLLED = frozenset({"uncontrolled"})
# What keeps a unit until it says; where nothing was said of what, the time stands for it.
KEEPING = frozenset({None, "validated-container", "syringe"})

# Steps that may say since when the unit is out of controlled storage.
SAY_EXIT = frozenset(
    {
        StepCode.CHECK_UNIT,
        StepCode.START,
        StepCode.REMOVE_FROM_STORAGE,
        StepCode.RECEIVE_UNIT,
        StepCode.RETURN_UNIT,
    }
)
MOVE = frozenset({StepCode.REMOVE_FROM_STORAGE, StepCode.RECEIVE_UNIT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Whereabouts:
    """Where a unit stands with controlled storage at an instant.

    out: the last exit, None while it is stored or nobody said. assumed: nobody said when it left,
    so that the hand-over (or, from a validated container, the start) stands in. stored: it has
    not left controlled storage as far as anybody said. facts: keys of what this rests on.
    """

    out: datetime | None = None
    assumed: bool = False
    stored: bool = False
    facts: tuple[str, ...] = ()


UNKNOWN = Whereabouts()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """In controlled storage, for a validated container until ``until``."""

    until: datetime | None
    fact: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Said:
    """One statement: what the unit's place is from ``at`` on. Kept, or out since ``out``."""

    at: datetime
    fact: str
    kept: _Kept | None = None
    out: datetime | None = None
    assumed: bool = False


def whereabouts(
    unit: UnitView, at: datetime, zone: tzinfo, *, started: bool = False, returning: bool = False
) -> Whereabouts:
    """The unit at an instant, from all that was stated by then; later statements win.

    started: at that instant flow began, so a container nobody emptied on record was emptied by
    then. returning: the return at that very instant is judged, and does not count as storage.
    """
    state: _Said | None = None
    for said in sorted(_statements(unit, at, zone, returning), key=_order):
        if not _weaker(said, state):
            state = said
    if state is None:
        return UNKNOWN
    if state.kept is None:
        return Whereabouts(out=state.out, assumed=state.assumed, facts=(state.fact,))
    return _from_storage(state.kept, at, started=started)


def _order(said: _Said) -> tuple[datetime, int, str]:
    """Clinical order; of statements made at once, the one that the unit is out comes last."""
    rank = 0 if said.assumed else 1 if said.kept is not None else 2
    return (said.at, rank, said.fact)


def _weaker(said: _Said, held: _Said | None) -> bool:
    """An assumed exit replaces neither a stated one nor a container that is still valid."""
    if not said.assumed or held is None or held.assumed:
        return False
    until = held.kept.until if held.kept is not None else None
    return held.kept is None or (until is not None and until >= said.at)


def _from_storage(kept: _Kept, at: datetime, *, started: bool) -> Whereabouts:
    if kept.until is not None and kept.until < at:
        return Whereabouts(out=kept.until, facts=(kept.fact,))
    if started:
        return Whereabouts(out=at, assumed=True, facts=(kept.fact,))
    return Whereabouts(stored=True, facts=(kept.fact,))


def _statements(unit: UnitView, at: datetime, zone: tzinfo, returning: bool) -> list[_Said]:
    issues = [_issued(issue, zone) for issue in unit.issues]
    steps = [_stepped(step, zone, returning and _when(step) == at) for step in unit.steps]
    return [said for said in (*issues, *steps) if said is not None and said.at <= at]


def _issued(issue: Fact[Issue], zone: tzinfo) -> _Said | None:
    body = issue.body
    handed = body.handed_over.instant if body.handed_over else None
    if handed is None:
        return None
    kept = _container(body.container, body.valid_until, zone, issue.key)
    if kept is not None:
        return _Said(at=handed, fact=issue.key, kept=kept)
    return _Said(at=handed, fact=issue.key, out=handed, assumed=body.container not in UNCONTROLLED)


def _stepped(step: Fact[Step], zone: tzinfo, judged: bool) -> _Said | None:
    """What a step says; one without an exact time cannot be put in order with the others."""
    body = step.body
    when = _when(step)
    if body.start.instant is None:
        return None
    out = _exit(step) if body.code in SAY_EXIT else None
    if body.code is StepCode.RETURN_UNIT and not judged:
        return _Said(at=when, fact=step.key, kept=_Kept(until=None, fact=step.key))
    if out is not None:
        return _Said(at=when, fact=step.key, out=out)
    if body.code not in MOVE:
        return None
    kept = _container(body.container, body.valid_until, zone, step.key)
    if kept is not None:
        return _Said(at=when, fact=step.key, kept=kept)
    if body.code is StepCode.REMOVE_FROM_STORAGE:
        return _Said(at=when, fact=step.key, out=when)
    return None


def _exit(step: Fact[Step]) -> datetime | None:
    """What the step says of the exit; one that comes after the step itself cannot be right."""
    said = step.body.out_since
    instant = said.instant if said is not None else None
    return instant if instant is not None and instant <= _when(step) else None


def _when(step: Fact[Step]) -> datetime:
    """When a step makes its statement: a check at its end, where it is judged."""
    return step_finished(step) if step.body.code is StepCode.CHECK_UNIT else step_time(step)


def _container(
    container: str | None, valid_until: Moment | None, zone: tzinfo, fact: str
) -> _Kept | None:
    until = latest_instant(valid_until, zone) if valid_until is not None else None
    if container == "monitored-refrigerator":
        return _Kept(until=until, fact=fact)
    if until is None or container not in KEEPING:
        return None
    return _Kept(until=until, fact=fact)
