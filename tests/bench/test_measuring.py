"""``bench``: a short run of each measurement, through the whole service."""

import re

import pytest

from service.cli import main


def said(text: str, pattern: str) -> list[str]:
    found = re.search(pattern, text)
    assert found is not None, text
    return list(found.groups())


class TestIntake:
    """Vital signs through HTTP, judged, stored and delivered to two stand-ins."""

    def test_short_run_loses_nothing(self, capsys: pytest.CaptureFixture[str]) -> None:
        code = main(["bench", "intake", "--rate", "20", "--seconds", "2"])
        shown = capsys.readouterr().out
        assert said(shown, r"(\d+) errors of (\d+)") == ["0", "40"]
        assert said(shown, r"(\d+) missing, (\d+) wrong") == ["0", "0"]
        (delivered,) = said(shown, r"(\d+) of them in the run")
        assert int(delivered) >= 2 * 40
        assert code == (1 if "VOID" in shown else 0)

    def test_stall_of_the_service_is_seen(self, capsys: pytest.CaptureFixture[str]) -> None:
        main(["bench", "intake", "--rate", "20", "--seconds", "2", "--stall", "0.6"])
        shown = capsys.readouterr().out
        (p99,) = said(shown, r"latency ms .* p99 ([\d.]+)")
        assert float(p99) > 400


class TestAssess:
    """The pure part alone, at several sizes."""

    def test_prints_a_row_for_each_size(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["bench", "assess"]) == 0
        shown = capsys.readouterr().out
        assert len(re.findall(r"^\d+ facts, \d units? +\d+ +\d+ +\d+ +\d+$", shown, re.M)) == 4
