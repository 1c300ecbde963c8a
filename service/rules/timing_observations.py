"""Observations of a running unit: the first, the later ones, and the one after the end."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from service.facts.deadline import Deadline
from service.facts.finding import Cited, Finding
from service.facts.quantity import Vital
from service.rules.context import Running
from service.rules.observed import (
    ObservedSet,
    Read,
    best_set,
    between,
    missing_of,
    of_unit,
    readings,
    required,
    sets,
)
from service.rules.running import Following

TICK = timedelta(microseconds=1)


class _Due(NamedTuple):
    """One due observation of the schedule.

    opens to closes: when a set satisfies it in time; one after that meets it late. overdue: from
    when it is; inclusive says whether that very instant still is in time.
    """

    kind: str
    rule: str
    ordinal: str
    due: datetime
    opens: datetime
    closes: datetime
    overdue: datetime
    inclusive: bool
    needed: frozenset[Vital]
    cited: tuple[Cited, ...]


def observations(running: Running) -> tuple[tuple[Finding, ...], tuple[Deadline, ...]]:
    """Every observation that was due, up to the next one that still is.

    They are due while the flow is held too: a patient whose unit is interrupted is watched.
    """
    taken = of_unit(readings(running.case), running.unit, running.case)
    findings: list[Finding] = []
    deadlines: list[Deadline] = []
    for due in (*_schedule(running), *_after_end(running)):
        place = _follow(running, due, taken)
        findings.extend(place.findings)
        if place.deadline is not None:
            deadlines.append(place.deadline)
        if place.waits:
            break
    return (*findings, *_unwatched(running, tuple(deadlines))), tuple(deadlines)


def _unwatched(running: Running, deadlines: tuple[Deadline, ...]) -> tuple[Finding, ...]:
    """VIT-17: while an observation is overdue nothing is known of the patient: watch, once."""
    overdue = [deadline for deadline in deadlines if deadline.overdue]
    if not overdue:
        return ()
    text = "An observation is overdue; nothing follows from what was not observed."
    missing = tuple(deadline.ordinal for deadline in overdue)
    say = Following(running, "VIT-17", overdue[-1].due)
    return say.says("observation-overdue", text, missing=missing)


def is_first_overdue(deadlines: tuple[Deadline, ...]) -> bool:
    """True while the first observation is overdue: the next unit is not asked for then."""
    return any(d.kind == "first-observation" and d.overdue for d in deadlines)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where one due observation stands; ``waits`` while it is the next one to come."""

    findings: tuple[Finding, ...] = ()
    deadline: Deadline | None = None
    waits: bool = False


def _follow(running: Running, due: _Due, taken: tuple[Read, ...]) -> _Place:
    say = Following(running, due.rule, due.due)
    if say.row.off:
        return _Place()
    best = _best_set(running, due, taken)
    if best is not None and not missing_of(due.needed, best):
        met = best
        late = _late(say, due, met) if met.at > due.closes else ()
        more = _unanswered(running, say, due, met)
        return _Place(findings=(*late, *more), deadline=_deadline(running, due, met=met))
    ended = running.ended_at if due.kind != "end-observation" else None
    if ended is not None:
        return _Place(findings=_missed(say, due, best) if due.closes <= ended else ())
    return _unmet(running, say, due, best)


def _unmet(running: Running, say: Following, due: _Due, best: ObservedSet | None) -> _Place:
    """Still to come, or overdue. Life-threatening urgency makes it a note: nobody is reminded."""
    clock = running.clock
    overdue = clock.passed(due.overdue) if due.inclusive else clock.reached(due.overdue)
    reminded = say.softened is None
    return _Place(
        findings=_missed(say, due, best) if overdue else (),
        deadline=_deadline(running, due, overdue=overdue) if reminded else None,
        waits=not overdue,
    )


def _deadline(
    running: Running, due: _Due, *, met: ObservedSet | None = None, overdue: bool = False
) -> Deadline:
    return Deadline(
        kind=due.kind,
        rule=due.rule,
        unit=running.unit.key,
        due=due.due,
        ordinal=due.ordinal,
        met_by=met.facts[-1] if met is not None else None,
        overdue=overdue,
        text=f"Observation {due.ordinal} of the unit.",
        cited=due.cited,
    )


def _best_set(running: Running, due: _Due, taken: tuple[Read, ...]) -> ObservedSet | None:
    """The first complete set from the opening of the window on, while the unit runs.

    Without one, the set that lacks least.
    """
    window = running.policy.row("observation-set-window", due.due).span
    over = running.ended_at if due.kind != "end-observation" else None
    until = over if over is not None else taken[-1].at if taken else due.opens
    return best_set(between(taken, due.opens, until), window, due.needed)


