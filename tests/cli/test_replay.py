"""``replay``: exit codes, one line per difference, readable tables, no tracebacks."""

import io
import json
from pathlib import Path

import pytest
from rich.console import Console
from rich.table import Table

from service.cli import main
from service.cli.replay import Outcome, show_summary
from service.cli.screen import NARROW, by_partner, checks, hyphenated, milestones, timeline
from tests.support.folders import HEAD, LINE, a_folder, admission
from tests.support.replays import played

FEVER = "fever-at-fifteen-minutes-is-notified-and-taken-up"
REFUSED = "unit-of-another-group-is-refused-and-returned"

Capture = pytest.CaptureFixture[str]


class TestExitCode:
    """0 as expected, 1 anything differs, 2 the folder cannot be replayed."""

    def test_a_shipped_scenario_comes_out_as_expected(self, capsys: Capture) -> None:
        assert main(["replay", REFUSED, "--release", "r4"]) == 0
        assert "as expected" in capsys.readouterr().out

    def test_without_an_expectation_it_differs(self, tmp_path: Path, capsys: Capture) -> None:
        assert main(["replay", str(a_folder(tmp_path / "one"))]) == 1
        out = capsys.readouterr().out
        assert "there is no expect.json yet" in out
        assert "1 different" in out

    def test_a_difference_is_one_line_with_its_place(self, tmp_path: Path, capsys: Capture) -> None:
        place = a_folder(tmp_path / "one")
        assert main(["replay", str(place), "--accept"]) == 0
        expected = json.loads((place / "expect.json").read_text(encoding="utf-8"))
        expected["timeline"][0]["by"] = "somebody"
        (place / "expect.json").write_text(json.dumps(expected), encoding="utf-8")
        capsys.readouterr()
        assert main(["replay", str(place)]) == 1
        lines = [line for line in capsys.readouterr().out.splitlines() if "somebody" in line]
        assert lines == ['one R4: timeline[01-patient].by: expected "somebody", found "ward"']

    def test_an_answer_other_than_the_timeline_asks_for_differs(
        self, tmp_path: Path, capsys: Capture
    ) -> None:
        place = a_folder(tmp_path / "one", timeline=f'{LINE}answer = "refuse"\n')
        assert main(["replay", str(place), "--accept"]) == 1
        assert "01-patient.json: expected the answer refuse, got none" in capsys.readouterr().out

    @pytest.mark.parametrize(
        ("name", "told"),
        [
            ("no-such-scenario", "There is no scenario 'no-such-scenario'. Known are:"),
            ("{empty}", "holds no scenario.toml"),
            ("{broken}", "start must be a date and time with its offset"),
        ],
    )
    def test_a_bad_folder_is_a_plain_sentence(
        self, tmp_path: Path, capsys: Capture, name: str, told: str
    ) -> None:
        (tmp_path / "empty").mkdir()
        a_folder(tmp_path / "broken", head=HEAD.replace("start =", "begin ="))
        named = name.format(empty=tmp_path / "empty", broken=tmp_path / "broken")
        assert main(["replay", named]) == 2
        captured = capsys.readouterr()
        assert told in captured.err
        assert "Traceback" not in captured.err

    def test_a_release_that_is_not_there_is_told(self, tmp_path: Path, capsys: Capture) -> None:
        assert main(["replay", str(a_folder(tmp_path / "one")), "--release", "r5"]) == 2
        assert "no messages in R5" in capsys.readouterr().err


class TestAccept:
    """--accept writes what came out; the review of its difference is a person's."""

    def test_it_writes_one_expectation_for_both_releases(
        self, tmp_path: Path, capsys: Capture
    ) -> None:
        place = a_folder(tmp_path / "one", releases=("r4", "r5"))
        assert main(["replay", str(place), "--accept"]) == 0
        assert main(["replay", str(place)]) == 0
        assert json.loads((place / "expect.json").read_text(encoding="utf-8"))["timeline"]

    def test_releases_that_differ_differ_also_when_accepted(
        self, tmp_path: Path, capsys: Capture
    ) -> None:
        place = a_folder(tmp_path / "one", releases=("r4", "r5"))
        other = admission()["entry"][0]["resource"] | {"gender": "nobody knows"}
        (place / "in/r5/01-patient.json").write_text(json.dumps(other), encoding="utf-8")
        assert main(["replay", str(place), "--accept"]) == 1


