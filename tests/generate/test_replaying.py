"""Generate, then replay: every message is taken, both releases alike, shared among processes."""

import asyncio
from pathlib import Path

import pytest

from service.cli import main
from service.errors import ScenarioFault
from service.generate.folder import STREAM, write
from service.generate.stream import stream
from service.generate.traffic import shipped
from service.replay import streaming
from service.replay.parts import replay_parts
from service.replay.scenario import load
from service.replay.stage import stage
from service.replay.streaming import Streamed, replay_stream

Capture = pytest.CaptureFixture[str]
UNITS = 10


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("traffic")
    write(stream(UNITS, 2, shipped()), made, title="Ten units")
    return made


@pytest.fixture(scope="module")
def played(folder: Path) -> dict[str, Streamed]:
    scenario = load(folder)
    return {release: asyncio.run(replay_stream(scenario, release)) for release in scenario.releases}


class TestEveryMessageIsTaken:
    """What is generated passes the doors whole, in both releases."""

    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_that_none_is_refused(self, played: dict[str, Streamed], release: str) -> None:
        assert played[release].refused == 0, played[release].faults
        assert played[release].messages == sum(1 for _ in stream(UNITS, 2, shipped()))

    def test_that_both_releases_get_the_same_answers(self, played: dict[str, Streamed]) -> None:
        assert played["R4"].answers == played["R5"].answers
        assert played["R4"].emitted == played["R5"].emitted

    def test_that_every_unit_is_checked_started_and_ended(
        self, played: dict[str, Streamed]
    ) -> None:
        for name in ("check", "start", "end"):
            answers = {key: n for key, n in played["R4"].answers.items() if key[0] == name}
            assert sum(answers.values()) == UNITS


class TestShared:
    """Orders share nothing, so any number of processes comes to the same."""

    def test_that_two_processes_come_to_the_same(
        self, folder: Path, played: dict[str, Streamed]
    ) -> None:
        seen: list[tuple[int, int]] = []
        found = replay_parts(folder, "R4", 2, lambda *so_far: seen.append(so_far))
        assert found == played["R4"]
        assert seen[-1] == (found.messages, found.resources)


class TestBoundedMemory:
    """What a stand-in holds is taken from it when nothing more can follow."""

    def test_that_old_resources_go(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch, played: dict[str, Streamed]
    ) -> None:
        monkeypatch.setattr(streaming, "FORGET", streaming.FORGET / 1000)
        scenario = load(folder)
        most = 0

        async def play() -> Streamed:
            async with stage(scenario.settings, scenario.start) as on:

                def look(*_: object) -> None:
                    nonlocal most
                    held = sum(len(list(p.shelf.places())) for p in on.partners.values())
                    most = max(most, held)
                    assert on.changes == []

                return await streaming.play_on(scenario, "R4", on, look)

        found = asyncio.run(play())
        assert found.answers == played["R4"].answers
        assert 0 < most < sum(played["R4"].emitted.values()) / 3


class TestFaultsOfAStream:
    """A line that is no arrival is told by its place; nothing is skipped."""

    def spoilt(self, folder: Path, tmp_path: Path, line: bytes) -> Path:
        """The folder with one more line."""
        for part in ("scenario.toml", f"in/r4/{STREAM}"):
            (tmp_path / part).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / part).write_bytes((folder / part).read_bytes().split(b"\n{", 1)[0])
        path = tmp_path / f"in/r4/{STREAM}"
        path.write_bytes(path.read_bytes() + b"\n" + line + b"\n")
        return tmp_path

    @pytest.mark.parametrize(
        "line",
        [
            b"{}",
            b"not json",
            b'{"at":"soon","as":"bedside","name":"x","order":1,"message":{}}',
            b'{"at":"2027-01-05T10:00:00","as":"bedside","name":"x","order":1,"message":{}}',
            b'{"at":"2027-01-05T10:00:00Z","as":"nobody","name":"x","order":1,"message":{}}',
        ],
    )
    def test_that_a_bad_line_is_told(self, folder: Path, tmp_path: Path, line: bytes) -> None:
        scenario = load(self.spoilt(folder, tmp_path, line))
        with pytest.raises(ScenarioFault, match=f"{STREAM} line 2"):
            list(scenario.arrivals("R4"))

    def test_that_a_release_without_messages_is_told(self, folder: Path, tmp_path: Path) -> None:
        scenario = load(self.spoilt(folder, tmp_path, b"{}"))
        with pytest.raises(ScenarioFault, match="no messages in R5"):
            asyncio.run(replay_stream(scenario, "R5"))

    def test_that_a_missing_stream_is_told(self, folder: Path, tmp_path: Path) -> None:
        place = self.spoilt(folder, tmp_path, b"{}")
        (place / f"in/r4/{STREAM}").unlink()
        with pytest.raises(ScenarioFault, match=f"{STREAM} is not there"):
            load(place)

    def test_that_timeline_and_stream_exclude_each_other(
        self, folder: Path, tmp_path: Path
    ) -> None:
        place = self.spoilt(folder, tmp_path, b"{}")
        path = place / "scenario.toml"
        path.write_text(path.read_text() + '\n[[timeline]]\nat = "+1h"\nadvance = true\n')
        with pytest.raises(ScenarioFault, match="either timeline or stream"):
            load(place)

    def test_that_a_message_that_is_refused_is_counted(self, folder: Path, tmp_path: Path) -> None:
        line = (
            b'{"at":"2027-01-05T10:00:00Z","as":"bedside","name":"odd","order":1,'
            b'"message":{"resourceType":"Patient"}}'
        )
        scenario = load(self.spoilt(folder, tmp_path, line))
        found = asyncio.run(replay_stream(scenario, "R4"))
        assert found.refused == 1
        assert "odd: HTTP 4" in found.faults[0]


class TestTheCommands:
    """``generate`` writes, ``replay`` plays and prints the rate."""

    def test_that_they_work_together(self, tmp_path: Path, capsys: Capture) -> None:
        place = str(tmp_path / "made")
        asked = ["generate", "--units", "2", "--seed", "4", "--release", "R5", "--out", place]
        assert main(asked) == 0
        assert "2 units in" in capsys.readouterr().out
        assert main(["replay", place, "--processes", "1"]) == 0
        out = capsys.readouterr().out
        assert "resources/s; 0 refused" in out
        assert "no-objection" in out

    def test_that_the_same_folder_may_be_written_again(self, tmp_path: Path) -> None:
        asked = ["generate", "--units", "1", "--out", str(tmp_path)]
        assert [main(asked), main([*asked, "--routine", "--profile", "uk"])] == [0, 0]
        assert load(tmp_path).settings.service.profile == "uk"

    def test_that_another_scenario_is_left_alone(self, tmp_path: Path, capsys: Capture) -> None:
        (tmp_path / "scenario.toml").write_text('title = "Mine"\n')
        assert main(["generate", "--units", "1", "--out", str(tmp_path)]) == 2
        assert "holds a scenario already" in capsys.readouterr().err
        assert (tmp_path / "scenario.toml").read_text() == 'title = "Mine"\n'

    @pytest.mark.parametrize("units", ["0", "-3", "many"])
    def test_that_no_units_are_refused(self, units: str) -> None:
        with pytest.raises(SystemExit):
            main(["generate", "--units", units])
