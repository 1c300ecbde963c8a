"""What a person accepted, and until when anything reaches back to it.

An authorisation binds patient, unit, rule and the facts; it lapses at the start or after 60 min;
while life-threatening one covers the patient's units until the emergency ends (rule catalogue,
section 0; emergency release [S02][S97]). A merge voids nothing (ID-10, [S95][S96]).
"""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.assessment.assess import Assessment, assess
from service.assessment.clock import RecordingClock
from service.assessment.desired import Event, Issue, Procedure
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.finding import Verdict
from service.facts.moment import at
from service.facts.steps import Step, StepCode
from service.facts.unit import UnitRef
from tests.support.cases import (
    CHECKED_AT,
    NURSE,
    PATIENT,
    SECOND,
    SITE,
    START_AT,
    THIRD,
    a_bag,
    a_check,
    a_consent,
    a_patient,
    a_step,
    a_unit,
    group,
    some_facts,
)
from tests.support.policies import default_policy

POLICY = default_policy()
GIVEN_AT = CHECKED_AT + timedelta(seconds=20)


def after(minutes: float) -> datetime:
    return START_AT + timedelta(minutes=minutes)


def authorised(rule: str = "PRE-02", when: datetime = GIVEN_AT, **said: Any) -> Fact[Step]:
    inputs = {"owner": THIRD, "rules": (rule,), "reason": "Consultant's decision"} | said
    return a_step(StepCode.AUTHORISE, "Task/authorise", when, **inputs)


EMERGENCY = a_step(StepCode.DECLARE_EMERGENCY, "Task/emergency", CHECKED_AT - timedelta(minutes=30))


def seen(*more: Fact[Any], now: datetime | None = None, **facts: Any) -> Assessment:
    case = Case("person-1", (*some_facts(**facts), *more), (), PATIENT.tokens)
    return assess(case, POLICY, SITE, RecordingClock(now or after(30)))


def word(found: Assessment, key: str) -> str:
    return found.answers[key].word


NO_CONSENT: dict[str, Any] = {"consent": None}
UNREAD: dict[str, Any] = {"check": {"appearance": None}}  # PRE-06 rests on the check itself


class TestAnAuthorisation:
    def test_covers_the_check_and_the_start_it_came_before(self) -> None:
        found = seen(authorised(), start={}, **NO_CONSENT)
        assert (word(found, "Task/check"), word(found, "Task/start")) == (
            "no-objection",
            "no-objection",
        )

    @pytest.mark.parametrize(
        "authorise",
        [
            authorised(owner=None),
            authorised(owner=NURSE),
            authorised(owner=SECOND),
            authorised(reason=None),
            authorised(rule="PRE-01"),
            authorised(when=after(1)),
            authorised(when=START_AT - timedelta(minutes=61)),
        ],
    )
    def test_does_not_count_without_a_name_of_its_own_a_reason_the_rule_or_in_its_time(
        self, authorise: Fact[Step]
    ) -> None:
        assert word(seen(authorise, start={}, **NO_CONSENT), "Task/start") == "authorise"

    def test_is_not_voided_by_a_correction_after_the_start(self) -> None:
        """It lapses at the start: what comes later cannot reach back."""
        facts = {"start": {}, **UNREAD}
        given = authorised("PRE-06")
        late = replace(
            a_check(appearance=None, interrupted=None), version=2, stamp=after(20), digest="late"
        )
        found = seen(given, late, **facts)
        assert word(found, "Task/start") == word(seen(given, **facts), "Task/start")
        assert word(found, "Task/start") == "no-objection"

    def test_is_voided_by_a_correction_before_the_start(self) -> None:
        early = replace(
            a_check(appearance=None, interrupted=None),
            version=2,
            stamp=GIVEN_AT + timedelta(seconds=20),
            digest="early",
        )
        found = seen(authorised("PRE-06"), early, start={}, **UNREAD)
        assert word(found, "Task/start") == "authorise"

    def test_of_an_earlier_check_does_not_cover_a_later_one(self) -> None:
        again = a_check(
            "Task/again",
            start=at(GIVEN_AT + timedelta(seconds=1)),
            end=at(GIVEN_AT + timedelta(seconds=30)),
            appearance=None,
        )
        found = seen(authorised("PRE-06"), again, **UNREAD)
        assert word(found, "Task/check") == "no-objection"
        assert word(found, "Task/again") == "authorise"

    def test_covers_a_later_check_while_life_threatening(self) -> None:
        again = a_check(
            "Task/again",
            start=at(GIVEN_AT + timedelta(seconds=1)),
            end=at(GIVEN_AT + timedelta(seconds=30)),
            appearance=None,
        )
        found = seen(EMERGENCY, authorised("PRE-06"), again, start={}, **UNREAD)
        words = {word(found, key) for key in ("Task/check", "Task/again", "Task/start")}
        assert words.isdisjoint({"authorise", "refuse"})


class TestEmergencyStock:
    """ID-13: group O stock without issue and label, authorised once, hung [S97]."""

    def test_the_start_itself_does_not_void_what_covers_it(self) -> None:
        bare = a_check(label=None, bag=a_bag(group=group("O-")))
        stock: dict[str, Any] = {"issue": None, "bag_group": "O-", "start": {}, "check": bare}
        open_findings = seen(EMERGENCY, **stock).answers["Task/start"]
        rules = {f.rule for f in open_findings.findings if f.verdict is Verdict.AUTHORISE}
        given = authorised()
        given = replace(given, body=replace(given.body, rules=tuple(sorted(rules))))
        found = seen(EMERGENCY, given, **stock)

        assert "ID-13" in rules
        assert open_findings.word == "authorise"
        assert word(found, "Task/start") in ("note", "caution")


