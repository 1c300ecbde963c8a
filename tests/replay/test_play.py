"""Playing: the clock goes from wake to wake, partners answer, refusals are told."""

import asyncio
import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.errors import ScenarioFault
from service.replay.expectation import expectation
from service.replay.play import TIME, play, replay
from service.replay.played import Played
from service.replay.scenario import Reply, Scenario, load
from service.replay.stage import CountedIds, Stage, loopback_stage, stage
from tests.support.authoring import resources
from tests.support.authoring.scene import bundle
from tests.support.folders import HEAD, LINE, a_folder, admission
from tests.support.replays import FIXTURES, played
from tests.support.worlds import BAG, supply, with_fields
from tests.support.worlds import admission as admission_of

LIMIT = "bag-hangs-past-its-limit"
FEVER = "fever-at-fifteen-minutes-is-notified-and-taken-up"


def play_one(place: Path, release: str = "R4") -> Played:
    return asyncio.run(replay(load(place), release))


class TestTheClock:
    """Time passes only as the timeline says, and in steps of the cases' own wakes."""

    def test_what_is_due_happens_at_its_instant_and_not_at_the_next_message(self) -> None:
        found = played(LIMIT, "R4")
        by_time = [e for e in found.to("record-system") if e.because == TIME]
        local = [e.at.astimezone(found.scenario.zone).strftime("%H:%M") for e in by_time]
        assert local == ["09:22", "12:38", "13:08", "13:08"]

    def test_the_last_line_may_only_let_time_pass(self) -> None:
        found = played("two-units-run-without-event", "R5")
        assert found.happened[-1].status is None
        assert found.next_wake is not None
        assert found.next_wake > found.scenario.timeline[-1].at

    def test_a_case_that_stays_due_is_a_fault(self, tmp_path: Path) -> None:
        async def stuck(on: Stage, at: datetime) -> None:
            on.application.store.next_due = lambda: at  # type: ignore[method-assign]
            await on.wait_until(at + timedelta(hours=1))

        scenario = load(a_folder(tmp_path / "one"))
        with pytest.raises(ScenarioFault, match="stays due"):
            asyncio.run(_staged(scenario, stuck))

    def test_work_without_end_is_a_fault(self, tmp_path: Path) -> None:
        async def endless(on: Stage, at: datetime) -> None:
            async def once() -> int:
                return 1

            on.application.wake.once = once  # type: ignore[method-assign]
            await on.wait_until(at)

        scenario = load(a_folder(tmp_path / "one"))
        with pytest.raises(ScenarioFault, match="does not come to an end"):
            asyncio.run(_staged(scenario, endless))


async def _staged(scenario: Scenario, work: Any) -> None:
    async with stage(scenario.settings, scenario.start) as on:
        # a slotted worker takes no new method, so that a stand-in of it is put in its place
        on.application.wake = _Loose(on.application.wake)  # type: ignore[assignment]
        on.application.store = _Loose(on.application.store)  # type: ignore[assignment]
        await work(on, scenario.start)


class _Loose:
    """Something else with everything it has, to which anything may be set."""

    def __init__(self, real: Any) -> None:
        self._real = real

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)


class TestMessages:
    """Messages go through the API as any client's do."""

    def test_one_resource_alone_is_created_at_its_address(self, tmp_path: Path) -> None:
        alone = admission()["entry"][0]["resource"]
        (line,) = play_one(a_folder(tmp_path / "one", messages={"01-patient.json": alone})).happened
        assert (line.status, line.created, line.problems) == (201, ("Patient",), ())

    def test_a_message_told_twice_says_nothing_new(self, tmp_path: Path) -> None:
        again = LINE.replace("08:10", "08:11")
        first, second = play_one(a_folder(tmp_path / "one", timeline=LINE + again)).happened
        assert (first.created, first.held) == (("Patient",), 0)
        assert (second.created, second.held) == ((), 1)

    @pytest.mark.parametrize(
        ("content", "told"),
        [
            (b'{"resourceType": "Bundle", "resourceType": "Bundle"}', "same key twice"),
            (b"not json", "not JSON"),
            (b"[]", "must be an object"),
            (b'{"resourceType": "Planet"}', "not a resource type"),
        ],
    )
    def test_what_is_refused_is_told_and_stores_nothing(
        self, tmp_path: Path, content: bytes, told: str
    ) -> None:
        found = play_one(a_folder(tmp_path / "one", messages={"01-patient.json": content}))
        (line,) = found.happened
        assert line.status is not None
        assert 400 <= line.status < 500
        assert line.created == ()
        assert any(told in problem for problem in line.problems), line.problems
        assert found.emissions == ()

    def test_a_source_may_state_only_what_it_is_known_for(self, tmp_path: Path) -> None:
        head = HEAD.replace("[source.ward]", '[source.ward]\nasserts = ["step"]')
        (line,) = play_one(a_folder(tmp_path / "one", head=head)).happened
        assert line.status == 403

    def test_a_release_without_messages_is_a_fault(self, tmp_path: Path) -> None:
        with pytest.raises(ScenarioFault, match="no messages in R5"):
            play_one(a_folder(tmp_path / "one"), "R5")


