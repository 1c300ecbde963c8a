"""The life of a reaction notice: raised, attached to, answered, dismissed, corrected, telephoned.

The steps are the catalogue's ACT-05 and ACT-06 as this project's design has them: [S38][S68] for
telling the laboratory at once; the spans are the policy's rows.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.assessment.assess import Assessment, assess
from service.assessment.clock import RecordingClock
from service.assessment.desired import Content, Event, Key, Observed, Procedure, Request
from service.facts.acts import Act, NoticeEscalated, NoticeRaised, NoticeWithdrawn
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.identity import Identifier, Ref
from service.facts.moment import Moment
from service.facts.moment import at as exactly
from service.facts.records import (
    Antibody,
    AntibodyResult,
    DeviceRecord,
    LocationRecord,
    Premedication,
    Reply,
)
from service.facts.steps import StepCode
from service.facts.unit import UnitKey, UnitRef
from service.policy.policy import Site
from service.reconcile.difference import NO_LONGER, decode, difference
from service.store.port import Emitted
from tests.support.cases import (
    BASELINE,
    PATIENT,
    SITE,
    START_AT,
    UNIT,
    UNIT_KEY,
    a_bag,
    a_check,
    a_label,
    a_start,
    a_step,
    a_unit,
    an_end,
    an_issue,
    fact,
    some_facts,
    some_vitals,
)
from tests.support.policies import default_policy

POLICY = default_policy()
NORMAL = {k: v for k, v in BASELINE.items() if k != "saturation"}
NOTICE = f"{UNIT_KEY.text}/1"
OTHER = UnitRef(din="A999925123457", product="E0398", division="000000", collection="V")


def minute(number: float) -> datetime:
    return START_AT + timedelta(minutes=number)


def vitals(at: float, key: str = "Observation/v1", **changed: str) -> Fact[Any]:
    return some_vitals(minute(at), key, NORMAL | changed)


def step(code: StepCode, at: float, **said: Any) -> Fact[Any]:
    return a_step(code, f"Task/{code.value}-{at}", minute(at), bag=None, **said)


def reply(
    status: str,
    at: float,
    notice: str = NOTICE,
    task: str = "investigate-reaction",
    source: str = "laboratory",
) -> Fact[Any]:
    """The blood bank's answer to our Task, its identifier turned back into our identity."""
    named = Identifier("emitted", f"task/{notice}/{task}/")
    body = Reply(notice=named, status=status)
    return fact(body, f"Task/r{task}-{at}", received=minute(at), source=source)


class Story:
    """One case lived through: facts come, time passes, acts stay."""

    def __init__(self, *facts: Fact[Any], site: Site = SITE, unit_start: bool = True) -> None:
        self.facts: list[Fact[Any]] = [*some_facts(start={} if unit_start else None), *facts]
        self.acts: dict[str, Act] = {}
        self.site = site
        self.now = minute(1)
        self.rows: dict[str, Emitted] = {}
        self.seen: datetime | None = None
        self.found: Assessment = self._assess()

    def at(self, when: float, *facts: Fact[Any]) -> "Story":
        """What is known at a minute, the wakes on the way included."""
        goal = minute(when)
        while (wake := self.found.next_wake) is not None and wake <= goal:
            self.now = wake
            self.found = self._assess()
        self.now = goal
        self.facts.extend(facts)
        self.found = self._assess()
        return self

    def case(self) -> Case:
        """The case as it stands."""
        return Case("person-1", self.facts, self.acts.values(), PATIENT.tokens)

    def _assess(self) -> Assessment:
        for _ in range(5):
            case = self.case()
            found = assess(case, POLICY, self.site, RecordingClock(self.now))
            new = {
                key: Act(key=key, at=self.now, body=body)
                for key, body in found.acts
                if key not in self.acts
            }
            if not new:
                self._emit(found, case)
                return found
            self.acts |= new
        raise AssertionError("the acts find no end")

    def _emit(self, found: Assessment, case: Case) -> None:
        """What partners hold from now on."""
        people = {one.key.text: "person-1" for one in found.desired}
        moved = difference(found.desired, self.rows.values(), people, case, self.seen)
        self.rows |= {one.emitted.key: one.emitted for one in moved}
        self.seen = self.now

    def held(self, kind: str, notice: str = "", code: str = "") -> list[Any]:
        """What partners hold of a kind, by identity."""
        found = []
        for key, row in sorted(self.rows.items()):
            read = Key.read(key)
            if read.kind == kind and notice in ("", read.subject) and code in ("", read.rule):
                found.append(decode(kind, row.content))
        return found

    def event(self, notice: str) -> Event:
        """The event of a notice as partners hold it."""
        (found,) = self.held("event", notice)
        assert isinstance(found, Event)
        return found

    def bodies(self, kind: type[Any]) -> list[Any]:
        return [act.body for act in self.acts.values() if isinstance(act.body, kind)]

    def raised(self) -> list[str]:
        return [body.notice for body in self.bodies(NoticeRaised)]

    def events(self) -> dict[str, Event]:
        return {
            one.key.subject: one.content
            for one in self.found.desired
            if isinstance(one.content, Event)
        }

    def requests(self) -> dict[str, Request]:
        """Tasks by code; those of the notice and those of the unit."""
        return {
            one.key.rule: one.content
            for one in self.found.desired
            if isinstance(one.content, Request)
        }

    def contents(self) -> dict[str, Content]:
        return {one.key.text: one.content for one in self.found.desired}


FEVER = {"temperature": "39.2"}  # VIT-03 [S48]: stop
WARM = {"temperature": "38.0"}  # VIT-01 [S63]: pause


def row(name: str) -> float:
    """Minutes of a row."""
    return POLICY.row(name, START_AT).span.total_seconds() / 60


