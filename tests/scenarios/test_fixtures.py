"""Every folder under fixtures/ does what it says, in both releases."""

import json
import re
from collections.abc import Iterator
from itertools import chain
from typing import Any

import pytest

from service.cli.replay import wrong_answers
from service.replay.expectation import accepted, differences, expectation
from service.replay.scenario import load
from tests.support.authoring.people import PEOPLE
from tests.support.authoring.scene import files
from tests.support.authoring.scenes import SCENES
from tests.support.replays import FIXTURES, NAMES, ROOT, played

RELEASES = ("R4", "R5")
MADE = {made.name: made for made in (make() for make in SCENES)}
CONTRACT = "one-transaction-from-order-to-end"
CLEAN = "two-units-run-without-event"
BULLETS = ("Who", "What happens", "What must come out", "Rules", "What it shows")


@pytest.mark.parametrize("release", RELEASES)
@pytest.mark.parametrize("name", NAMES)
class TestEveryScenario:
    """One expectation for both releases: the version must not change the decision."""

    def test_comes_out_as_expected(self, name: str, release: str) -> None:
        held = accepted(FIXTURES / name)
        assert held is not None
        assert list(differences(held, expectation(played(name, release)))) == []

    def test_the_expectation_is_compared_whole(self, name: str, release: str) -> None:
        assert accepted(FIXTURES / name) == expectation(played(name, release))

    def test_every_answer_is_the_one_its_timeline_asks_for(self, name: str, release: str) -> None:
        assert list(wrong_answers(played(name, release))) == []

    def test_every_partner_holds_the_last_version_of_everything(
        self, name: str, release: str
    ) -> None:
        assert played(name, release).undelivered == ()

    def test_every_partner_received_every_version_once(self, name: str, release: str) -> None:
        found = played(name, release)
        sent = {(one.partner, one.key): one.version for one in found.emissions}
        assert found.held == sent

    def test_nothing_that_was_sent_is_refused_or_warned_of(self, name: str, release: str) -> None:
        for line in played(name, release).happened:
            assert line.status in (None, 200, 201), line
            assert line.problems == (), line


class TestTheCleanRoutine:
    """Few prompts, or they are ignored: a clean routine unit raises none."""

    @pytest.mark.parametrize("release", RELEASES)
    def test_no_issue_is_raised(self, release: str) -> None:
        kinds = {emission.type for emission in played(CLEAN, release).emissions}
        assert kinds == {"Procedure", "Observation", "Task"}

    @pytest.mark.parametrize("release", RELEASES)
    def test_every_check_and_start_answers_no_objection(self, release: str) -> None:
        words = {
            given.step: given.word
            for line in played(CLEAN, release).happened
            for given in line.given
            if given.step.startswith(("check-unit", "start"))
        }
        assert len(words) == 4
        assert set(words.values()) == {"no-objection"}


@pytest.mark.parametrize("name", NAMES)
class TestEveryFolder:
    """A folder is read by people before it is read by machines."""

    def test_its_readme_tells_five_things_under_its_title(self, name: str) -> None:
        text = (FIXTURES / name / "README.md").read_text(encoding="utf-8")
        assert text.startswith(f"# {load(FIXTURES / name).title}\n")
        assert re.findall(r"^- \*\*(.+?):\*\* \S", text, re.MULTILINE) == list(BULLETS)

    def test_it_holds_both_releases(self, name: str) -> None:
        assert load(FIXTURES / name).releases == RELEASES

    def test_its_people_and_numbers_are_invented(self, name: str) -> None:
        families = {person.family for person in PEOPLE} | {"Tefft"}
        for path, content in _messages(name):
            for key, value in _walk(content):
                if key == "family":
                    assert value in families, path
                if key == "system":
                    assert _invented(str(value)), (path, value)
                if key in ("valueString", "value") and re.match(r"=?A\d{12}", str(value)):
                    assert str(value).lstrip("=").startswith("A9999"), (path, value)


def _invented(system: str) -> bool:
    own = ("https://harrow-vale.example/", "https://alder-point.example/")
    published = ("http://", "https://www.isbt128.org/", "https://transfusion-events.example/")
    return system.startswith(own + published)


def _messages(name: str) -> Iterator[tuple[str, Any]]:
    for path in sorted((FIXTURES / name / "in").rglob("*.json")):
        yield str(path), json.loads(path.read_text(encoding="utf-8"))


def _walk(value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        yield from value.items()
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    yield from chain.from_iterable(_walk(one) for one in inner)


class TestAuthoring:
    """The committed folders are what their scenes say, in both releases from one description."""

    @pytest.mark.parametrize("name", sorted(MADE))
    def test_writing_a_scene_again_gives_the_same_files(self, name: str) -> None:
        for path, text in files(MADE[name]).items():
            assert (FIXTURES / name / path).read_text(encoding="utf-8") == text, path

    def test_every_folder_but_the_copied_transaction_has_its_scene(self) -> None:
        assert set(NAMES) == {*MADE, CONTRACT}

    @pytest.mark.parametrize("release", ["r4", "r5"])
    def test_the_copied_transaction_is_unchanged(self, release: str) -> None:
        copied = (FIXTURES / CONTRACT / "in" / release / "01-everything.json").read_bytes()
        assert copied == (ROOT / f"tests/data/contract/inbound-{release}.json").read_bytes()
