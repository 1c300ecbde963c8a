"""The published definitions of one release, as look-up tables for one walk over a resource."""

import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from service.fhir.edge.primitives import CHECKS, Check

HERE = Path(__file__).parent
RESOURCE = "Resource"
BESIDE = "Element"  # what may stand beside a primitive, under its name with an underscore


@dataclass(slots=True)
class Element:
    """One element. A primitive has ``check``, a complex one ``type``; a resource has neither.

    many: it is a JSON array. codes: the required binding's codes. to: resource types that a
    reference may point at, None for any. choice: the name before ``[x]``.
    """

    name: str
    kind: str
    many: bool
    codes: frozenset[str] | None
    to: frozenset[str] | None
    choice: str | None
    check: Check | None = None
    type: "Type | None" = None


@dataclass(slots=True)
class Type:
    """One resource type, data type or backbone element.

    required: for each required element its names, of which one must be there, and how it is called.
    """

    name: str
    elements: dict[str, Element] = field(default_factory=dict)
    required: tuple[tuple[tuple[str, ...], str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """accepted: types that may be sent to us. resources: every type of the release."""

    release: str
    accepted: frozenset[str]
    resources: frozenset[str]
    types: dict[str, Type]


@cache
def tables(release: str) -> Tables:
    """The tables of ``R4`` or ``R5``. Raises KeyError for another release."""
    suffix = {"R4": "r4", "R5": "r5"}[release]
    source = json.loads((HERE / f"structure_{suffix}.json").read_bytes())
    bindings = json.loads((HERE / f"bindings_{suffix}.json").read_bytes())
    codes = {name: frozenset(row["codes"]) for name, row in bindings.items()}
    types = {name: Type(name) for name in source["types"] if name != RESOURCE}
    for name, found in types.items():
        rows: dict[str, dict[str, Any]] = source["types"][name]
        found.elements = {key: _element(key, row, codes, types) for key, row in rows.items()}
        found.required = _required(rows)
    beside = {name: types["Coding"].elements[name] for name in ("id", "extension")}
    types[BESIDE] = Type(BESIDE, beside)
    return Tables(
        release=release,
        accepted=frozenset(source["accepted"]),
        resources=frozenset(source["resources"]),
        types=types,
    )


def _element(
    name: str, row: dict[str, Any], codes: dict[str, frozenset[str]], types: dict[str, Type]
) -> Element:
    kind = row["type"]
    return Element(
        name=name,
        kind=kind,
        many=row.get("many", False),
        codes=codes[row["codes"]] if "codes" in row else None,
        to=frozenset(row["to"]) if "to" in row else None,
        choice=row.get("choice"),
        check=CHECKS.get(kind),
        type=types.get(kind),
    )


def _required(rows: dict[str, dict[str, Any]]) -> tuple[tuple[tuple[str, ...], str], ...]:
    groups: dict[str, list[str]] = {}
    for name, row in rows.items():
        if row.get("required"):
            groups.setdefault(row.get("choice", name), []).append(name)
    return tuple((tuple(names), _shown(key, names)) for key, names in groups.items())


def _shown(key: str, names: list[str]) -> str:
    return key if names == [key] else f"{key}[x]"
