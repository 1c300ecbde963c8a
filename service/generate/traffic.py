"""What the traffic is made of: the dated, sourced shares and rates of mappings/traffic."""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from service.errors import PolicyFault
from service.policy.files import mappings

FILE = "traffic/hospital.toml"
# of these one is drawn, so they add up to 100
LISTS = ("component", "age", "group", "units", "night", "urgency", "requirement")
SINGLE = ("female", "defect", "late", "corrected", "severe", "onset")
COMPONENTS = ("red_cells", "platelets", "plasma", "cryoprecipitate")
REACTIONS = tuple(f"reaction.{component}" for component in COMPONENTS)
KEYS = {"values", "unit", "since", "source", "text"}
PER = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """One table: name -> number, with its unit, the day it was read, its source and a sentence."""

    values: Mapping[str, float]
    unit: str
    since: date
    source: str
    text: str


class Traffic:
    """Every table of the file, by name."""

    def __init__(self, tables: Mapping[str, Shares]) -> None:
        self.tables = tables

    def of(self, name: str) -> Mapping[str, float]:
        """The numbers of a table."""
        return self.tables[name].values

    def reaction(self, component: str, place: float) -> str | None:
        """The category that a number from 0 to 1 falls into; None for the very most."""
        left = place * PER
        for category, rate in self.of(f"reaction.{component}").items():
            left -= rate
            if left < 0:
                return category
        return None


@cache
def shipped() -> Traffic:
    """The shipped file. Raises PolicyFault with every fault of it."""
    return load(mappings() / FILE)


def load(path: Path) -> Traffic:
    """Reads a file of shares. Raises PolicyFault with every fault."""
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as broken:
        raise PolicyFault(f"{path} cannot be read: {broken}") from broken
    found = dict(_tables(content))
    faults = [f"{path}: {fault}" for fault in _faults(found)]
    if faults:
        raise PolicyFault(*faults)
    return Traffic({name: Shares(**table) for name, table in found.items()})


def _tables(content: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Tables by dotted name, the file's own header left out."""
    for name, table in content.items():
        if name == "reaction" and isinstance(table, dict):
            yield from ((f"reaction.{inner}", below) for inner, below in table.items())
        elif name != "file":
            yield name, table


def _faults(found: Mapping[str, Any]) -> Iterator[str]:
    wanted = {*LISTS, *SINGLE, *REACTIONS}
    yield from (f"{name} is missing" for name in sorted(wanted - found.keys()))
    yield from (f"{name} is not known" for name in sorted(found.keys() - wanted))
    for name in sorted(wanted & found.keys()):
        yield from (f"{name}: {fault}" for fault in _faults_of(name, found[name]))


def _faults_of(name: str, table: Any) -> Iterator[str]:
    if not isinstance(table, dict) or table.keys() != KEYS:
        yield f"must state {', '.join(sorted(KEYS))} and nothing else"
        return
    values = table["values"]
    if not isinstance(values, dict) or not all(_is_number(value) for value in values.values()):
        yield "values must be numbers from 0 on"
        return
    if not isinstance(table["since"], date) or not table["source"]:
        yield "needs a day and a source"
    if name in LISTS and abs(sum(values.values()) - 100) > 0.001:
        yield "must add up to 100"
    if name in ("component", "female") and values.keys() != set(COMPONENTS):
        yield f"must name {', '.join(COMPONENTS)}"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and value >= 0
