"""Facts and acts come back from the store as they went in, digit for digit."""

from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from decimal import Decimal
from functools import cache
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.facts.acts import Act, ActBody
from service.facts.fact import KIND_OF, KINDS, Body, Fact
from service.facts.identity import Ref
from service.facts.records import AllowedGroups, LabResult
from service.store.sqlite.codec import (
    ACT_KIND,
    ACTS,
    act_of,
    encoded,
    fact_of,
    instant,
    moment,
    us,
)
from tests.support.stored import START, a_fact

TEXTS = st.text(max_size=8)
INSTANTS = st.datetimes(
    min_value=datetime(1900, 1, 1),  # noqa: DTZ001  hypothesis adds the zone
    max_value=datetime(2100, 1, 1),  # noqa: DTZ001
    timezones=st.just(UTC),
)
DECIMALS = st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-999)

SIMPLE: dict[Any, st.SearchStrategy[Any]] = {
    str: TEXTS,
    int: st.integers(min_value=-(2**40), max_value=2**40),
    bool: st.booleans(),
    Decimal: DECIMALS,
    datetime: INSTANTS,
    NoneType: st.none(),
}


@cache
def anything(hint: Any) -> st.SearchStrategy[Any]:
    """Any value of a type that facts and acts are made of."""
    if hint in SIMPLE:
        return SIMPLE[hint]
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        return st.builds(
            hint, **{field.name: anything(hints[field.name]) for field in fields(hint)}
        )
    parts = get_args(hint)
    made = get_origin(hint)
    if made in (Union, UnionType):
        return st.one_of(*map(anything, parts))
    if made is frozenset:
        return st.frozensets(anything(parts[0]), max_size=3)
    if made is dict:
        return st.dictionaries(anything(parts[0]), anything(parts[1]), max_size=2)
    if made is tuple and parts[-1] is Ellipsis:
        return st.lists(anything(parts[0]), max_size=2).map(tuple)
    if made is tuple:
        return st.tuples(*map(anything, parts))
    return st.sampled_from(hint)  # an enumeration


class TestFacts:
    """Every kind of fact, whatever stands in it."""

    def test_have_a_decoder_for_every_kind(self) -> None:
        assert set(KINDS.values()) == set(get_args(Body))
        assert KINDS.keys() == set(KIND_OF.values())

    @pytest.mark.parametrize("kind", KINDS)
    @settings(max_examples=25, deadline=None)
    @given(data=st.data())
    def test_come_back_as_they_were(self, kind: str, data: st.DataObject) -> None:
        fact: Fact[Any] = Fact(
            key=data.draw(TEXTS),
            version=data.draw(st.integers(min_value=1, max_value=2**40)),
            source=data.draw(TEXTS),
            received=data.draw(INSTANTS),
            stamp=data.draw(st.none() | INSTANTS),
            digest=data.draw(TEXTS),
            subject=data.draw(st.none() | st.builds(Ref, kind=TEXTS, id=st.none() | TEXTS)),
            retracted=data.draw(st.booleans()),
            body=data.draw(anything(KINDS[kind])),
        )
        assert fact_of(kind, encoded(fact)) == fact

    @pytest.mark.parametrize("value", ["37.10", "0.0", "1E+2", "12345678901234567890.5", "-0.3"])
    def test_keep_every_digit_of_a_number(self, value: str) -> None:
        told = a_fact("Observation/1", LabResult(analyte="haptoglobin", value=Decimal(value)))
        again = fact_of("result", encoded(told))
        assert str(again.body.value) == value

    def test_are_written_the_same_way_whatever_the_order_of_a_set(self) -> None:
        groups = [
            f"{abo} {rhd}" for abo in ("O", "A", "B", "AB") for rhd in ("positive", "negative")
        ]
        forward, back = frozenset(groups), frozenset(reversed(groups))
        one, other = (
            a_fact("Observation/1", AllowedGroups(component=None, groups=held))
            for held in (forward, back)
        )
        assert encoded(one) == encoded(other)

    def test_of_an_older_software_lack_what_was_added_since(self) -> None:
        """A field that is new has a default: what was stored before says nothing of it."""
        old = encoded(a_fact("Observation/1", LabResult(analyte="x", word="positive")))
        cut = old.replace(b'"word":"positive"', b'"later":1').replace(b'"unit":null,', b"")
        assert fact_of("result", cut).body == LabResult(analyte="x")


class TestActs:
    """Every kind of act."""

    def test_have_a_decoder_for_every_kind(self) -> None:
        assert set(ACTS.values()) == set(get_args(ActBody))
        assert set(ACT_KIND.values()) == set(ACTS)

    @pytest.mark.parametrize("kind", ACTS)
    @settings(max_examples=25, deadline=None)
    @given(data=st.data())
    def test_come_back_as_they_were(self, kind: str, data: st.DataObject) -> None:
        body = data.draw(anything(ACTS[kind]))
        act = Act(key="k", at=START, body=body)
        assert act_of("k", us(START) or 0, kind, encoded(body)) == act


class TestInstants:
    """Instants are kept to the microsecond, in order."""

    @given(one=INSTANTS, other=INSTANTS)
    def test_come_back_and_keep_their_order(self, one: datetime, other: datetime) -> None:
        first, second = us(one), us(other)
        assert first is not None
        assert second is not None
        assert (moment(first), instant(second)) == (one, other)
        assert (first < second) == (one < other)

    def test_that_are_missing_stay_missing(self) -> None:
        assert us(None) is None
        assert instant(None) is None
