"""Which rows of a stream go now: in order, commits whole, critical ones past what does not pass."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from service.delivery.lines import PASSED_BY, STUCK_AFTER, Item, Line, first_rows, in_order, parts
from service.store.port import OutboxRow
from tests.support.partners import a_row

rows = st.lists(
    st.tuples(st.sampled_from("abcd"), st.booleans(), st.sampled_from([0, 1, STUCK_AFTER])),
    max_size=8,
)


def a_stream(shape: list[tuple[str, bool, int]]) -> list[OutboxRow]:
    """Rows of one stream, each in a commit of its own, versions counting up."""
    found: list[OutboxRow] = []
    for number, (key, critical, attempts) in enumerate(shape):
        version = 1 + sum(row.key == key for row in found)
        row = a_row(key, version=version, critical=critical, group=f"commit-{number}")
        found.append(replace(row, id=number + 1, attempts=attempts))
    return found


class TestOrder:
    """What goes now is a beginning of the stream, each identity once."""

    @given(rows)
    def test_that_the_first_rows_are_a_beginning(self, shape: list[tuple[str, bool, int]]) -> None:
        stream = a_stream(shape)
        first = first_rows(stream)
        assert first == stream[: len(first)]
        assert len({row.key for row in first}) == len(first)
        assert bool(first) is bool(stream)

    @given(rows)
    def test_that_no_identity_goes_twice_or_backwards(
        self, shape: list[tuple[str, bool, int]]
    ) -> None:
        stream = a_stream(shape)
        ordered, replaced = in_order(stream)
        assert len({row.key for row in ordered}) == len(ordered)
        for row in ordered:
            older = {r.id for r in stream if r.key == row.key and r.version < row.version}
            assert older <= {r.id for r in replaced}
        assert not {row.id for row in ordered} & {row.id for row in replaced}


class TestPassing:
    """Only critical rows pass, and only what was tried again and again is passed."""

    def test_that_one_try_is_not_enough(self) -> None:
        stream = a_stream([("a", False, STUCK_AFTER - 1), ("b", True, 0)])
        assert in_order(stream) == (stream, [])

    def test_that_a_critical_row_goes_first_and_says_so(self) -> None:
        stream = a_stream([("a", False, STUCK_AFTER), ("b", False, 0), ("c", True, 0)])
        ordered, replaced = in_order(stream)
        assert [row.key for row in ordered] == ["c", "a", "b"]
        assert [row.flagged for row in ordered] == [PASSED_BY, None, None]
        assert replaced == []

    def test_that_a_newer_critical_version_replaces_the_one_that_does_not_pass(self) -> None:
        stream = a_stream([("a", False, STUCK_AFTER), ("a", True, 0)])
        ordered, replaced = in_order(stream)
        assert [(row.key, row.version) for row in ordered] == [("a", 2)]
        assert replaced == stream[:1]


class TestParts:
    """Bundles no longer than the partner takes, streams kept together where they fit."""

    @given(st.lists(st.integers(1, 5), max_size=6), st.integers(1, 7))
    def test_that_nothing_is_lost_or_reordered(self, lengths: list[int], most: int) -> None:
        items = [
            Item(row=row, line=line)
            for length, line in ((length, Line()) for length in lengths)
            for row in a_stream([("a", False, 0)] * length)
        ]
        found = parts(items, most)
        assert [item for part in found for item in part] == items
        assert all(0 < len(part) <= most for part in found)
