"""Every page: links lead somewhere, named files exist, and nothing is said that must not be."""

import ast
import re
from pathlib import Path

import pytest

from tests.docs.pages import HAZARDS, PAGES, README, ROOT, SAFETY, flat, name, rows, section, text

EACH_PAGE = pytest.mark.parametrize("page", PAGES, ids=name)
LINK = re.compile(r"(?<!!)\[[^\]]+\]\(([^)\s]+)\)")
PATH = re.compile(r"(?:service|mappings|tests|fixtures|openapi|\.ci|\.github)/[\w./*-]+")


def anchors(page: Path) -> set[str]:
    """The anchors that a page's headings make."""
    heads = re.findall(r"^#+ (.+)$", text(page), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


class TestLinks:
    """A link leads to a file of the repository, and to a heading of it."""

    @EACH_PAGE
    def test_that_each_resolves(self, page: Path) -> None:
        for target in LINK.findall(text(page)):
            if target.startswith("https://"):
                continue
            path, _, anchor = target.partition("#")
            led = (page.parent / path).resolve() if path else page
            assert led.exists(), target
            assert ROOT in (led, *led.parents), target
            assert not anchor or anchor in anchors(led), target

    @EACH_PAGE
    def test_that_each_named_file_is_there(self, page: Path) -> None:
        for token in re.findall(r"`([^`\n]+)`", text(page)):
            named = PATH.fullmatch(token)
            if named is None or "0002_" in token:
                continue
            found = list(ROOT.glob(token.rstrip("/"))) + list(page.parent.glob(token.rstrip("/")))
            assert found, token

    @pytest.mark.parametrize("page", [ROOT / "DEVELOPERS.md", SAFETY, ROOT / "mappings/README.md"])
    def test_that_readme_leads_to_it(self, page: Path) -> None:
        led = {(README.parent / target).resolve() for target in LINK.findall(text(README))}
        assert page in led


# Words that would claim what nobody has shown. Each with what it may not be mistaken for.
FORBIDDEN = (
    r"safe to (transfuse|give|use|hang)",
    r"\bis safe\b",
    r"\bare safe\b",
    r"\bsafe for\b",
    r"\bsafely\b",
    r"\bcompliant\b",
    r"\bcertified\b(?<!not certified)",
    r"\bclinically proven\b",
    r"\bFDA[- ](approved|cleared)\b",
    r"\bworld[- ]class\b|\bcutting[- ]edge\b|\bseamless\b|\brobust\b|\bblazing\b",
)
MACHINE = r"(?<![\w.])/(work|root|home|tmp|Users|mnt|var/folders)/"


class TestWhatIsNeverSaid:
    """No page says that a unit or the service is free of danger, nor sells anything."""

    @EACH_PAGE
    @pytest.mark.parametrize("pattern", FORBIDDEN)
    def test_that_no_page_claims_it(self, page: Path, pattern: str) -> None:
        assert re.search(pattern, flat(text(page)), re.IGNORECASE) is None

    @EACH_PAGE
    def test_that_no_page_names_a_place_on_some_machine(self, page: Path) -> None:
        assert re.search(MACHINE, text(page)) is None

    @EACH_PAGE
    def test_that_no_page_wears_badges(self, page: Path) -> None:
        assert "](https://img." not in text(page)
        assert "![" not in text(page)


class TestTheSafetyPage:
    """What a safety officer looks for first has a heading, on at most two screens."""

    HEADINGS = (
        "Intended use and users",
        "What it is not for",
        "Who decides",
        "What the service refuses to do",
        "What missing data does",
        "When it is wrong, late or down",
        "Switching it off",
        "What a site must provide",
        "Known limits",
        "Reporting a fault",
    )

    @pytest.mark.parametrize("heading", HEADINGS)
    def test_that_it_says(self, heading: str) -> None:
        assert flat(section(SAFETY, heading))

    def test_that_it_says_its_status_first(self) -> None:
        first = flat(text(SAFETY).split("\n\n")[1])
        assert first.startswith(
            "Status: not validated, not certified, not approved for clinical use."
        )

    def test_that_it_stays_short(self) -> None:
        assert len(text(SAFETY).splitlines()) <= 120

    @pytest.mark.parametrize("limit", ["anaesthesia", "critical care", "children", "superseded"])
    def test_that_it_names_the_limit(self, limit: str) -> None:
        assert limit in flat(section(SAFETY, "Known limits"))


def hazards() -> list[list[str]]:
    """The rows of the hazard table: id, hazard, cause, control, test."""
    return rows(text(HAZARDS))


class TestHazards:
    """A control without a test is a hope: every row names tests that are there."""

    def test_that_ids_count_up(self) -> None:
        assert [cells[0] for cells in hazards()] == [
            f"H-{n:02}" for n in range(1, len(hazards()) + 1)
        ]

    @pytest.mark.parametrize("row", hazards(), ids=lambda row: row[0])
    def test_that_each_names_cause_control_and_an_existing_test(self, row: list[str]) -> None:
        assert len(row) == 5
        assert all(row)
        nodes = re.findall(r"`([^`]+)`", row[4])
        assert nodes
        for node in nodes:
            file, _, claim = node.partition("::")
            tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
            defined = {n.name for n in tree.body if isinstance(n, ast.ClassDef | ast.FunctionDef)}
            assert claim in defined, node
