"""Compatibility tables, built from CSV: total, and of known words only."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from service.policy.policy import Matrix
from service.policy.read import Table
from service.policy.words import VERDICT_WORDS, milder, source_fault

RECIPIENTS = ("O", "A", "B", "AB", "unknown")
GROUPS = ("O", "A", "B", "AB")
MINOR = ("minor-o", "minor-ab")
HEADER = ("id", "since", "source", "text")
OPTIONAL = ("never_loosen", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """The recipients and units that a table must cover, and words of its own beside verdicts."""

    recipients: tuple[str, ...] = RECIPIENTS
    units: tuple[str, ...] = GROUPS
    cases: tuple[str, ...] = ()


SHAPES: Mapping[str, Shape] = {
    "red-cells": Shape(),
    "plasma": Shape(),
    "cryoprecipitate": Shape(),
    "platelets": Shape(cases=MINOR),
    "platelets-minor": Shape(
        recipients=(
            "low-titre",
            "not-tested",
            "not-tested-unknown",
            "high-titre",
            "infant-low-titre",
            "infant-not-tested",
            "infant-high-titre",
        ),
        units=MINOR,
    ),
    "whole-blood": Shape(units=("O", "O-low-titre", "A", "B", "AB")),
}


def matrix_of(
    table: Table, tags: frozenset[str], profile: str, *, bottom: bool
) -> tuple[Matrix | None, list[str]]:
    """A table with its faults. ``bottom``: it is one of the default's own."""
    faults = [*_header_faults(table, tags, bottom=bottom), *_cell_faults(table)]
    if faults:
        return None, [f"{table.place}: {fault}" for fault in faults]
    given = table.given
    matrix = Matrix(
        id=given["id"],
        cells={(name, unit): word for name, unit, word in _cells(table)},
        since=date.fromisoformat(given["since"]),
        source=given["source"],
        never_loosen=given.get("never_loosen") == "true",
        profile=profile,
        text=given["text"],
        note=given.get("note", ""),
    )
    return matrix, []


def table_loosening(matrix: Matrix, below: Matrix) -> str | None:
    """How a table is milder than one below that may not be loosened, or None."""
    if not below.never_loosen:
        return None
    softer = [
        f"{recipient}, {unit}: {matrix.cells[recipient, unit]}"
        for (recipient, unit), word in below.cells.items()
        if milder(matrix.cells[recipient, unit], than=word)
    ]
    return f"cells made milder that may not be loosened: {'; '.join(softer)}" if softer else None


def _header_faults(table: Table, tags: frozenset[str], *, bottom: bool) -> list[str]:
    given = table.given
    faults = [f"# {key} is missing" for key in HEADER if not given.get(key)]
    faults += [f"unknown header '{key}'" for key in given if key not in HEADER + OPTIONAL]
    if "id" in given and given["id"] not in SHAPES:
        faults.append(f"there is no table '{given['id']}'")
    if "since" in given and not _is_day(given["since"]):
        faults.append(f"since '{given['since']}' is not a date")
    if not bottom and "never_loosen" in given:
        faults.append("never_loosen may only be set in the default files")
    wrong = source_fault(given.get("source", "derived"), tags)
    return [*faults, wrong] if wrong else faults


def _cell_faults(table: Table) -> list[str]:
    shape = SHAPES.get(table.given.get("id", ""))
    if shape is None:
        return []
    faults = [*_axis_faults("column", table.columns[1:], shape.units)]
    faults += _axis_faults("recipient", tuple(line[0] for line in table.lines), shape.recipients)
    width = len(table.columns)
    faults += [
        f"recipient {line[0]} has {len(line) - 1} cells, not {width - 1}"
        for line in table.lines
        if len(line) != width
    ]
    known = VERDICT_WORDS | set(shape.cases)
    faults += [
        f"cell {name}, {unit}: unknown word '{word}'"
        for name, unit, word in _cells(table)
        if word not in known
    ]
    return faults


def _axis_faults(axis: str, found: tuple[str, ...], wanted: tuple[str, ...]) -> list[str]:
    faults = [f"{axis} {name} is missing" for name in wanted if name not in found]
    faults += [f"{axis} {name} is not of this table" for name in found if name not in wanted]
    if len(set(found)) < len(found):
        faults.append(f"a {axis} stands twice")
    return faults


def _cells(table: Table) -> list[tuple[str, str, str]]:
    return [
        (line[0], unit, word)
        for line in table.lines
        for unit, word in zip(table.columns[1:], line[1:], strict=False)
    ]


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True
