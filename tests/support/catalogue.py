"""The rule catalogue's check cases (tests/data/cases.yaml), and how they become facts."""

from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

DATA = Path(__file__).resolve().parents[1] / "data" / "cases.yaml"


@cache
def _document() -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load(DATA.read_text(encoding="utf-8"))
    return found


def check_cases(*topics: str) -> list[Any]:
    """The cases of some topics as pytest parameters; memory-marked ones say so in their id."""
    return [
        pytest.param(case, id=_name(case))
        for case in _document()["cases"]
        if case["topic"] in topics
    ]


def tables() -> dict[str, Any]:
    """The compatibility tables of the file."""
    found: dict[str, Any] = _document()["matrices"]
    return found


def _name(case: dict[str, Any]) -> str:
    source = case["source"]
    mark = "from-memory" if source["status"] == "memory" else source["tag"]
    return f"{case['id']}-{case['rule']}-{mark}"
