"""``demo``: the whole job on one screen, and nothing left behind."""

import contextlib
import io
import re
from pathlib import Path

import pytest

from service.cli import main
from service.policy.files import mappings
from service.policy.load import profiles
from service.settings import load

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def screen() -> str:
    """The screen of a demonstration that was played once."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main(["demo"]) == 0
    return out.getvalue()


class TestTheScreen:
    """Cautions, what came in, the checks, the timeline, what went to whom, what next."""

    def test_the_cautions_come_first(self, screen: str) -> None:
        assert screen.startswith("! Screening support, not a diagnosis.")
        assert "safe" not in screen.lower()

    def test_its_parts_stand_in_the_order_of_the_job(self, screen: str) -> None:
        parts = (
            "What came in, in order",
            "What the rules said, with the policy row and its published source",
            "What the service did about it, and when",
            "What each partner holds now",
            "To connect a real partner",
        )
        places = [screen.index(part) for part in parts]
        assert places == sorted(places)

    def test_each_answer_stands_with_its_rules_and_sources(self, screen: str) -> None:
        assert re.search(r"check-unit ST-601 +no-objection +met, compatibility: COMP-01", screen)
        assert re.search(r"VIT-03 stop: The temperature", screen)
        assert re.search(r"VIT-03 = stop, since 1 January", screen)

    def test_the_timeline_tells_notice_and_acknowledgement(self, screen: str) -> None:
        told = screen[screen.index("What the service did") :]
        order = (
            "in-progress",
            "Suspected blood transfusion",
            "on-hold",
            "accepted",
            "107 S stopped",
        )
        places = [told.index(word) for word in order]
        assert places == sorted(places)

    def test_both_partners_hold_what_is_theirs(self, screen: str) -> None:
        held = screen[screen.index("What each partner holds now") :]
        bank = held[held.index("blood-bank (R5)") : held.index("record-system (R4)")]
        record = held[held.index("record-system (R4)") : held.index("To connect")]
        assert "Investigate a suspected" in bank
        assert "DetectedIssue" not in bank
        assert "DetectedIssue" in record
        assert "Not delivered" not in screen

    def test_everything_listens_on_loopback_only(self, screen: str) -> None:
        assert len(re.findall(r"http://127\.0\.0\.1:\d+", screen)) == 3


class TestTheSnippet:
    """What it says about connecting a partner is true."""

    def test_the_settings_it_shows_are_read(self, screen: str, tmp_path: Path) -> None:
        shown = screen[screen.index("[service]") : screen.index("  transfusion-events serve")]
        path = tmp_path / "settings.toml"
        path.write_text(shown, encoding="utf-8")
        settings = load(path)
        assert set(settings.partner) == {"record-system", "blood-bank"}
        assert settings.has_tokens

    def test_the_profiles_it_names_are_there(self, screen: str) -> None:
        (named,) = re.findall(r"# or (.+); look at", screen)
        assert {*named.split(", "), "default"} == set(profiles(mappings()))


class TestChoices:
    """Any scenario, either release."""

    def test_another_scenario_in_the_other_release(self, capsys: Capture) -> None:
        name = "start-without-check-is-raised-until-its-check-arrives"
        assert main(["demo", name, "--release", "r5"]) == 0
        out = capsys.readouterr().out
        assert "ID-07 refuse" in out
        assert "messages in R5" in out

    def test_an_unknown_scenario_is_a_plain_sentence(self, capsys: Capture) -> None:
        assert main(["demo", "no-such-scenario"]) == 2
        assert "There is no scenario" in capsys.readouterr().err
