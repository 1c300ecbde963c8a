"""The unit after this one: TIM-16, TIM-17."""

from datetime import datetime, timedelta

from service.facts.case import UnitView, step_time
from service.facts.deadline import Deadline
from service.facts.fact import Fact
from service.facts.finding import Finding
from service.facts.moment import latest_instant
from service.facts.records import Order, Sample
from service.facts.steps import StepCode
from service.rules import flow
from service.rules.context import Running
from service.rules.orders import deciding, in_window, is_met, is_on_hand, linked, started_under
from service.rules.running import Following
from service.rules.supplied import RED_CELL_BEARING
from service.rules.volume import next_unit_request_at


def next_unit(
    running: Running, *, reaction_open: bool, first_overdue: bool
) -> tuple[tuple[Finding, ...], tuple[Deadline, ...]]:
    """The next unit is asked for the policy's lead before the predicted end.

    Not while a reaction is open, the first observation overdue or the unit stopped early; not
    when the order is over or met, a unit of it is on hand, or the sample expires before then.
    """
    say = Following(running, "TIM-16")
    order = _order(running)
    if order is None or reaction_open or first_overdue or _stopped_early(running):
        return (), ()
    lead = running.policy.row("next-unit-lead", running.started_at)
    end = running.ended_at or _predicted(running, lead.span)
    if end is None:
        text = "When the unit will end is not known, so no next unit is asked for."
        return say.unchecked("predicted-end-unknown", text, ("volume or rate",)), ()
    if not _is_wanted(running, order, end):
        return (), ()
    deadline = Deadline(
        kind="next-unit",
        rule="TIM-16",
        unit=running.unit.key,
        due=_asked_at(running, end, lead.span),
        ordinal=_after(running.unit),
        text="Ask for the next unit.",
        cited=(lead.cited,),
    )
    return (), (deadline,)


def _predicted(running: Running, lead: timedelta) -> datetime | None:
    """The predicted end; while the flow is held, the last one if the next was asked for by then."""
    end = flow.predicted_end(running.unit)
    before = flow.predicted_before_hold(running.unit)
    if end is not None or before is None:
        return end
    predicted, held_since = before
    return predicted if _asked_at(running, predicted, lead) <= held_since else None


def _after(unit: UnitView) -> str:
    """Named after the running unit, so that no other start renumbers it."""
    return "after-" + (unit.key.text if unit.key is not None else "unknown")


def _asked_at(running: Running, end: datetime, lead: timedelta) -> datetime:
    """Before the predicted end; never before the start. Once it is down, at the end itself."""
    if running.ended_at is not None:
        return end
    return max(running.started_at, next_unit_request_at(end, lead))


def _order(running: Running) -> Fact[Order] | None:
    """The active order this unit was given under, where no later unit was started under it."""
    found = linked(
        running.case,
        running.orders,
        running.unit.component,
        running.started_at,
        running.site.zone,
    )
    usable = (
        fact
        for fact in found
        if fact.body.status == "active"
        and not fact.body.do_not_perform
        and in_window(fact.body, running.started_at, running.site.zone) is not False
    )
    return next(iter(deciding(running.case, tuple(usable))), None)


def _stopped_early(running: Running) -> bool:
    over = running.ended
    return over is not None and (over.body.code is not StepCode.END or over.body.reason is not None)


def _is_wanted(running: Running, order: Fact[Order], end: datetime) -> bool:
    zone = running.site.zone
    ever = max(end, *(step_time(s) for s in running.case.steps))
    units = started_under(running.case, order, ever, zone)
    last = units[-1] if units else running.unit
    return (
        last.key == running.unit.key
        and is_met(order.body, units) is False
        and not is_on_hand(running.case, order, zone)
        and not _sample_over(running, end)
    )


def _sample_over(running: Running, end: datetime) -> bool:
    """True when the best sample is known to expire before the next unit could start."""
    if running.unit.component not in RED_CELL_BEARING:
        return False
    known = [
        until for fact in running.case.of(Sample) if (until := _valid_until(running, fact.body))
    ]
    return bool(known) and max(known) < end


def _valid_until(running: Running, sample: Sample) -> datetime | None:
    zone = running.site.zone
    if not sample.usable:
        return None
    if sample.valid_until is not None:
        return latest_instant(sample.valid_until, zone)
    collected = sample.collected.instant if sample.collected is not None else None
    valid = running.policy.row("sample-validity", running.started_at).span
    return None if collected is None else collected + valid


def one_at_a_time(running: Running) -> tuple[Finding, ...]:
    """TIM-17: two units at once are for a patient who is bleeding."""
    beside = [
        unit
        for unit in running.case.units.values()
        if unit.key != running.unit.key and _ran_at(unit, running.started_at)
    ]
    if not beside:
        return ()
    text = "Another unit was running when this one was started."
    facts = tuple(unit.started.key for unit in beside if unit.started is not None)
    say = Following(running, "TIM-17")
    return say.says("two-units-at-once", text, facts=(running.start.key, *facts))


def _ran_at(unit: UnitView, at: datetime) -> bool:
    begun, over = unit.started, unit.ended
    if begun is None or step_time(begun) > at:
        return False
    return over is None or step_time(over) > at
