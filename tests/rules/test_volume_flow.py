"""What ran into the patient, from recorded steps (rules.md section 7)."""

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.facts.case import UnitView
from service.facts.fact import Fact
from service.facts.moment import Moment, at
from service.facts.steps import StepCode
from service.rules.flow import (
    Given,
    flows,
    given,
    given_in_all,
    label_volume,
    predicted_before_hold,
    predicted_end,
    recorded_rates,
    remaining,
)
from tests.support.cases import START_AT, a_case, a_step, an_end, the_unit

RESIDUAL = Decimal(15)


def later(minutes: float) -> datetime:
    return START_AT + timedelta(minutes=minutes)


def step(code: StepCode, minutes: float, **said: Any) -> Fact[Any]:
    read = {k: Decimal(v) if k in ("rate", "volume_given") else v for k, v in said.items()}
    return a_step(code, f"Task/{code.value}-{minutes}", later(minutes), **read)


def hung(*steps: Fact[Any], rate: str | None = "120", **facts: Any) -> UnitView:
    """A 280 mL unit started at a rate, and what was done to it later."""
    start = {"rate": None if rate is None else Decimal(rate)}
    return the_unit(a_case(start=start, extra=steps, **facts))


HOLD, GO, FASTER = StepCode.INTERRUPT, StepCode.RESUME, StepCode.CHANGE_RATE


class TestTheEstimate:
    """``V_given_est = sum of rate_i x dt_i``, capped at the label's volume."""

    def test_one_rate(self) -> None:
        assert given(hung(), later(30)) == Given(volume=Decimal(60), method="rates")

    def test_each_stretch_counts_at_its_own_rate(self) -> None:
        unit = hung(step(FASTER, 15, rate="200"), rate="50")
        assert given(unit, later(45)) == Given(volume=Decimal("112.5"), method="rates")

    def test_nothing_flows_while_it_is_held(self) -> None:
        unit = hung(step(HOLD, 15), step(GO, 30, rate="120"))
        found = given(unit, later(60))
        assert found is not None
        assert found.volume == 90

    def test_it_never_exceeds_the_label(self) -> None:
        found = given(hung(), later(600))
        assert found is not None
        assert found.volume == 280

    def test_without_a_label_it_is_not_capped(self) -> None:
        found = given(hung(unit={"volume": None}), later(600))
        assert found is not None
        assert found.volume == 1200

    def test_an_unknown_rate_is_never_assumed(self) -> None:
        assert given(hung(rate=None), later(30)) is None

    def test_a_unit_that_has_not_started_gave_nothing_known(self) -> None:
        assert given(the_unit(a_case()), later(30)) is None
        assert given(hung(), later(-5)) is None


class TestTheMeasurement:
    """Actual (bag weight, pump) overrides; the method is kept."""

    def test_it_overrides_the_estimate(self) -> None:
        unit = hung(step(HOLD, 30, volume_given="75"))
        found = given(unit, later(90))
        assert found is not None
        assert (found.volume, found.measured) == (75, True)
        assert found.facts == (f"Task/{HOLD.value}-30",)

    def test_what_ran_since_is_added(self) -> None:
        unit = hung(step(HOLD, 30, volume_given="75"), step(GO, 40, rate="60"))
        found = given(unit, later(100))
        assert found is not None
        assert (found.volume, found.method) == (135, "rates")

    def test_a_later_measurement_is_not_known_earlier(self) -> None:
        unit = hung(step(HOLD, 30, volume_given="75"))
        found = given(unit, later(15))
        assert found is not None
        assert found.volume == 30

    def test_it_may_exceed_the_label(self) -> None:
        found = given(hung(step(HOLD, 30, volume_given="290")), later(30))
        assert found is not None
        assert found.volume == 290

    def test_a_suspected_reaction_stops_the_flow_when_it_says_so(self) -> None:
        stopped = step(
            StepCode.SUSPECT_REACTION, 40, flow_stopped_at=at(later(35)), volume_given="66"
        )
        found = given(hung(stopped), later(90))
        assert found is not None
        assert found.volume == 66
        going_on = step(StepCode.SUSPECT_REACTION, 40)
        running = given(hung(going_on), later(60))
        assert running is not None
        assert running.volume == 120

    def test_a_stop_too_coarse_for_minutes_counts_from_the_report(self) -> None:
        coarse = step(StepCode.SUSPECT_REACTION, 40, flow_stopped_at=Moment(text="2025-06-02"))
        found = given(hung(coarse), later(90))
        assert found is not None
        assert found.volume == 80


