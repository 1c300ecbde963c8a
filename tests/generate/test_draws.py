"""Draws are the same everywhere, and as likely as they say."""

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from service.generate.draws import Draws

FIRST = [0.663302, 0.274038, 0.286641, 0.408802]  # of Draws(1, "unit", 0)
NAMES = st.lists(st.one_of(st.integers(), st.text(max_size=5)), min_size=1, max_size=3)


class TestASeedGivesOneStream:
    """The same names give the same draws; another name gives others."""

    def test_that_the_numbers_are_those_of_every_machine(self) -> None:
        draws = Draws(1, "unit", 0)
        assert [round(draws.share(), 6) for _ in range(4)] == FIRST

    @given(NAMES)
    def test_that_equal_names_draw_alike(self, names: list[object]) -> None:
        one, other = Draws(*names), Draws(*names)
        assert [one.share() for _ in range(5)] == [other.share() for _ in range(5)]

    def test_that_streams_are_apart(self) -> None:
        firsts = {Draws(1, "unit", index).share() for index in range(1000)}
        assert len(firsts) == 1000


class TestWhatIsDrawn:
    """Bounds hold for every seed, shares in the long run."""

    @given(st.integers(), st.integers(-50, 50), st.integers(0, 50))
    def test_that_whole_numbers_keep_to_both_ends(self, seed: int, least: int, more: int) -> None:
        draws = Draws(seed)
        assert all(least <= draws.whole(least, least + more) <= least + more for _ in range(20))

    @given(st.integers(), st.floats(-100, 100), st.floats(0, 50))
    def test_that_nothing_is_further_from_the_middle_than_said(
        self, seed: int, middle: float, most: float
    ) -> None:
        found = Draws(seed).near(middle, most)
        assert middle - most - 1e-9 <= found <= middle + most + 1e-9

    @given(st.integers())
    def test_that_points_are_joined_by_lines(self, seed: int) -> None:
        assert 2 <= Draws(seed).along((2, 25, 50, 90, 175)) <= 175

    def test_that_a_quarter_lies_between_two_of_five_points(self) -> None:
        draws = Draws("quarter")
        found = [draws.along((2, 25, 50, 90, 175)) for _ in range(4000)]
        assert abs(sum(value < 50 for value in found) / 4000 - 0.5) < 0.03

    def test_that_weights_are_kept(self) -> None:
        draws = Draws("weights")
        found = Counter(draws.weighted({"a": 70, "b": 25, "c": 5, "d": 0}) for _ in range(10_000))
        assert abs(found["a"] - 7000) < 150
        assert abs(found["b"] - 2500) < 150
        assert abs(found["c"] - 500) < 100
        assert found["d"] == 0

    def test_that_every_item_comes(self) -> None:
        draws = Draws("items")
        assert {draws.among("xyz") for _ in range(100)} == set("xyz")
