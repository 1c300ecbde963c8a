"""What a product description code says: the table of mappings/products.

The table ships only the codes that published examples spell out. A code without a row is unknown:
nothing is guessed from a display text.
"""

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

from service.errors import PolicyFault
from service.facts.unit import Component
from service.policy.files import mappings

FILE = "products/products.csv"
COLUMNS = ["code", "component", "attributes", "additive_solution", "text", "since", "source"]
NONE = "none"
ANSWERS: dict[str, bool | None] = {"yes": True, "no": False, "": None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """One product description code.

    attributes: words such as irradiated; None when the description does not tell, empty when it
    names none. additive_solution: None when it does not tell. ``source``: where it was read.
    """

    code: str
    component: Component
    attributes: frozenset[str] | None = None
    additive_solution: bool | None = None
    text: str = ""
    source: str = ""


@cache
def shipped() -> Mapping[str, Product]:
    """The shipped table, by code."""
    return load_products([mappings()])


def load_products(
    folders: Iterable[Path], words: frozenset[str] | None = None
) -> Mapping[str, Product]:
    """The tables of several mapping folders, a later one's rows replacing an earlier one's.

    words: the attributes that orders may ask for; None to take any. A folder without the file adds
    nothing. Raises PolicyFault with the faults of all files.
    """
    faults: list[str] = []
    found: dict[str, Product] = {}
    for folder in folders:
        path = folder / FILE
        if path.is_file():
            found |= _read(path, faults, words)
    if faults:
        raise PolicyFault(*faults)
    return found


def _read(path: Path, faults: list[str], words: frozenset[str] | None) -> dict[str, Product]:
    found: dict[str, Product] = {}
    with path.open(encoding="utf-8", newline="") as lines:
        rows = csv.DictReader(line for line in lines if not line.startswith("#"))
        if rows.fieldnames != COLUMNS:
            faults.append(f"{path}: the columns must be {', '.join(COLUMNS)}")
            return {}
        for row in rows:
            where = f"{path}: {row['code'] or 'a row without code'}"
            wrong = list(_faults(row))
            wrong += ["is there twice"] if row["code"] in found else []
            wrong += _strange(row, words)
            faults += [f"{where}: {text}" for text in wrong]
            if not wrong:
                found[row["code"]] = _product(row)
    return found


def _faults(row: Mapping[str, str | None]) -> Iterator[str]:
    if None in row or None in row.values():
        yield "has the wrong number of cells"
        return
    cells = {name: cell or "" for name, cell in row.items()}
    if not _is_code(cells["code"]):
        yield "is no product description code of five characters"
    if cells["component"] not in set(Component):
        yield f"component must be one of {', '.join(Component)}"
    if cells["additive_solution"] not in ANSWERS:
        yield "additive_solution must be yes, no or empty"
    if not cells["source"]:
        yield "source is missing"
    try:
        date.fromisoformat(cells["since"])
    except ValueError:
        yield "since must be a day"


def _strange(row: Mapping[str, str | None], words: frozenset[str] | None) -> list[str]:
    """Attributes that no order can ask for: a slip of the pen would stay unseen."""
    if words is None:
        return []
    strange = sorted(set((row["attributes"] or "").split()) - words - {NONE})
    return [f"'{word}' is no attribute that is known" for word in strange]


def _is_code(text: str) -> bool:
    plain = text.isascii() and text.isalnum() and text == text.upper()
    return plain and len(text) == len("E0398") and text[0].isalpha()


def _product(row: Mapping[str, str]) -> Product:
    words = frozenset(row["attributes"].split())
    told = words - {NONE} if words else None
    return Product(
        code=row["code"],
        component=Component(row["component"]),
        attributes=told,
        additive_solution=ANSWERS[row["additive_solution"]],
        text=row["text"],
        source=row["source"],
    )