class TestScreen:
    """Readable in a terminal and in a file; cautions on every screen."""

    def test_one_scenario_shows_its_timeline(self, capsys: Capture) -> None:
        assert main(["replay", FEVER, "--release", "r5"]) == 0
        out = capsys.readouterr().out
        told = ("start ST-602", "AdverseEvent", "interrupt ST-603", "accepted")
        places = [out.index(word) for word in told]
        assert places == sorted(places)

    def test_several_scenarios_show_a_table_and_timelines_when_asked(
        self, tmp_path: Path, capsys: Capture
    ) -> None:
        a_folder(tmp_path / "one")
        a_folder(tmp_path / "two")
        main(["replay", str(tmp_path), "--accept"])
        assert "came in" not in capsys.readouterr().out
        main(["replay", str(tmp_path), "--timeline"])
        out = capsys.readouterr().out
        assert out.count("came in") == 2
        assert out.count("A patient is admitted") == 2

    def test_it_is_plain_text_where_nobody_looks(self, capsys: Capture) -> None:
        main(["replay", REFUSED, "--release", "r4"])
        assert "\x1b" not in capsys.readouterr().out

    def test_the_cautions_stand_on_it(self, capsys: Capture) -> None:
        main(["replay", REFUSED, "--release", "r4"])
        out = capsys.readouterr().out
        assert "Screening support, not a diagnosis." in out
        assert "Local policy and licensed clinicians decide." in out
        assert "safe" not in out.lower()


class TestWidth:
    """A table is read at 80 columns as at 120: no line is longer, and no word is cut in two."""

    @pytest.mark.parametrize("width", [80, 120])
    @pytest.mark.parametrize(
        ("name", "whole"),
        [
            (FEVER, ("BiologicallyDerivedProduct", "investigate-reaction", "haemolysis")),
            (REFUSED, ("BiologicallyDerivedProduct", "return-unit")),
        ],
    )
    def test_a_timeline_fits(self, name: str, whole: tuple[str, ...], width: int) -> None:
        narrow = width < NARROW
        told = _printed(timeline(played(name, "R4"), narrow=narrow), width)
        assert max(len(line) for line in told.splitlines()) <= width
        assert [word for word in whole if word not in told] == []

    @pytest.mark.parametrize("width", [80, 120])
    def test_what_the_rules_said_fits_with_its_sources(self, width: int) -> None:
        told = _printed(checks(played(FEVER, "R4"), narrow=width < NARROW), width)
        assert max(len(line) for line in told.splitlines()) <= width
        assert "no-objection" in told
        assert "VIT-03 = stop" in told

    @pytest.mark.parametrize("width", [80, 120])
    def test_what_followed_fits_with_cause_and_receiver(self, width: int) -> None:
        told = _printed(milestones(played(FEVER, "R4"), narrow=width < NARROW), width)
        assert max(len(line) for line in told.splitlines()) <= width
        assert "07-first-observations" in told
        held = _printed(by_partner(played(FEVER, "R4"), narrow=width < NARROW), width)
        assert max(len(line) for line in held.splitlines()) <= width
        assert "blood-bank (R5)" in held

    def test_a_long_name_is_parted_after_hyphens_only(self) -> None:
        assert hyphenated(FEVER, 40) == "fever-at-fifteen-minutes-is-notified-\nand-taken-up"
        assert hyphenated(REFUSED, 80) == REFUSED

    def test_the_summary_of_a_long_name_fits_at_eighty(self) -> None:
        out = io.StringIO()
        shown = [Outcome(played=played(FEVER, "R4"), differences=())]
        show_summary(Console(file=out, width=80), shown)
        told = out.getvalue()
        assert max(len(line) for line in told.splitlines()) <= 80
        assert "as expected" in told


class TestWhatIsSaid:
    """Words with units, no code words, and the hospital's clock."""

    def test_readings_and_units_are_words(self) -> None:
        told = _printed(by_partner(played(FEVER, "R4")), 200)
        assert "heart rate 104/min" in told
        assert "heart_rate" not in told
        assert "mm[Hg]" not in told
        assert "A9999 27 104107 S" in told

    def test_the_clock_is_named(self, capsys: Capture) -> None:
        assert main(["replay", REFUSED, "--release", "r4"]) == 0
        assert "the first is 8 June 2027 08:00 UTC+01:00" in capsys.readouterr().out

    def test_without_a_terminal_there_is_no_colour(self, capsys: Capture) -> None:
        assert main(["replay", REFUSED, "--release", "r4"]) == 0
        assert "\x1b" not in capsys.readouterr().out


def _printed(shown: Table, width: int) -> str:
    out = io.StringIO()
    Console(file=out, width=width).print(shown)
    return out.getvalue()
