"""The general early-warning score against its published chart (NEWS2, RCP 2017; [S72])."""

from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.quantity import Vital
from service.rules.news2 import CHART, points, score

# the chart as rules.md 5.1 prints it: value or range -> points
PRINTED: dict[Vital, tuple[tuple[str, str, int], ...]] = {
    Vital.RESPIRATORY_RATE: (
        ("0", "8", 3),
        ("9", "11", 1),
        ("12", "20", 0),
        ("21", "24", 2),
        ("25", "80", 3),
    ),
    Vital.SATURATION: (("0", "91", 3), ("92", "93", 2), ("94", "95", 1), ("96", "100", 0)),
    Vital.SYSTOLIC: (
        ("0", "90", 3),
        ("91", "100", 2),
        ("101", "110", 1),
        ("111", "219", 0),
        ("220", "300", 3),
    ),
    Vital.HEART_RATE: (
        ("0", "40", 3),
        ("41", "50", 1),
        ("51", "90", 0),
        ("91", "110", 1),
        ("111", "130", 2),
        ("131", "250", 3),
    ),
    Vital.TEMPERATURE: (
        ("25.0", "35.0", 3),
        ("35.1", "36.0", 1),
        ("36.1", "38.0", 0),
        ("38.1", "39.0", 1),
        ("39.1", "45.0", 2),
    ),
}
STEP = {Vital.TEMPERATURE: Decimal("0.1")}
HEALTHY = {
    Vital.RESPIRATORY_RATE: Decimal(16),
    Vital.SATURATION: Decimal(98),
    Vital.SYSTOLIC: Decimal(120),
    Vital.HEART_RATE: Decimal(72),
    Vital.TEMPERATURE: Decimal("36.8"),
}


def printed(vital: Vital) -> list[tuple[Decimal, int]]:
    """Every value of every band, one step apart."""
    step = STEP.get(vital, Decimal(1))
    found = []
    for low, high, given_points in PRINTED[vital]:
        value = Decimal(low)
        while value <= Decimal(high):
            found.append((value, given_points))
            value += step
    return found


class TestEveryBand:
    """RR ≤8:3, 9–11:1, 12–20:0, 21–24:2, ≥25:3 | ... | T ≤35.0:3 ... ≥39.1:2 [S72]."""

    @pytest.mark.parametrize("vital", list(CHART), ids=lambda vital: vital.value)
    def test_every_value_of_the_chart_gets_its_points(self, vital: Vital) -> None:
        for value, expected in printed(vital):
            assert points(vital, value) == expected, value

    @pytest.mark.parametrize("vital", list(CHART), ids=lambda vital: vital.value)
    def test_the_printed_bands_leave_no_gap(self, vital: Vital) -> None:
        step = STEP.get(vital, Decimal(1))
        bands = PRINTED[vital]
        for (_, high, _), (low, _, _) in pairwise(bands):
            assert Decimal(high) + step == Decimal(low)

    def test_a_value_between_two_steps_is_rounded_first(self) -> None:
        assert points(Vital.TEMPERATURE, Decimal("38.04")) == 0
        assert points(Vital.TEMPERATURE, Decimal("38.05")) == 1
        assert points(Vital.SYSTOLIC, Decimal("90.5")) == 2


class TestTheSum:
    """Supplemental O2: 2; CVPU: 3; the sum of all seven [S72]."""

    def test_a_healthy_adult_scores_nothing(self) -> None:
        found = score(HEALTHY, on_oxygen=False, alert=True)
        assert (found.total, found.highest) == (0, 0)

    def test_oxygen_adds_two_and_is_no_single_three(self) -> None:
        found = score(HEALTHY, on_oxygen=True, alert=True)
        assert (found.total, found.highest) == (2, 2)

    def test_anything_but_alert_adds_three(self) -> None:
        found = score(HEALTHY, on_oxygen=False, alert=False)
        assert (found.total, found.highest) == (3, 3)

    @given(
        st.integers(0, 80),
        st.integers(0, 100),
        st.integers(0, 300),
        st.integers(0, 250),
        st.integers(250, 450),
        st.booleans(),
        st.booleans(),
    )
    def test_it_is_the_sum_of_its_parts(
        self, rate: int, sat: int, sbp: int, hr: int, tenths: int, oxygen: bool, alert: bool
    ) -> None:
        values = {
            Vital.RESPIRATORY_RATE: Decimal(rate),
            Vital.SATURATION: Decimal(sat),
            Vital.SYSTOLIC: Decimal(sbp),
            Vital.HEART_RATE: Decimal(hr),
            Vital.TEMPERATURE: Decimal(tenths) / 10,
        }
        parts = [dict(printed(vital))[value] for vital, value in values.items()]
        parts += [2 * oxygen, 3 * (not alert)]
        found = score(values, on_oxygen=oxygen, alert=alert)
        assert (found.total, found.highest) == (sum(parts), max(parts))

    def test_a_missing_value_is_no_zero(self) -> None:
        with pytest.raises(KeyError):
            score({}, on_oxygen=False, alert=True)


class TestItIsNotTheTransfusionRule:
    """NEWS2 gives 0 at exactly 38.0 °C while VIT-01 fires at 38.0: kept separate [S72]."""

    def test_thirty_eight_scores_nothing(self) -> None:
        assert points(Vital.TEMPERATURE, Decimal("38.0")) == 0
