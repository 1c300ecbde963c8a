"""Searching: by identifier, patient, status, date; pages and their links (FH-59 to FH-67)."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.apps import BASE, HOSPITAL, House, Json, problem, read_json
from tests.support.apps import house as opened
from tests.support.authoring.words import at
from tests.support.worlds import PIKE, WREN, admission, tell, vitals, with_fields


def base(release: str) -> str:
    return f"/fhir/{release.lower()}"


def ids(found: Json) -> list[str]:
    return [entry["resource"]["id"] for entry in found.get("entry", [])]


def find(house: House, release: str, query: str) -> list[str]:
    return ids(read_json(house.get(f"{base(release)}/{query}")))


@pytest.fixture
def world(house: House, release: str) -> dict[str, str]:
    """Two patients with their records and three readings; name -> id."""
    found = {}
    for person in (WREN, PIKE):
        for entry in tell(house, admission(person), release):
            found[f"{person.given} {entry['resource']['resourceType']}"] = entry["resource"]["id"]
    for name, person, clock, status in (
        ("early", WREN, "08:00", "final"),
        ("late", WREN, "08:30", "amended"),
        ("other", PIKE, "08:15", "final"),
    ):
        reading = with_fields(vitals(person, clock), status=status)
        found[name] = house.create(release, reading[release])["id"]
    return found


class TestTokens:
    """FH-65: system and code, code alone, system alone, no system; alternatives; escapes."""

    def test_by_identifier(self, house: House, release: str, world: dict[str, str]) -> None:
        system, number = f"{HOSPITAL}/patient", WREN.number
        wren = [world["Wren Patient"]]
        assert find(house, release, f"Patient?identifier={system}|{number}") == wren
        assert find(house, release, f"Patient?identifier={number}") == wren
        assert find(house, release, f"Patient?identifier=|{number}") == []
        assert len(find(house, release, f"Patient?identifier={system}|")) == 2
        both = f"Patient?identifier={number},{system}|{PIKE.number}"
        assert len(find(house, release, both)) == 2

    def test_by_status(self, house: House, release: str, world: dict[str, str]) -> None:
        assert find(house, release, "Observation?status=amended") == [world["late"]]
        assert find(house, release, "Observation?status=amended&status=final") == []

    def test_that_an_escaped_comma_is_no_alternative(self, house: House, release: str) -> None:
        named = {"system": "s:1", "value": "a,b"}
        made = house.create(release, {"resourceType": "Patient", "identifier": [named]})
        assert find(house, release, "Patient?identifier=s:1|a%5C,b") == [made["id"]]
        assert find(house, release, "Patient?identifier=s:1|a,s:1|b") == []

    def test_that_case_matters(self, house: House, release: str, world: dict[str, str]) -> None:
        assert find(house, release, "Observation?status=Amended") == []

    @pytest.mark.parametrize(
        "value", ["' OR 1=1 --", '"; DROP TABLE resource; --', "%", "_", "\x00", "{{7*7}}"]
    )
    def test_that_a_value_is_only_a_value(
        self, house: House, release: str, world: dict[str, str], value: str
    ) -> None:
        """FUZ-18."""
        assert find(house, release, f"Patient?identifier={quote(value)}") == []
        assert len(find(house, release, "Patient")) == 2


class TestReferences:
    """By our id, by type and id, by our address, and by the identifier of the target."""

    def test_by_patient(self, house: House, release: str, world: dict[str, str]) -> None:
        house_number = f"{HOSPITAL}/patient|{WREN.number}"
        wanted = {world["early"], world["late"]}
        found = set(find(house, release, f"Observation?patient:identifier={house_number}"))
        assert wanted <= found
        assert world["other"] not in found

    def test_by_our_own_reference(self, house: House, release: str, world: dict[str, str]) -> None:
        patient = world["Wren Patient"]
        reading = vitals(WREN, "08:45")[release] | {
            "subject": {"reference": f"Patient/{patient}", "type": "Patient"}
        }
        made = house.create(release, reading)["id"]
        for said in (patient, f"Patient/{patient}", f"{BASE}{base(release)}/Patient/{patient}"):
            assert find(house, release, f"Observation?patient={said}") == [made]


class TestModifiers:
    """R4 3.1.1.4.4: an unknown modifier is refused; left out, it would give other results."""

    @pytest.mark.parametrize("name", ["status:not", "identifier:of-type", "patient:missing", "x:y"])
    def test_unknown(self, house: House, release: str, name: str) -> None:
        answer = house.get(f"{base(release)}/Observation?{name}=final")
        assert answer.status_code == (200 if name == "x:y" else 400)


class TestPages:
    """FH-60 to FH-63: links name what was applied; nobody is left out or shown twice."""

    def test_that_every_resource_is_shown_once_while_others_come_in(
        self, house: House, release: str
    ) -> None:
        """FH-61, with a hundred and seven at a page of seven."""
        named = [{"system": "s:1", "value": str(n)} for n in range(107)]
        held = {
            house.create(release, {"resourceType": "Patient", "identifier": [one]})["id"]
            for one in named
        }
        seen: list[str] = []
        where: str | None = f"{BASE}{base(release)}/Patient?_count=7"
        while where is not None:
            page = read_json(house.get(where.removeprefix(BASE)))
            assert len(page["entry"]) <= 7
            seen += ids(page)
            new = {"system": "s:2", "value": str(len(seen))}
            house.clock.set(house.clock.now() + timedelta(seconds=1))
            house.create(release, {"resourceType": "Patient", "identifier": [new]})
            where = next((k["url"] for k in page["link"] if k["relation"] == "next"), None)
        assert len(seen) == len(set(seen))
        assert held <= set(seen)

    def test_that_the_self_link_names_what_was_applied(self, house: House, release: str) -> None:
        page = read_json(house.get(f"{base(release)}/Observation?status=final&colour=red"))
        assert page["link"][0]["url"].endswith("/Observation?status=final&_count=50")

    @pytest.mark.parametrize(
        ("count", "entries"), [("0", 0), ("2", 2), ("200", 3), ("1000000000", 3)]
    )
    def test_the_size_of_a_page(
        self, house: House, release: str, world: dict[str, str], count: str, entries: int
    ) -> None:
        """FH-63."""
        page = read_json(house.get(f"{base(release)}/Observation?date=ge{TODAY}&_count={count}"))
        assert len(ids(page)) == entries
        assert page["total"] == 3

    @pytest.mark.parametrize("count", ["-1", "abc", "1.5", "٣", ""])
    def test_a_size_that_is_none(self, house: House, release: str, count: str) -> None:
        answer = house.get(f"{base(release)}/Observation?_count={quote(count)}")
        assert problem(answer)[0] == 400

    @pytest.mark.parametrize("cursor", ["x", "AAAA", "MTIz", "🙂", "a" * 400])
    def test_a_page_address_that_is_not_ours(self, house: House, release: str, cursor: str) -> None:
        """FH-62."""
        answer = house.get(f"{base(release)}/Observation?_after={quote(cursor)}")
        assert problem(answer)[:2] == (400, "value")

    def test_that_a_page_address_shows_nothing_of_another_facility(
        self, house: House, release: str, world: dict[str, str]
    ) -> None:
        page = read_json(house.get(f"{base(release)}/Observation?_count=1"))
        where = page["link"][1]["url"].removeprefix(BASE)
        assert ids(read_json(house.get(where, source="elsewhere"))) == []

    def test_that_a_search_has_an_end(self, house: House, release: str) -> None:
        many = ",".join("abc" for _ in range(2000))
        answer = house.get(f"{base(release)}/Patient?identifier={many}")
        assert problem(answer)[:2] == (400, "too-costly")


class TestForms:
    """FH-59: a search by form finds what a search by address finds."""

    @pytest.mark.parametrize(
        "query", ["status=final", "_count=2", "date=ge2027-06-08&status=amended"]
    )
    def test_the_same(self, house: House, release: str, world: dict[str, str], query: str) -> None:
        plain = read_json(house.get(f"{base(release)}/Observation?{query}"))
        form = house.post(
            f"{base(release)}/Observation/_search",
            query.encode(),
            content_type="application/x-www-form-urlencoded",
        )
        assert read_json(form) == plain

    def test_another_content_type(self, house: House, release: str) -> None:
        answer = house.post(f"{base(release)}/Observation/_search", b"{}")
        assert problem(answer)[0] == 415

    def test_a_form_without_end(self, house: House, release: str) -> None:
        answer = house.post(
            f"{base(release)}/Observation/_search",
            b"a=" + b"b" * 70_000,
            content_type="application/x-www-form-urlencoded",
        )
        assert problem(answer)[:2] == (413, "too-long")


TODAY = "2027-06-08"
PREFIXES = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb")


def means(text: str) -> tuple[datetime, datetime]:
    """The first and last microsecond of a FHIR date, worked out the slow way."""
    if len(text) == 4:
        first = datetime(int(text), 1, 1, tzinfo=UTC)
        return first, first.replace(year=first.year + 1) - timedelta(microseconds=1)
    if len(text) == 7:
        first = datetime(int(text[:4]), int(text[5:]), 1, tzinfo=UTC)
        after = (first + timedelta(days=32)).replace(day=1)
        return first, after - timedelta(microseconds=1)
    if len(text) == 10:
        first = datetime.fromisoformat(text).replace(tzinfo=UTC)
        return first, first + timedelta(days=1) - timedelta(microseconds=1)
    first = datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(UTC)
    return first, first + timedelta(seconds=1) - timedelta(microseconds=1)


def matches(prefix: str, asked: str, held: str) -> bool:
    """The prefixes as the Search pages of R4 (3.1.1.4.5) and R5 (3.2.1.5.6) state them."""
    (low, high), (first, last) = means(asked), means(held)
    within = low <= first and last <= high
    return {
        "eq": within,
        "ne": not within,
        "gt": last > high,
        "lt": first < low,
        "ge": last > high or within,
        "le": first < low or within,
        "sa": first > high,
        "eb": last < low,
    }[prefix]


HELD = (
    "2026",
    "2027",
    "2027-05",
    "2027-06",
    "2027-06-07",
    "2027-06-08",
    "2027-06-08T05:00:00Z",
    "2027-06-08T06:00:00+01:00",
    "2027-06-08T06:00:00Z",
    "2027-06-07T23:30:00-05:00",
)

texts = st.sampled_from(HELD) | st.builds(
    lambda day, hour, zone: f"2027-06-{day:02d}T{hour:02d}:00:00{zone}",
    st.integers(6, 9),
    st.integers(0, 23),
    st.sampled_from(["Z", "+01:00", "-05:00"]),
)


@pytest.fixture(scope="module")
def dated() -> Iterator[tuple[House, dict[str, str]]]:
    """A reading at each of the times, time -> id."""
    with opened() as house:
        held = {}
        for when in HELD:
            reading: dict[str, Any] = vitals(WREN, "08:00")["R4"] | {
                "effectiveDateTime": when,
                "identifier": [{"system": "s:1", "value": when}],
            }
            held[when] = house.create("R4", reading)["id"]
        yield house, held


class TestDates:
    """FH-64: prefixes over partial dates and offsets, against a slow reading of the standard."""

    @settings(
        max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(prefix=st.sampled_from(PREFIXES), asked=texts)
    def test_against_the_slow_reading(
        self, dated: tuple[House, dict[str, str]], prefix: str, asked: str
    ) -> None:
        house, held = dated
        found = set(find(house, "R4", f"Observation?date={prefix}{quote(asked)}"))
        wanted = {own_id for when, own_id in held.items() if matches(prefix, asked, when)}
        assert found == wanted

    def test_that_no_prefix_is_eq(self, dated: tuple[House, dict[str, str]]) -> None:
        house, _ = dated
        plain = find(house, "R4", f"Observation?date={TODAY}")
        assert plain == find(house, "R4", f"Observation?date=eq{TODAY}")
        assert plain

    @pytest.mark.parametrize("asked", ["soon", "2027-13", "2027-02-30", "eq", "ap2027", "99999"])
    def test_what_is_no_date(self, dated: tuple[House, dict[str, str]], asked: str) -> None:
        house, _ = dated
        assert problem(house.get(f"/fhir/r4/Observation?date={asked}"))[:2] == (400, "value")

    def test_by_when_it_was_stored(self, house: House, release: str) -> None:
        """FH-68: _lastUpdated."""
        first = house.create(release, vitals(WREN, "08:00")[release])["id"]
        house.clock.set(house.clock.now() + timedelta(minutes=5))
        second = house.create(release, vitals(WREN, "08:03")[release])["id"]
        cut = quote(at("08:02"))
        assert find(house, release, f"Observation?_lastUpdated=gt{cut}") == [second]
        assert find(house, release, f"Observation?_lastUpdated=lt{cut}") == [first]