class TestOneEmergency:
    """Rules 0: one authorisation covers the patient's units until the end of the emergency."""

    BEFORE = CHECKED_AT - timedelta(minutes=20)
    OTHER = UnitRef(din="A999925123457", product="E0398", division="000000")

    def passes(self, *more: Fact[Any], **facts: Any) -> bool:
        words = {word(seen(*more, start={}, **facts), k) for k in ("Task/check", "Task/start")}
        return words.isdisjoint({"authorise", "refuse"})

    def test_covers_a_unit_it_does_not_name_and_what_came_with_it(self) -> None:
        """The issue of the second unit is told again after the authorisation."""
        other = authorised("PRE-06", self.BEFORE, unit=self.OTHER)
        told = replace(a_check(appearance=None), version=2, stamp=GIVEN_AT, digest="completed")
        assert self.passes(EMERGENCY, other, **UNREAD)
        assert self.passes(EMERGENCY, other, told, **UNREAD)
        assert not self.passes(EMERGENCY, authorised("PRE-06", self.BEFORE), told, **UNREAD)
        assert not self.passes(other, **UNREAD)

    def test_lasts_longer_than_its_life(self) -> None:
        long_ago = a_step(
            StepCode.DECLARE_EMERGENCY, "Task/emergency", CHECKED_AT - timedelta(hours=5)
        )
        early = authorised("PRE-06", CHECKED_AT - timedelta(hours=3))
        assert self.passes(long_ago, early, **UNREAD)

    def test_of_an_emergency_that_is_over_does_not_cover_the_next(self) -> None:
        over = a_step(StepCode.END_EMERGENCY, "Task/over", CHECKED_AT - timedelta(minutes=15))
        first = a_step(StepCode.DECLARE_EMERGENCY, "Task/first", CHECKED_AT - timedelta(minutes=40))
        second = a_step(
            StepCode.DECLARE_EMERGENCY, "Task/second", CHECKED_AT - timedelta(minutes=10)
        )
        other = authorised("PRE-06", self.BEFORE, unit=self.OTHER)
        assert self.passes(first, other, **UNREAD)
        assert not self.passes(first, over, second, other, **UNREAD)

    def test_given_before_the_emergency_is_for_its_unit_and_its_life_only(self) -> None:
        routine = CHECKED_AT - timedelta(minutes=35)
        assert not self.passes(EMERGENCY, authorised("PRE-06", routine, unit=self.OTHER), **UNREAD)
        assert self.passes(EMERGENCY, authorised("PRE-06", routine), **UNREAD)
        hours = authorised("PRE-06", CHECKED_AT - timedelta(hours=3))
        assert not self.passes(EMERGENCY, hours, **UNREAD)


class TestAnAcknowledgement:
    """It covers the cautions as they stood; what came after the start cannot take it back."""

    def test_of_a_caution_that_is_corrected_after_the_start_stands(self) -> None:
        unsaid: dict[str, Any] = {"baseline": {"respiratory_rate": None}, "start": {}}
        seen_by = a_step(StepCode.ACKNOWLEDGE_CAUTION, "Task/ack", GIVEN_AT)
        late = replace(a_consent(), version=2, stamp=after(20), digest="late")
        found = seen(seen_by, late, **unsaid)
        assert word(found, "Task/check") == "no-objection"

    def test_of_a_caution_that_the_start_itself_gives_does_not_count(self) -> None:
        early = a_step(StepCode.ACKNOWLEDGE_CAUTION, "Task/ack", GIVEN_AT)
        found = seen(early, start={"rate": Decimal(500)})
        assert word(found, "Task/start") == "caution"


class TestAUnitWithdrawnAfterItsCheck:
    """Recalled between check and start: refused and raised, but the check showed nothing wrong."""

    def recalled(self, minutes: float) -> Fact[Any]:
        return replace(a_unit(status="recalled"), version=2, stamp=after(minutes), digest="recall")

    def test_is_raised_and_is_no_near_miss(self) -> None:
        found = seen(self.recalled(10))
        raised = [d.key.rule for d in found.desired if isinstance(d.content, Issue)]

        assert word(found, "Task/check") == "refuse"
        assert [f.reason for f in found.answers["Task/check"].findings[:1]] == [
            "unit-recalled-since"
        ]
        assert raised == ["PRE-05"]
        assert [d for d in found.desired if isinstance(d.content, Event)] == []

    def test_known_at_the_check_it_is_a_near_miss(self) -> None:
        found = seen(unit={"status": "recalled"})
        assert [f.reason for f in found.answers["Task/check"].findings[:1]] == ["unit-recalled"]
        assert [d for d in found.desired if isinstance(d.content, Event)] != []

    def test_and_started_all_the_same_it_is_to_be_stopped(self) -> None:
        found = seen(self.recalled(-0.5), start={})
        assert word(found, "Task/start") == "refuse"
        assert found.courses[0].advice.word == "stop"


class TestARecordThatMoves:
    """A record that is merged after the start changes no answer that was given (ID-10)."""

    def test_a_merge(self) -> None:
        merged = replace(
            a_patient(replaced_by=(PATIENT,)), version=2, stamp=after(40), digest="merge"
        )
        facts = {"start": {}, "end": {}, **NO_CONSENT}
        before, later = seen(authorised(), **facts), seen(authorised(), merged, **facts)
        (record,) = (d.content for d in later.desired if isinstance(d.content, Procedure))

        assert word(later, "Task/check") == word(before, "Task/check") == "no-objection"
        assert record.check_answer == "no-objection"
