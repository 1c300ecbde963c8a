"""A scenario folder is read whole, and every fault of it is told at once."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.errors import ScenarioFault
from service.replay.files import find, fixtures, scenarios
from service.replay.scenario import Advance, Reply, Send, load
from tests.support.folders import HEAD, LINE, a_folder


def faults(place: Path) -> tuple[str, ...]:
    with pytest.raises(ScenarioFault) as found:
        load(place)
    return found.value.faults


class TestReading:
    """scenario.toml: where it starts, who speaks, whom it goes to, and what happens."""

    def test_times_of_the_day_are_on_the_facilitys_clock(self, tmp_path: Path) -> None:
        (event,) = load(a_folder(tmp_path / "one")).timeline
        assert event.at.astimezone(UTC) == datetime(2027, 6, 8, 7, 10, tzinfo=UTC)

    @pytest.mark.parametrize(
        ("given", "minutes"),
        [('"+15m"', 15), ('"+1h5m"', 65), ('"+90s"', 1.5), ("2027-06-08T08:30:00+01:00", 30)],
    )
    def test_times_may_be_offsets_or_instants(
        self, tmp_path: Path, given: str, minutes: float
    ) -> None:
        line = LINE.replace("08:10:00", given)
        scenario = load(a_folder(tmp_path / "one", timeline=line))
        assert (scenario.timeline[0].at - scenario.start).total_seconds() == minutes * 60

    def test_a_timeline_sends_advances_and_replies(self, tmp_path: Path) -> None:
        more = """
[[timeline]]
at = 08:20:00
advance = true

[[timeline]]
at = 08:30:00
reply = "investigate-reaction"
from = "laboratory"
status = "accepted"
"""
        sent, waited, replied = load(a_folder(tmp_path / "one", timeline=LINE + more)).timeline
        assert isinstance(sent, Send)
        assert (sent.file, sent.source, sent.answer) == ("01-patient.json", "ward", None)
        assert isinstance(waited, Advance)
        assert isinstance(replied, Reply)
        assert (replied.partner, replied.task, replied.status) == (
            "laboratory",
            "investigate-reaction",
            "accepted",
        )

    def test_every_source_has_a_token_and_the_only_facility(self, tmp_path: Path) -> None:
        settings = load(a_folder(tmp_path / "one")).settings
        assert settings.has_tokens
        assert settings.source["ward"].facility == "harrow-vale"

    def test_a_name_without_title_is_the_folders(self, tmp_path: Path) -> None:
        head = HEAD.replace('title = "A patient is admitted"\n', "")
        assert load(a_folder(tmp_path / "someone-is-admitted", head=head)).title == (
            "someone-is-admitted"
        )


class TestFaults:
    """A fault names the file, the place in it and what is wrong."""

    def test_all_of_them_are_told_at_once(self, tmp_path: Path) -> None:
        lines = """
[[timeline]]
at = "soon"
send = "01-patient.json"
as = "ward"

[[timeline]]
at = 08:10:00
send = "01-patient.json"
as = "stranger"

[[timeline]]
at = 08:05:00
reply = "investigate-reaction"
from = "chart"

[[timeline]]
at = 08:20:00
wait = true

