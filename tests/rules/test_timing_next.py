"""The next unit: TIM-16, TIM-17 (rules.md section 4, reminders)."""

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, ClassVar

import pytest

from service.facts.deadline import Deadline
from service.facts.finding import Finding, Stage, Verdict
from service.facts.identity import Ref
from service.facts.moment import Moment, at
from service.facts.steps import StepCode
from service.facts.unit import UNDIVIDED, Component, UnitRef
from service.policy.policy import Policy
from service.rules.timing import watch
from service.rules.timing_next import next_unit, one_at_a_time
from tests.support.cases import (
    ISSUED_AT,
    START_AT,
    STRANGER,
    UNIT_KEY,
    a_case,
    a_running,
    a_sample,
    a_start,
    a_step,
    a_unit,
    an_end,
    an_issue,
)
from tests.support.policies import with_rows

O1 = Ref(kind="ServiceRequest", id="o1")
OTHER = UnitRef(din="A999925123499", product="E0398", division=UNDIVIDED)
END = START_AT + timedelta(minutes=140)  # 280 mL at 120 mL/h
ASKED = END - timedelta(minutes=30)


def later(minutes: float) -> datetime:
    return START_AT + timedelta(minutes=minutes)


def seen(
    *extra: Any,
    reaction_open: bool = False,
    first_overdue: bool = False,
    policy: Policy | None = None,
    **facts: Any,
) -> tuple[tuple[Finding, ...], tuple[Deadline, ...]]:
    """The first of two ordered units, started at 120 mL/h."""
    case = a_case(**({"start": {}} | facts), extra=extra)
    running = a_running(case, policy=policy)
    return next_unit(running, reaction_open=reaction_open, first_overdue=first_overdue)


def asked(*extra: Any, **how: Any) -> datetime | None:
    _, deadlines = seen(*extra, **how)
    return deadlines[0].due if deadlines else None


def other(**said: Any) -> tuple[Any, ...]:
    """The next unit, issued to the patient under the same order."""
    issue = {"unit": OTHER, "based_on": (O1,), "handed_over": at(later(30))} | said
    return (
        a_unit("BiologicallyDerivedProduct/o", unit=OTHER),
        an_issue("Basic/o", **issue),
    )


def started(minutes: float, **said: Any) -> Any:
    inputs = {"unit": OTHER, "bag": None, "start": at(later(minutes)), "based_on": (O1,)}
    return a_start("Task/other", **(inputs | said))


class TestWhenItIsAskedFor:
    """TIM-16: asked 30 min before the predicted end (common practice)."""

    def test_thirty_minutes_before(self) -> None:
        findings, (deadline,) = seen()
        assert findings == ()
        assert (deadline.kind, deadline.rule, deadline.due) == ("next-unit", "TIM-16", ASKED)
        assert deadline.ordinal == f"after-{UNIT_KEY.text}"

    def test_a_faster_rate_brings_it_forward(self) -> None:
        faster = a_step(StepCode.CHANGE_RATE, "Task/f", later(15), rate=Decimal(250))
        assert asked(faster) == later(45)

    def test_never_before_the_start(self) -> None:
        assert asked(start={"rate": Decimal(1000)}) == START_AT

    def test_without_a_predicted_end_it_is_off_and_says_so(self) -> None:
        (found,), deadlines = seen(start={"rate": None})
        assert (found.verdict, found.advice) == (None, None)
        assert (found.missing, deadlines) == (("volume or rate",), ())

    def test_while_held_what_was_asked_stays_asked(self) -> None:
        soon = a_step(StepCode.INTERRUPT, "Task/h", later(20))
        late = a_step(StepCode.INTERRUPT, "Task/h", ASKED)
        assert asked(soon) is None
        assert asked(late) == ASKED

    def test_the_clock_is_left_to_whoever_reminds(self) -> None:
        running = a_running(a_case(start={}))
        next_unit(running, reaction_open=False, first_overdue=False)
        assert running.clock.next_wake is None


class TestWhenItIsNot:
    """TIM-16: suppressed by an open reaction, early stop, order revoked, quantity met, sample
    expiring; never two open requests per order."""

    def test_an_open_reaction(self) -> None:
        assert asked(reaction_open=True) is None

    def test_an_overdue_first_observation(self) -> None:
        """Section 7: not while the 15-min observation is overdue."""
        assert asked(first_overdue=True) is None

    @pytest.mark.parametrize(
        "said",
        [
            {"status": "revoked"},
            {"status": "completed"},
            {"do_not_perform": True},
            {"quantity": Decimal(1)},
            {"quantity": None},
            {"end": at(START_AT - timedelta(minutes=1))},
        ],
    )
    def test_an_order_that_is_over_or_met_or_unknown(self, said: dict[str, Any]) -> None:
        assert asked(order=said) is None

    def test_no_order(self) -> None:
        assert seen(order=None) == ((), ())

    def test_an_order_linked_by_component_counts(self) -> None:
        bare = {"based_on": ()}
        assert asked(issue=bare, check=bare) == ASKED

    def test_the_quantity_counts_units_started(self) -> None:
        three = {"quantity": Decimal(3)}
        assert asked(*other(), started(60), order=three) is None  # the other one asks
        before = started(-120)
        over = an_end("Task/over", unit=OTHER, start=at(later(-30)))
        assert asked(*other(), before, over, order=three) == ASKED
        assert asked(*other(), before, over) is None

    def test_a_unit_at_hand(self) -> None:
        assert asked(*other()) is None

    @pytest.mark.parametrize(
        "said",
        [
            {"status": "allocated"},
            {"patient": STRANGER},
            {"patient": None},
            {"based_on": (Ref(kind="ServiceRequest", id="o9"),)},
        ],
    )
    def test_one_that_is_not_for_this_order_and_patient_is_not_at_hand(
        self, said: dict[str, Any]
    ) -> None:
        theirs = said.get("based_on") is not None
        described, issue = other(**said)
        if theirs:
            described = a_unit(described.key, unit=OTHER, component=Component.PLASMA)
        assert asked(described, issue) == ASKED

    def test_one_nobody_linked_is_at_hand_by_its_component(self) -> None:
        assert asked(*other(based_on=())) is None

    def test_one_that_went_back_is_not_at_hand(self) -> None:
        back = a_step(StepCode.RETURN_UNIT, "Task/back", later(40), unit=OTHER)
        assert asked(*other(), back) == ASKED

    def test_a_unit_described_only_is_not_at_hand(self) -> None:
        assert asked(other()[0]) == ASKED


