"""``policy``: every fault of the files at once; rows with their day and source."""

import re
from pathlib import Path

import pytest

from service.cli import main
from tests.support.overlays import HEADER

Capture = pytest.CaptureFixture[str]


def overlay(place: Path, toml: str) -> str:
    """A site's folder with these rows."""
    (place / "policy").mkdir()
    (place / "policy" / "site.toml").write_text(HEADER + toml, encoding="utf-8")
    return str(place)


class TestCheck:
    """All profiles, the code maps, and a site's overlay."""

    def test_the_shipped_files_have_no_fault(self, capsys: Capture) -> None:
        assert main(["policy", "check"]) == 0
        out = capsys.readouterr().out
        assert out.startswith("No fault in the profiles ")
        assert "default" in out

    def test_each_fault_of_an_overlay_is_told_once(self, tmp_path: Path, capsys: Capture) -> None:
        rows = '\n[[row]]\nid = "no-such-row"\nvalue = 1\nsince = 2025-01-01\nsource = "S15"\n'
        assert main(["policy", "check", "--overlay", overlay(tmp_path, rows)]) == 2
        lines = capsys.readouterr().err.splitlines()
        assert [line for line in lines if "no-such-row" in line]
        assert len(lines) == len(set(lines))


class TestShow:
    """What is in force, since when, and where it was published."""

    def test_every_row_has_its_day_and_source(self, capsys: Capture) -> None:
        assert main(["policy", "show"]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert any(line.startswith("fever-rise-stop") for line in lines)
        assert all(re.search(r" since \d{4}-\d{2}-\d{2}  \S", line) for line in lines)

    def test_what_differs_between_two_profiles(self, capsys: Capture) -> None:
        assert main(["policy", "show", "--profile", "uk", "--diff", "default"]) == 0
        out = capsys.readouterr().out
        assert "fever-rise-stop" in out
        assert "completion-limit.red_cells" not in out

    def test_an_unknown_profile_is_a_plain_sentence(self, capsys: Capture) -> None:
        assert main(["policy", "show", "--profile", "atlantis"]) == 2
        assert "atlantis" in capsys.readouterr().err
