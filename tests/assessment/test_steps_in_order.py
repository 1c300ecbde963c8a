"""Starts, ends and returns in any order: each is judged for what it is, and what hangs is watched.

Units already transfused, returned or discarded fail PRE-05 (distribution traceable [S90], returned
units [S07]); start and end in their order are what a record must hold (REC-03, [S01]). Which of
several ends counts, and that a bag hung again is to be stopped, is this project's own design.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import permutations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.assessment.assess import Answer, Assessment, assess
from service.assessment.clock import RecordingClock
from service.assessment.course import Course
from service.assessment.desired import Event, Issue, Key, Procedure, Request
from service.facts.case import Case, OtherStart
from service.facts.fact import Fact
from service.facts.finding import Advice, Finding, Remedy
from service.facts.moment import Moment, at
from service.facts.steps import Step, StepCode
from service.facts.unit import UnitRef
from tests.support.apps import House
from tests.support.authoring import steps
from tests.support.bedsides import moment
from tests.support.cases import (
    CHECKED_AT,
    END_AT,
    PATIENT,
    SITE,
    START_AT,
    UNIT_KEY,
    a_bag,
    a_band,
    a_check,
    a_start,
    a_step,
    an_end,
    an_issue,
    some_facts,
)
from tests.support.policies import default_policy, with_rows
from tests.support.worlds import BAG, WREN, answered, ready, rules, tell
from tests.support.worlds import a_check as a_bedside_check
from tests.support.worlds import a_start as hung
from tests.support.worlds import an_end as taken_down

POLICY = default_policy()
DAY_ONLY = Moment(text="2025-06-02")


def after(minutes: float) -> datetime:
    """Minutes after the start."""
    return START_AT + timedelta(minutes=minutes)


def start(minutes: float, key: str = "Task/second", **said: Any) -> Fact[Step]:
    return a_start(key, **({"start": at(after(minutes))} | said))


def step(code: StepCode, minutes: float, **said: Any) -> Fact[Step]:
    return a_step(code, f"Task/{code.value}-{minutes}", after(minutes), **said)


def end(minutes: float, **said: Any) -> Fact[Step]:
    return step(StepCode.END, minutes, **said)


def back(minutes: float, **said: Any) -> Fact[Step]:
    return step(StepCode.RETURN_UNIT, minutes, **({"seal_intact": True} | said))


def discard(minutes: float) -> Fact[Step]:
    return step(StepCode.DISCARD_UNIT, minutes)


def seen(
    facts: Iterable[Fact[Any]],
    now: datetime | None = None,
    elsewhere: Iterable[OtherStart] = (),
) -> Assessment:
    case = Case("person-1", facts, (), PATIENT.tokens, elsewhere)
    return assess(case, POLICY, SITE, RecordingClock(now or after(150)))


def given_unit(*more: Fact[Any], now: datetime | None = None, **facts: Any) -> Assessment:
    """The unit that passes every check, started, with more steps."""
    return seen((*some_facts(**({"start": {}} | facts)), *more), now)


def course(found: Assessment) -> Course:
    return next(one for one in found.courses if one.key == UNIT_KEY)


def ended(found: Assessment) -> str | None:
    over = course(found).unit.ended
    return over.key if over is not None else None


def said(answer: Answer) -> dict[str, str]:
    return {finding.rule: finding.reason for finding in answer.findings}


def issues(found: Assessment) -> dict[str, tuple[Finding, ...]]:
    return {
        "/".join((one.key.rule, one.key.ordinal)): one.content.findings
        for one in found.desired
        if isinstance(one.content, Issue)
    }


def procedure(found: Assessment) -> Procedure:
    (record,) = (one.content for one in found.desired if isinstance(one.content, Procedure))
    return record


class TestASecondStart:
    """PRE-05: already transfused or in use fails; design 4: what a rule refuses is raised."""

    AGAIN = (start(200), start(115), start(115, bag=None), start(200, owner=None))

    @pytest.mark.parametrize("second", AGAIN)
    def test_after_the_end_is_refused_raised_and_to_be_stopped(self, second: Fact[Step]) -> None:
        found = given_unit(second, end(115) if second.body.start.instant == after(115) else end(60))
        answer = found.answers["Task/second"]

        assert answer.word == "refuse"
        assert said(answer) == {"PRE-05": "already-given"}
        assert answer.findings[0].remedy is Remedy.RETURN_UNIT
        assert [f.reason for f in issues(found)["PRE-05/"]] == ["already-given"]

    def test_while_it_hangs_again_everybody_is_told_to_stop_it(self) -> None:
        found = given_unit(end(60), start(70), now=after(75))

        assert ended(found) is None
        assert course(found).advice is Advice.STOP
        assert found.answers["Task/end-60"].word == "stop"
        assert procedure(found).status == "in-progress"

    def test_once_it_is_down_again_nothing_is_left_to_stop(self) -> None:
        found = given_unit(end(60), start(70), end(80), now=after(85))

        assert ended(found) == "Task/end-80"
        assert course(found).advice < Advice.PAUSE
        assert found.answers["Task/second"].word == "refuse"
        assert procedure(found).status == "completed"

    @pytest.mark.parametrize("down", [back(60), discard(60)])
    def test_after_it_went_back_or_was_thrown_away(self, down: Fact[Step]) -> None:
        found = given_unit(down, start(70), now=after(75))

        assert found.answers["Task/second"].word == "refuse"
        assert course(found).advice is Advice.STOP
        assert "PRE-05/" in issues(found)

    def test_of_the_running_unit_is_refused_and_the_record_is_to_be_mended(self) -> None:
        found = given_unit(start(10), now=after(12))
        answer = found.answers["Task/second"]

        assert (answer.word, said(answer)) == ("refuse", {"PRE-05": "already-started"})
        assert answer.findings[0].remedy is Remedy.COMPLETE_RECORD
        assert "PRE-05/" in issues(found)
        assert course(found).advice < Advice.PAUSE
        assert found.answers["Task/start"].word == "no-objection"

    def test_of_a_unit_that_was_refused_is_to_be_stopped(self) -> None:
        found = given_unit(start(10), now=after(12), check=None)

        assert found.answers["Task/start"].word == "refuse"
        assert found.answers["Task/second"].word == "refuse"
        assert course(found).advice is Advice.STOP

    def test_after_a_check_that_mended_the_refusal_is_no_reason_to_stop(self) -> None:
        late = a_check(
            "Task/late", start=at(after(3)), end=at(after(5)), second_checked_at=at(after(5))
        )
        found = given_unit(late, start(10), now=after(12), check=None)

        assert found.answers["Task/second"].word == "refuse"
        assert course(found).advice is not Advice.STOP

    def test_at_the_very_same_instant_there_is_one_start_and_one_too_many(self) -> None:
        found = given_unit(start(0))
        words = sorted(found.answers[key].word for key in ("Task/start", "Task/second"))
        assert words == ["no-objection", "refuse"]

    def test_a_third_start_is_judged_too(self) -> None:
        found = given_unit(end(60), start(70), start(75, "Task/third"), now=after(80))
        assert said(found.answers["Task/third"]) == {"PRE-05": "already-given"}

    def test_it_ends_with_its_own_retraction(self) -> None:
        wrong = start(70)
        gone = replace(wrong, version=2, stamp=after(80), retracted=True)
        found = given_unit(end(60), wrong, gone)

        assert ended(found) == "Task/end-60"
        assert issues(found) == {}
        assert course(found).advice < Advice.PAUSE

    def test_what_it_rests_on_holds_the_start_that_is_judged(self) -> None:
        found = given_unit(end(60), start(70))
        assert set(issues(found)["PRE-05/"][0].facts) == {
            "Task/start",
            "Task/end-60",
            "Task/second",
        }

    def test_one_that_was_not_sent_to_the_minute_is_refused_and_hides_nothing(self) -> None:
        found = given_unit(start(0, start=DAY_ONLY), now=after(12))

        assert found.answers["Task/second"].word == "refuse"
        assert said(found.answers["Task/second"]) == {"ID-07": "time-too-coarse"}
        assert found.answers["Task/start"].word == "no-objection"
        assert procedure(found).start == at(START_AT)

    def test_a_resumption_after_the_end_hangs_it_again(self) -> None:
        found = given_unit(end(60), step(StepCode.RESUME, 70), now=after(75))

        assert said(found.answers["Task/resume-70"]) == {"PRE-05": "already-given"}
        assert course(found).advice is Advice.STOP

    def test_a_check_that_was_passed_in_between_does_not_make_it_a_new_unit(self) -> None:
        again = a_check("Task/again", start=at(after(64)), end=at(after(66)))
        found = given_unit(end(60), again, start(70), now=after(75))

        assert said(found.answers["Task/again"])["PRE-05"] == "already-given"
        assert found.answers["Task/second"].word == "refuse"


class TestAFirstStartThatWasRefused:
    """Design 4: what a rule refuses is raised; rules.md 0: some refusals nothing can end."""

    def test_of_an_expired_unit_is_to_be_stopped(self) -> None:
        gone = at(CHECKED_AT - timedelta(hours=1))
        found = given_unit(unit={"expiry": gone}, now=after(5))

        assert found.answers["Task/start"].word == "refuse"
        assert course(found).advice is Advice.STOP

    @pytest.mark.parametrize("down", [back(-30), discard(-30)])
    def test_of_a_unit_that_went_back_or_was_thrown_away(self, down: Fact[Step]) -> None:
        found = given_unit(down, now=after(5))

        assert found.answers["Task/start"].word == "refuse"
        assert course(found).advice is Advice.STOP
        assert "PRE-05/" in issues(found)

    def test_of_one_for_which_data_is_missing_is_to_be_held(self) -> None:
        found = given_unit(issue=None, now=after(5))

        assert found.answers["Task/start"].word == "refuse"
        assert course(found).advice is Advice.PAUSE

    def test_of_one_that_is_down_advises_nothing(self) -> None:
        assert course(given_unit(end(60), issue=None)).advice < Advice.PAUSE


class TestLegitimateCourses:
    """Interruption and resumption, a start sent again, a start corrected: no prompt."""

    HOLD = (step(StepCode.INTERRUPT, 20), step(StepCode.RESUME, 30))

    @pytest.mark.parametrize(
        "more",
        [
            HOLD,
            (*HOLD, end(110)),
            (a_start(),),
            (replace(a_start(start=at(after(1))), version=2, stamp=after(3)),),
            (end(110), discard(115)),
            (end(110), back(115)),
        ],
    )
    def test_is_not_prompted(self, more: tuple[Fact[Any], ...]) -> None:
        found = given_unit(*more, now=after(14))

        assert [one for one in found.desired if isinstance(one.content, Issue | Event)] == []
        assert found.answers["Task/start"].word == "no-objection"

    def test_returned_in_time_issued_again_and_started(self) -> None:
        again = an_issue("Basic/i2", handed_over=at(CHECKED_AT - timedelta(minutes=6)))
        found = given_unit(back(-12), again, now=after(14))
        assert found.answers["Task/start"].word == "no-objection"
        assert found.answers["Task/return-unit--12"].word == "accept"


class TestWhatEndedTheUnit:
    """The end says when flow ended; of several the last, as of contradicting values the worse."""

    @pytest.mark.parametrize(
        ("steps", "key"),
        [
            ((), None),
            ((end(110),), "Task/end-110"),
            ((end(110), end(112)), "Task/end-112"),
            ((end(110), discard(115)), "Task/end-110"),
            ((discard(105), end(110)), "Task/end-110"),
            ((end(110), back(115)), "Task/end-110"),
            ((back(115),), "Task/return-unit-115"),
            ((discard(115), back(118)), "Task/discard-unit-115"),
            ((back(-10),), None),
            ((back(-10), end(110)), "Task/end-110"),
            ((end(60), start(70)), None),
            ((end(60), step(StepCode.RESUME, 70)), None),
            ((end(60), start(70), discard(90)), "Task/discard-unit-90"),
            ((end(60), start(60)), "Task/end-60"),
            ((start(10), end(110)), "Task/end-110"),
            ((end(-5),), None),
        ],
    )
    def test_by_the_steps(self, steps: tuple[Fact[Step], ...], key: str | None) -> None:
        for order in permutations(steps):
            assert ended(given_unit(*order)) == key

    def test_a_corrected_end_is_the_same_end(self) -> None:
        mended = replace(an_end(start=at(after(100))), version=2, stamp=END_AT)
        found = given_unit(an_end(), mended)
        assert procedure(found).end == at(after(100))

    def test_given_in_part_and_thrown_away_is_stopped(self) -> None:
        """REC-10: partly given then discarded = stopped plus transfused in part [S74]."""
        record = procedure(given_unit(end(40), discard(45)))
        assert (record.status, record.end) == ("stopped", at(after(40)))


class TestAnEndThatCannotBe:
    """REC-03: the record holds start and end; what contradicts it is told, never dropped [S01]."""

    def test_before_the_start_is_told_to_caller_and_record_system(self) -> None:
        found = given_unit(end(-5), now=after(10))
        answer = found.answers["Task/end--5"]

        assert (answer.word, said(answer)) == ("caution", {"REC-03": "before-start"})
        (finding,) = answer.findings
        assert (finding.known, finding.remedy) == (False, Remedy.COMPLETE_RECORD)
        assert issues(found) == {"cautions/ended": (finding,)}
        assert ended(found) is None

    def test_not_to_the_minute(self) -> None:
        found = given_unit(end(110, start=DAY_ONLY), now=after(10))
        assert said(found.answers["Task/end-110"]) == {"REC-03": "not-to-the-minute"}
        assert ended(found) is None

    def test_a_discard_of_a_started_unit_not_to_the_minute(self) -> None:
        gone = step(StepCode.DISCARD_UNIT, 110, start=DAY_ONLY)
        found = given_unit(gone, now=after(10))
        assert said(found.answers[gone.key]) == {"REC-03": "not-to-the-minute"}

    @pytest.mark.parametrize("code", [StepCode.END, StepCode.INTERRUPT, StepCode.RESUME])
    def test_without_any_start(self, code: StepCode) -> None:
        lost = replace(step(code, 60), received=after(60))
        facts = (*some_facts(), lost)
        early = seen(facts, after(60) + timedelta(seconds=59))
        late = seen(facts, after(61))

        assert said(early.answers[lost.key]) == {"REC-03": "without-start"}
        assert issues(early) == {}
        assert early.next_wake == after(61)
        assert [f.reason for f in issues(late)["cautions/ended"]] == ["without-start"]

    def test_a_discard_or_return_without_start_is_nothing_odd(self) -> None:
        for down in (discard(60), back(60)):
            assert issues(seen((*some_facts(), down), after(90))) == {}

    def test_a_retracted_start_leaves_its_end_without_one(self) -> None:
        gone = replace(a_start(), version=2, stamp=after(120), retracted=True)
        found = given_unit(end(110), gone)
        assert said(found.answers["Task/end-110"]) == {"REC-03": "without-start"}

    @pytest.mark.parametrize(
        "code", [StepCode.END, StepCode.INTERRUPT, StepCode.RETURN_UNIT, StepCode.DISCARD_UNIT]
    )
    def test_of_a_unit_that_was_not_identified(self, code: StepCode) -> None:
        lost = step(code, 60, unit=UnitRef(din="A999925123456"))
        found = given_unit(lost, now=after(65))

        assert said(found.answers[lost.key]) == {"REC-03": "unit-unknown"}
        assert found.answers[lost.key].word == "caution"
        assert ended(found) is None

    def test_several_are_told_together(self) -> None:
        odd = (end(-5), step(StepCode.INTERRUPT, -8), end(110, start=DAY_ONLY))
        found = given_unit(*odd, now=after(10))
        (told,) = issues(found).values()

        assert sorted(f.reason for f in told) == ["before-start", "not-to-the-minute"]
        assert {found.answers[fact.key].word for fact in odd} == {"caution"}

    def test_a_site_may_switch_it_off(self) -> None:
        off = with_rows(rules={"REC-03": {"on_failure": "off", "when_missing": "off"}})
        case = Case("person-1", (*some_facts(start={}), end(-5)), (), PATIENT.tokens)
        found = assess(case, off, SITE, RecordingClock(after(10)))
        assert issues(found) == {}


class TestAStartOfTheSameBagElsewhere:
    """Design 3.9: both starts carry the refusal; a check is judged by what was true at its time."""

    def other(self, minutes: float) -> tuple[OtherStart, ...]:
        return (OtherStart(unit=UNIT_KEY, at=after(minutes), step="Task/theirs"),)

    def test_that_came_later_makes_no_near_miss_of_a_clean_check(self) -> None:
        found = seen(some_facts(), after(10), self.other(5))

        assert found.answers["Task/check"].word == "no-objection"
        assert [one for one in found.desired if isinstance(one.content, Event)] == []

    def test_that_came_before_the_check_is_one(self) -> None:
        found = seen(some_facts(), after(10), self.other(-20))
        events = [one.content for one in found.desired if isinstance(one.content, Event)]

        assert said(found.answers["Task/check"])["PRE-05"] == "started-elsewhere"
        assert [event.actuality for event in events] == ["potential"]

    @pytest.mark.parametrize("minutes", [-20, 5])
    def test_is_raised_by_the_start_itself_whichever_was_first(self, minutes: float) -> None:
        found = seen(some_facts(start={}), after(10), self.other(minutes))

        assert said(found.answers["Task/start"])["PRE-05"] == "started-elsewhere"
        assert course(found).advice is Advice.STOP
        assert "PRE-05/" in issues(found)


class TestWhatTheBloodBankIsTold:
    """A returned unit that must not be restocked says so where the laboratory reads it."""

    def back(self, **said: Any) -> tuple[tuple[str, str], ...]:
        found = seen((*some_facts(), back(-12, **said)), after(10))
        (request,) = (
            one.content
            for one in found.desired
            if isinstance(one.content, Request) and one.content.code == "expect-returned-unit"
        )
        return request.details

    def test_within_the_limits_nothing_more(self) -> None:
        assert self.back(reason="Not needed") == (("Reason", "Not needed"),)

    def test_why_it_is_not_for_stock(self) -> None:
        assert self.back(seal_intact=False) == (
            ("Not for stock", "The seal is broken: never restocked."),
        )

    def test_one_that_was_started_in_another_patient_is_opened(self) -> None:
        other = (OtherStart(unit=UNIT_KEY, at=after(-25), step="Task/theirs"),)
        found = seen((*some_facts(), back(-12)), after(10), other)
        answer = found.answers["Task/return-unit--12"]
        assert (answer.word, said(answer)) == ("discard", {"TIM-01": "already-spiked"})


class TestOneCauseOnePrompt:
    """Few prompts: that no check exists is said once, by ID-07 (design 7)."""

    def test_a_start_without_check(self) -> None:
        answer = given_unit(check=None, now=after(10)).answers["Task/start"]
        prompts = {f.rule for f in answer.findings if f.verdict is not None and f.verdict > 1}
        assert prompts == {"ID-07"}
        assert "PRE-06" in {f.rule for f in answer.findings}


KINDS = st.sampled_from(
    [
        StepCode.START,
        StepCode.END,
        StepCode.RESUME,
        StepCode.INTERRUPT,
        StepCode.RETURN_UNIT,
        StepCode.DISCARD_UNIT,
    ]
)
LIVES = st.lists(
    st.tuples(KINDS, st.integers(-20, 120)), max_size=7, unique_by=lambda pair: pair[1]
)
HANGS = frozenset({StepCode.START, StepCode.RESUME})
DOWN = frozenset({StepCode.END, StepCode.RETURN_UNIT, StepCode.DISCARD_UNIT})


def told(life: list[tuple[StepCode, int]]) -> tuple[Fact[Step], ...]:
    return tuple(step(code, minutes, seal_intact=True) for code, minutes in life)


class TestAnyLife:
    """Whatever is done in whatever order: the model is written apart from the service's own."""

    @given(life=LIVES)
    def test_every_start_but_one_is_refused(self, life: list[tuple[StepCode, int]]) -> None:
        found = seen((*some_facts(), *told(life)), after(150))
        starts = sorted((m, f"Task/start-{m}") for code, m in life if code is StepCode.START)

        assert all(found.answers[key].word == "refuse" for _, key in starts[1:])

    @given(life=LIVES)
    def test_what_hung_after_it_was_down_is_to_be_stopped(
        self, life: list[tuple[StepCode, int]]
    ) -> None:
        found = seen((*some_facts(), *told(life)), after(150))
        hanging, begun, reused = False, False, False
        for code, _ in sorted(life, key=lambda pair: pair[1]):
            if code is StepCode.START or (code is StepCode.RESUME and begun):
                reused |= begun and not hanging
                hanging = begun = True
            elif code in DOWN and begun:
                hanging = False

        (unit,) = found.courses
        records = [d.content for d in found.desired if isinstance(d.content, Procedure)]
        assert all((r.status in ("in-progress", "on-hold")) == hanging for r in records)
        assert (unit.unit.started is not None and unit.unit.ended is None) == hanging
        if hanging and reused:
            assert unit.advice is Advice.STOP

    @given(life=LIVES)
    def test_no_step_of_a_flow_is_passed_over(self, life: list[tuple[StepCode, int]]) -> None:
        """Each either follows a start or is answered with what is wrong."""
        found = seen((*some_facts(), *told(life)), after(150))
        first = min((m for code, m in life if code is StepCode.START), default=None)
        for code, minutes in life:
            flows = code in (StepCode.END, StepCode.INTERRUPT, StepCode.RESUME)
            if flows and (first is None or minutes < first):
                assert found.answers[f"Task/{code.value}-{minutes}"].word == "caution"

    @given(life=LIVES, data=st.data())
    def test_the_order_of_arrival_changes_nothing(
        self, life: list[tuple[StepCode, int]], data: st.DataObject
    ) -> None:
        facts = (*some_facts(), *told(life))
        shuffled = data.draw(st.permutations(facts))
        one, other = seen(facts, after(150)), seen(shuffled, after(150))

        assert {d.key: d.content for d in one.desired} == {d.key: d.content for d in other.desired}
        assert one.answers == other.answers


