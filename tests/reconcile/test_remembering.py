"""Judgements are kept with their case, and hold only while all that they rest on stands.

Not from a published source: what is kept must change no result (the law in tests/assessment), so
whatever may change a judgement must change the name under which it is kept.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.assessment.assess import Assessment, assess
from service.assessment.clock import RecordingClock
from service.assessment.memory import MOST, Found, Memory, Standing
from service.facts.acts import Act, NoticeRaised
from service.facts.case import Case, OtherStart
from service.facts.fact import Fact
from service.policy.policy import Site
from service.reconcile.remembering import edition, recalled, to_keep
from tests.support.cases import (
    BASELINE,
    PATIENT,
    SITE,
    START_AT,
    UNIT_KEY,
    some_facts,
    some_vitals,
)
from tests.support.policies import default_policy, with_rows

POLICY = default_policy()
NOW = START_AT + timedelta(minutes=30)
AT = START_AT
NOTICE = NoticeRaised(
    notice=f"{UNIT_KEY.text}/1", unit=UNIT_KEY.text, origin="Task/1", grade="stop", onset=START_AT
)


def told() -> tuple[Fact[Any], ...]:
    """A started unit's facts, each with a digest of its own."""
    return tuple(replace(fact, digest=f"digest of {fact.key}") for fact in some_facts(start={}))


def case_of(facts: Iterable[Fact[Any]], acts: Iterable[Act] = (), **parts: Any) -> Case:
    given = {"aliases": PATIENT.tokens} | parts
    return Case("person-1", facts, acts, **given)


def key(case: Case, site: Site = SITE, policy: Any = POLICY, by: str = "an edition") -> str:
    return Standing(case, policy, site, by).key(AT, "check", UNIT_KEY.text, "Task/check", None)


def judged(facts: Iterable[Fact[Any]], memory: Memory) -> Assessment:
    return assess(case_of(facts), POLICY, SITE, RecordingClock(NOW), memory)


class TestKept:
    """What was judged in one request is judged by nobody in the next one."""

    def test_comes_back_as_it_was(self) -> None:
        first = recalled(None)
        before = judged(told(), first)
        kept = to_keep(first)
        again = recalled(kept)
        after = judged(told(), again)

        assert kept is not None
        assert [course.judgements for course in after.courses] == [
            course.judgements for course in before.courses
        ]
        assert to_keep(again) is None

    def test_an_observation_afterwards_adds_nothing(self) -> None:
        first = recalled(None)
        judged(told(), first)
        later = recalled(to_keep(first))
        judged(
            (*told(), some_vitals(START_AT + timedelta(minutes=14), "Observation/v1", BASELINE)),
            later,
        )

        assert to_keep(later) is None

    def test_only_what_was_used_last_stays(self) -> None:
        memory = recalled(None)
        memory.put("a", AT, Found.of(()))
        memory.begin()
        memory.put("b", AT, Found.of(()))

        assert memory.to_keep() == {"b": ()}

    def test_the_latest_stay_where_there_are_many(self) -> None:
        memory = recalled(None)
        for place in range(MOST + 5):
            memory.put(f"{place:03d}", AT + timedelta(minutes=place), Found.of(()))
        kept = memory.to_keep()

        assert kept is not None
        assert sorted(kept) == [f"{place:03d}" for place in range(5, MOST + 5)]


class TestWhatItRestsOn:
    """Anything that a judgement may rest on gives it another name."""

    @pytest.mark.parametrize(
        "other",
        [
            case_of(told()[1:]),
            case_of([replace(told()[0], version=2), *told()[1:]]),
            case_of([replace(told()[0], digest="another"), *told()[1:]]),
            case_of(told(), [Act(key="notice-raised:1", at=AT, body=NOTICE)]),
            case_of(told(), aliases=frozenset({"Patient/other"})),
            case_of(told(), elsewhere=[OtherStart(unit=UNIT_KEY, at=AT, step="Task/there")]),
            case_of([*told(), some_vitals(AT, "Observation/at-the-time", BASELINE)]),
        ],
        ids=["fewer facts", "version", "content", "notice", "alias", "elsewhere", "observed"],
    )
    def test_of_the_case(self, other: Case) -> None:
        assert key(other) != key(case_of(told()))

    def test_of_the_policy(self) -> None:
        other = with_rows({"check-valid": 45})
        assert key(case_of(told()), policy=other) != key(case_of(told()))

    @pytest.mark.parametrize(
        "site",
        [
            replace(SITE, identity_systems=()),
            replace(SITE, temporary_systems=("https://harrow-vale.example/id/other",)),
            replace(SITE, facility="elsewhere"),
        ],
    )
    def test_of_the_site(self, site: Site) -> None:
        assert key(case_of(told()), site=site) != key(case_of(told()))

    def test_of_the_rules_themselves(self) -> None:
        assert key(case_of(told()), by=edition()) != key(case_of(told()), by="another edition")

    def test_not_of_what_was_observed_afterwards(self) -> None:
        later = some_vitals(AT + timedelta(minutes=1), "Observation/later", BASELINE)
        assert key(case_of([*told(), later])) == key(case_of(told()))
