"""Mutated transactions: never an error of ours, and a refusal leaves nothing (FUZ-01, FUZ-02)."""

import json
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.api.test_bundles import MRN, contract
from tests.support.apps import RELEASES, House, issues, read_json
from tests.support.apps import house as opened

AT = "2026-11-24T16:10:00+00:00"
ODD: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    10**30,
    1.5,
    "",
    " ",
    "x",
    "\u0000",
    "9999-12-31",
    "9999-12-31T23:59:59Z",
    "0001-01-01T00:00:00+14:00",
    "2026-11-24T09:00:00",
    "2026-11-24T09:00:00-05:00",
    "2026-02-30",
    "urn:uuid:00000000-0000-0000-0000-000000000000",
    "Patient/x",
    "Patient?identifier=a|b",
    "#nothing",
    "https://x.example/fhir/Patient/1",
    "entered-in-error",
    "cancelled",
    "=A99992600471100",
    "=<E0398V00",
    "&>0263422359",
    "٣٤",
    "Ａ",
    [],
    {},
    [[]],
    {"reference": "Patient/x"},
    {"coding": [{"system": "http://loinc.org", "code": "8310-5"}]},
    {"value": 1, "system": "http://unitsofmeasure.org", "code": "Cel"},
)

Path = tuple[str | int, ...]


def paths(value: Any, at: Path = ()) -> Iterator[Path]:
    """Every place inside a value, its own included."""
    yield at
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from paths(inner, (*at, name))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from paths(inner, (*at, number))


PATHS = {release: [p for p in paths(contract(release)) if len(p) > 1] for release in RELEASES}


@st.composite
def mutations(draw: st.DrawFn) -> tuple[str, list[tuple[str, Path, Any]]]:
    """(release, [(what is done, where, with what)])."""
    release = draw(st.sampled_from(RELEASES))
    done = draw(
        st.lists(
            st.tuples(
                st.sampled_from(["drop", "set", "double", "rename", "move"]),
                st.sampled_from(PATHS[release]),
                st.sampled_from(ODD),
            ),
            min_size=1,
            max_size=4,
        )
    )
    return release, done


def mutated(release: str, done: list[tuple[str, Path, Any]]) -> Any:
    """The complete transaction with something done to it; a place that is gone stays gone."""
    bundle = contract(release)
    for what, path, odd in done:
        *way, last = path
        holder: Any = bundle
        for part in way:
            try:
                holder = holder[part]
            except (KeyError, IndexError, TypeError):
                break
        else:
            _do(what, holder, last, deepcopy(odd))
    return bundle


def _do(what: str, holder: Any, last: str | int, odd: Any) -> None:
    held = isinstance(holder, dict) and last in holder
    held = held or (isinstance(holder, list) and isinstance(last, int) and last < len(holder))
    if not held:
        return
    if what == "drop":
        del holder[last]
    elif what == "set":
        holder[last] = odd
    elif what == "double":
        holder[last] = [holder[last], deepcopy(holder[last])]
    elif what == "rename" and isinstance(holder, dict):
        holder[f"x{last}"] = holder.pop(str(last))
    elif what == "move" and isinstance(holder, list):
        holder.append(holder.pop(int(last)))


@pytest.fixture(scope="module")
def house() -> Iterator[House]:
    """One house for all: what was accepted before makes later refusals likelier."""
    with opened(at=AT, identity_systems=[MRN], zone="America/New_York") as found:
        yield found


class TestMutatedTransactions:
    """Whatever is sent is answered 2xx or refused; a refusal changes no row."""

    @settings(
        max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(mutation=mutations())
    def test_never_an_error_of_ours(
        self, house: House, mutation: tuple[str, list[tuple[str, Path, Any]]]
    ) -> None:
        release, done = mutation
        body = json.dumps(mutated(release, done)).encode()
        before = house.counts()
        answer = house.post(f"/fhir/{release.lower()}", body)
        assert answer.status_code < 500, answer.text
        if answer.status_code != 200:
            assert issues(answer)
            assert house.counts() == before
            return
        told = read_json(answer)
        assert len(told.get("entry", [])) == len(json.loads(body)["entry"])
        house.settle()

    @settings(
        max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(
        release=st.sampled_from(RELEASES),
        type_name=st.sampled_from(["Patient", "Observation", "Task", "$check-unit", ""]),
        content=st.recursive(
            st.none() | st.booleans() | st.integers() | st.text(max_size=8) | st.sampled_from(ODD),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(
                    st.sampled_from(["resourceType", "id", "entry", "code", "x"]), inner
                )
            ),
            max_leaves=8,
        ),
    )
    def test_any_json(self, house: House, release: str, type_name: str, content: Any) -> None:
        where = f"/fhir/{release.lower()}" + (f"/{type_name}" if type_name else "")
        before = house.counts()
        answer = house.post(where, json.dumps(content).encode("utf-8", "surrogatepass"))
        assert 400 <= answer.status_code < 500, answer.text
        assert issues(answer)
        assert house.counts() == before

    @settings(
        max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(release=st.sampled_from(RELEASES), body=st.binary(max_size=60))
    def test_any_bytes(self, house: House, release: str, body: bytes) -> None:
        before = house.counts()
        answer = house.post(f"/fhir/{release.lower()}/Patient", body)
        assert 400 <= answer.status_code < 500
        assert house.counts() == before
