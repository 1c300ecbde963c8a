"""What every store promises of a search, held against a slow model on a handful of instants."""

from collections.abc import Iterable
from datetime import datetime
from itertools import product

import pytest

from service.errors import BadInput
from service.fhir.search import SearchValue
from service.store.port import Page, Store, Term
from tests.support.stored import FACILITY, a_version, commit, minute, reference, span, token

CODES = "https://harrow-vale.example/id/codes"


def term(*alternatives: SearchValue, prefix: str = "eq") -> Term:
    first = alternatives[0]
    return Term(param=first.param, kind=first.kind, alternatives=alternatives, prefix=prefix)


def search(store: Store, *terms: Term, count: int = 99, after: str | None = None) -> Page:
    return store.search(FACILITY, "R4", "Observation", terms, count=count, after=after)


def ids(page: Page) -> list[str]:
    return [row.id for row in page.rows]


STORED_TOKENS = {
    "both": token("code", "a", CODES),
    "none": token("code", "a"),
    "other": token("code", "b", CODES),
}
ASKED_TOKENS = [
    (token("code", "a"), {"both", "none"}),
    (token("code", "a", ""), {"none"}),
    (token("code", "a", CODES), {"both"}),
    (token("code", None, CODES), {"both", "other"}),
    (token("code", "A", CODES), set()),
    (token("status", "a"), set()),
]


class SearchByToken:
    """Tokens: with a system, without one, of any system, and any code of a system."""

    @pytest.mark.parametrize(("asked", "found"), ASKED_TOKENS)
    def test_finds(self, store: Store, asked: SearchValue, found: set[str]) -> None:
        commit(
            store, resources=tuple(a_version(id, values=(v,)) for id, v in STORED_TOKENS.items())
        )
        page = search(store, term(asked))
        assert set(ids(page)) == found
        assert page.total == len(found)

    def test_takes_any_of_the_alternatives_and_all_of_the_terms(self, store: Store) -> None:
        held = {
            "v1": (token("code", "a"), token("status", "final")),
            "v2": (token("code", "b"), token("status", "final")),
            "v3": (token("code", "b"), token("status", "amended")),
        }
        commit(store, resources=tuple(a_version(id, values=v) for id, v in held.items()))
        either = term(token("code", "a"), token("code", "b"))
        assert set(ids(search(store, either))) == {"v1", "v2", "v3"}
        assert set(ids(search(store, either, term(token("status", "final"))))) == {"v1", "v2"}

    def test_finds_a_resource_once_however_many_of_its_values_match(self, store: Store) -> None:
        values = (token("code", "a"), token("code", "a", CODES), token("code", "b"))
        commit(store, resources=(a_version(values=values),))
        page = search(store, term(token("code", "a"), token("code", "b")))
        assert (ids(page), page.total) == (["v1"], 1)


class SearchByReference:
    """References: by our id, or by the identifier of what is meant."""

    def test_finds_by_id_or_by_identifier(self, store: Store) -> None:
        known = reference("patient", "Patient/1", system=CODES, extra="77")
        bare = reference("patient", None, extra="78")
        commit(store, resources=(a_version(values=(known,)), a_version("v2", values=(bare,))))
        for asked, found in (
            (reference("patient", "Patient/1"), ["v1"]),
            (reference("patient", "Patient/2"), []),
            (reference("patient", system=CODES, extra="77"), ["v1"]),
            (reference("patient", system="", extra="77"), []),
            (reference("patient", extra="77"), ["v1"]),
            (reference("patient", system="", extra="78"), ["v2"]),
        ):
            assert ids(search(store, term(asked))) == found


class SearchByDate:
    """Dates: what was sent and what is asked are both ranges (HL7 FHIR R4 and R5, search page,
    "Prefixes"; read from memory: a value without an end goes on for ever).
    """

    INSTANTS = range(-3, 12)
    ENDS = (None, 0, 2, 3, 5)
    ASKED = ((2, 2), (2, 3), (1, 4), (0, 5), (3, 8), (6, 7))

    def ranges(self) -> dict[str, tuple[int | None, int | None]]:
        pairs = product(self.ENDS, self.ENDS)
        kept = [(a, b) for a, b in pairs if a is None or b is None or a <= b]
        return {f"v{number}": pair for number, pair in enumerate(kept)}

    def means(self, low: int | None, high: int | None) -> set[int]:
        first = self.INSTANTS[0] if low is None else low
        last = self.INSTANTS[-1] if high is None else high
        return set(range(first, last + 1))

    def matches(self, prefix: str, value: set[int], asked: set[int]) -> bool:
        above = {n for n in self.INSTANTS if n > max(asked)}
        below = {n for n in self.INSTANTS if n < min(asked)}
        return {
            "eq": value <= asked,
            "ne": not value <= asked,
            "gt": bool(value & above),
            "lt": bool(value & below),
            "ge": bool(value & above) or value <= asked,
            "le": bool(value & below) or value <= asked,
            "sa": value <= above,
            "eb": value <= below,
        }[prefix]

    def test_finds_what_each_prefix_asks_of_the_two_ranges(self, store: Store) -> None:
        held = self.ranges()
        commit(
            store,
            resources=tuple(
                a_version(id, values=(span("date", _at(low), _at(high)),))
                for id, (low, high) in held.items()
            ),
        )
        also = term(*(token("_id", id) for id in held))  # which makes the store search otherwise
        for more, prefix, (low, high) in product(((), (also,)), PREFIXES, self.ASKED):
            asked = self.means(low, high)
            wanted = {
                id for id, pair in held.items() if self.matches(prefix, self.means(*pair), asked)
            }
            dates = term(span("date", _at(low), _at(high)), prefix=prefix)
            page = search(store, dates, *more)
            assert set(ids(page)) == wanted, (prefix, low, high)

    def test_finds_by_the_time_of_the_last_update(self, store: Store) -> None:
        commit(store, resources=tuple(a_version(f"v{n}", at=minute(n)) for n in range(4)))
        for prefix, found in (("eq", "12"), ("gt", "3"), ("lt", "0"), ("ge", "123"), ("ne", "03")):
            asked = term(span("_lastUpdated", minute(1), minute(2)), prefix=prefix)
            assert sorted(ids(search(store, asked))) == [f"v{n}" for n in found]