class TestTheSample:
    """TIM-16: not when the sample expires before the predicted start."""

    @pytest.mark.parametrize(("minutes", "wanted"), [(140, True), (139, False)])
    def test_its_limit(self, minutes: float, wanted: bool) -> None:
        until = {"valid_until": at(later(minutes))}
        assert (asked(sample=until) is not None) is wanted

    def test_without_the_laboratorys_word_it_holds_for_the_policys_hours(self) -> None:
        old = {"collected": at(END - timedelta(hours=72))}
        older = {"collected": at(END - timedelta(hours=72, minutes=1))}
        assert asked(sample=old) == ASKED
        assert asked(sample=older) is None

    def test_a_newer_one_counts(self) -> None:
        newer = a_sample("Specimen/s2", valid_until=at(later(999)))
        assert asked(newer, sample={"valid_until": at(later(1))}) == ASKED

    def test_an_unusable_one_does_not(self) -> None:
        spoilt = a_sample("Specimen/s2", valid_until=at(later(999)), usable=False)
        assert asked(spoilt, sample={"valid_until": at(later(1))}) is None

    @pytest.mark.parametrize(
        "sample", [None, {"collected": None}, {"collected": Moment(text="2025")}]
    )
    def test_unknown_does_not_hold_it_back(self, sample: dict[str, Any] | None) -> None:
        assert asked(sample=sample) == ASKED

    def test_platelets_need_none(self) -> None:
        """ID-30 to ID-40 apply to red cells, whole blood and granulocytes only [S93]."""
        old = {"valid_until": at(later(1))}
        assert asked(component=Component.PLATELETS, sample=old) == ASKED


class TestOnceItIsDown:
    """The request stands until the next unit is at hand; early stop ends it."""

    DOWN: ClassVar[dict[str, Any]] = {"end": {"start": at(END)}}

    def test_after_a_normal_end_it_is_due_at_the_end(self) -> None:
        assert asked(**self.DOWN) == END

    def test_the_next_unit_at_hand_or_running_ends_it(self) -> None:
        assert asked(*other(), **self.DOWN) is None
        assert asked(*other(), started(150), **self.DOWN) is None

    def test_a_unit_taken_down_for_a_reason(self) -> None:
        assert asked(end={"start": at(later(50)), "reason": "reaction"}) is None

    def test_a_unit_discarded_after_its_start(self) -> None:
        thrown = a_step(StepCode.DISCARD_UNIT, "Task/waste", later(50))
        assert asked(thrown) is None


class TestOneUnitAtATime:
    """TIM-17: one unit at a time unless actively bleeding: reminder [S102]."""

    def said(self, *extra: Any, **facts: Any) -> tuple[Finding, ...]:
        case = a_case(**({"start": {}} | facts), extra=extra)
        return one_at_a_time(a_running(case))

    def test_another_one_running(self) -> None:
        (found,) = self.said(*other(), started(-30))
        assert (found.rule, found.reason) == ("TIM-17", "two-units-at-once")
        assert (found.verdict, found.advice, found.stage) == (None, None, Stage.RUNNING)
        assert found.facts == ("Task/start", "Task/other")

    def test_one_that_was_down_or_came_later_or_was_never_started(self) -> None:
        down = an_end("Task/over", unit=OTHER, start=at(later(-5)))
        still = an_end("Task/over", unit=OTHER, start=at(later(5)))
        assert self.said(*other(), started(-30), down) == ()
        assert self.said(*other(), started(30)) == ()
        assert self.said(*other()) == ()
        assert self.said(*other(), started(-30), still) != ()

    def test_life_threatening_urgency_makes_it_a_note(self) -> None:
        declared = a_step(StepCode.DECLARE_EMERGENCY, "Task/declare", ISSUED_AT)
        (found,) = self.said(*other(), started(-30), declared)
        assert found.verdict is Verdict.NOTE


class TestTogether:
    """The watch gives the reaction and the first observation their say."""

    def kinds(self, minutes: float, *, reaction_open: bool = False) -> set[str]:
        running = a_running(a_case(start={}), now=later(minutes))
        _, deadlines = watch(running, reaction_open=reaction_open)
        return {deadline.kind for deadline in deadlines}

    def test_asked_before_the_first_observation_is_late(self) -> None:
        assert "next-unit" in self.kinds(5)

    def test_not_while_it_is_late_nor_while_a_reaction_is_open(self) -> None:
        assert "next-unit" not in self.kinds(20)
        assert "next-unit" not in self.kinds(5, reaction_open=True)


def test_the_lead_is_policy() -> None:
    assert asked(policy=with_rows({"next-unit-lead": 45})) == END - timedelta(minutes=45)
