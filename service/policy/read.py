"""Policy files as they are written: TOML entries and CSV tables, checked one by one.

Nothing raises for what a file says: every fault is added to a list as one plain sentence.
"""

import csv
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from importlib.resources.abc import Traversable
from typing import Any

HEADER_KEYS = {"name": str, "on": str, "text": str, "approved_by": str}
ROW_KEYS: dict[str, type | tuple[type, ...]] = {
    "id": str,
    "value": (bool, int, Decimal, str, list),
    "unit": str,
    "since": date,
    "source": str,
    "text": str,
    "note": str,
    "choices": list,
    "least": (int, Decimal),
    "most": (int, Decimal),
}
RULE_KEYS: dict[str, type | tuple[type, ...]] = {
    "id": str,
    "text": str,
    "on_failure": str,
    "when_missing": str,
    "since": date,
    "source": str,
    "remedy": str,
    "remedy_missing": str,
    "in_emergency": str,
    "missing_in_emergency": str,
    "site_data": bool,
    "never_loosen": bool,
    "note": str,
}
NEEDED = ("id", "since", "source")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One row or rule as a file states it: known keys of the right types only."""

    id: str
    since: date
    source: str
    given: Mapping[str, Any]
    place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One CSV table: its header lines, its column names and its lines of words."""

    given: Mapping[str, str]
    columns: tuple[str, ...]
    lines: tuple[tuple[str, ...], ...]
    place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """All that one profile or overlay states. ``on`` names the profile below it."""

    name: str
    on: str | None
    approved_by: str | None
    rows: tuple[Entry, ...]
    rules: tuple[Entry, ...]
    tables: tuple[Table, ...]


def toml(file: Traversable, place: str, faults: list[str]) -> dict[str, Any]:
    """A TOML file with exact decimals; empty, with a fault, when it cannot be read."""
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"), parse_float=Decimal)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        faults.append(f"{place}: cannot be read: {error}")
        return {}


def profile(mappings: Traversable, name: str, faults: list[str]) -> Layer:
    """The profile of that name with its matrices, which lie in a folder of the same name."""
    place = f"policy/{name}.toml"
    document = toml(mappings / "policy" / f"{name}.toml", place, faults)
    tables = mappings / "matrices" / name if name != "default" else mappings / "matrices"
    layer = _layer([(place, document)], tuple(_tables(tables, faults)), name, faults)
    if layer.name != name:
        faults.append(f"{place}: [file] name is '{layer.name}'")
    return replace(layer, name=name)


def overlay(folder: Traversable, faults: list[str]) -> Layer:
    """A site's overlay folder: every file in its ``policy`` and ``matrices``."""
    documents = [
        (f"overlay {file.name}", toml(file, f"overlay {file.name}", faults))
        for file in _files(folder / "policy", ".toml")
    ]
    tables = tuple(_tables(folder / "matrices", faults))
    if not documents and not tables:
        faults.append("overlay: states no policy, neither policy/*.toml nor matrices/*.csv")
    return _layer(documents, tables, "overlay", faults)


def _layer(
    documents: list[tuple[str, dict[str, Any]]],
    tables: tuple[Table, ...],
    name: str,
    faults: list[str],
) -> Layer:
    rows: list[Entry] = []
    rules: list[Entry] = []
    header: dict[str, Any] = {}
    for place, document in documents:
        faults += [
            f"{place}: unknown table '{key}'"
            for key in document
            if key not in ("file", "row", "rule")
        ]
        header |= _header(document.get("file", {}), place, faults)
        rows += _entries(document.get("row", []), "row", ROW_KEYS, place, faults)
        rules += _entries(document.get("rule", []), "rule", RULE_KEYS, place, faults)
    return Layer(
        name=header.get("name", name),
        on=header.get("on"),
        approved_by=header.get("approved_by"),
        rows=tuple(rows),
        rules=tuple(rules),
        tables=tables,
    )


def _header(given: Any, place: str, faults: list[str]) -> dict[str, Any]:
    if not isinstance(given, dict):
        faults.append(f"{place}: [file] is not a table")
        return {}
    return _checked(given, HEADER_KEYS, f"{place} [file]", faults)


def _entries(
    given: Any,
    kind: str,
    keys: Mapping[str, type | tuple[type, ...]],
    place: str,
    faults: list[str],
) -> Iterator[Entry]:
    if not isinstance(given, list) or not all(isinstance(item, dict) for item in given):
        faults.append(f"{place}: {kind} is not a list of [[{kind}]] tables")
        return
    for number, item in enumerate(given, start=1):
        named = f"{place} {kind} {item.get('id', f'number {number}')}"
        checked = _checked(item, keys, named, faults)
        lacking = [key for key in NEEDED if key not in item]
        faults += [f"{named}: {key} is missing" for key in lacking]
        if all(key in checked for key in NEEDED):
            yield Entry(
                id=checked["id"],
                since=checked["since"],
                source=checked["source"],
                given=checked,
                place=f"{named} ({checked['since']})",
            )


def _checked(
    given: Mapping[str, Any],
    keys: Mapping[str, type | tuple[type, ...]],
    place: str,
    faults: list[str],
) -> dict[str, Any]:
    checked: dict[str, Any] = {}
    for key, value in given.items():
        if key not in keys:
            faults.append(f"{place}: unknown key '{key}'")
        elif not _fits(value, keys[key]):
            faults.append(f"{place}: {key} has the wrong type ({type(value).__name__})")
        else:
            checked[key] = value
    return checked


def _fits(value: Any, expected: type | tuple[type, ...]) -> bool:
    wanted = expected if isinstance(expected, tuple) else (expected,)
    if isinstance(value, bool):
        return bool in wanted
    if isinstance(value, datetime):
        return False
    if isinstance(value, Decimal) and not value.is_finite():
        return False
    if isinstance(value, list):
        return list in wanted and all(isinstance(item, str) for item in value)
    return isinstance(value, wanted)


def _files(folder: Traversable, ending: str) -> list[Traversable]:
    if not folder.is_dir():
        return []
    found = [file for file in folder.iterdir() if file.name.endswith(ending)]
    return sorted(found, key=lambda file: file.name)


def _tables(folder: Traversable, faults: list[str]) -> Iterator[Table]:
    for file in _files(folder, ".csv"):
        place = f"matrices {file.name}"
        try:
            text = file.read_text(encoding="utf-8")
        except (UnicodeDecodeError, OSError) as error:
            faults.append(f"{place}: cannot be read: {error}")
            continue
        yield _table(text.splitlines(), place)


def _table(lines: list[str], place: str) -> Table:
    header = [line.lstrip("# ").partition(": ") for line in lines if line.startswith("#")]
    body = [line for line in lines if line.strip() and not line.startswith("#")]
    cells = [tuple(word.strip() for word in row) for row in csv.reader(body)]
    return Table(
        given={key.strip(): value.strip() for key, _, value in header},
        columns=cells[0] if cells else (),
        lines=tuple(cells[1:]),
        place=place,
    )
