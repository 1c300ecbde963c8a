"""Observations of a running unit: TIM-11 to TIM-13 (rules.md section 4)."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, ClassVar

import pytest

from service.facts.deadline import Deadline
from service.facts.finding import Advice, Finding, Stage, Verdict
from service.facts.identity import Ref
from service.facts.moment import at
from service.facts.steps import StepCode
from service.facts.unit import UNDIVIDED, UnitRef
from service.policy.policy import Policy
from service.rules.timing_observations import is_first_overdue, observations
from tests.support.cases import (
    BASELINE,
    CHECK_AT,
    START_AT,
    a_case,
    a_running,
    a_start,
    a_step,
    a_unit,
    some_vitals,
)
from tests.support.catalogue import check_cases
from tests.support.policies import profile, with_rows

TICK = timedelta(microseconds=1)
END = START_AT + timedelta(minutes=115)


def later(minutes: float) -> datetime:
    return START_AT + timedelta(minutes=minutes)


def obs(minutes: float, key: str = "", **values: Any) -> Any:
    """A complete set some minutes after the start; None leaves a vital out."""
    kept = {k: v for k, v in (BASELINE | values).items() if v is not None}
    return some_vitals(later(minutes), key or f"Observation/at-{minutes}", kept)


def seen(
    minutes: float, *observed: Any, policy: Policy | None = None, **facts: Any
) -> tuple[tuple[Finding, ...], tuple[Deadline, ...]]:
    """What is due some minutes after the start."""
    case = a_case(**({"start": {}} | facts), extra=observed)
    return observations(a_running(case, now=later(minutes), policy=policy))


def places(deadlines: tuple[Deadline, ...]) -> list[tuple[str, str]]:
    """Each ordinal, and whether it is met, overdue or open."""
    return [
        (d.ordinal, "met" if d.met_by else "overdue" if d.overdue else "open") for d in deadlines
    ]


def due(minutes: float, *observed: Any, **how: Any) -> list[tuple[str, str]]:
    return places(seen(minutes, *observed, **how)[1])


class TestFirstObservation:
    """TIM-11: due t_start + 15, window -5/+5 (D), overdue reminder at +20; each unit
    [S16][S32][S36]."""

    def test_at_first_it_is_the_next_one(self) -> None:
        findings, (deadline,) = seen(1)
        assert findings == ()
        assert (deadline.kind, deadline.rule) == ("first-observation", "TIM-11")
        assert (deadline.ordinal, deadline.due) == ("obs-1", later(15))

    @pytest.mark.parametrize("minutes", [10, 15, 20])
    def test_a_set_within_its_window_meets_it(self, minutes: int) -> None:
        findings, deadlines = seen(25, obs(minutes))
        assert findings == ()
        assert places(deadlines) == [("obs-1", "met"), ("hourly-1", "open")]
        assert deadlines[0].met_by == f"Observation/at-{minutes}"

    def test_one_before_it_does_not(self) -> None:
        assert due(12, obs(9.9)) == [("obs-1", "open")]

    def test_it_is_overdue_at_twenty_minutes(self) -> None:
        before = (later(20) - TICK - START_AT) / timedelta(minutes=1)
        assert due(before) == [("obs-1", "open")]
        findings, deadlines = seen(20)
        assert places(deadlines) == [("obs-1", "overdue"), ("hourly-1", "open")]
        found, _ = findings
        assert (found.rule, found.reason) == ("TIM-11", "first-observation-overdue")
        assert (found.known, found.verdict, found.advice) == (False, None, None)
        assert found.missing == ("temperature", "heart_rate", "systolic")
        assert is_first_overdue(deadlines)

    def test_what_is_missing_from_a_part_is_named(self) -> None:
        (found, _), _ = seen(20, obs(15, temperature=None, systolic=None))
        assert found.missing == ("temperature", "systolic")
        assert found.facts == ("Observation/at-15",)

    def test_a_late_one_ends_the_reminder_and_stays_on_record(self) -> None:
        """TIM-19: no reminder for a moment already past and met."""
        (found,), deadlines = seen(30, obs(25))
        assert (found.verdict, found.reason) == (Verdict.NOTE, "first-observation-overdue")
        assert places(deadlines) == [("obs-1", "met"), ("hourly-1", "open")]
        assert not is_first_overdue(deadlines)

    def test_readings_of_one_set_may_be_minutes_apart(self) -> None:
        early = obs(12, temperature=None)
        warm = some_vitals(later(18), "Observation/t", {"temperature": "36.9"})
        assert due(25, early, warm)[0] == ("obs-1", "met")

    def test_nothing_in_it_ages(self) -> None:
        assert seen(21)[0] == seen(44)[0]


class TestRespiratoryRate:
    """TIM-11: RR too if any changed [S16]: shown, no prompt."""

    def said(self, **values: Any) -> tuple[Finding, ...]:
        return seen(25, obs(15, **({"respiratory_rate": None} | values)))[0]

    def test_asked_for_when_another_differs_from_the_baseline(self) -> None:
        (found,) = self.said(heart_rate="90")
        assert (found.reason, found.verdict) == ("respiratory-rate-missing", Verdict.NOTE)
        assert found.missing == ("respiratory_rate",)

    def test_not_when_none_differs_or_it_was_taken(self) -> None:
        assert self.said() == ()
        assert self.said(heart_rate="90", respiratory_rate="18") == ()

    def test_not_without_a_baseline(self) -> None:
        findings, _ = seen(25, obs(15, respiratory_rate=None, heart_rate="90"), baseline=None)
        assert findings == ()


class TestLaterObservations:
    """TIM-12: hourly by default; 30 min where policy says; off in uk [S107][S32][S16]."""

    def test_the_next_open_one_and_those_overdue(self) -> None:
        assert due(30, obs(15)) == [("obs-1", "met"), ("hourly-1", "open")]
        assert due(80, obs(15)) == [
            ("obs-1", "met"),
            ("hourly-1", "overdue"),
            ("hourly-2", "open"),
        ]

    @pytest.mark.parametrize("minutes", [45, 60, 75])
    def test_within_a_quarter_of_an_hour_it_is_met(self, minutes: int) -> None:
        findings, deadlines = seen(90, obs(15), obs(minutes))
        assert findings == ()
        assert places(deadlines)[1:] == [("hourly-1", "met"), ("hourly-2", "open")]

    def test_its_last_instant_is_not_overdue(self) -> None:
        assert due(75, obs(15))[1] == ("hourly-1", "open")
        assert due(75.001, obs(15))[1] == ("hourly-1", "overdue")

    def test_one_set_meets_all_that_were_missed(self) -> None:
        findings, deadlines = seen(125, obs(124))
        assert places(deadlines) == [
            ("obs-1", "met"),
            ("hourly-1", "met"),
            ("hourly-2", "met"),
            ("hourly-3", "open"),
        ]
        assert [f.verdict for f in findings] == [Verdict.NOTE, Verdict.NOTE]

    def test_ordinals_come_from_the_schedule(self) -> None:
        """design 3.4: start + n x interval, never from counting."""
        _, deadlines = seen(200, obs(15), obs(182))
        assert [(d.ordinal, d.due) for d in deadlines][1:] == [
            ("hourly-1", later(60)),
            ("hourly-2", later(120)),
            ("hourly-3", later(180)),
            ("hourly-4", later(240)),
        ]

    def test_new_zealand_asks_every_half_hour_and_no_set_serves_two(self) -> None:
        nz = profile("nz")
        assert due(16, obs(15), policy=nz) == [("obs-1", "met"), ("hourly-1", "open")]
        assert due(46, obs(15), obs(45), policy=nz) == [
            ("obs-1", "met"),
            ("hourly-1", "met"),
            ("hourly-2", "open"),
        ]

    def test_the_united_kingdom_asks_at_15_minutes_and_the_end_only(self) -> None:
        assert due(200, obs(15), policy=profile("uk")) == [("obs-1", "met")]

    def test_they_end_with_the_completion_limit(self) -> None:
        """A unit whose end nobody recorded does not ask for ever."""
        ordinals = [ordinal for ordinal, _ in due(5000, unit={"component": None})]
        assert ordinals == ["obs-1", "hourly-1", "hourly-2", "hourly-3", "hourly-4"]

    def test_they_are_due_while_the_flow_is_held(self) -> None:
        """A patient whose unit is interrupted is watched (derived)."""
        held = a_step(StepCode.INTERRUPT, "Task/hold", later(5))
        assert due(20, held)[0] == ("obs-1", "overdue")

    def test_a_rule_that_is_off_asks_for_none(self) -> None:
        off = {"on_failure": "off", "when_missing": "off"}
        policy = with_rows(rules={"TIM-11": off, "TIM-12": off})
        assert seen(90, policy=policy) == ((), ())


class TestTheEnd:
    """TIM-13: end observation at most 60 min after t_end [S16][S32]."""

    DOWN: ClassVar[dict[str, Any]] = {"end": {"start": at(END)}}
    WATCHED = (obs(15), obs(60))

    def at_end(self, minutes: float, *observed: Any, **how: Any) -> list[tuple[str, str]]:
        return due(115 + minutes, *self.WATCHED, *observed, **(self.DOWN | how))

    def test_it_is_the_next_one(self) -> None:
        assert self.at_end(1)[-1] == ("end", "open")
        _, deadlines = seen(120, *self.WATCHED, **self.DOWN)
        assert (deadlines[-1].kind, deadlines[-1].due) == (
            "end-observation",
            END + timedelta(hours=1),
        )

    @pytest.mark.parametrize("minutes", [0, 30, 60])
    def test_met_within_the_hour(self, minutes: int) -> None:
        assert self.at_end(90, obs(115 + minutes))[-1] == ("end", "met")

    def test_one_before_the_end_is_not_it(self) -> None:
        assert self.at_end(30, obs(114))[-1] == ("end", "open")

    def test_overdue_after_the_hour(self) -> None:
        assert self.at_end(60)[-1] == ("end", "open")
        findings, deadlines = seen(176, *self.WATCHED, **self.DOWN)
        assert places(deadlines)[-1] == ("end", "overdue")
        assert findings[0].reason == "end-observation-overdue"
        assert findings[0].stage is Stage.ENDED

    def test_what_was_not_yet_due_is_due_no_more(self) -> None:
        down = {"end": {"start": at(later(17))}}
        assert due(30, **down) == [("end", "open")]

    def test_what_was_missed_stays_on_record_without_a_reminder(self) -> None:
        findings, deadlines = seen(116, **self.DOWN)
        assert places(deadlines) == [("end", "open")]
        assert [f.reason for f in findings] == [
            "first-observation-overdue",
            "later-observation-overdue",
        ]

    def test_a_set_after_the_end_does_not_meet_what_was_missed_before(self) -> None:
        findings, _ = seen(130, obs(120), **self.DOWN)
        assert [f.known for f in findings] == [False, False]

    @pytest.mark.parametrize(
        "case", [p for p in check_cases("timing") if p.values[0]["rule"] == "TIM-13"]
    )
    def test_the_catalogues_case(self, case: dict[str, Any]) -> None:
        hours, minutes = map(int, case["given"]["final_obs"].split(":"))
        taken = (hours - 12) * 60 + minutes
        assert case["given"]["end"] == "12:00"
        findings, _ = seen(115 + taken, *self.WATCHED, obs(115 + taken), **self.DOWN)
        overdue = "end-observation-overdue" in {f.reason for f in findings}
        assert overdue is case["expect"]["overdue"]
        in_time, _ = seen(115 + 60, *self.WATCHED, obs(115 + 60), **self.DOWN)
        assert in_time == ()


class TestWatch:
    """VIT-17: missing or late observation: overdue reminder, finding unknown, watch; no inference
    of normality (D)."""

    def advice(self, minutes: float, *observed: Any, **how: Any) -> list[Finding]:
        return [f for f in seen(minutes, *observed, **how)[0] if f.rule == "VIT-17"]

    def test_once_however_many_are_overdue(self) -> None:
        (found,) = self.advice(140)
        assert (found.advice, found.known) == (Advice.WATCH, False)
        assert found.missing == ("obs-1", "hourly-1", "hourly-2")

    def test_not_before_it_is_overdue_nor_once_it_is_met(self) -> None:
        assert self.advice(19) == []
        assert self.advice(30, obs(25)) == []

    def test_not_for_what_was_missed_before_the_end(self) -> None:
        assert self.advice(30, end={"start": at(later(28))}) == []

    def test_the_end_observation_too(self) -> None:
        (found,) = self.advice(200, obs(15), end={"start": at(later(28))})
        assert (found.advice, found.stage) == (Advice.WATCH, Stage.ENDED)


class TestWhoseObservation:
    """design section 4: ``partOf`` or ``focus`` never narrows screening, it only says which unit's
    due observation is satisfied."""

    OTHER = UnitRef(din="A999925123499", product="E0398", division=UNDIVIDED)

    def first(self, part_of: tuple[Ref, ...]) -> tuple[str, str]:
        other = a_unit("BiologicallyDerivedProduct/o", unit=self.OTHER)
        begun = a_start("Task/other", unit=self.OTHER, bag=None, start=at(CHECK_AT))
        taken = obs(15)
        marked = replace(taken, body=replace(taken.body, part_of=part_of))
        return due(25, other, begun, marked)[0]

    def test_one_that_says_nothing_satisfies_every_unit(self) -> None:
        assert self.first(()) == ("obs-1", "met")

    def test_one_for_this_unit(self) -> None:
        assert self.first((Ref(kind="Task", id="start"),)) == ("obs-1", "met")

    def test_one_for_another_unit_does_not(self) -> None:
        assert self.first((Ref(kind="Task", id="other"),)) == ("obs-1", "overdue")

    def test_one_for_both_does(self) -> None:
        both = (Ref(kind="Task", id="other"), Ref(kind="Task", id="start"))
        assert self.first(both) == ("obs-1", "met")

    def test_one_for_something_unknown_satisfies_every_unit(self) -> None:
        assert self.first((Ref(kind="Procedure", id="elsewhere"),)) == ("obs-1", "met")


class TestLifeThreateningUrgency:
    """Section 0: TIM-10 to TIM-12 become note while urgency is life-threatening."""

    def emergency(self, until: float) -> tuple[Any, ...]:
        return (
            a_step(StepCode.DECLARE_EMERGENCY, "Task/declare", CHECK_AT),
            a_step(StepCode.END_EMERGENCY, "Task/over", later(until)),
        )

    def test_nobody_is_reminded(self) -> None:
        findings, deadlines = seen(25, *self.emergency(300))
        assert deadlines == ()
        assert [f.verdict for f in findings] == [Verdict.NOTE]

    def test_the_next_one_waits_silently(self) -> None:
        assert seen(10, *self.emergency(300)) == ((), ())

    def test_each_due_time_is_judged_by_its_own_urgency(self) -> None:
        assert due(80, *self.emergency(30)) == [("hourly-1", "overdue"), ("hourly-2", "open")]

    def test_a_set_taken_all_the_same_counts(self) -> None:
        assert due(25, obs(15), *self.emergency(300)) == [("obs-1", "met")]


def test_the_vitals_that_count_are_policy() -> None:
    only = with_rows({"first-observation-required": ("temperature",)})
    assert due(25, obs(15, heart_rate=None, systolic=None), policy=only)[0] == ("obs-1", "met")