class TestOneNameForBothReleases:
    """An expectation holds for both releases: an issue is a Basic in R4 and is not called so."""

    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_a_corrected_issue(self, tmp_path: Path, release: str) -> None:
        _, issue, _ = supply()
        moved = with_fields(issue, meta={"lastUpdated": "2027-06-08T08:10:30+01:00"})
        moved[release]["extension"][-1]["valueCodeableConcept"]["text"] = "in another box"
        again = bundle([resources.unit(BAG), moved], release)
        again["entry"][-1]["request"].pop("ifNoneExist", None)
        folder = a_folder(
            tmp_path / "one",
            timeline=LINE + LINE.replace("08:10", "08:11").replace("01-patient", "02-moved"),
            messages={
                "01-patient.json": bundle([*admission_of(), *supply()], release),
                "02-moved.json": again,
            },
            releases=(release.lower(),),
        )
        first, second = play_one(folder, release).happened
        assert "BiologicallyDerivedProductDispense" in first.created
        assert second.corrected == ("BiologicallyDerivedProductDispense",)


class TestReplies:
    """A partner answers the Task that it holds, as it came to it."""

    def test_the_reply_bears_our_identifier_and_is_taken(self) -> None:
        lines = [line for line in played(FEVER, "R4").happened if isinstance(line.event, Reply)]
        assert [line.status for line in lines] == [201, 200]
        assert [line.created for line in lines] == [("Task",), ()]
        assert [line.corrected for line in lines] == [(), ("Task",)]

    def test_nobody_is_told_to_telephone_once_it_is_taken_up(self) -> None:
        keys = {emission.key for emission in played(FEVER, "R5").emissions}
        assert not any("telephone-laboratory" in key for key in keys)

    def test_a_task_that_was_never_sent_cannot_be_answered(self, tmp_path: Path) -> None:
        reply = """
[[timeline]]
at = 08:20:00
reply = "investigate-reaction"
from = "laboratory"
status = "accepted"
"""
        with pytest.raises(ScenarioFault, match="holds no Task investigate-reaction"):
            play_one(a_folder(tmp_path / "one", timeline=LINE + reply))


class TestStages:
    """In one process or through HTTP on loopback: the same comes out."""

    def test_through_http_it_is_the_same_to_the_byte(self) -> None:
        async def through_http() -> Played:
            scenario = load(FIXTURES / FEVER)
            async with loopback_stage(scenario.settings, scenario.start) as on:
                return await play(scenario, "R4", on)

        found = asyncio.run(through_http())
        assert found.undelivered == ()
        assert expectation(found) == expectation(played(FEVER, "R4"))
        assert found.sent == played(FEVER, "R4").sent

    def test_what_a_partner_lost_is_told(self, tmp_path: Path) -> None:
        async def losing() -> Played:
            scenario = load(FIXTURES / LIMIT)
            async with stage(scenario.settings, scenario.start) as on:
                on.partners["blood-bank"].knobs.refuse["Procedure"] = 422
                return await play(scenario, "R4", on)

        found = asyncio.run(losing())
        assert any(one.startswith("blood-bank: procedure/") for one in found.undelivered)
        assert "undelivered" in json.dumps(expectation(found))

    def test_counted_ids_are_the_same_every_time(self) -> None:
        one, other = CountedIds(), CountedIds()
        assert [one() for _ in range(3)] == [other() for _ in range(3)]
        assert one() != one()

    def test_progress_is_told_line_by_line(self, tmp_path: Path) -> None:
        seen: list[Any] = []
        scenario = load(a_folder(tmp_path / "one"))
        asyncio.run(replay(scenario, "R4", seen.append))
        assert seen == list(scenario.timeline)