class TestRaising:
    """Stop-grade at once; a report at once; pause-grade only when nobody answers."""

    def test_stop_grade(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        assert story.raised() == [NOTICE]
        event = story.events()[NOTICE]
        assert (event.actuality, event.status, event.telephone_now) == (
            "actual",
            "in-progress",
            True,
        )
        assert {"investigate-reaction", "keep-bag-and-set"} <= story.requests().keys()

    def test_a_report_without_any_criterion(self) -> None:
        """ACT-05: the step suspect-reaction alone suffices."""
        story = Story().at(20, step(StepCode.SUSPECT_REACTION, 20))
        assert story.raised() == [NOTICE]
        assert story.events()[NOTICE].title == "Suspected blood transfusion reaction"

    def test_a_wrong_unit_without_any_symptom(self) -> None:
        """REC-19: shown at the check, started all the same."""
        story = Story(unit_start=False)
        stranger = replace(a_check().body.label, identifiers=())
        wrong = a_check(label=replace(stranger, identifiers=(replace_value("9"),)))
        story.facts = [one for one in story.facts if one.key != "Task/check"]
        story.at(2, wrong, a_start())
        assert story.raised() == [NOTICE]
        event = story.events()[NOTICE]
        assert (event.incident, event.another_patient) == (True, True)

    def test_pause_grade_waits_for_the_ward(self) -> None:
        story = Story().at(15, vitals(15, **WARM))
        assert story.raised() == []
        asked = story.requests()["confirm-or-dismiss"]
        assert asked.due is not None
        assert asked.due.instant == minute(15 + row("notice-unanswered"))

    def test_pause_grade_unanswered(self) -> None:
        """After 15 min the laboratory is told of an unconfirmed screen."""
        story = Story().at(15, vitals(15, **WARM)).at(15 + row("notice-unanswered") - 0.1)
        assert story.raised() == []
        story.at(15 + row("notice-unanswered"))
        assert story.raised() == [NOTICE]
        event = story.events()[NOTICE]
        assert event.title == "Suspected blood transfusion reaction, unconfirmed screen"
        assert event.telephone_now is False
        assert "confirm-or-dismiss" not in story.requests()

    def test_pause_grade_confirmed(self) -> None:
        story = Story().at(15, vitals(15, **WARM))
        story.at(18, step(StepCode.CONFIRM_REACTION, 18, reason="rigors at the bedside"))
        assert story.raised() == [NOTICE]
        event = story.events()[NOTICE]
        assert event.title == "Suspected blood transfusion reaction"
        (record,) = [c for c in story.contents().values() if isinstance(c, Procedure)]
        assert record.complication == "rigors at the bedside"

    def test_pause_grade_dismissed(self) -> None:
        story = Story().at(15, vitals(15, **WARM)).at(18, step(StepCode.DISMISS_REACTION, 18))
        story.at(120)
        assert story.raised() == []
        assert "confirm-or-dismiss" not in story.requests()

    def test_that_no_person_no_complication(self) -> None:
        """A complication is coded only when a person confirms."""
        story = Story().at(15, vitals(15, **FEVER))
        (record,) = [c for c in story.contents().values() if isinstance(c, Procedure)]
        assert record.complication is None


def replace_value(value: str) -> Identifier:
    return Identifier(PATIENT.identifier.system if PATIENT.identifier else "", value)


class TestAttaching:
    """Later signs, reports and units belong to the notice that is open."""

    def test_more_signs(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        story.at(20, vitals(20, "Observation/v2", systolic="78"))
        story.at(22, step(StepCode.SUSPECT_REACTION, 22, signs=("chills",)))
        assert story.raised() == [NOTICE]
        lines = dict(story.events()[NOTICE].lines)
        assert "chills" in lines["Signs"]

    def test_an_earlier_onset_that_comes_late(self) -> None:
        """Order of arrival: the notice keeps the identity it was raised with."""
        story = Story().at(30, vitals(30, **FEVER))
        first = story.bodies(NoticeRaised)
        story.at(31, vitals(12, "Observation/v0b", **FEVER))
        assert story.bodies(NoticeRaised) == first
        onset = story.events()[NOTICE].onset
        assert onset is not None
        assert onset.instant == minute(12)

    def test_a_second_unit(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        second = (
            a_unit("BiologicallyDerivedProduct/u2", unit=OTHER),
            an_issue("Basic/i2", unit=OTHER, handed_over=None),
            a_check(
                "Task/check2",
                start=moment(18),
                end=moment(20),
                unit=OTHER,
                bag=a_bag(unit=OTHER),
                label=a_label(din=OTHER.din),
            ),
            a_start("Task/start2", start=moment(21), unit=OTHER, bag=a_bag(unit=OTHER)),
        )
        story.at(22, *second)
        assert story.raised() == [NOTICE]
        units = [suspect.unit.key.din for suspect in story.events()[NOTICE].suspects]
        assert units == [UNIT.din, OTHER.din]


def moment(when: float) -> Moment:
    return exactly(minute(when))


class TestTheWardsWord:
    """Dismissed is refuted, not an error; the next suspicion is a notice of its own."""

    def test_dismissed(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        story.at(20, step(StepCode.DISMISS_REACTION, 20, reason="warm room"))
        event = story.events()[NOTICE]
        assert (event.status, event.telephone_now) == ("completed", False)
        assert "warm room" in (event.outcome or "")
        investigate = story.requests()["investigate-reaction"]
        assert investigate.status == "cancelled"

    def test_that_a_later_sign_is_the_next_notice(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(20, step(StepCode.DISMISS_REACTION, 20))
        story.at(40, vitals(40, "Observation/v2", systolic="70"))
        assert story.raised() == [NOTICE, f"{UNIT_KEY.text}/2"]
        assert story.events()[NOTICE].status == "completed"
        assert story.events()[f"{UNIT_KEY.text}/2"].status == "in-progress"

    def test_that_what_was_dismissed_is_not_raised_again(self) -> None:
        """The sign that was dismissed, sent again later, is the same sign."""
        story = Story().at(15, vitals(15, **FEVER)).at(20, step(StepCode.DISMISS_REACTION, 20))
        story.at(60).at(600)
        assert story.raised() == [NOTICE]


class TestWhoseATaskIs:
    """Rule 6: Tasks are cancelled while still requested or received; one begun is the partner's."""

    def _of(self, *replies: Fact[Any], end: Fact[Any] | None = None) -> dict[str, str]:
        story = Story().at(15, vitals(15, **FEVER)).at(18, *replies)
        story.at(25, end or step(StepCode.DISMISS_REACTION, 25))
        tasks = story.requests()
        return {code: tasks[code].status for code in ("investigate-reaction", "keep-bag-and-set")}

    def test_only_the_one_that_was_taken_up(self) -> None:
        assert self._of(reply("accepted", 18)) == {
            "investigate-reaction": "requested",
            "keep-bag-and-set": "cancelled",
        }

    @pytest.mark.parametrize("status", ["accepted", "in-progress", "completed", "rejected"])
    def test_begun_or_ended_by_the_laboratory(self, status: str) -> None:
        said = self._of(reply("accepted", 17), reply(status, 18, task="keep-bag-and-set"))
        assert said == dict.fromkeys(said, "requested")

    @pytest.mark.parametrize("status", ["requested", "received"])
    def test_merely_delivered(self, status: str) -> None:
        said = self._of(reply("accepted", 17), reply(status, 18, task="keep-bag-and-set"))
        assert said["keep-bag-and-set"] == "cancelled"

    def test_taken_up_after_it_was_over(self) -> None:
        """A cancelled Task is not asked for again because its answer crossed the cancellation."""
        said = self._of(reply("accepted", 26))
        assert said == dict.fromkeys(said, "cancelled")

    def test_taken_up_by_telephone(self) -> None:
        said = self._of(step(StepCode.ACKNOWLEDGE, 18))
        assert said["investigate-reaction"] == "requested"
        assert said["keep-bag-and-set"] == "cancelled"

    def test_withdrawn_after_it_was_taken_up(self) -> None:
        mended = replace(vitals(15), version=2, received=minute(20), stamp=minute(20))
        said = self._of(reply("accepted", 18), end=mended)
        assert said["investigate-reaction"] == "requested"
        assert said["keep-bag-and-set"] == "cancelled"

    @pytest.mark.parametrize(
        ("replies", "kept"),
        [
            ((reply("accepted", 17), reply("received", 18, task="keep-bag-and-set")), "cancelled"),
            ((reply("accepted", 17), reply("accepted", 18, task="keep-bag-and-set")), "requested"),
        ],
    )
    def test_a_start_in_error(self, replies: tuple[Fact[Any], ...], kept: str) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(18, *replies)
        error = replace(a_start(), version=2, received=minute(20), stamp=minute(20), retracted=True)
        story.at(20, error)
        (investigate,) = story.held("task", NOTICE, "investigate-reaction")
        (bag,) = story.held("task", NOTICE, "keep-bag-and-set")
        assert (investigate.status, bag.status) == ("requested", kept)


class TestWhoEndedIt:
    """Rule 6: mitigated only where somebody acted, a Task done or cancelled, nothing untrue."""

    def _told(self, code: StepCode, at: float, **said: Any) -> Fact[Any]:
        """A step that comes when it is done."""
        return replace(step(code, at, **said), received=minute(at))

    def _issue(self, story: Story, rule: str) -> Any:
        (found,) = story.held("issue", code=rule)
        return found

    def test_a_suspicion_that_the_ward_dismissed(self) -> None:
        """ACT-01: by whom, when and why."""
        story = Story().at(15, step(StepCode.SUSPECT_REACTION, 15))
        dismissal = self._told(StepCode.DISMISS_REACTION, 20, reason="nausea before it as well")
        issue = self._issue(story.at(20, dismissal), "ACT-01")
        assert issue.status == "mitigated"
        assert issue.mitigation == ("Dismissed: nausea before it as well",)
        assert (issue.mitigated_by, issue.mitigated_at) == (dismissal.body.owner, moment(20))

    def test_a_screen_that_the_ward_dismissed(self) -> None:
        story = (
            Story().at(15, vitals(15, **FEVER)).at(20, self._told(StepCode.DISMISS_REACTION, 20))
        )
        issue = self._issue(story, "VIT-03")
        assert (issue.status, issue.mitigation) == ("mitigated", ("Dismissed",))

    def test_a_screen_that_the_bag_has_outlived(self) -> None:
        """VIT-13: hives pause a unit; once the bag is down they are watched."""
        hives = step(StepCode.SUSPECT_REACTION, 15, signs=("urticaria",))
        story = Story().at(15, hives)
        assert self._issue(story, "VIT-13").status == "final"
        issue = self._issue(story.at(20, a_step(StepCode.END, "Task/end", minute(20))), "VIT-13")
        assert (issue.status, issue.mitigated_by) == ("final", None)
        assert issue.mitigation == (NO_LONGER,)
        assert "no longer give" not in NO_LONGER

    @pytest.mark.parametrize("code", [StepCode.CONFIRM_REACTION, StepCode.DISMISS_REACTION])
    def test_a_question_that_was_answered(self, code: StepCode) -> None:
        story = Story().at(15, vitals(15, **WARM)).at(18, self._told(code, 18))
        (asked,) = story.held("task", code="confirm-or-dismiss")
        assert asked.status == "completed"

    def test_a_question_that_a_correction_has_answered(self) -> None:
        mended = replace(vitals(15), version=2, received=minute(18), stamp=minute(18))
        story = Story().at(15, vitals(15, **WARM)).at(18, mended)
        (asked,) = story.held("task", code="confirm-or-dismiss")
        assert asked.status == "cancelled"


class TestWhenItWasTold:
    """Each reading bears its own time (REC-04); what is told late says so (TIM-19)."""

    def test_readings_of_several_times(self) -> None:
        story = Story().at(10, vitals(10, systolic="100"))
        story.at(20, vitals(20, "Observation/v2", systolic="121", **FEVER))
        (worst,) = [one for one in story.held("observation") if one.label == "worst"]
        times = {str(reading.value): reading.at.instant for reading in worst.readings}
        assert (times["100"], times["39.2"]) == (minute(10), minute(20))
        assert worst.at is None

    def test_readings_of_one_time(self) -> None:
        story = Story().at(20, vitals(20, **FEVER))
        (worst,) = [one for one in story.held("observation") if one.label == "worst"]
        assert worst.at == moment(20)

    @pytest.mark.parametrize(("minutes", "late"), [(15, False), (15.1, True)])
    def test_recorded_late(self, minutes: float, late: bool) -> None:
        fever = replace(vitals(15, **FEVER), received=minute(15 + minutes))
        story = Story().at(15 + minutes, fever)
        labels = [label for label, _ in story.event(NOTICE).lines]
        assert ("Recorded late" in labels) is late
        assert labels[0] == "Do now"
        assert not late or labels[1] == "Recorded late"

    def test_a_late_correction_of_what_was_told_in_time(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        again = replace(vitals(15, temperature="39.4"), version=2, stamp=minute(90))
        story.at(90, replace(again, received=minute(90)))
        assert "Recorded late" not in dict(story.event(NOTICE).lines)


class TestACorrection:
    """A basis that is gone withdraws the notice; what was acknowledged is a person's to close."""

    def _corrected(self) -> Fact[Any]:
        mended = vitals(15, temperature="36.9")
        return replace(mended, version=2, received=minute(20), stamp=minute(20))

    def test_unacknowledged(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(20, self._corrected())
        (gone,) = story.bodies(NoticeWithdrawn)
        assert (gone.notice, gone.acknowledged, gone.why) == (NOTICE, False, "basis-gone")
        assert story.events()[NOTICE].status == "entered-in-error"
        assert {r.status for c, r in story.requests().items() if r.group == NOTICE} == {"cancelled"}
        assert "basis-changed" not in story.requests()

    def test_acknowledged(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(18, reply("accepted", 18))
        story.at(20, self._corrected())
        (gone,) = story.bodies(NoticeWithdrawn)
        assert gone.acknowledged is True
        event = story.events()[NOTICE]
        assert event.status == "completed"
        assert "no longer stand" in (event.outcome or "")
        requests = story.requests()
        assert requests["basis-changed"].status == "requested"
        assert requests["investigate-reaction"].status == "requested"  # the partner's from now on

    def test_that_a_withdrawn_identity_is_not_revived(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(20, self._corrected())
        story.at(40, vitals(40, "Observation/v2", **FEVER))
        assert story.raised() == [NOTICE, f"{UNIT_KEY.text}/2"]
        assert story.events()[NOTICE].status == "entered-in-error"

    def test_that_a_start_in_error_takes_everything_along(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        error = replace(a_start(), version=2, received=minute(20), stamp=minute(20), retracted=True)
        story.at(20, error)
        (gone,) = story.bodies(NoticeWithdrawn)
        assert gone.notice == NOTICE


class TestWhatIsOver:
    """Rule 6: what was withdrawn or dismissed stays as it was sent; only its end is added."""

    def _corrected(self, at: float = 20) -> Fact[Any]:
        mended = vitals(15, temperature="36.9")
        return replace(mended, version=2, received=minute(at), stamp=minute(at))

    @pytest.mark.parametrize("taken_up", [False, True])
    def test_that_a_returning_fever_is_not_written_into_it(self, taken_up: bool) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        if taken_up:
            story.at(18, reply("accepted", 18))
        story.at(20, self._corrected())
        rows = {key: row for key, row in story.rows.items() if NOTICE in key}
        story.at(40, vitals(40, "Observation/v2", temperature="39.6"))
        assert {key: story.rows[key] for key in rows} == rows
        assert story.event(f"{UNIT_KEY.text}/2").status == "in-progress"
        assert "39.6" in dict(story.event(f"{UNIT_KEY.text}/2").lines)["Worst since the start"]
        assert "39.2" in dict(story.event(NOTICE).lines)["Worst since the start"]

    def test_that_what_was_dismissed_stays_as_it_was(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(20, step(StepCode.DISMISS_REACTION, 20))
        rows = {key: row for key, row in story.rows.items() if NOTICE in key}
        story.at(40, vitals(40, "Observation/v2", systolic="70", temperature="40.1"))
        assert {key: story.rows[key] for key in rows} == rows
        assert story.event(NOTICE).status == "completed"
        assert story.event(f"{UNIT_KEY.text}/2").status == "in-progress"

    def test_that_a_dismissal_taken_back_opens_it_again(self) -> None:
        dismissed = step(StepCode.DISMISS_REACTION, 20)
        story = Story().at(15, vitals(15, **FEVER)).at(20, dismissed)
        error = replace(dismissed, version=2, received=minute(25), stamp=minute(25), retracted=True)
        story.at(25, error, vitals(24, "Observation/v2", temperature="40.1"))
        event = story.event(NOTICE)
        assert (event.status, event.telephone_now, event.outcome) == ("in-progress", True, None)
        assert "40.1" in dict(event.lines)["Worst since the start"]

    def test_that_nobody_is_told_to_telephone_about_it(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        assert "Do now" in dict(story.event(NOTICE).lines)
        story.at(20, self._corrected())
        event = story.event(NOTICE)
        assert (event.status, event.telephone_now) == ("entered-in-error", False)
        assert "Do now" not in dict(event.lines)

    def test_that_its_readings_go_with_it(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(20, self._corrected())
        held = [one for one in story.held("observation", NOTICE) if isinstance(one, Observed)]
        assert {one.label: one.status for one in held} == {
            "baseline": "entered-in-error",
            "worst": "entered-in-error",
        }
        (worst,) = [one for one in held if one.label == "worst"]
        assert "39.2" in [str(reading.value) for reading in worst.readings]

    def test_a_start_in_error_after_the_laboratory_took_it_up(self) -> None:
        """No start, no unit: still an end, not an error, and one Task that a person closes."""
        story = Story().at(15, vitals(15, **FEVER)).at(18, reply("accepted", 18))
        tasks = story.held("task", NOTICE, "investigate-reaction")
        error = replace(a_start(), version=2, received=minute(20), stamp=minute(20), retracted=True)
        story.at(20, error)
        (gone,) = story.bodies(NoticeWithdrawn)
        assert gone.acknowledged is True
        event = story.event(NOTICE)
        assert (event.status, event.telephone_now) == ("completed", False)
        assert story.held("task", NOTICE, "investigate-reaction") == tasks
        (changed,) = story.held("task", NOTICE, "basis-changed")
        assert changed.status == "requested"
        again = dict(story.rows)
        story.at(60, vitals(60, "Observation/v9", **FEVER))
        assert story.rows == again

    def test_a_request_nobody_had_made_is_not_made_when_it_is_over(self) -> None:
        """Sisters of a donation are not held for what shows after the ward dismissed it."""
        story = Story().at(15, vitals(15, **FEVER)).at(16, reply("accepted", 16))
        story.at(20, step(StepCode.DISMISS_REACTION, 20))
        before = {key for key in story.rows if NOTICE in key}
        story.at(40, vitals(40, "Observation/v2", temperature="40.1", systolic="70"))
        assert {key for key in story.rows if NOTICE in key} == before


class TestTheLaboratorysWord:
    """Received is delivered only; accepted takes it up; rejected and silence mean the telephone."""

    def test_silence(self) -> None:
        """Stop-grade: 10 min (ACT-05)."""
        wait = row("notice-acknowledge-stop")
        story = Story().at(15, vitals(15, **FEVER)).at(15 + wait - 0.1)
        assert "telephone-laboratory" not in story.requests()
        story.at(15 + wait)
        told = story.requests()["telephone-laboratory"]
        assert (told.status, told.priority) == ("requested", "stat")
        assert [body.why for body in story.bodies(NoticeEscalated)] == ["unacknowledged"]

    def test_the_call_is_about_a_named_unit(self) -> None:
        """Whoever telephones has the unit's numbers before them."""
        wait = row("notice-acknowledge-stop")
        story = Story().at(15, vitals(15, **FEVER)).at(15 + wait)
        told = story.requests()["telephone-laboratory"]
        assert told.unit is not None
        assert told.unit.key == UNIT_KEY
        assert (f"Unit {UNIT_KEY.text}", "suspect") in told.details

    def test_holding_sisters_names_the_categories_that_call_for_it(self) -> None:
        """ACT-10: and none of the milder ones beside them."""
        signs = vitals(15, temperature="39.6", systolic="80", heart_rate="135")
        told = Story().at(15, signs).requests()["hold-sister-components"]
        named = [text for label, text in told.details if label == "Candidate"]
        assert "sepsis-suspected" in named
        assert "FNHTR" not in named
        assert told.details[-1] == (f"Unit {UNIT_KEY.text}", "suspect")
        others = Story().at(15, signs).requests()["investigate-reaction"]
        assert all(label != "Candidate" for label, _ in others.details)

    def test_silence_after_an_unconfirmed_screen(self) -> None:
        """Others: 30 min."""
        begin = 15 + row("notice-unanswered")
        story = Story().at(15, vitals(15, **WARM)).at(begin + row("notice-acknowledge") - 0.1)
        assert "telephone-laboratory" not in story.requests()
        story.at(begin + row("notice-acknowledge"))
        assert "telephone-laboratory" in story.requests()

    @pytest.mark.parametrize("status", ["accepted", "in-progress", "completed"])
    def test_taken_up(self, status: str) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(18, reply(status, 18)).at(200)
        assert "telephone-laboratory" not in story.requests()
        assert story.bodies(NoticeEscalated) == []

    @pytest.mark.parametrize("status", ["received", "requested"])
    def test_only_delivered(self, status: str) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(16, reply(status, 16)).at(60)
        assert story.requests()["telephone-laboratory"].status == "requested"

    @pytest.mark.parametrize("status", ["rejected", "failed"])
    def test_turned_down(self, status: str) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(16, reply(status, 16))
        assert story.requests()["telephone-laboratory"].status == "requested"
        assert [body.why for body in story.bodies(NoticeEscalated)] == ["rejected"]

    def test_taken_up_after_the_telephone(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(40)
        story.at(41, reply("accepted", 41))
        assert story.requests()["telephone-laboratory"].status == "completed"

    def test_by_telephone(self) -> None:
        """The step acknowledge closes it for a laboratory that answered by phone."""
        story = Story().at(15, vitals(15, **FEVER)).at(40)
        story.at(42, step(StepCode.ACKNOWLEDGE, 42))
        assert story.requests()["telephone-laboratory"].status == "completed"

    def test_a_laboratory_that_cannot_answer(self) -> None:
        """A receive-only partner: telephone at once."""
        story = Story(site=replace(SITE, receive_only=True)).at(15, vitals(15, **FEVER))
        assert [body.why for body in story.bodies(NoticeEscalated)] == ["receive-only"]
        assert story.requests()["telephone-laboratory"].status == "requested"

    def test_taken_up_and_no_more_telephone(self) -> None:
        """The event itself stops saying so, once."""
        story = Story().at(15, vitals(15, **FEVER)).at(18, reply("accepted", 18))
        event = story.event(NOTICE)
        assert (event.telephone_now, event.status) == (False, "in-progress")
        assert "Do now" not in dict(event.lines)
        rows = dict(story.rows)
        story.at(19, reply("in-progress", 19))
        assert story.rows == rows

    def test_turned_down_and_the_telephone_stays(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(18, reply("rejected", 18))
        assert story.event(NOTICE).telephone_now is True

    def test_completed(self) -> None:
        """The laboratory has nothing left to do: the event is over, not an error."""
        story = Story().at(15, vitals(15, **FEVER)).at(90, reply("completed", 90))
        event = story.event(NOTICE)
        assert (event.status, event.telephone_now) == ("completed", False)
        assert event.outcome == "The laboratory has completed its investigation."

    def test_that_a_bag_that_came_is_no_investigation_completed(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        story.at(90, reply("completed", 90, task="keep-bag-and-set"))
        event = story.event(NOTICE)
        assert (event.status, event.telephone_now) == ("in-progress", False)

    def test_that_more_of_the_same_unit_opens_it_again(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(30, reply("completed", 30))
        story.at(45, vitals(45, "Observation/v2", systolic="70"))
        event = story.event(NOTICE)
        assert (event.status, event.telephone_now) == ("in-progress", True)

    def test_that_what_a_person_reports_afterwards_is_the_next_notice(self) -> None:
        story = Story().at(15, vitals(15, **FEVER)).at(30, reply("completed", 30))
        story.at(60, step(StepCode.SUSPECT_REACTION, 60, signs=("chills",)))
        assert story.raised() == [NOTICE, f"{UNIT_KEY.text}/2"]
        assert story.bodies(NoticeWithdrawn) == []
        assert story.event(f"{UNIT_KEY.text}/2").telephone_now is True
        story.at(80, reply("accepted", 80, notice=f"{UNIT_KEY.text}/2"))
        assert story.event(f"{UNIT_KEY.text}/2").telephone_now is False

    def test_confirmed_and_down_and_taken_up(self) -> None:
        """Nobody has anything open any more."""
        story = Story().at(15, vitals(15, **FEVER))
        story.at(20, step(StepCode.CONFIRM_REACTION, 20, reason="rigors"))
        assert story.event(NOTICE).status == "in-progress"
        story.at(22, an_end(start=moment(22)), vitals(23, "Observation/v2", **FEVER))
        assert (story.event(NOTICE).status, story.event(NOTICE).telephone_now) == (
            "in-progress",
            True,
        )
        story.at(25, reply("accepted", 25))
        event = story.event(NOTICE)
        assert (event.status, event.telephone_now) == ("completed", False)
        assert event.outcome == "Confirmed by the ward: rigors"

    def test_a_reply_of_another_source(self) -> None:
        """Only who speaks for the blood bank acknowledges; who does is in the settings."""
        site = replace(SITE, laboratory=frozenset({"laboratory"}))
        story = Story(site=site).at(15, vitals(15, **FEVER))
        story.at(16, reply("accepted", 16, source="record-system")).at(60)
        assert story.requests()["telephone-laboratory"].status == "requested"
        assert story.event(NOTICE).telephone_now is True
        story.at(61, reply("accepted", 61, source="laboratory"))
        assert story.requests()["telephone-laboratory"].status == "completed"

    def test_the_wards_own_step_by_telephone(self) -> None:
        site = replace(SITE, laboratory=frozenset({"laboratory"}))
        story = Story(site=site).at(15, vitals(15, **FEVER)).at(16, step(StepCode.ACKNOWLEDGE, 16))
        assert story.event(NOTICE).telephone_now is False

    def test_that_the_ward_answers_its_own_task(self) -> None:
        """The Task to telephone is the ward's: that it is done is not the laboratory's word."""
        story = Story().at(15, vitals(15, **FEVER)).at(40)
        story.at(41, reply("completed", 41, task="telephone-laboratory"))
        assert story.requests()["telephone-laboratory"].status == "requested"

    def test_that_another_notices_answer_is_none(self) -> None:
        story = Story().at(15, vitals(15, **FEVER))
        story.at(16, reply("accepted", 16, notice=f"{UNIT_KEY.text}/11")).at(60)
        assert story.requests()["telephone-laboratory"].status == "requested"


class TestWhatANoticeCarries:
    """What a laboratory needs to start with; what is not known says so."""

    LINES = (
        "Do now",
        "Patient",
        "Ward",
        "Call back",
        "Orders",
        "Issues",
        "Diagnosis and indication",
        "Flow stopped",
        "Volume given",
        "Signs",
        "Baseline",
        "Worst since the start",
        "Identity re-check",
        "Bag inspection",
        f"Unit {UNIT_KEY.text}",
        "Premedication",
        "Fluid in the line",
        "Administration set",
        "Filter",
        "Pump",
        "Warmer",
        "Known antibodies",
        "Earlier reactions",
        "Recent pregnancy",
        "Staff",
        "Samples sent",
        "Bag and set sent",
        "Treatment",
        "More blood needed",
    )

    def test_every_line(self) -> None:
        lines = dict(Story().at(15, vitals(15, **FEVER)).events()[NOTICE].lines)
        assert list(lines) == list(self.LINES)
        assert lines["Worst since the start"].startswith("temperature 39.2")
        assert lines["Samples sent"] == "not recorded"

    def test_what_the_ward_reported(self) -> None:
        said = step(
            StepCode.SUSPECT_REACTION,
            16,
            signs=("chills",),
            flow_stopped_at=moment(15.5),
            identity_recheck="mismatch",
            needs_more_blood="now",
            contact="extension 4417",
            samples_sent=("EDTA",),
        )
        event = Story().at(15, vitals(15, **FEVER)).at(16, said).events()[NOTICE]
        lines = dict(event.lines)
        assert lines["Call back"] == "extension 4417"
        assert lines["More blood needed"] == "now"
        assert lines["Samples sent"] == "EDTA"
        assert event.another_patient is True
        assert "Identity in doubt" in lines


def told(*more: Fact[Any], at: float = 40) -> dict[str, str]:
    """The lines of a notice of a fever at 15 minutes with more facts."""
    return dict(Story().at(15, vitals(15, **FEVER)).at(at, *more).event(NOTICE).lines)


def clock(when: float) -> str:
    return minute(when).astimezone(SITE.zone).strftime("%Y-%m-%d %H:%M %z")


class TestFlow:
    """Whether blood still flows, since when it does not, and how much ran in."""

    UNIT_LINE = f"Unit {UNIT_KEY.text}"

    def test_running(self) -> None:
        lines = told()
        assert lines[self.UNIT_LINE].endswith(f"from {clock(0)}; still running")
        assert (lines["Flow stopped"], lines["Volume given"]) == ("not recorded", "not recorded")

    def test_held(self) -> None:
        lines = told(step(StepCode.INTERRUPT, 16))
        assert "still running" not in lines[self.UNIT_LINE]
        assert f"flow stopped at {clock(16)}" in lines[self.UNIT_LINE]
        assert lines["Flow stopped"] == clock(16)
        assert lines["Volume given"] == "32 mL by the recorded rates"  # 120 mL/h for 16 min

    def test_held_before_the_reading(self) -> None:
        """The nurse stops the flow first and measures then."""
        assert told(step(StepCode.INTERRUPT, 14))["Flow stopped"] == clock(14)

    def test_resumed(self) -> None:
        lines = told(step(StepCode.INTERRUPT, 16), step(StepCode.RESUME, 30))
        assert lines[self.UNIT_LINE].endswith("still running")

    def test_reported(self) -> None:
        lines = told(step(StepCode.SUSPECT_REACTION, 17, flow_stopped_at=moment(16)))
        assert "still running" not in lines[self.UNIT_LINE]
        assert lines["Flow stopped"] == f"{clock(16)} as reported"

    def test_reported_and_resumed(self) -> None:
        report = step(StepCode.SUSPECT_REACTION, 17, flow_stopped_at=moment(16))
        assert told(report, step(StepCode.RESUME, 30))[self.UNIT_LINE].endswith("still running")

    def test_reported_and_recorded(self) -> None:
        report = step(StepCode.SUSPECT_REACTION, 17, flow_stopped_at=moment(16))
        held = step(StepCode.INTERRUPT, 18)
        assert told(report, held)["Flow stopped"] == f"{clock(16)} as reported; {clock(18)}"
        same = step(StepCode.INTERRUPT, 16)
        assert told(report, same)["Flow stopped"] == f"{clock(16)} as reported"

    def test_down(self) -> None:
        over = an_end(start=moment(20), volume_given=Decimal(41))
        lines = told(over)
        assert lines[self.UNIT_LINE].endswith(f"from {clock(0)} to {clock(20)}")
        assert lines["Volume given"] == "41 mL measured"

    def test_the_volume_that_the_ward_reported(self) -> None:
        report = step(StepCode.SUSPECT_REACTION, 17, volume_given=Decimal(35))
        assert told(report)["Volume given"] == "35 mL as reported"
        over = an_end(start=moment(20), volume_given=Decimal(41))
        assert told(report, over)["Volume given"] == "35 mL as reported; 41 mL measured"
        same = an_end(start=moment(20), volume_given=Decimal("35.0"))
        assert told(report, same)["Volume given"] == "35 mL as reported"


class TestWhatElseItCarries:
    """The rest of the content list, item by item."""

    def test_bag_and_set_sent(self) -> None:
        for said, text in ((True, "yes"), (False, "no")):
            report = step(StepCode.SUSPECT_REACTION, 17, bag_and_set_sent=said)
            assert told(report)["Bag and set sent"] == text
        assert told()["Bag and set sent"] == "not recorded"

    def test_the_set_and_its_filter(self) -> None:
        device = DeviceRecord(
            identifiers=(Identifier("sets", "S-77"),),
            device="set",
            lot="L12",
            filter_um=Decimal(200),
        )
        used = step(StepCode.CHANGE_SET, 5, set=Ref(kind="Device", id="s1"))
        lines = told(fact(device, "Device/s1"), used)
        assert lines["Administration set"] == "S-77, lot L12, filter 200 µm"

    @pytest.mark.parametrize(
        ("named", "text"),
        [
            (Ref(kind="Device", identifier=Identifier("sets", "S-78")), "S-78"),
        ],
    )
    def test_a_set_without_a_record(self, named: Ref, text: str) -> None:
        assert told(step(StepCode.CHANGE_SET, 5, set=named))["Administration set"] == text

    def test_a_filter_of_its_own(self) -> None:
        used = step(StepCode.CHANGE_SET, 5, filter_um=Decimal(180))
        assert told(used)["Filter"] == "180 µm"

    @pytest.mark.parametrize("kind", ["pump", "warmer", "filter"])
    def test_a_device_in_use(self, kind: str) -> None:
        device = DeviceRecord(identifiers=(Identifier("devices", "D-1"),), device=kind, lot="L9")
        assert told(fact(device, "Device/d1"))[kind.capitalize()] == "D-1, lot L9"

    def test_what_ran_beside_it(self) -> None:
        beside = step(StepCode.CHECK_UNIT, -3, fluid="sodium-chloride-0.9", lumen="distal")
        assert told(beside)["Fluid in the line"] == "sodium-chloride-0.9 (distal)"

    def test_premedication(self) -> None:
        given_ = Premedication(text="chlorphenamine 10 mg", at=moment(-30))
        assert told(fact(given_, "MedicationAdministration/m1"))["Premedication"] == (
            f"chlorphenamine 10 mg at {clock(-30)}"
        )

    def test_antibodies_known_and_not_understood(self) -> None:
        held = AntibodyResult(
            screen="positive",
            antibodies=(Antibody(antigen="K"), Antibody(antigen="unrecognised: Zz")),
        )
        assert told(fact(held, "Observation/ab"))["Known antibodies"] == (
            "anti-K, unrecognised: Zz"
        )

    def test_earlier_reactions(self) -> None:
        """Those that were confirmed before this one began."""
        earlier = step(StepCode.CONFIRM_REACTION, -2000, reason="hives")
        now = step(StepCode.CONFIRM_REACTION, 20)
        assert told(earlier, now)["Earlier reactions"] == f"confirmed {clock(-2000)}: hives"

    def test_staff_by_what_they_did(self) -> None:
        assert told()["Staff"] == "started by nurse-1; checked by nurse-1 and nurse-2"

    def test_the_ward_by_its_record(self) -> None:
        place = LocationRecord(
            identifiers=(Identifier("places", "LARCH"),), name="Larch, bay 2", contact="4417"
        )
        there = step(StepCode.INTERRUPT, 16, location=Ref(kind="Location", id="l1"))
        lines = told(fact(place, "Location/l1"), there)
        assert (lines["Ward"], lines["Call back"]) == ("Larch, bay 2", "4417")
        unknown = Ref(kind="Location", identifier=Identifier("places", "ELM"))
        assert told(step(StepCode.INTERRUPT, 16, location=unknown))["Ward"] == "ELM"

    def test_a_clerical_error_puts_identity_in_doubt(self) -> None:
        """The laboratory's own check: another patient may be at risk, until it says otherwise."""
        story = Story().at(15, vitals(15, **FEVER)).at(20, step(StepCode.CLERICAL_ERROR, 20))
        assert story.event(NOTICE).another_patient is True
        story.at(25, step(StepCode.CLERICAL_OK, 25))
        assert story.event(NOTICE).another_patient is False

    def test_only_units_of_the_last_day(self) -> None:
        """An episode of days: suspects run, or ended within 24 h before the onset."""
        early = -60 * 30
        second = (
            a_unit("BiologicallyDerivedProduct/u2", unit=OTHER),
            a_start("Task/start2", start=moment(early), unit=OTHER, bag=a_bag(unit=OTHER)),
        )
        over = a_step(StepCode.END, "Task/end2", minute(early + 60), unit=OTHER, bag=None)
        lately = a_step(StepCode.END, "Task/end2", minute(-60 * 20), unit=OTHER, bag=None)
        for end, units in ((over, [UNIT.din]), (lately, [OTHER.din, UNIT.din])):
            story = Story().at(15, *second, end, vitals(15, **FEVER))
            event = story.event(NOTICE)
            assert [suspect.unit.key.din for suspect in event.suspects] == units
            assert (f"Unit {UnitKey(OTHER.din or '', 'E0398').text}" in dict(event.lines)) == (
                len(units) == 2
            )

    def test_the_volumes_of_two_units(self) -> None:
        second = (
            a_unit("BiologicallyDerivedProduct/u2", unit=OTHER),
            a_start("Task/start2", start=moment(-60), unit=OTHER, bag=a_bag(unit=OTHER)),
            a_step(
                StepCode.END,
                "Task/end2",
                minute(-10),
                unit=OTHER,
                bag=None,
                volume_given=Decimal(250),
            ),
        )
        assert told(*second)["Volume given"] == f"{OTHER.din}: 250 mL measured"


EVENTS = st.lists(
    st.tuples(
        st.integers(1, 180),
        st.sampled_from(
            [
                *("well", "warm", "fever", "low", "suspect", "dismiss", "confirm"),
                *("accept", "reject", "complete"),
            ]
        ),
    ),
    max_size=6,
)


REPLIES = {"accept": "accepted", "reject": "rejected", "complete": "completed"}


def happening(number: int, at: int, what: str) -> Fact[Any]:
    signs = {"well": {}, "warm": WARM, "fever": FEVER, "low": {"systolic": "70"}}
    if what in signs:
        return vitals(at, f"Observation/e{number}", **signs[what])
    if what in REPLIES:
        return reply(REPLIES[what], at)
    codes = {
        "suspect": StepCode.SUSPECT_REACTION,
        "dismiss": StepCode.DISMISS_REACTION,
        "confirm": StepCode.CONFIRM_REACTION,
    }
    return a_step(codes[what], f"Task/e{number}", minute(at), bag=None)


class TestActsStay:
    """Rule 3: a notice raised stays raised under its identity, whatever comes after it."""

    @given(happenings=EVENTS)
    def test_law(self, happenings: list[tuple[int, str]]) -> None:
        story = Story()
        before: dict[str, Act] = {}
        for number, (at, what) in enumerate(sorted(happenings)):
            story.at(at, happening(number, at, what))
            assert before.items() <= story.acts.items()
            before = dict(story.acts)
        story.at(400)
        assert before.items() <= story.acts.items()
        withdrawn = {body.notice for body in story.bodies(NoticeWithdrawn)}
        raised = story.raised()
        assert len(raised) == len(set(raised))
        assert withdrawn <= set(raised)
        assert set(story.events()) == set(raised)
        open_now = [e for n, e in story.events().items() if e.status == "in-progress"]
        assert len(open_now) <= 1


class TestOrderOfArrival:
    """Rule 2: whatever the order in which facts arrive, one at a time, the same remains.

    A notice is keyed by what was known when it was raised, so notices are compared by content.
    """

    FACTS = (
        vitals(15, "Observation/v1", **FEVER),
        vitals(45, "Observation/v2", systolic="84"),
        vitals(60, "Observation/v3"),
        step(StepCode.SUSPECT_REACTION, 16, signs=("chills",)),
    )

    @given(order=st.permutations(range(len(FACTS))), again=st.integers(0, len(FACTS) - 1))
    def test_law(self, order: Iterable[int], again: int) -> None:
        story = Story()
        for number in [*order, again]:
            story.at(90, self.FACTS[number])
        plain = Story().at(90, *self.FACTS)
        assert without_notices(story) == without_notices(plain)
        assert len([e for e in story.events().values() if e.status == "in-progress"]) == 1

    def test_that_the_units_facts_may_come_last(self) -> None:
        """Vitals before the start, the start before the unit, the patient at the end."""
        every = [*some_facts(start={}), *self.FACTS]
        late = Story(unit_start=False)
        late.facts = []
        late.acts = {}
        late.now = minute(1)
        for one in reversed(every):
            late.at(90, one)
        plain = Story().at(90, *self.FACTS)
        assert without_notices(late) == without_notices(plain)


def without_notices(story: Story) -> tuple[dict[str, Content], list[tuple[Any, ...]]]:
    """What is desired of the unit, and of notices what does not depend on when they were raised."""
    kept = {
        one.key.text: one.content
        for one in story.found.desired
        if not one.stream.startswith("notice/")
    }
    active = [
        (e.status, e.title, e.onset, [s.unit.key for s in e.suspects])
        for e in story.events().values()
        if e.status == "in-progress"
    ]
    return kept, active