class TestInAll:
    """What an ended unit gave: measured, reckoned, or label volume less residual."""

    def end(self, **said: Any) -> Fact[Any]:
        return an_end(**({"start": at(later(60)), "volume_given": None} | said))

    def test_measured(self) -> None:
        unit = hung(end=self.end(volume_given=Decimal(268)))
        assert given_in_all(unit, RESIDUAL) == Given(
            volume=Decimal(268), method="measured", facts=("Task/end",)
        )

    def test_reckoned(self) -> None:
        found = given_in_all(hung(end=self.end()), RESIDUAL)
        assert found == Given(volume=Decimal(120), method="rates")

    def test_an_emptied_bag_without_rates(self) -> None:
        """Label volume - residual, default 15 mL (common practice, no source)."""
        found = given_in_all(hung(rate=None, end=self.end()), RESIDUAL)
        assert found == Given(volume=Decimal(265), method="label", uncertainty=RESIDUAL)

    def test_a_bag_taken_down_for_a_reason_was_not_emptied(self) -> None:
        assert given_in_all(hung(rate=None, end=self.end(reason="reaction")), RESIDUAL) is None

    def test_unknown_without_a_label(self) -> None:
        unit = hung(rate=None, end=self.end(), unit={"volume": None})
        assert given_in_all(unit, RESIDUAL) is None

    def test_a_running_unit_has_not_given_its_all(self) -> None:
        assert given_in_all(hung(), RESIDUAL) is None


class TestTheLabel:
    """VOL-01: use the label's volume if present."""

    def test_the_label_before_the_issue(self) -> None:
        issued = {"quantity": Decimal(250)}
        assert label_volume(hung(issue=issued)) == 280
        assert label_volume(hung(issue=issued, unit={"volume": None})) == 250
        assert label_volume(hung(unit={"volume": None})) is None


class TestRates:
    """Rates as recorded; a missing one is the median of the last two, never a guess."""

    def rates(self, *steps: Fact[Any], rate: str | None = "120") -> list[Decimal | None]:
        return [flow.rate for flow in flows(hung(*steps, rate=rate))]

    def test_before_the_start_there_are_none(self) -> None:
        assert flows(the_unit(a_case())) == ()
        assert recorded_rates(the_unit(a_case())) == ()

    def test_a_resumption_without_a_rate(self) -> None:
        assert self.rates(step(FASTER, 15, rate="180"), step(HOLD, 20), step(GO, 30)) == [
            120,
            180,
            0,
            150,
        ]

    def test_without_any_rate_it_stays_unknown(self) -> None:
        assert self.rates(step(HOLD, 20), step(GO, 30), rate=None) == [None, 0, None]

    def test_a_rate_set_while_held_does_not_start_the_flow(self) -> None:
        assert self.rates(step(HOLD, 20), step(FASTER, 25, rate="90")) == [120, 0]

    def test_a_second_start_of_the_same_bag_is_no_new_flow(self) -> None:
        assert self.rates(step(StepCode.START, 20, rate="500")) == [120]

    def test_what_came_before_the_start_does_not_count(self) -> None:
        assert self.rates(step(FASTER, -5, rate="500")) == [120]

    def test_the_steps_that_set_one(self) -> None:
        unit = hung(step(FASTER, 15, rate="180"), step(GO, 30))
        assert [s.key for s in recorded_rates(unit)] == ["Task/start", f"Task/{FASTER.value}-15"]


class TestThePredictedEnd:
    """``expected_end = now + V_remaining / current_rate``."""

    def test_at_a_steady_rate(self) -> None:
        assert predicted_end(hung()) == later(140)

    def test_after_a_change_of_rate(self) -> None:
        # 30 mL in the first quarter, 250 mL left at 250 mL/h
        assert predicted_end(hung(step(FASTER, 15, rate="250"))) == later(75)

    @pytest.mark.parametrize(
        "facts", [{"unit": {"volume": None}}, {"rate": None}], ids=["no label", "no rate"]
    )
    def test_it_is_unknown_without_label_or_rate(self, facts: dict[str, Any]) -> None:
        assert predicted_end(hung(**facts)) is None

    def test_before_the_start_and_while_held_there_is_none(self) -> None:
        assert predicted_end(the_unit(a_case())) is None
        assert predicted_end(hung(step(HOLD, 20))) is None

    def test_while_held_what_was_predicted_is_remembered(self) -> None:
        assert predicted_before_hold(hung(step(HOLD, 20))) == (later(140), later(20))
        assert predicted_before_hold(hung()) is None
        assert predicted_before_hold(hung(step(HOLD, 20), rate=None)) is None

    def test_what_is_left(self) -> None:
        assert remaining(hung(), later(30)) == 220
        assert remaining(hung(unit={"volume": None}), later(30)) is None
