"""The administration set of a running unit: TIM-15."""

from dataclasses import dataclass
from datetime import datetime

from service.facts.case import step_time
from service.facts.deadline import Deadline
from service.facts.fact import Fact
from service.facts.finding import Cited, Finding
from service.facts.identity import Ref
from service.facts.steps import Step, StepCode
from service.rules.context import Running
from service.rules.devices import described, same_device
from service.rules.running import Following

HANGS = (StepCode.START, StepCode.RESUME, StepCode.CHANGE_SET)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Life:
    """A set in use: since when blood runs through it, and how many units it has carried.

    since: from when the unit hangs on it. units: the one being hung included.
    """

    first_blood: datetime
    since: datetime
    units: int
    facts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Due:
    at: datetime
    reason: str
    text: str
    cited: tuple[Cited, ...]


def set_change(running: Running) -> tuple[tuple[Finding, ...], tuple[Deadline, ...]]:
    """The set is changed by its time or its number of units, whichever comes first.

    Its clock starts at the first blood through it, whoever's unit that was. Without a set on
    record the rule is silent and says so.
    """
    say = Following(running, "TIM-15")
    named = _named(running)
    if named is None or named.body.set is None or not named.body.set.tokens:
        text = "Which set is in use was not sent."
        return say.unchecked("set-not-sent", text, ("set",)), ()
    life = _life(running, named.body.set)
    due = min(_dues(running, named.body.set, life), key=lambda d: d.at)
    over = _is_over(running, due.at)
    word = running.policy.row("set-change-as", running.started_at).words[0]
    findings = say.says(due.reason, due.text, word=word, facts=life.facts, cited=due.cited)
    if running.ended is not None:
        return (findings if over else ()), ()
    deadline = Deadline(
        kind="set-change",
        rule="TIM-15",
        unit=running.unit.key,
        due=due.at,
        overdue=over,
        text="Change the administration set.",
        cited=due.cited,
    )
    return (findings if over else ()), (deadline,)


def _is_over(running: Running, due: datetime) -> bool:
    ended = running.ended_at
    return due < ended if ended is not None else running.clock.reached(due)


def _named(running: Running) -> Fact[Step] | None:
    """The last step that hung the unit; a change of set without its name hides the old one."""
    hung = [
        step
        for step in running.unit.done(*HANGS)
        if step.body.start.instant is not None
        and (step.body.set is not None or step.body.code is StepCode.CHANGE_SET)
    ]
    return hung[-1] if hung else None


def _life(running: Running, named: Ref) -> _Life:
    """Every step of the patient's units that ran blood through this set."""
    found = [
        (step_time(step), unit.key, step.key)
        for unit in running.case.units.values()
        for step in unit.done(*HANGS)
        if step.body.set is not None
        and step.body.start.instant is not None
        and same_device(step.body.set, named)
    ]
    own = [when for when, key, _ in found if key == running.unit.key]
    hung = min(own)
    before = [one for one in found if one[0] <= hung]
    return _Life(
        first_blood=min(when for when, _, _ in found),
        since=hung,
        units=len({key for _, key, _ in before}),
        facts=tuple(sorted({fact for _, _, fact in before})),
    )


def _dues(running: Running, named: Ref, life: _Life) -> tuple[_Due, ...]:
    at = running.started_at
    limit = running.policy.row("set-limit", at)
    by_time = _Due(
        at=life.first_blood + limit.span,
        reason="set-time-over",
        text="The administration set has reached its time.",
        cited=(limit.cited,),
    )
    row = running.policy.row("set-unit-limit", at)
    record = described(running.case, named)
    makers = record.body.unit_limit if record is not None else None
    allowed = int(row.number) or makers
    if allowed is None or life.units <= allowed:
        return (by_time,)
    by_units = _Due(
        at=life.since,
        reason="set-units-over",
        text=f"The administration set carries more than {allowed} units.",
        cited=(row.cited,),
    )
    return (by_time, by_units)
