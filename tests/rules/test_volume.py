"""Volumes and rates (rules.md section 7). Pure arithmetic: no clock, no policy."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules import volume

TEN = datetime(2025, 3, 14, 10, 0, tzinfo=UTC)
QUARTER = timedelta(minutes=15)


def after(minutes: float) -> datetime:
    return TEN + timedelta(minutes=minutes)


volumes = st.decimals("1", "600", places=1)
rates = st.decimals("1", "600", places=1)


class TestTheWorkedExample:
    """Section 7 [S17; arithmetic]: 300 mL out at 10:00, hung at 10:20, 50 mL/h until 10:35."""

    def test_the_slow_start_gives_12_5_ml(self) -> None:
        assert volume.flowed(Decimal(50), QUARTER) == Decimal("12.5")

    def test_what_remains_needs_84_2_ml_per_hour(self) -> None:
        left = after(240) - after(35)
        assert volume.minimum_rate(Decimal("287.5"), left) == Decimal("84.2")

    def test_the_planned_rate_is_the_same_before_it_is_rounded_up(self) -> None:
        planned = volume.planned_rate(Decimal(300), Decimal(50), after(240) - after(20), QUARTER)
        assert planned is not None
        assert round(planned, 2) == Decimal("84.15")

    def test_no_rate_ends_in_time_once_no_time_is_left(self) -> None:
        assert volume.minimum_rate(Decimal(1), timedelta()) is None
        assert volume.planned_rate(Decimal(300), Decimal(50), QUARTER, QUARTER) is None


class TestMinimumRate:
    """VOL-11: rounded up to 0.1 mL/h, so that the rate shown always suffices (D)."""

    @given(volumes, st.integers(1, 600))
    def test_it_gives_all_that_remains_in_the_time_left(self, left: Decimal, minutes: int) -> None:
        span = timedelta(minutes=minutes)
        rate = volume.minimum_rate(left, span)
        assert rate is not None
        assert volume.flowed(rate, span) >= left
        assert volume.flowed(rate - Decimal("0.1"), span) < left

    def test_an_exact_rate_is_not_raised(self) -> None:
        assert volume.minimum_rate(Decimal(100), timedelta(hours=2)) == Decimal("50.0")


class TestLastInstant:
    """Section 7: ``last_instant = deadline - V_remaining / highest_prescribed_rate`` [S17]."""

    def test_it_lies_one_hour_before_the_limit_when_an_hour_is_needed(self) -> None:
        assert volume.last_instant(after(240), Decimal(150), Decimal(150)) == after(180)

    def test_there_is_none_without_flow(self) -> None:
        assert volume.last_instant(after(240), Decimal(150), Decimal(0)) is None

    def test_while_the_flow_is_held_it_is_met_where_the_formula_says(self) -> None:
        closes = volume.closing_instant(TEN, Decimal(150), Decimal(0), after(240), Decimal(150))
        assert closes == after(180)

    def test_a_slow_flow_is_given_its_due(self) -> None:
        # 300 mL at 50 mL/h with 150 mL/h allowed: after 3 h 150 mL remain, which take the last hour
        closes = volume.closing_instant(TEN, Decimal(300), Decimal(50), after(240), Decimal(150))
        assert closes == after(180)

    def test_a_rate_that_ends_in_time_never_closes(self) -> None:
        assert (
            volume.closing_instant(TEN, Decimal(300), Decimal(100), after(240), Decimal(150))
            is None
        )

    @pytest.mark.parametrize("highest", ["10", "0"])
    def test_a_limit_out_of_reach_is_closed_from_the_beginning(self, highest: str) -> None:
        closes = volume.closing_instant(TEN, Decimal(300), Decimal(5), after(240), Decimal(highest))
        assert closes == TEN

    def test_a_rate_above_the_prescribed_one_that_is_still_too_slow_is_closed_at_once(self) -> None:
        closes = volume.closing_instant(TEN, Decimal(300), Decimal(70), after(240), Decimal(60))
        assert closes == TEN

    @given(volumes, rates, rates)
    def test_at_the_closing_instant_the_highest_rate_just_suffices(
        self, left: Decimal, rate: Decimal, highest: Decimal
    ) -> None:
        deadline = after(240)
        closes = volume.closing_instant(TEN, left, rate, deadline, highest)
        if closes is None:
            end = volume.expected_end(TEN, left, rate)
            assert end is not None
            assert end <= deadline
        elif closes > TEN:
            still = left - volume.flowed(rate, closes - TEN)
            latest = volume.last_instant(deadline, still, highest)
            assert latest is not None
            assert abs(latest - closes) < timedelta(milliseconds=1)


class TestExpectedEnd:
    """Section 7: ``expected_end = now + V_remaining / current_rate``, else the median of the last
    two readings, else unknown."""

    def test_150_ml_at_100_ml_per_hour_take_90_minutes(self) -> None:
        assert volume.expected_end(TEN, Decimal(150), Decimal(100)) == after(90)

    def test_it_is_unknown_while_nothing_flows(self) -> None:
        assert volume.expected_end(TEN, Decimal(150), Decimal(0)) is None

    def test_the_median_of_the_last_two_stands_in_for_a_rate(self) -> None:
        recorded = (Decimal(10), Decimal(100), Decimal(120))
        assert volume.rate_or_median(None, recorded) == Decimal(110)
        assert volume.rate_or_median(Decimal(90), recorded) == Decimal(90)

    def test_it_is_never_assumed(self) -> None:
        assert volume.rate_or_median(None, ()) is None

    def test_the_next_unit_is_asked_for_30_minutes_before(self) -> None:
        """common practice, no source (rules.md section 12)."""
        assert volume.next_unit_request_at(after(90), timedelta(minutes=30)) == after(60)


class TestPlannedSpan:
    """Section 7: slow start at the first rate, the rest at the later one."""

    def test_a_slow_start_adds_its_own_quarter_of_an_hour(self) -> None:
        span = volume.planned_span(Decimal("162.5"), Decimal(50), Decimal(150), QUARTER)
        assert span == timedelta(minutes=75)

    def test_a_small_bag_may_end_within_the_slow_start(self) -> None:
        span = volume.planned_span(Decimal(10), Decimal(60), Decimal(150), QUARTER)
        assert span == timedelta(minutes=10)

    def test_it_is_unknown_when_nothing_flows_later(self) -> None:
        assert volume.planned_span(Decimal(100), Decimal(50), Decimal(0), QUARTER) is None

    def test_a_span_that_runs_backwards_gives_nothing(self) -> None:
        assert volume.flowed(Decimal(100), timedelta(minutes=-1)) == 0


class TestDosesOfChildren:
    """VOL-06 to VOL-08 [S49], VOL-02 [S17]; shown with their inputs, never advised."""

    def test_10_kg_from_60_to_90_g_per_litre_are_150_ml(self) -> None:
        assert volume.red_cell_dose(Decimal(10), Decimal(60), Decimal(90)) == 150

    def test_at_the_target_nothing_is_due(self) -> None:
        assert volume.red_cell_dose(Decimal(10), Decimal(95), Decimal(90)) == 0

    def test_a_dose_is_the_weight_times_the_dose_per_kg(self) -> None:
        assert volume.dose(Decimal(12), Decimal(15)) == 180

    def test_an_ordered_volume_is_shown_per_kg(self) -> None:
        shown = dict(volume.dose_shown(Decimal(12), Decimal(180)))
        assert shown == {"ordered": "180 mL", "weight": "12 kg", "per kg": "15.0 mL/kg"}

    def test_an_emptied_bag_gave_its_volume_less_what_stays_in_it(self) -> None:
        """Section 7: label volume less residual (common practice, no source)."""
        assert volume.volume_from_label(Decimal(280), Decimal(15)) == 265
        assert volume.volume_from_label(Decimal(10), Decimal(15)) == 0
