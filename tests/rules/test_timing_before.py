"""Time limits before the start: TIM-03 to TIM-09 (rules.md section 4)."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Stage, Verdict
from service.facts.moment import Moment, at
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.policy.policy import Policy
from service.rules.timing import deadlines_before
from service.rules.timing_limit import completion_limit, platelets_soon, start_after_removal
from service.rules.timing_start import slow_start
from tests.support.cases import (
    CHECKED_AT,
    ISSUED_AT,
    START_AT,
    a_case,
    a_step,
    pre_start,
    some_vitals,
    unit_of,
)
from tests.support.policies import profile, with_rows

OUT: dict[str, Any] = {"container": "uncontrolled"}
BOX: dict[str, Any] = {"container": "validated-container"}
RULE_OF = {
    Component.RED_CELLS: "TIM-04",
    Component.WHOLE_BLOOD: "TIM-04",
    Component.PLASMA: "TIM-04",
    Component.PLATELETS: "TIM-05",
    Component.CRYOPRECIPITATE: "TIM-07",
    Component.GRANULOCYTES: "TIM-08",
}


def alone(findings: tuple[Finding, ...]) -> Finding:
    (found,) = findings
    return found


def out_for(
    minutes: float,
    *,
    component: Component = Component.RED_CELLS,
    issue: dict[str, Any] | None = None,
    policy: Policy | None = None,
    urgency: str | None = None,
    **facts: Any,
) -> Any:
    """A unit that left controlled storage some minutes before the judgement."""
    case = a_case(component=component, issue=OUT if issue is None else issue, **facts)
    when = ISSUED_AT + timedelta(minutes=minutes)
    return pre_start(case, at=when, policy=policy, urgency=urgency)


class TestStartAfterRemoval:
    """TIM-03: red cells not started 30 min after t_out: caution; return to storage [S31]."""

    @pytest.mark.parametrize(
        ("minutes", "verdict"), [(29, 0), (30, 0), (31, Verdict.CAUTION), (200, Verdict.CAUTION)]
    )
    def test_its_limit(self, minutes: int, verdict: Verdict) -> None:
        found = alone(start_after_removal(out_for(minutes)))
        assert found.verdict == verdict
        assert found.reason == ("start-delayed-beyond-30" if verdict else "started-soon")

    def test_missing_is_a_caution(self) -> None:
        found = alone(start_after_removal(out_for(5, issue={"handed_over": None})))
        assert (found.verdict, found.missing) == (Verdict.CAUTION, ("out-since",))

    def test_an_assumed_exit_is_shown_as_assumed(self) -> None:
        within = alone(start_after_removal(out_for(5, issue={})))
        late = alone(start_after_removal(out_for(31, issue={})))
        assert (within.verdict, late.verdict) == (Verdict.NO_OBJECTION, Verdict.CAUTION)
        assert "assumed" in within.text
        assert "assumed" in late.text
        assert not late.known

    def test_a_unit_in_its_container_has_all_its_time(self) -> None:
        box = BOX | {"valid_until": at(ISSUED_AT + timedelta(hours=4))}
        assert alone(start_after_removal(out_for(200, issue=box))).reason == (
            "in-controlled-storage"
        )

    def test_a_container_past_its_validity_is_none(self) -> None:
        box = BOX | {"valid_until": at(ISSUED_AT + timedelta(minutes=10))}
        assert alone(start_after_removal(out_for(40, issue=box))).verdict is Verdict.NO_OBJECTION
        assert alone(start_after_removal(out_for(41, issue=box))).verdict is Verdict.CAUTION

    def test_life_threatening_urgency_makes_it_a_note(self) -> None:
        """Section 0: TIM-03 becomes note."""
        found = alone(start_after_removal(out_for(60, urgency="life-threatening")))
        assert found.verdict is Verdict.NOTE

    @pytest.mark.parametrize("component", [c for c in Component if c is not Component.RED_CELLS])
    def test_red_cells_only(self, component: Component) -> None:
        assert start_after_removal(out_for(60, component=component)) == ()

    def test_new_zealand_counts_as_the_default(self) -> None:
        found = alone(start_after_removal(out_for(31, policy=profile("nz"))))
        assert found.verdict is Verdict.CAUTION


class TestCompletionLimit:
    """TIM-04 to TIM-08: 4 h from t_out; passed before the start: refuse, return-unit (D)
    [S17][S31][S44]."""

    @pytest.mark.parametrize("component", list(Component))
    def test_it_holds_for_every_component(self, component: Component) -> None:
        found = alone(completion_limit(out_for(241, component=component)))
        assert (found.rule, found.reason) == (RULE_OF[component], "four-hour-limit")
        assert (found.verdict, found.remedy) == (Verdict.REFUSE, Remedy.RETURN_UNIT)

    def test_its_last_instant_is_not_passed(self) -> None:
        assert alone(completion_limit(out_for(240))).reason == "planned-end-unknown"

    def test_an_assumed_exit_gives_caution_only(self) -> None:
        found = alone(completion_limit(out_for(241, issue={})))
        assert (found.verdict, found.reason) == (Verdict.CAUTION, "four-hour-limit")
        assert (found.known, found.missing) == (False, ("out-since",))
        assert "assumed" in found.text

    def test_missing_is_a_caution(self) -> None:
        found = alone(completion_limit(out_for(5, issue={"handed_over": None})))
        assert (found.verdict, found.reason) == (Verdict.CAUTION, "exit-unknown")
        assert found.missing == ("out-since",)

    def test_urgency_does_not_soften_it(self) -> None:
        found = alone(completion_limit(out_for(241, urgency="life-threatening")))
        assert found.verdict is Verdict.REFUSE

    def test_an_unknown_component_has_the_red_cells_limit(self) -> None:
        found = alone(completion_limit(out_for(241, unit={"component": None})))
        assert (found.rule, found.verdict) == ("TIM-04", Verdict.REFUSE)

    def test_counted_from_the_start_it_cannot_pass_before(self) -> None:
        """POL-02: removal from storage or spike; the site may choose."""
        spike = with_rows({"completion-anchor": "t_spike"})
        assert alone(completion_limit(out_for(300, policy=spike))).reason == "planned-end-unknown"
        without = alone(completion_limit(out_for(5, policy=spike, issue={"handed_over": None})))
        assert without.reason == "planned-end-unknown"

    def test_a_row_of_the_site_sets_the_verdict(self) -> None:
        mild = with_rows({"completion-passed-as": "authorise"})
        assert alone(completion_limit(out_for(241, policy=mild))).verdict is Verdict.AUTHORISE


class TestThePlannedEnd:
    """TIM-04: planned end later than the limit: caution."""

    def rated(self, rate: str, minutes: float = 10, **how: Any) -> Finding:
        return alone(completion_limit(out_for(minutes, order={"rate": Decimal(rate)}, **how)))

    def test_within_it(self) -> None:
        found = self.rated("140")  # 280 mL in 2 h
        assert (found.verdict, found.reason) == (Verdict.NO_OBJECTION, "within-limit")

    def test_its_very_instant_is_within(self) -> None:
        assert self.rated("140", 120).verdict is Verdict.NO_OBJECTION
        found = self.rated("140", 121)
        assert (found.verdict, found.reason) == (Verdict.CAUTION, "planned-end-after-limit")

    def test_the_slow_start_counts(self) -> None:
        # 15 min at 40 mL/h give 10 mL, 270 mL at 135 mL/h take 2 h
        start = {"rate": Decimal(40), "start": at(ISSUED_AT + timedelta(minutes=105))}
        case = a_case(issue=OUT, order={"rate": Decimal(135)}, start=start)
        assert alone(completion_limit(pre_start(case))).verdict is Verdict.NO_OBJECTION
        later = start | {"start": at(ISSUED_AT + timedelta(minutes=106))}
        case = a_case(issue=OUT, order={"rate": Decimal(135)}, start=later)
        assert alone(completion_limit(pre_start(case))).verdict is Verdict.CAUTION

    @pytest.mark.parametrize("facts", [{"order": {}}, {"unit": {"volume": None}}])
    def test_unknown_it_is_listed_as_not_checked(self, facts: dict[str, Any]) -> None:
        held = {"order": {"rate": Decimal(140)}} | facts
        found = alone(completion_limit(out_for(10, **held)))
        assert (found.verdict, found.known) == (None, False)
        assert found.missing == ("volume or rate",)

    def test_without_flow_there_is_no_planned_end(self) -> None:
        assert self.rated("0").reason == "planned-end-unknown"

    def test_an_order_linked_by_component_counts(self) -> None:
        bare = {"based_on": ()}
        found = self.rated("30", issue=OUT | bare, check=bare)
        assert found.reason == "planned-end-after-limit"

    def test_assumed_is_said(self) -> None:
        for rate, verdict in (("140", Verdict.NO_OBJECTION), ("30", Verdict.CAUTION)):
            found = self.rated(rate, issue={})
            assert found.verdict is verdict
            assert "assumed" in found.text

    def test_a_unit_still_stored_has_the_whole_span_from_its_start(self) -> None:
        box = BOX | {"valid_until": at(ISSUED_AT + timedelta(hours=8))}
        assert self.rated("70", 300, issue=box).verdict is Verdict.NO_OBJECTION
        assert self.rated("69", 300, issue=box).verdict is Verdict.CAUTION

    def test_the_site_may_switch_it_off(self) -> None:
        off = with_rows({"completion-planned-late-as": "off"})
        assert completion_limit(out_for(10, order={"rate": Decimal(30)}, policy=off)) == ()

    def test_limit_and_lowest_rate_are_shown(self) -> None:
        shown = dict(self.rated("140", 20).shown)
        assert shown["limit"] == "2025-06-02T14:50+01:00"
        assert shown["minimum rate"] == "76.4 mL/h"  # 280 mL in 3 h 40 min, rounded up
        assert "minimum rate" not in dict(self.rated("140", 20, unit={"volume": None}).shown)


class TestPlateletsWithinTheHour:
    """TIM-05: nz within 1 h of issue: caution [S31]."""

    def soon(self, minutes: float, name: str = "nz", **facts: Any) -> tuple[Finding, ...]:
        held = {"component": Component.PLATELETS} | facts
        return platelets_soon(out_for(minutes, policy=profile(name), **held))

    def test_its_limit(self) -> None:
        assert self.soon(60) == ()
        found = alone(self.soon(61))
        assert (found.rule, found.reason) == ("TIM-05", "platelets-beyond-target")
        assert found.verdict is Verdict.CAUTION

    def test_the_planned_end_counts(self) -> None:
        # 280 mL at 560 mL/h take 30 min
        assert self.soon(30, order={"rate": Decimal(560)}) == ()
        assert alone(self.soon(31, order={"rate": Decimal(560)})).verdict is Verdict.CAUTION

    def test_only_where_the_profile_has_it_and_for_platelets(self) -> None:
        assert self.soon(200, "default") == ()
        assert self.soon(200, component=Component.PLASMA) == ()

    @pytest.mark.parametrize("handed", [None, Moment(text="2025-06-02")])
    def test_silent_without_the_time_of_issue(self, handed: Moment | None) -> None:
        assert self.soon(200, issue={"handed_over": handed}) == ()


class TestSlowStart:
    """TIM-09: red cells, routine only: at most 200 mL/h in the first 15 min (50 mL); ca 50 mL/h
    [S36][S37][S45]; children by mL/kg."""

    def first(
        self, rate: str | None, name: str = "default", *, urgency: str | None = None, **facts: Any
    ) -> tuple[Finding, ...]:
        start = {"rate": None if rate is None else Decimal(rate)}
        case = a_case(start=start, **facts)
        return slow_start(pre_start(case, policy=profile(name), urgency=urgency))

    @pytest.mark.parametrize(
        ("name", "rate", "verdict"),
        [
            ("default", "200", 0),
            ("default", "200.1", Verdict.CAUTION),
            ("uk", "200", 0),
            ("us", "200", 0),
            ("ca", "50", 0),
            ("ca", "50.1", Verdict.CAUTION),
        ],
    )
    def test_its_limit(self, name: str, rate: str, verdict: Verdict) -> None:
        assert alone(self.first(rate, name)).verdict == verdict

    def test_missing_is_off(self) -> None:
        found = alone(self.first(None))
        assert (found.verdict, found.missing) == (None, ("rate",))

    @pytest.mark.parametrize("urgency", ["urgent", "life-threatening"])
    def test_off_when_not_routine(self, urgency: str) -> None:
        assert self.first("500", urgency=urgency) == ()

    @pytest.mark.parametrize("component", [c for c in Component if c is not Component.RED_CELLS])
    def test_off_for_other_components(self, component: Component) -> None:
        assert self.first("500", component=component) == ()

    def test_silent_at_the_check(self) -> None:
        assert slow_start(pre_start()) == ()

    def test_a_judgement_of_a_start_that_is_not_recorded_knows_no_rate(self) -> None:
        pre = pre_start(a_case(), stage=Stage.START)
        assert alone(slow_start(pre)).missing == ("rate",)

    def test_children_by_weight_once_the_site_sets_a_value(self) -> None:
        child = {"birth_date": "2020-06-01"}
        weighed = some_vitals(CHECKED_AT, "Observation/w", {"weight": "20"})
        unset = alone(self.first("150", patient=child, extra=(weighed,)))
        assert (unset.verdict, unset.reason) == (None, "child-rate-not-set")
        policy = with_rows({"slow-start-rate-child": 5})
        for rate, verdict in (("100", Verdict.NO_OBJECTION), ("101", Verdict.CAUTION)):
            case = a_case(start={"rate": Decimal(rate)}, patient=child, extra=(weighed,))
            assert alone(slow_start(pre_start(case, policy=policy))).verdict is verdict
        light = a_case(start={"rate": Decimal(100)}, patient=child)
        assert alone(slow_start(pre_start(light, policy=policy))).verdict is None


class TestDeadlinesOfACheck:
    """design section 6: ``$check-unit`` answers deadline parts."""

    def kinds(self, **facts: Any) -> dict[str, datetime]:
        return {d.kind: d.due for d in deadlines_before(pre_start(a_case(**facts)))}

    def test_start_by_and_down_by(self) -> None:
        assert self.kinds() == {
            "start-by": ISSUED_AT + timedelta(minutes=30),
            "bag-down": ISSUED_AT + timedelta(hours=4),
        }

    def test_other_components_have_no_start_by(self) -> None:
        assert set(self.kinds(component=Component.PLASMA)) == {"bag-down"}

    def test_none_while_nobody_knows_or_it_is_stored(self) -> None:
        assert self.kinds(issue={"handed_over": None}) == {}
        box = BOX | {"valid_until": at(START_AT + timedelta(hours=8))}
        assert self.kinds(issue=box) == {}


class TestTheClockNeverResets:
    """Section 4: after start the clock never resets; the last exit before it counts."""

    def test_a_removal_after_the_start_changes_nothing(self) -> None:
        later = a_step(
            StepCode.REMOVE_FROM_STORAGE,
            "Task/later",
            datetime(2025, 6, 2, 11, 0, tzinfo=UTC),
            unit=unit_of(Component.RED_CELLS),
        )
        plain = pre_start(a_case(issue=OUT, start={}))
        moved = pre_start(a_case(issue=OUT, start={}, extra=(later,)))
        assert completion_limit(plain) == completion_limit(moved)
