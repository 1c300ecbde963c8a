"""The pages that people read, as the tests of this folder see them."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"
SAFETY = ROOT / "service/safety/README.md"
HAZARDS = ROOT / "service/safety/hazards.md"

PAGES = tuple(
    sorted(
        {
            *ROOT.glob("*.md"),
            *(ROOT / ".github").rglob("*.md"),
            *(ROOT / "service").rglob("*.md"),
            *(ROOT / "mappings").rglob("*.md"),
            *(ROOT / "fixtures").rglob("*.md"),
        }
    )
)


def name(page: Path) -> str:
    """A page's path in the repository, for the names of tests."""
    return page.relative_to(ROOT).as_posix()


def text(page: Path) -> str:
    """A page as it is written."""
    return page.read_text(encoding="utf-8")


def flat(written: str) -> str:
    """A text without its line breaks, so that a sentence can be found."""
    return " ".join(written.split())


def block(page: Path, marker: str) -> str:
    """The fenced block that follows a marker line. Fails when either is not there."""
    found = re.search(
        rf"^{re.escape(marker)}\n```\w*\n(.*?)\n```$", text(page), re.DOTALL | re.MULTILINE
    )
    assert found is not None, f"{name(page)} has no block after {marker}"
    return found[1]


def section(page: Path, heading: str) -> str:
    """What stands under a heading, up to the next of its kind."""
    found = re.search(
        rf"^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", text(page), re.DOTALL | re.MULTILINE
    )
    assert found is not None, f"{name(page)} has no section {heading}"
    return found[1]


def rows(table: str) -> list[list[str]]:
    """The cells of every row of the Markdown tables in a text, without heads and rulers."""
    found = [line for line in table.splitlines() if line.startswith("|")]
    heads = {place - 1 for place, line in enumerate(found) if set(line) <= set("|-: ")}
    rulers = {place + 1 for place in heads}
    return [
        [cell.strip() for cell in line.strip("|").split("|")]
        for place, line in enumerate(found)
        if place not in heads | rulers
    ]
