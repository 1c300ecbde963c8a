"""The slow start while running, and what is said of the record: TIM-09, TIM-10, TIM-14, TIM-19."""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, ClassVar

import pytest

from service.facts.acts import Act, ReceivedLate
from service.facts.finding import Finding, Stage, Verdict
from service.facts.moment import Moment, at
from service.facts.records import LabResult
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.policy.policy import Policy
from service.rules.timing import watch
from service.rules.timing_start import faster_too_soon, recorded_late, stayed, watched_on
from tests.support.cases import (
    CHECK_AT,
    END_AT,
    START_AT,
    a_case,
    a_running,
    a_start,
    a_step,
    fact,
    some_vitals,
)
from tests.support.policies import profile, with_rows


def later(minutes: float) -> datetime:
    return START_AT + timedelta(minutes=minutes)


class TestFasterTooSoon:
    """TIM-09: at most 200 mL/h in the first 15 min of routine red cells [S36]; ca 50 [S45]."""

    def said(
        self,
        minutes: float,
        rate: str | None,
        *extra: Any,
        policy: Policy | None = None,
        **facts: Any,
    ) -> tuple[Finding, ...]:
        to = None if rate is None else Decimal(rate)
        change = a_step(StepCode.CHANGE_RATE, "Task/faster", later(minutes), rate=to)
        case = a_case(**({"start": {}} | facts), extra=(change, *extra))
        return faster_too_soon(a_running(case, policy=policy))

    def test_within_the_first_quarter_of_an_hour(self) -> None:
        (found,) = self.said(14, "201")
        assert (found.rule, found.reason) == ("TIM-09", "fast-start")
        assert (found.verdict, found.stage) == (Verdict.CAUTION, Stage.RUNNING)
        assert found.facts == ("Task/faster",)

    @pytest.mark.parametrize(("minutes", "rate"), [(15, "201"), (14, "200"), (14, None)])
    def test_not_later_not_slower_not_unknown(self, minutes: int, rate: str | None) -> None:
        assert self.said(minutes, rate) == ()

    def test_canada(self) -> None:
        assert self.said(14, "51", policy=profile("ca")) != ()

    def test_the_first_rate_is_judged_at_the_start_alone(self) -> None:
        assert self.said(20, "100", start={"rate": Decimal(500)}) == ()

    def test_off_for_other_components_and_when_not_routine(self) -> None:
        assert self.said(5, "500", component=Component.PLASMA) == ()
        assert self.said(5, "500", order={"urgency": "urgent"}) == ()
        declared = a_step(StepCode.DECLARE_EMERGENCY, "Task/declare", CHECK_AT)
        assert self.said(5, "500", declared) == ()

    def test_children_by_weight_once_the_site_sets_a_value(self) -> None:
        child = {"birth_date": "2020-06-01"}
        weighed = some_vitals(CHECK_AT, "Observation/w", {"weight": "20"})
        policy = with_rows({"slow-start-rate-child": 5})
        assert self.said(5, "101", weighed, patient=child, policy=policy) != ()
        assert self.said(5, "100", weighed, patient=child, policy=policy) == ()
        assert self.said(5, "500", weighed, patient=child) == ()
        assert self.said(5, "500", patient=child, policy=policy) == ()


class TestStayed:
    """TIM-10: somebody stays for the first 15 min of each unit [S36][S37][S32]: reminder, off
    without an attestation."""

    def result(self, word: str, minutes: float | None, analyte: str = "stayed-with-patient") -> Any:
        when = None if minutes is None else at(later(minutes))
        return fact(LabResult(analyte=analyte, word=word, at=when), f"Observation/{minutes}")

    def said(self, *extra: Any, **facts: Any) -> tuple[Finding, ...]:
        return stayed(a_running(a_case(**({"start": {}} | facts), extra=extra)))

    def test_yes(self) -> None:
        assert self.said(self.result("yes", 16)) == ()

    def test_no(self) -> None:
        (found,) = self.said(self.result("no", 16))
        assert (found.rule, found.reason, found.verdict) == ("TIM-10", "not-stayed", None)

    @pytest.mark.parametrize("minutes", [None, -5, 300])
    def test_one_of_another_time_says_nothing(self, minutes: float | None) -> None:
        (found,) = self.said(self.result("yes", minutes), end={})
        assert (found.verdict, found.missing) == (None, ("stayed-with-patient",))

    def test_another_result_says_nothing(self) -> None:
        assert self.said(self.result("yes", 16, "haemoglobin"))[0].known is False

    def test_life_threatening_urgency_makes_it_a_note(self) -> None:
        declared = a_step(StepCode.DECLARE_EMERGENCY, "Task/declare", CHECK_AT)
        (found,) = self.said(self.result("no", 16), declared)
        assert found.verdict is Verdict.NOTE


class TestWatchedOn:
    """TIM-14: inpatients 24 h, outpatients a contact card: note [S16][S68]."""

    def said(self, now: datetime, **facts: Any) -> tuple[Finding, ...]:
        case = a_case(**({"start": {}, "end": {}} | facts))
        return watched_on(a_running(case, now=now))

    def test_from_the_end_for_a_day(self) -> None:
        (found,) = self.said(END_AT)
        assert (found.verdict, found.stage) == (Verdict.NOTE, Stage.ENDED)
        assert self.said(END_AT + timedelta(hours=24)) == ()

    def test_not_while_it_runs(self) -> None:
        assert self.said(END_AT, end=None) == ()


class TestRecordedLate:
    """TIM-19: recorded more than 15 min late is marked, not alarmed (D)."""

    START: ClassVar[Any] = a_start()

    def said(self, minutes: float, *, acts: tuple[Act, ...] = (), **envelope: Any) -> Any:
        start = replace(self.START, received=later(minutes), **envelope)
        return recorded_late(a_running(a_case(start=start, acts=acts)))

    @pytest.mark.parametrize(("minutes", "late"), [(15, False), (15.1, True)])
    def test_its_limit(self, minutes: float, late: bool) -> None:
        found = self.said(minutes)
        assert bool(found) is late
        for finding in found:
            assert (finding.rule, finding.verdict) == ("TIM-19", Verdict.NOTE)
            assert finding.facts == ("Task/start",)

    def test_a_correction_is_not_late_for_that_reason(self) -> None:
        assert self.said(600, version=2) == ()

    def test_what_was_marked_when_it_came_stays_marked(self) -> None:
        mark = Act(key="late/1", at=later(600), body=ReceivedLate(fact="Task/start"))
        (found,) = self.said(600, version=2, acts=(mark,))
        assert found.reason == "recorded-late"

    def test_a_time_too_coarse_is_not_late(self) -> None:
        coarse = a_step(StepCode.CHANGE_RATE, "Task/c", START_AT, start=Moment(text="2025-06-02"))
        assert recorded_late(a_running(a_case(start={}, extra=(coarse,)))) == ()


def test_a_start_to_the_day_only_leaves_everything_unknown() -> None:
    """design section 3: a time too coarse for a rule makes that rule unknown."""
    case = a_case(start={"start": Moment(text="2025-06-02")})
    (found,), deadlines = watch(a_running(case))
    assert (found.reason, found.known, found.missing) == ("start-too-coarse", False, ("start",))
    assert deadlines == ()
