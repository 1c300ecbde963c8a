"""A unit that comes back: TIM-01, TIM-02."""

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.facts.finding import Finding
from service.facts.moment import Moment, at
from service.facts.records import UNRECOGNISED
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.policy.policy import Policy
from service.rules.timing import judge_return
from tests.support.cases import (
    ISSUED_AT,
    SITE,
    a_bag,
    a_case,
    a_check,
    a_label,
    a_start,
    a_step,
    group,
    reasons,
    unit_of,
)
from tests.support.catalogue import check_cases
from tests.support.policies import default_policy, profile, with_rows

OUT = {"container": "uncontrolled"}


def returned(
    minutes: float,
    *,
    policy: Policy | None = None,
    component: Component = Component.RED_CELLS,
    extra: tuple[Any, ...] = (),
    issue: dict[str, Any] | None = None,
    unit: dict[str, Any] | None = None,
    **said: Any,
) -> tuple[Finding, ...]:
    """The answer to a return some minutes after the unit left controlled storage."""
    when: datetime = ISSUED_AT + timedelta(minutes=minutes)
    inputs = {"seal_intact": True, "unit": unit_of(component)} | said
    back = a_step(StepCode.RETURN_UNIT, "Task/back", when, **inputs)
    case = a_case(
        component=component,
        check=None,
        issue=OUT if issue is None else issue,
        unit=unit or {},
        extra=(back, *extra),
    )
    held = case.unit_of(back.body.unit)
    assert held is not None
    return judge_return(case, case.units[held], back, policy or default_policy(), SITE)


def answer(findings: tuple[Finding, ...]) -> str:
    words = {finding.returned for finding in findings}
    assert len(words) == 1
    return str(words.pop())


class TestTheWindow:
    """TIM-01: red cells only, 30 min out of controlled storage; ca 60 min [S31][S43]."""

    @pytest.mark.parametrize(("minutes", "word"), [(29, "accept"), (30, "accept"), (31, "discard")])
    def test_thirty_minutes_are_within_it(self, minutes: int, word: str) -> None:
        assert answer(returned(minutes)) == word

    def test_canada_has_sixty(self) -> None:
        """CSA Z902-15 10.10.5, 2016 [S43]."""
        assert answer(returned(60, policy=profile("ca"))) == "accept"
        assert answer(returned(61, policy=profile("ca"))) == "discard"

    def test_the_reason_and_the_row_are_given(self) -> None:
        (found,) = returned(31)
        assert (found.rule, found.reason) == ("TIM-01", "out-beyond-window")
        assert "return-window" in {cited.row for cited in found.cited}

    def test_a_unit_still_in_its_container_is_within_it(self) -> None:
        kept = {"container": "monitored-refrigerator"}
        assert answer(returned(300, issue=kept)) == "accept"

    def test_an_assumed_exit_counts_and_is_said(self) -> None:
        (found,) = returned(20, issue={})
        assert found.returned == "accept"
        assert "assumed" in found.text
        assert answer(returned(31, issue={})) == "discard"

    def test_missing_is_discard(self) -> None:
        (found,) = returned(10, issue={"handed_over": None})
        assert (found.returned, found.known, found.missing) == ("discard", False, ("out-since",))

    def test_a_return_to_the_day_only_is_missing(self) -> None:
        (found,) = returned(10, start=Moment(text="2025-06-02"))
        assert (found.returned, found.missing) == ("discard", ("time of return",))

    @pytest.mark.parametrize("component", [c for c in Component if c is not Component.RED_CELLS])
    def test_it_holds_for_no_other_component(self, component: Component) -> None:
        assert reasons(returned(5, component=component)) == ("no-return-window",)

    def test_an_unknown_component_is_missing(self) -> None:
        case_step = a_step(
            StepCode.RETURN_UNIT, "Task/back", ISSUED_AT + timedelta(minutes=5), seal_intact=True
        )
        case = a_case(check=None, unit=None, extra=(case_step,))
        (unit,) = case.units.values()
        (found,) = judge_return(case, unit, case_step, default_policy(), SITE)
        assert (found.returned, found.missing) == ("discard", ("component",))


class TestTheSeal:
    """TIM-01: seal broken = never restocked; a started unit neither."""

    def test_broken(self) -> None:
        assert reasons(returned(5, seal_intact=False)) == ("seal-broken",)

    def test_not_said_counts_as_broken(self) -> None:
        (found,) = returned(5, seal_intact=None)
        assert (found.reason, found.returned, found.known) == ("seal-not-stated", "discard", False)

    def test_started(self) -> None:
        begun = a_start(start=at(ISSUED_AT + timedelta(minutes=3)))
        assert reasons(returned(5, extra=(begun,))) == ("already-spiked",)


