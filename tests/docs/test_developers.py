"""DEVELOPERS: rooms as they exist and as the lint orders them, words, recipes, decisions."""

import re
import tomllib
from datetime import date
from pathlib import Path

import pytest

from service.settings import SourceSettings
from tests.docs.pages import DEVELOPERS, ROOT, flat, rows, section, text

SERVICE = ROOT / "service"
PAGES_ONLY = {"safety"}
NOT_ROOMS = {"__init__", "__pycache__", "data"}


def described() -> list[str]:
    """The rooms of the table, in its order."""
    first = [cells[0] for cells in rows(section(DEVELOPERS, "The picture, the rooms and the rule"))]
    return [re.sub(r"[`* ]", "", cell) for cell in first]


def existing() -> set[str]:
    """What ``ls service/`` shows: folders and modules."""
    return {
        path.stem
        for path in SERVICE.iterdir()
        if (path.is_dir() or path.suffix == ".py") and path.stem not in NOT_ROOMS
    }


def contracts() -> list[dict[str, object]]:
    """The import contracts of pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return list(project["tool"]["importlinter"]["contracts"])


class TestRooms:
    """The folder listing is the first page of the documentation."""

    def test_that_each_room_is_described_once(self) -> None:
        assert sorted(described()) == sorted(existing())

    def test_that_they_stand_in_the_order_of_the_layers(self) -> None:
        (layers,) = (c["layers"] for c in contracts() if c["type"] == "layers")
        assert isinstance(layers, list)
        order = [set(re.split(r"\s*\|\s*", layer)) for layer in layers]
        rooms = [room for room in described() if room not in PAGES_ONLY]
        assert {room for layer in order for room in layer} == set(rooms)
        place = [next(n for n, layer in enumerate(order) if room in layer) for room in rooms]
        assert place == sorted(place)

    def test_that_the_pure_core_is_marked_as_the_lint_keeps_it(self) -> None:
        (pure,) = (c["source_modules"] for c in contracts() if c["name"] == "Pure core")
        assert isinstance(pure, list)
        cells = [c[0] for c in rows(section(DEVELOPERS, "The picture, the rooms and the rule"))]
        marked = {re.sub(r"[`* ]", "", cell) for cell in cells if cell.endswith("*")}
        # of the policy room only the typed form is pure; reading files is its other half
        assert marked | {"policy"} == {module.split(".")[1] for module in pure}

    def test_that_a_room_of_pages_holds_no_code(self) -> None:
        for room in PAGES_ONLY:
            assert {p.suffix for p in (SERVICE / room).rglob("*") if p.is_file()} == {".md"}


# one word per idea: the words that code, columns, commands and pages share
WORDS = (
    *("fact", "case", "unit", "step", "finding", "verdict", "advice", "remedy", "candidate"),
    *("episode", "urgency", "act", "assessment", "deadline", "wake", "nudge", "partner", "notice"),
    *("stream", "outbox", "delivery", "attempt", "parked", "policy", "overlay", "scenario"),
)


class TestGlossary:
    """Each word has one line, and is the word that the code uses."""

    @pytest.mark.parametrize("word", WORDS)
    def test_that_it_is_explained(self, word: str) -> None:
        lines = [" | ".join(cells) for cells in rows(section(DEVELOPERS, "Glossary"))]
        assert sum(f"**{word}**" in line for line in lines) == 1

    def test_that_no_other_word_is(self) -> None:
        assert set(re.findall(r"\*\*(\w+)\*\*", section(DEVELOPERS, "Glossary"))) == set(WORDS)

    @pytest.mark.parametrize("word", WORDS)
    def test_that_the_code_uses_it(self, word: str) -> None:
        source = "".join(path.read_text(encoding="utf-8") for path in sorted(SERVICE.rglob("*.py")))
        assert re.search(rf"(?im)^\s*(class |(async )?def )?\w*{word}\w*[(:]", source), word


DECISION = re.compile(
    r"\*\*D(?P<number>\d+) · (?P<day>[\d-]+) · (?P<question>.+)\*\*  \n"
    r"\*Choice:\* (?P<choice>.+)  \n\*Why:\* (?P<why>.+)  \n\*Until:\* (?P<until>.+)\n"
)


class TestDecisions:
    """Number, date, question, choice, why, and what would change our mind."""

    def test_that_each_is_whole_and_numbered_in_order(self) -> None:
        written = section(DEVELOPERS, "Decisions")
        found = [match.groupdict() for match in DECISION.finditer(written)]
        assert [int(each["number"]) for each in found] == list(range(1, written.count("**D") + 1))
        assert len(found) > 20
        for each in found:
            date.fromisoformat(each["day"])
            assert each["question"].endswith(("?", ".")), each["number"]

    def test_that_none_is_asked_twice(self) -> None:
        questions = [match["question"] for match in DECISION.finditer(text(DEVELOPERS))]
        assert len(questions) == len(set(questions))


class TestCommandsOfTheProject:
    """What DEVELOPERS says is run is what is there."""

    @pytest.mark.parametrize(
        "script", sorted(p.name for p in (ROOT / ".ci").iterdir() if not p.suffix)
    )
    def test_that_each_script_is_described(self, script: str) -> None:
        assert f".ci/{script}" in section(DEVELOPERS, "Set up")

    def test_that_each_step_of_the_lint_is_described(self) -> None:
        script = Path(ROOT / ".ci/lint").read_text(encoding="utf-8").splitlines()
        steps = [line for line in script[1:] if line and not line.startswith(("#", "set ", "cd "))]
        assert steps
        missing = [step for step in steps if f"`{step}`" not in flat(section(DEVELOPERS, "Set up"))]
        assert missing == []

    def test_that_the_recipes_name_every_kind_of_change(self) -> None:
        kinds = (
            "rule",
            "policy row",
            "code mapping",
            "partner kind",
            "setting",
            "migration",
            "scenario",
        )
        recipes = section(DEVELOPERS, "Recipes")
        assert [kind for kind in kinds if f"**A new {kind}" not in recipes] == []


def test_that_settings_are_described_in_readme_only_once() -> None:
    """The example is the reference: DEVELOPERS does not repeat it."""
    assert not any(f"`{field} =" in text(DEVELOPERS) for field in SourceSettings.model_fields)