PREFIXES = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb")


def _at(number: int | None) -> datetime | None:
    return None if number is None else minute(number)


class SearchScope:
    """A search sees current versions of one type, release and facility."""

    def test_sees_only_what_the_newest_version_says(self, store: Store) -> None:
        commit(store, resources=(a_version(values=(token("status", "final"),)),))
        commit(store, resources=(a_version(version=2, values=(token("status", "amended"),)),))
        assert ids(search(store, term(token("status", "final")))) == []
        page = search(store, term(token("status", "amended")))
        assert [row.version for row in page.rows] == [2]

    def test_sees_one_type_release_and_facility(self, store: Store) -> None:
        value = (token("status", "final"),)
        commit(
            store,
            resources=(
                a_version(values=value),
                a_version("r5", release="R5", values=value),
                a_version("task", type="Task", values=value),
            ),
        )
        commit(store, facility="other-facility", resources=(a_version("there", values=value),))
        for terms in ((), (term(token("status", "final")),)):
            page = search(store, *terms)
            assert (ids(page), page.total) == (["v1"], 1)
        assert ids(store.search(FACILITY, "R5", "Observation", (), count=9)) == ["r5"]

    def test_sees_retracted_resources_too(self, store: Store) -> None:
        commit(store, resources=(a_version(retracted=True),))
        assert ids(search(store)) == ["v1"]

    def test_finds_by_id(self, store: Store) -> None:
        commit(store, resources=(a_version("v1"), a_version("v2"), a_version("v3")))
        asked = term(token("_id", "v1"), token("_id", "v3"), token("_id", "v9"))
        assert sorted(ids(search(store, asked))) == ["v1", "v3"]


class Paging:
    """Pages go from the last updated to the first, each resource once."""

    def walk(self, store: Store, count: int, meanwhile: Iterable[int] = ()) -> list[str]:
        found: list[str] = []
        after: str | None = None
        new = iter(meanwhile)
        while True:
            page = search(store, count=count, after=after)
            found += ids(page)
            for number in new:
                commit(store, resources=(a_version(f"new{number}", at=minute(100 + number)),))
                break
            if page.next_after is None:
                return found
            after = page.next_after

    def test_are_newest_first_and_by_id_within_an_instant(self, store: Store) -> None:
        times = {"a": 1, "b": 3, "c": 1, "d": 2}
        commit(store, resources=tuple(a_version(id, at=minute(n)) for id, n in times.items()))
        assert ids(search(store)) == ["b", "d", "c", "a"]

    @pytest.mark.parametrize("count", [1, 7, 49, 50, 51])
    def test_return_each_resource_exactly_once_while_others_come_in(
        self, store: Store, count: int
    ) -> None:
        old = [f"v{number:02}" for number in range(50)]
        commit(store, resources=tuple(a_version(id, at=minute(n // 3)) for n, id in enumerate(old)))
        found = self.walk(store, count, meanwhile=range(60))
        assert sorted(id for id in found if id in old) == old
        assert len(found) == len(set(found))

    def test_carry_the_total_and_end_without_a_next(self, store: Store) -> None:
        commit(store, resources=tuple(a_version(f"v{number}") for number in range(4)))
        first = search(store, count=3)
        second = search(store, count=3, after=first.next_after)
        assert (first.total, second.total) == (4, 4)
        assert first.next_after is not None
        assert second.next_after is None
        assert len(second.rows) == 1

    def test_of_no_rows_only_count(self, store: Store) -> None:
        commit(store, resources=(a_version(),))
        page = search(store, count=0)
        assert (page.rows, page.total, page.next_after) == ((), 1, None)

    @pytest.mark.parametrize("place", ["", "x", "!", "MQ", "fDE", "OTk5OTk5OTk5OTk5OTk5OTk5OTl8eA"])
    def test_refuse_a_place_that_is_not_one_of_ours(self, store: Store, place: str) -> None:
        with pytest.raises(BadInput) as caught:
            search(store, after=place)
        assert caught.value.status == 400