def test_the_band_of_a_second_check_that_differs_stops_the_bag_hung_again() -> None:
    """ID-05: a shown mismatch is never overridable [S15]."""
    band = a_band(birth_date="1999-01-01")
    wrong = a_check("Task/again", start=at(after(64)), end=at(after(66)), band=band, bag=a_bag())
    found = given_unit(wrong, start(70), now=after(75))

    assert found.answers["Task/second"].word == "refuse"
    assert course(found).advice is Advice.STOP


class TestThroughTheDoors:
    """The same in both releases: what the caller is answered, what the record system is sent."""

    def test_a_bag_hung_again_after_its_end(self, house: House, release: str) -> None:
        tell(house, [*ready(), a_bedside_check(), hung(), taken_down(when="10:40")], release)
        house.until(moment("10:50"))
        (again,) = tell(house, [hung(began="10:50")], release)
        (held,) = tell(house, [steps.step("interrupt", "INT-1", WREN, "10:55", bag=BAG)], release)

        assert (answered(again), rules(again)) == ("refuse", {"PRE-05"})
        assert answered(held) == "stop"
        sent = {row.key for row in house.outbox("chart") if row.type == "DetectedIssue"}
        assert {Key.read(key).rule for key in sent} == {"PRE-05"}

    def test_an_end_that_comes_before_its_start(self, house: House, release: str) -> None:
        tell(house, [*ready(), a_bedside_check(), hung()], release)
        (entry,) = tell(house, [taken_down(when="09:40")], release)

        assert (answered(entry), rules(entry)) == ("caution", {"REC-03"})
        assert [row.type for row in house.outbox("chart")].count("DetectedIssue") == 1
