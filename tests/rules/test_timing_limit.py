"""The completion limit of a running unit (rules.md section 4 and VOL-11)."""

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.assessment.clock import RecordingClock
from service.facts.deadline import Deadline
from service.facts.finding import Advice, Finding, Stage, Verdict
from service.facts.moment import at
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.policy.policy import Policy
from service.rules.timing import outlook, watch
from service.rules.timing_limit import bag_down, platelets_late
from tests.support.cases import (
    ISSUED_AT,
    START_AT,
    a_case,
    a_running,
    a_step,
    of_rule,
)
from tests.support.policies import profile, with_rows

OUT: dict[str, Any] = {"container": "uncontrolled"}
LIMIT = ISSUED_AT + timedelta(minutes=240)
TICK = timedelta(microseconds=1)
RULE_OF = {
    Component.RED_CELLS: "TIM-04",
    Component.WHOLE_BLOOD: "TIM-04",
    Component.PLASMA: "TIM-04",
    Component.PLATELETS: "TIM-05",
    Component.CRYOPRECIPITATE: "TIM-07",
    Component.GRANULOCYTES: "TIM-08",
}


def hung(
    now: datetime,
    *,
    component: Component = Component.RED_CELLS,
    issue: dict[str, Any] | None = None,
    policy: Policy | None = None,
    **facts: Any,
) -> Any:
    """A unit out of storage since 09:50, started at 10:05, seen at an instant."""
    held = {"start": {}} | facts
    case = a_case(component=component, issue=OUT if issue is None else issue, **held)
    return a_running(case, now=now, policy=policy)


def seen(now: datetime, **how: Any) -> tuple[tuple[Finding, ...], Deadline]:
    findings, (deadline,) = bag_down(hung(now, **how))
    return findings, deadline


def ended(minutes: float) -> dict[str, Any]:
    return {"end": {"start": at(LIMIT + timedelta(minutes=minutes))}}


class TestWhileItRuns:
    """TIM-04 running: warning 30 min before the limit, not only at it, then stop [S17][S31]."""

    @pytest.mark.parametrize("component", list(Component))
    def test_past_the_limit_the_advice_is_to_stop(self, component: Component) -> None:
        (found,), deadline = seen(LIMIT + TICK, component=component)
        assert (found.rule, found.reason) == (RULE_OF[component], "four-hour-limit")
        assert (found.advice, found.stage) == (Advice.STOP, Stage.RUNNING)
        assert (deadline.rule, deadline.due) == (RULE_OF[component], LIMIT)

    def test_at_the_limit_the_bag_is_due_and_not_yet_late(self) -> None:
        findings, deadline = seen(LIMIT)
        assert (findings, deadline.overdue, deadline.met_by) == ((), True, None)

    def test_before_it_the_deadline_stands_open(self) -> None:
        findings, deadline = seen(LIMIT - TICK)
        assert (findings, deadline.overdue) == ((), False)
        assert (deadline.kind, deadline.ordinal) == ("bag-down", "1")

    def test_the_warning_counts_from_the_limit(self) -> None:
        """The row that the reminder's lead comes from."""
        assert profile("default").row("completion-warning", LIMIT).span == timedelta(minutes=30)

    def test_the_text_and_the_facts_do_not_age(self) -> None:
        soon, _ = seen(LIMIT + TICK)
        late, _ = seen(LIMIT + timedelta(hours=9))
        assert soon == late

    def test_the_site_may_say_another_word(self) -> None:
        policy = with_rows({"completion-running-as": "pause"})
        (found,), _ = seen(LIMIT + TICK, policy=policy)
        assert found.advice is Advice.PAUSE

    def test_a_rule_that_is_off_says_nothing(self) -> None:
        policy = with_rows(rules={"TIM-04": {"on_failure": "off", "when_missing": "off"}})
        assert seen(LIMIT + TICK, policy=policy)[0] == ()


class TestAnAssumedExit:
    """Without container data the hand-over stands in: pause, not stop (D)."""

    def test_pause(self) -> None:
        (found,), _ = seen(LIMIT + TICK, issue={})
        assert found.advice is Advice.PAUSE
        assert "assumed" in found.text

    def test_stop_once_the_limit_from_the_start_is_passed_too(self) -> None:
        """By the start it was out of storage, whatever is assumed (derived)."""
        certain = START_AT + timedelta(minutes=240)
        assert seen(certain, issue={})[0][0].advice is Advice.PAUSE
        assert seen(certain + TICK, issue={})[0][0].advice is Advice.STOP

    def test_without_any_word_of_it_the_start_counts(self) -> None:
        gone = {"handed_over": None}
        findings, deadline = seen(START_AT + timedelta(minutes=240), issue=gone)
        assert (findings, deadline.due) == ((), START_AT + timedelta(minutes=240))
        (found,), _ = seen(START_AT + timedelta(minutes=240) + TICK, issue=gone)
        assert found.advice is Advice.STOP
        assert "start" in found.text

    def test_counted_from_the_start_nothing_is_assumed(self) -> None:
        """POL-02."""
        spike = with_rows({"completion-anchor": "t_spike"})
        assert seen(LIMIT + TICK, issue={}, policy=spike)[0] == ()
        (found,), _ = seen(START_AT + timedelta(minutes=241), issue={}, policy=spike)
        assert found.advice is Advice.STOP
        assert "assumed" not in found.text