def _late(say: Following, due: _Due, met: ObservedSet) -> tuple[Finding, ...]:
    """Done, but late: a matter of record, and no reminder any more."""
    reason = f"{due.kind}-overdue"
    text = f"Observation {due.ordinal} was taken after its time."
    return say.says(reason, text, word="note", facts=met.facts, cited=due.cited)


def _missed(say: Following, due: _Due, best: ObservedSet | None) -> tuple[Finding, ...]:
    """Not done in its time: unknown, and never read as normal."""
    lacking = missing_of(due.needed, best)
    names = ", ".join(lacking).replace("_", " ")
    text = f"Observation {due.ordinal} was not taken in its time: {names}."
    facts = best.facts if best is not None else ()
    return say.says(f"{due.kind}-overdue", text, missing=lacking, facts=facts, cited=due.cited)


def _unanswered(
    running: Running, say: Following, due: _Due, met: ObservedSet
) -> tuple[Finding, ...]:
    """TIM-11: the respiratory rate too, once any of the others differs from the baseline."""
    if due.kind != "first-observation" or met.value(Vital.RESPIRATORY_RATE) is not None:
        return ()
    base = _baseline(running)
    if base is None or not _differs(base, met, due.needed):
        return ()
    missing = (Vital.RESPIRATORY_RATE.value,)
    text = "The first observation differs from the baseline and has no respiratory rate."
    return say.says("respiratory-rate-missing", text, word="note", missing=missing, facts=met.facts)


def _baseline(running: Running) -> ObservedSet | None:
    age = running.policy.row("baseline-age", running.started_at).span
    window = running.policy.row("observation-set-window", running.started_at).span
    before = between(readings(running.case), running.started_at - age, running.started_at)
    return max(sets(before, window), key=lambda found: found.at, default=None)


def _differs(base: ObservedSet, met: ObservedSet, needed: frozenset[Vital]) -> bool:
    for vital in needed:
        before, now = base.value(vital), met.value(vital)
        if before is not None and now is not None and before.value != now.value:
            return True
    return False


def _schedule(running: Running) -> tuple[_Due, ...]:
    """The first observation and the later ones, up to the completion limit from the start."""
    start, policy = running.started_at, running.policy
    row = policy.row("first-observation", start)
    early, late, overdue = (
        policy.row(f"first-observation-{name}", start) for name in ("early", "late", "overdue")
    )
    due = start + row.span
    first = _Due(
        kind="first-observation",
        rule="TIM-11",
        ordinal="obs-1",
        due=due,
        opens=due - early.span,
        closes=due + late.span,
        overdue=start + overdue.span,
        inclusive=False,
        needed=_needed(running, "first-observation-required"),
        cited=(row.cited, overdue.cited),
    )
    return (first, *_later(running, first.closes))


def _later(running: Running, closed: datetime) -> tuple[_Due, ...]:
    """No window opens before the one before it has closed, so that no set serves two in time."""
    start, policy = running.started_at, running.policy
    if not policy.row("later-observations", start).on:
        return ()
    every = policy.row("later-observation", start)
    off_by = policy.row("later-observation-tolerance", start)
    component = running.unit.component or "red_cells"
    limit = policy.row(f"completion-limit.{component}", start).span
    needed = _needed(running, "later-observation-required")
    found = []
    for place in range(1, limit // every.span + 1):
        due = start + place * every.span
        closes = due + off_by.span
        one = _Due(
            kind="later-observation",
            rule="TIM-12",
            ordinal=f"hourly-{place}",
            due=due,
            opens=max(due - off_by.span, closed + TICK),
            closes=closes,
            overdue=closes,
            inclusive=True,
            needed=needed,
            cited=(every.cited, off_by.cited),
        )
        found.append(one)
        closed = closes
    return tuple(found)


def _after_end(running: Running) -> tuple[_Due, ...]:
    ended = running.ended_at
    if ended is None:
        return ()
    row = running.policy.row("end-observation", ended)
    end = _Due(
        kind="end-observation",
        rule="TIM-13",
        ordinal="end",
        due=ended + row.span,
        opens=ended,
        closes=ended + row.span,
        overdue=ended + row.span,
        inclusive=True,
        needed=_needed(running, "end-observation-required"),
        cited=(row.cited,),
    )
    return (end,)


def _needed(running: Running, key: str) -> frozenset[Vital]:
    return required(running.policy.row(key, running.started_at).words)
