"""News against a unit that was started: told to both partners as what it is (COMP-11, ACT-05)."""

from dataclasses import replace
from typing import Any

import pytest

from service.assessment.desired import Issue, Procedure
from service.facts.acts import NoticeEscalated, NoticeWithdrawn
from service.facts.fact import Fact
from service.facts.moment import at as exactly
from service.facts.steps import StepCode
from service.rules.reaction_actions import clearance
from tests.assessment.test_notices import FEVER, Story, minute, reply, row, step, vitals
from tests.support.cases import UNIT_KEY, a_crossmatch, a_start, a_step, a_unit

NEWS = f"{UNIT_KEY.text}/news-1"


def unit(status: str, at: float, version: int = 2, **said: Any) -> Fact[Any]:
    return replace(
        a_unit(status=status, **said), version=version, stamp=minute(at), received=minute(at)
    )


class TestARecall:
    """Stop, and both partners are told that it runs, in whom and where."""

    def _story(self) -> Story:
        return Story().at(41, unit("recalled", 41))

    def test_its_notice(self) -> None:
        story = self._story()
        assert story.raised() == [NEWS]
        event = story.event(NEWS)
        assert event.title == "A unit that is recalled was started"
        assert (event.actuality, event.incident, event.status) == ("actual", True, "in-progress")
        assert [finding.text for finding in event.findings] == ["The unit is recalled."]
        assert "still running" in dict(event.lines)[f"Unit {UNIT_KEY.text}"]

    def test_that_it_began_with_the_recall(self) -> None:
        assert self._story().event(NEWS).onset == exactly(minute(41))

    def test_that_a_fuller_description_is_no_other_recall(self) -> None:
        story = self._story().at(50, unit("recalled", 50, version=3, expiry=None))
        assert story.event(NEWS).onset == exactly(minute(41))
        assert story.raised() == [NEWS]

    def test_that_nobody_else_is_at_risk_and_no_reaction_is_screened(self) -> None:
        story = self._story()
        event = story.event(NEWS)
        assert (event.another_patient, event.candidates, event.not_excluded) == (False, (), ())
        assert story.held("observation", NEWS) == []
        assert {task.code for task in story.held("task", NEWS)} == {
            "investigate-reaction",
            "keep-bag-and-set",
        }
        assert not any("reaction" in task.text for task in story.held("task", NEWS))

    def test_that_check_and_start_stay_as_they_were_answered(self) -> None:
        story = self._story()
        (record,) = [c for c in story.contents().values() if isinstance(c, Procedure)]
        assert record.check_answer == "no-objection"
        issues = [c for c in story.contents().values() if isinstance(c, Issue)]
        assert [issue.findings[0].rule for issue in issues] == ["COMP-11"]

    def test_that_the_patient_may_have_another_unit(self) -> None:
        """ACT-20 is about reactions: a recalled bag is replaced."""
        story = self._story()
        case = story.case()
        assert clearance(case, minute(60)).open is False

    def test_that_a_reaction_is_a_notice_of_its_own(self) -> None:
        """And it keeps other units away, as every reaction does."""
        story = self._story().at(50, vitals(50, **FEVER))
        assert story.raised() == [NEWS, f"{UNIT_KEY.text}/1"]
        assert clearance(story.case(), minute(60)).open is True
        assert story.event(NEWS).status == "in-progress"

    def test_that_both_may_come_at_once(self) -> None:
        story = Story().at(41, unit("recalled", 41), vitals(41, **FEVER))
        assert sorted(story.raised()) == [f"{UNIT_KEY.text}/1", NEWS]

    def test_that_the_wards_dismissal_of_a_reaction_does_not_end_it(self) -> None:
        story = self._story().at(45, step(StepCode.DISMISS_REACTION, 45))
        assert story.event(NEWS).status == "in-progress"

    def test_silence(self) -> None:
        """Nobody takes it up: the ward telephones about the unit, not about a reaction."""
        story = self._story().at(41 + row("notice-acknowledge-stop"))
        assert [body.notice for body in story.bodies(NoticeEscalated)] == [NEWS]
        (call,) = story.held("task", NEWS, "telephone-laboratory")
        assert "reaction" not in call.text

    def test_down_and_taken_up(self) -> None:
        """ACT-05: over once the laboratory has it and nothing hangs any more."""
        story = self._story().at(43, reply("accepted", 43, NEWS))
        assert story.event(NEWS).telephone_now is False
        assert story.event(NEWS).status == "in-progress"
        story.at(46, a_step(StepCode.END, "Task/end", minute(46)))
        assert story.event(NEWS).status == "completed"

    def test_concluded(self) -> None:
        story = self._story().at(43, reply("completed", 43, NEWS)).at(50, vitals(50, **FEVER))
        assert story.event(NEWS).status == "completed"

    def test_a_start_that_is_told_after_the_recall(self) -> None:
        """Its verdict stands, and the caller hears first that the unit must be stopped."""
        late = Story(unit_start=False).at(41, unit("recalled", 41)).at(45, a_start())
        answer = late.found.answers["Task/start"]
        assert (answer.word, answer.findings[0].reason) == ("stop", "unit-recalled")
        down = late.at(50, a_step(StepCode.END, "Task/end", minute(49)))
        assert down.found.answers["Task/start"].word == "no-objection"

    def test_taken_back(self) -> None:
        story = self._story().at(45, unit("available", 45, version=3))
        assert [body.notice for body in story.bodies(NoticeWithdrawn)] == [NEWS]
        assert story.event(NEWS).status == "entered-in-error"


class TestOtherNews:
    """Quarantine and an incompatible crossmatch are told likewise; each as what it is."""

    def test_quarantine(self) -> None:
        event = Story().at(41, unit("quarantined", 41)).event(NEWS)
        assert event.title == "A unit that is in quarantine was started"

    def test_a_crossmatch(self) -> None:
        """It came when it was told, whenever its sample was taken."""
        bad = replace(
            a_crossmatch("Observation/x9", result="incompatible"),
            received=minute(41),
            stamp=minute(41),
        )
        event = Story().at(41, bad).event(NEWS)
        assert event.title == "A unit was started that later news speaks against"
        assert event.onset == exactly(minute(41))

    def test_a_crossmatch_that_was_amended(self) -> None:
        """It came with the amendment, and once."""
        good = a_crossmatch("Observation/x9")
        bad = replace(good.body, result="incompatible")
        story = Story(good)
        for version, at in ((2, 41), (3, 50)):
            told = replace(good, body=bad, version=version, stamp=minute(at), received=minute(at))
            story.at(at, told)
        assert story.raised() == [NEWS]
        assert story.event(NEWS).onset == exactly(minute(41))

    def test_a_unit_that_was_recalled_before_its_start(self) -> None:
        """It began with the start; it is no wrong blood, and nobody else is at risk."""
        story = Story(unit_start=False)
        story.at(-0.5, unit("recalled", -0.5)).at(2, a_start())
        assert story.raised() == [NEWS]
        event = story.event(NEWS)
        assert event.onset == exactly(minute(0))
        assert (event.another_patient, event.candidates) == (False, ())

    @pytest.mark.parametrize("status", ["available", "discarded"])
    def test_that_what_becomes_of_every_bag_is_no_news(self, status: str) -> None:
        assert Story().at(41, unit(status, 41)).raised() == []
