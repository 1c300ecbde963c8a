"""Time limits before the start, and everything that is due from the start on (rules.md 4)."""

from service.facts.deadline import Deadline
from service.facts.finding import Finding
from service.rules.context import PreStartRule, Running
from service.rules.returns import judge_return
from service.rules.running import Following
from service.rules.timing_amounts import amounts, amounts_given
from service.rules.timing_limit import (
    Outlook,
    bag_down,
    completion_limit,
    deadlines_before,
    outlook,
    platelets_late,
    platelets_soon,
    start_after_removal,
)
from service.rules.timing_next import next_unit, one_at_a_time
from service.rules.timing_observations import is_first_overdue, observations
from service.rules.timing_set import set_change
from service.rules.timing_start import (
    faster_too_soon,
    recorded_late,
    slow_start,
    stayed,
    watched_on,
)

__all__ = ["RULES", "Outlook", "deadlines_before", "judge_return", "outlook", "watch"]

RULES: tuple[PreStartRule, ...] = (
    start_after_removal,
    completion_limit,
    platelets_soon,
    slow_start,
    amounts,
)


def watch(
    running: Running, *, reaction_open: bool = False
) -> tuple[tuple[Finding, ...], tuple[Deadline, ...]]:
    """A started unit followed: what is due, what is overdue, what is advised.

    reaction_open: a suspected reaction of the patient is open, or its dismissal pending. The clock
    is asked only while the step that would answer is missing.
    """
    if running.start.body.start.instant is None:
        return _unknown(running), ()

    watched, due = observations(running)
    late, down = bag_down(running)
    worn, change = set_change(running)
    first_overdue = is_first_overdue(due)
    ahead, following = next_unit(running, reaction_open=reaction_open, first_overdue=first_overdue)
    findings = (
        *watched,
        *late,
        *worn,
        *ahead,
        *platelets_late(running),
        *one_at_a_time(running),
        *faster_too_soon(running),
        *stayed(running),
        *watched_on(running),
        *recorded_late(running),
        *amounts_given(running),
    )
    return findings, (*due, *down, *change, *following)


def _unknown(running: Running) -> tuple[Finding, ...]:
    """The row in force when the start was received: there is no better instant."""
    text = "The start was not sent to the minute, so nothing that counts from it is known."
    say = Following(running, "TIM-11", running.start.received)
    return say.unchecked("start-too-coarse", text, ("start",))