class TestTheTemperature:
    """TIM-02: a measured temperature wins over time; > 10 °C on return discards [S78][S79]."""

    @pytest.mark.parametrize(
        ("celsius", "word"),
        [("10", "accept"), ("10.1", "discard"), ("1", "accept"), ("0.9", "discard")],
    )
    def test_its_limits(self, celsius: str, word: str) -> None:
        assert answer(returned(5, temperature=Decimal(celsius))) == word

    def test_too_warm_discards_within_the_window(self) -> None:
        (found,) = returned(5, temperature=Decimal(14))
        assert (found.rule, found.reason) == ("TIM-02", "temperature-above-10")

    def test_frozen_discards(self) -> None:
        """Shipped at 1 to 10 °C [S07]."""
        assert reasons(returned(5, temperature=Decimal("0.5"))) == ("temperature-below-1",)

    def test_cool_does_not_lengthen_the_window(self) -> None:
        """POL-01: 30 min and, if measured, at most 10 °C."""
        assert answer(returned(31, temperature=Decimal(4))) == "discard"

    def test_the_united_states_go_by_temperature_alone(self) -> None:
        """us: stored at 1-6 °C, shipped at 1-10 °C [S07]."""
        assert answer(returned(45, policy=profile("us"), temperature=Decimal(6))) == "accept"
        (found,) = returned(5, policy=profile("us"))
        assert (found.reason, found.returned) == ("temperature-not-measured", "discard")

    def test_seal_and_temperature_are_both_said(self) -> None:
        found = returned(5, seal_intact=False, temperature=Decimal(14))
        assert reasons(found) == ("seal-broken", "temperature-above-10")

    def test_a_rule_that_is_off_says_nothing(self) -> None:
        policy = with_rows(rules={"TIM-02": {"on_failure": "off", "when_missing": "off"}})
        assert answer(returned(5, policy=policy, temperature=Decimal(14))) == "accept"


EXPIRED = at(ISSUED_AT - timedelta(hours=1))
OTHER_LABEL = a_label(din="A999925999999")
OTHER_GROUP = a_label(unit_group=group("B+"))


def checked(**said: Any) -> tuple[Any, ...]:
    """A check of the unit three minutes before it goes back."""
    when = at(ISSUED_AT + timedelta(minutes=2))
    return (a_check(start=when, end=when, **said),)


class TestUnfit:
    """A unit that may be given to nobody is not restocked, however soon it came back.

    Expiry and appearance [S15], withdrawn units [S90]; that bag and label must agree before the
    unit is stock again is this project's own reading of ID-06 [S15][S47].
    """

    @pytest.mark.parametrize(
        ("said", "reason"),
        [
            ({"unit": {"expiry": EXPIRED}}, "expired"),
            ({"extra": checked(bag=a_bag(expiry=EXPIRED))}, "expired"),
            ({"extra": checked(label=a_label(expiry=EXPIRED))}, "expired"),
            ({"unit": {"status": "quarantined"}}, "unit-withdrawn"),
            ({"unit": {"status": "recalled"}}, "unit-withdrawn"),
            ({"unit": {"status": UNRECOGNISED}}, "unit-withdrawn"),
            ({"extra": checked(appearance="abnormal")}, "appearance-abnormal"),
            ({"extra": checked(label=OTHER_LABEL)}, "unit-mismatch"),
            ({"extra": checked(label=OTHER_GROUP)}, "unit-mismatch"),
            ({"focus": unit_of(Component.PLATELETS)}, "unit-mismatch"),
        ],
    )
    def test_within_the_window(self, said: dict[str, Any], reason: str) -> None:
        found = returned(5, **said)
        assert (answer(found), reasons(found)) == ("discard", (reason,))

    @pytest.mark.parametrize(
        "said",
        [
            {"extra": checked()},
            {"extra": checked(bag=None)},
            {"extra": checked(label=a_label(unit_group=None))},
            {"unit": {"expiry": Moment(text="2025-06-02")}},
            {"unit": {"expiry": Moment(text="2025-06")}},
            {"focus": unit_of(Component.RED_CELLS)},
        ],
    )
    def test_what_agrees_or_was_not_read_is_no_reason(self, said: dict[str, Any]) -> None:
        assert answer(returned(5, **said)) == "accept"

    def test_a_look_at_the_bag_after_it_went_back_does_not_count(self) -> None:
        later = at(ISSUED_AT + timedelta(minutes=6))
        after = (a_check(start=later, end=later, appearance="abnormal"),)
        assert answer(returned(5, extra=after)) == "accept"

    def test_every_reason_is_given(self) -> None:
        found = returned(40, unit={"expiry": EXPIRED}, seal_intact=False)
        assert reasons(found) == ("expired", "seal-broken")


class TestTheCatalogue:
    """The return cases of the rule catalogue's check cases."""

    @pytest.mark.parametrize(
        "case", [p for p in check_cases("timing") if "return" in p.values[0]["expect"]]
    )
    def test_case(self, case: dict[str, Any]) -> None:
        given = case["given"]
        warm = Decimal(given["temperature_c"]) if "temperature_c" in given else None
        found = returned(given["t_out_min"], policy=profile(given["profile"]), temperature=warm)
        assert answer(found) == case["expect"]["return"]
        assert case["expect"].get("reason") in (None, found[0].reason)