[[timeline]]
at = 08:30:00
send = "02-nowhere.json"
as = "ward"
volume = 3
"""
        place = a_folder(tmp_path / "one", head="colour = 1\n" + HEAD, timeline=lines)
        told = "\n".join(faults(place))
        for part in (
            "line 1: at must be a time",
            "line 2: there is no source 'stranger'",
            "line 3: 08:05:00 lies before the line above it",
            "line 3: reply needs status",
            "line 4: say one of send, advance, reply",
            "line 5: volume does not belong to send",
            "colour is no part of a scenario",
        ):
            assert part in told

    @pytest.mark.parametrize(
        ("old", "new", "told"),
        [
            ("start = 2027-06-08T08:00:00+01:00", "start = 2027-06-08T08:00:00", "with its offset"),
            ('zone = "Europe/London"', 'zone = "Europe/Harrow"', "no time zone"),
            ('source = "ward"', 'source = "nobody"', "there is no source 'nobody'"),
            ("[source.ward]", "", "needs a facility and a source"),
            ('roles = ["blood-bank"]', 'roles = ["bank"]', "partner.laboratory.roles"),
            ("[source.ward]", "source = 1", "must be written as [source.NAME]"),
        ],
    )
    def test_settings_are_checked(self, tmp_path: Path, old: str, new: str, told: str) -> None:
        head = HEAD.replace(old, new)
        if new == "source = 1":
            head = "source = 1\n" + HEAD.replace("[source.ward]\n", "")
        assert any(told in fault for fault in faults(a_folder(tmp_path / "one", head=head)))

    def test_a_partner_without_a_voice_cannot_reply(self, tmp_path: Path) -> None:
        lines = """
[[timeline]]
at = 08:10:00
reply = "investigate-reaction"
from = "chart"
status = "accepted"
"""
        place = a_folder(tmp_path / "one", timeline=LINE + lines)
        assert any("partner.chart has no source" in fault for fault in faults(place))

    def test_an_unknown_partner_cannot_reply(self, tmp_path: Path) -> None:
        lines = """
[[timeline]]
at = 08:10:00
reply = "investigate-reaction"
from = "somebody"
status = "accepted"
"""
        place = a_folder(tmp_path / "one", timeline=LINE + lines)
        assert any("no partner 'somebody'" in fault for fault in faults(place))

    def test_messages_are_all_there_and_all_sent(self, tmp_path: Path) -> None:
        content = {"02-other.json": {"resourceType": "Patient"}}
        told = "\n".join(faults(a_folder(tmp_path / "one", messages=content)))
        assert "01-patient.json is sent but not there" in told
        assert "02-other.json is there but never sent" in told

    def test_without_messages_there_is_nothing_to_play(self, tmp_path: Path) -> None:
        place = a_folder(tmp_path / "one", releases=())
        assert any("neither in/r4 nor in/r5" in fault for fault in faults(place))

    @pytest.mark.parametrize("timeline", ["", "\ntimeline = 1\n"])
    def test_without_a_timeline_nothing_happens(self, tmp_path: Path, timeline: str) -> None:
        place = a_folder(tmp_path / "one", head=timeline + HEAD, timeline="")
        assert any("needs a [[timeline]]" in fault for fault in faults(place))

    def test_what_is_no_toml_is_one_fault(self, tmp_path: Path) -> None:
        assert "is not valid TOML" in faults(a_folder(tmp_path / "one", head="title = "))[0]

    def test_a_folder_without_the_file_is_none(self, tmp_path: Path) -> None:
        assert "There is no" in faults(tmp_path)[0]


class TestFinding:
    """Scenarios are found by looking, never by registering."""

    def test_a_new_folder_is_found_at_once(self, tmp_path: Path) -> None:
        b, a = a_folder(tmp_path / "b"), a_folder(tmp_path / "a")
        (tmp_path / "c").mkdir()
        assert scenarios(tmp_path) == (a, b)
        assert find(str(tmp_path)) == (a, b)
        assert find(str(b)) == (b,)

    def test_a_shipped_one_is_found_by_its_name(self) -> None:
        (found,) = find("two-units-run-without-event")
        assert found.parent == fixtures()
        assert found in scenarios()

    def test_an_unknown_name_is_told_with_the_known_ones(self) -> None:
        with pytest.raises(ScenarioFault, match="two-units-run-without-event"):
            find("two-units")

    def test_a_folder_without_scenarios_is_told(self, tmp_path: Path) -> None:
        with pytest.raises(ScenarioFault, match="none of its folders"):
            find(str(tmp_path))

    def test_an_installation_without_fixtures_is_told(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("service.replay.files.PACKAGE", tmp_path / "package")
        with pytest.raises(ScenarioFault, match="was not found"):
            fixtures()
