"""Amounts in the units that the rules use: a short table of UCUM codes with exact factors.

Only the code counts, never the unit's printed name. A code without a row gives no number.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Context, Decimal
from fractions import Fraction
from functools import cache
from math import prod
from pathlib import Path
from typing import Any

from service.errors import PolicyFault
from service.policy.files import mappings

KEYS = frozenset({"code", "dimension", "factor", "offset", "source"})
PLACES = Context(prec=28)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One row: ``base = value * factor + offset``, within its dimension."""

    code: str
    dimension: str
    factor: Fraction
    offset: Fraction
    source: str


def to_unit(value: Decimal, code: str, target: str) -> Decimal | None:
    """A value in another unit of the same dimension; None when either code is unknown.

    Exact wherever the result has an end, else to 28 digits. In the same unit it is the value
    itself, with its places.
    """
    units = shipped()
    given, wanted = units.get(code), units.get(target)
    if given is None or wanted is None or given.dimension != wanted.dimension:
        return None
    if not value.is_finite():
        return None
    if (given.factor, given.offset) == (wanted.factor, wanted.offset):
        return value
    base = Fraction(value) * given.factor + given.offset
    result = (base - wanted.offset) / wanted.factor
    return PLACES.divide(Decimal(result.numerator), Decimal(result.denominator))


@cache
def shipped() -> Mapping[str, Unit]:
    """The units of mappings/ucum/units.toml by code."""
    return load_units(mappings() / "ucum" / "units.toml")


def load_units(path: Path) -> Mapping[str, Unit]:
    """Reads a table of units. Raises PolicyFault with every fault in it."""
    faults: list[str] = []
    found: dict[str, Unit] = {}
    for row in tomllib.loads(path.read_text(encoding="utf-8")).get("unit", ()):
        unit = _unit(row, path.name, faults)
        if unit is not None and unit.code in found:
            faults.append(f"{path.name}: {unit.code} is there twice")
        elif unit is not None:
            found[unit.code] = unit
    if faults:
        raise PolicyFault(*faults)
    return found


def _unit(row: dict[str, Any], name: str, faults: list[str]) -> Unit | None:
    where = f"{name}: {row.get('code', 'a row without code')}"
    wrong = [f"unknown key {key}" for key in sorted(row.keys() - KEYS)]
    wrong += [f"{key} is missing" for key in sorted(KEYS - {"offset"} - row.keys())]
    wrong += [f"{key} must be text" for key, held in row.items() if not isinstance(held, str)]
    faults += [f"{where}: {text}" for text in wrong]
    if wrong:
        return None
    try:
        factor, offset = _exact(row["factor"]), _exact(row.get("offset", "0"))
    except (ValueError, ZeroDivisionError):
        faults.append(f"{where}: factor and offset must be exact numbers")
        return None
    if factor <= 0:
        faults.append(f"{where}: factor must be above 0")
        return None
    return Unit(
        code=row["code"],
        dimension=row["dimension"],
        factor=factor,
        offset=offset,
        source=row["source"],
    )


def _exact(text: str) -> Fraction:
    """``0.001``, ``5/9`` or ``459.67*5/9`` as an exact number."""
    top, *below = text.split("/")
    numerator = prod((Fraction(part) for part in top.split("*")), start=Fraction(1))
    return numerator / prod((Fraction(part) for part in below), start=Fraction(1))