class TestOnceItIsDown:
    """After the bag is down pause and stop become escalate; no reminder for what is past."""

    def test_down_in_time(self) -> None:
        findings, deadline = seen(LIMIT + timedelta(days=1), **ended(0))
        assert (findings, deadline.overdue, deadline.met_by) == ((), False, "Task/end")

    @pytest.mark.parametrize("issue", [OUT, {}])
    def test_down_too_late_stays_on_record(self, issue: dict[str, Any]) -> None:
        (found,), deadline = seen(LIMIT, issue=issue, **ended(1))
        assert (found.advice, found.stage) == (Advice.ESCALATE, Stage.ENDED)
        assert "Task/end" in found.facts
        assert (deadline.overdue, deadline.met_by) == (False, "Task/end")

    def test_the_clock_is_not_asked(self) -> None:
        for minutes in (-60, 1):
            running = hung(START_AT, **ended(minutes))
            bag_down(running)
            assert running.clock.next_wake is None


class TestCannotFinish:
    """VOL-11: once the last instant is reached => watch, cannot finish inside the limit."""

    def said(self, now: datetime, *steps: Any, rate: str = "50", **facts: Any) -> Any:
        # 280 mL; 140 mL/h ordered, 2 h for all of it; limit 13:50
        held = {"order": {"rate": Decimal(140)}, "start": {"rate": Decimal(rate)}} | facts
        return seen(now, extra=steps, **held)[0]

    def held_at(self, minutes: float) -> Any:
        return a_step(StepCode.INTERRUPT, "Task/hold", START_AT + timedelta(minutes=minutes))

    def test_held_from_the_start_it_closes_two_hours_before_the_limit(self) -> None:
        closes = LIMIT - timedelta(hours=2)
        assert self.said(closes - TICK, self.held_at(0)) == ()
        (found,) = self.said(closes, self.held_at(0))
        assert (found.rule, found.reason) == ("VOL-11", "cannot-finish-inside-limit")
        assert found.advice is Advice.WATCH

    def test_a_slow_flow_closes_later(self) -> None:
        # 50 mL/h for 163 min 20 s leave 143.9 mL, which take 61 min 40 s at 140 mL/h: to 13:50
        closes = START_AT + timedelta(minutes=163, seconds=20)
        assert self.said(closes - timedelta(minutes=1)) == ()
        assert self.said(closes + timedelta(minutes=1)) != ()

    def test_a_rate_that_ends_in_time_never_closes(self) -> None:
        assert self.said(LIMIT - TICK, rate="140") == ()

    @pytest.mark.parametrize(
        "facts",
        [
            {"order": {}},
            {"unit": {"volume": None}},
            {"start": {"rate": None}},
            {"end": {"start": at(LIMIT - timedelta(minutes=5))}},
        ],
        ids=["no ordered rate", "no volume", "no rate", "ended"],
    )
    def test_silent_without_the_numbers(self, facts: dict[str, Any]) -> None:
        assert self.said(LIMIT - TICK, **facts) == ()

    def test_past_the_limit_stop_takes_its_place(self) -> None:
        (found,) = self.said(LIMIT + TICK)
        assert found.advice is Advice.STOP


class TestPlateletsWithinTheHour:
    """TIM-05: nz > 1 h of issue: caution [S31]."""

    def late(self, minutes: float, name: str = "nz", **facts: Any) -> tuple[Finding, ...]:
        now = ISSUED_AT + timedelta(minutes=minutes)
        running = hung(now, component=Component.PLATELETS, policy=profile(name), **facts)
        return platelets_late(running)

    def test_its_limit(self) -> None:
        assert self.late(60) == ()
        (found,) = self.late(61)
        assert (found.verdict, found.stage) == (Verdict.CAUTION, Stage.RUNNING)
        assert found.reason == "platelets-beyond-target"

    def test_elsewhere_there_is_none(self) -> None:
        assert self.late(200, "default") == ()

    def test_down_in_time_it_is_met_for_good(self) -> None:
        down = {"end": {"start": at(ISSUED_AT + timedelta(minutes=50))}}
        assert self.late(600, **down) == ()


class TestTheOutlook:
    """C-064 and design section 6: what is left, and the lowest rate that still ends in time."""

    def test_the_worked_example(self) -> None:
        """VOL-11 [S17]; arithmetic: 84.15 rounded up."""
        base = ISSUED_AT
        case = a_case(
            issue=OUT,
            unit={"volume": Decimal(300)},
            start={"rate": Decimal(50), "start": at(base + timedelta(minutes=20))},
        )
        running = a_running(case, now=base + timedelta(minutes=35))
        left = outlook(running, base + timedelta(minutes=35))
        assert left.deadline == base + timedelta(hours=4)
        assert left.given is not None
        assert left.given.volume == Decimal("12.5")
        assert (left.remaining, left.minimum_rate) == ("287.5", "84.2")
        assert left.expected_end == base + timedelta(minutes=20) + timedelta(hours=6)

    def test_unknown_stays_unknown(self) -> None:
        running = hung(START_AT, start={"rate": None}, issue={"handed_over": None})
        left = outlook(running, START_AT + timedelta(minutes=30))
        assert (left.given, left.remaining, left.minimum_rate) == (None, None, None)
        assert left.deadline == START_AT + timedelta(hours=4)


def test_watch_says_it_too() -> None:
    findings, deadlines = watch(hung(LIMIT + TICK))
    assert of_rule(findings, "TIM-04")[0].advice is Advice.STOP
    assert "bag-down" in {deadline.kind for deadline in deadlines}


def test_the_clock_is_asked_for_the_first_instant_that_matters() -> None:
    clock = RecordingClock(START_AT)
    bag_down(a_running(a_case(issue=OUT, start={}), clock=clock))
    assert clock.next_wake == LIMIT
