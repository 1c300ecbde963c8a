"""The slow start, and what is said about the record itself: TIM-09, TIM-10, TIM-14, TIM-19."""

from datetime import datetime, timedelta
from decimal import Decimal

from service.facts.acts import ReceivedLate
from service.facts.case import step_finished, step_time
from service.facts.fact import Fact
from service.facts.finding import Finding, Stage
from service.facts.records import LabResult
from service.facts.steps import Step
from service.facts.unit import Component
from service.policy.policy import Policy, Row
from service.rules.context import Also, PreStart, Running, Stating, urgency_at
from service.rules.flow import recorded_rates
from service.rules.measurable import LEAST_RATE
from service.rules.recipient import Recipient, recipient_at, recorded
from service.rules.running import Following
from service.rules.supplied import supplied

ADULT = 18
ROUTINE = "routine"


def slow_start(pre: PreStart) -> tuple[Finding, ...]:
    """TIM-09: routine red cells start slowly; silent for other components and when not routine."""
    red_cells = supplied(pre).component is Component.RED_CELLS
    if pre.stage is not Stage.START or not red_cells or pre.urgency != ROUTINE:
        return ()
    say = Stating(pre, "TIM-09")
    rate = pre.start.body.rate if pre.start is not None else None
    if rate is None or rate < LEAST_RATE:
        text = "The first rate was not sent, or cannot be right."
        return say.missing("first-rate-not-sent", text, ("rate",))
    who = recorded(pre)
    row = _row(pre.policy, who, pre.at)
    most = _most(row, who)
    if most is None:
        text = "No rate is set for the first minutes of a child's unit, or no weight was sent."
        return say.missing("child-rate-not-set", text, ("weight or site value",))
    also = Also(facts=(pre.start.key,) if pre.start is not None else (), cited=(row.cited,))
    if rate <= most:
        return say.passed("slow-start", "The unit starts slowly.", also=also)
    return say.failed("fast-start", _too_fast(row), also=also)


def faster_too_soon(running: Running) -> tuple[Finding, ...]:
    """TIM-09 after the start: no higher rate within the first minutes."""
    start = running.started_at
    routine = urgency_at(running.case, running.orders, start) == ROUTINE
    if running.unit.component is not Component.RED_CELLS or not routine:
        return ()
    until = start + running.policy.row("slow-start-window", start).span
    changed = [
        step
        for step in recorded_rates(running.unit)
        if step.key != running.start.key and step_time(step) < until
    ]
    if not changed:
        return ()
    who = recipient_at(running.case, running.site, start)
    row = _row(running.policy, who, start)
    most = _most(row, who)
    fast = [
        step.key
        for step in changed
        if most is not None and step.body.rate is not None and step.body.rate > most
    ]
    if not fast:
        return ()
    say = Following(running, "TIM-09")
    return say.says("fast-start", _too_fast(row), facts=tuple(fast), cited=(row.cited,))


def _too_fast(row: Row) -> str:
    return f"The rate in the first minutes is above {row.number} {row.unit}."


def _row(policy: Policy, who: Recipient, at: datetime) -> Row:
    child = who.years is not None and who.years < ADULT
    return policy.row("slow-start-rate-child" if child else "slow-start-rate", at)


def _most(row: Row, who: Recipient) -> Decimal | None:
    """The highest first rate in mL/h; None for a child without weight or without a site value."""
    if row.id == "slow-start-rate":
        return row.number
    return row.number * who.weight if row.number and who.weight else None


def stayed(running: Running) -> tuple[Finding, ...]:
    """TIM-10: somebody stayed for the first minutes; only where an attestation is sent."""
    say = Following(running, "TIM-10")
    said = [
        fact
        for fact in running.case.of(LabResult)
        if fact.body.analyte == "stayed-with-patient" and _in_unit(running, fact)
    ]
    if not said:
        text = "Whether somebody stayed with the patient was not sent."
        return say.unchecked("stay-not-sent", text, ("stayed-with-patient",))
    if said[-1].body.word == "yes":
        return ()
    text = "Nobody stayed with the patient for the first minutes of the unit."
    return say.says("not-stayed", text, facts=(said[-1].key,))


def _in_unit(running: Running, fact: Fact[LabResult]) -> bool:
    when = fact.body.at.instant if fact.body.at is not None else None
    over = running.ended_at
    return when is not None and running.started_at <= when and (over is None or when <= over)


def watched_on(running: Running) -> tuple[Finding, ...]:
    """TIM-14: after the end an inpatient is watched on; an outpatient has a contact card."""
    ended = running.ended_at
    if ended is None:
        return ()
    row = running.policy.row("continued-watch", ended)
    if running.clock.reached(ended + row.span):
        return ()
    text = f"Watch on for {row.number} {row.unit}; an outpatient is given a contact card."
    return Following(running, "TIM-14", ended).says("watch-on", text, cited=(row.cited,))


def recorded_late(running: Running) -> tuple[Finding, ...]:
    """TIM-19: steps of the unit that arrived long after they were done are marked."""
    row = running.policy.row("recorded-late", running.started_at)
    marked = {body.fact for _, body in running.case.acted(ReceivedLate)}
    late = tuple(
        step.key for step in running.unit.steps if step.key in marked or _is_late(step, row.span)
    )
    if not late:
        return ()
    text = f"Recorded more than {row.number} {row.unit} after it was done."
    say = Following(running, "TIM-19")
    return say.says("recorded-late", text, facts=late, cited=(row.cited,))


def _is_late(step: Fact[Step], allowed: timedelta) -> bool:
    """By its first version: a later correction is not late for that reason."""
    timed = step.body.start.instant is not None
    return timed and step.version == 1 and step.received - step_finished(step) > allowed
