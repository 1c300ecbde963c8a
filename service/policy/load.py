"""From the files of a profile and a site's overlay to one policy, or every fault at once."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from hashlib import sha256
from importlib.resources.abc import Traversable
from typing import Any

from service.errors import PolicyFault
from service.policy.layers import Stack
from service.policy.policy import Matrix, Policy, Row, RuleRow
from service.policy.read import Layer, toml
from service.policy.read import overlay as read_overlay
from service.policy.read import profile as read_profile

TIERS = ("official", "journal", "secondary")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One published source. ``text`` says in other words what was read there."""

    tag: str
    text: str
    url: str
    tier: str


def load(profile: str, mappings: Traversable, overlay: Traversable | None = None) -> Policy:
    """The policy of a profile, with a site's overlay folder on top.

    mappings: the folder that holds policy, matrices and sources.toml (a pathlib.Path will do).
    Raises PolicyFault listing every fault in every file that was read.
    """
    faults: list[str] = []
    tags = frozenset(sources(mappings, faults))
    stack = Stack(tags=tags, faults=faults)
    for number, layer in enumerate(_layers(profile, mappings, overlay, faults)):
        stack.lay(layer, bottom=number == 0)
    if faults:
        raise PolicyFault(*faults)
    return Policy(
        profile=profile,
        digest=digest(stack.rows, stack.rules, stack.matrices),
        rows=stack.rows,
        rules=stack.rules,
        matrices=stack.matrices,
    )


def profiles(mappings: Traversable) -> tuple[str, ...]:
    """The names of the profiles that the folder holds."""
    files = (file.name for file in (mappings / "policy").iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in files if name.endswith(".toml")))


def sources(mappings: Traversable, faults: list[str]) -> dict[str, Source]:
    """Every source of sources.toml by tag; each fault is added to the list."""
    document = toml(mappings / "sources.toml", "sources.toml", faults)
    found: dict[str, Source] = {}
    for tag, given in document.items():
        try:
            found[tag] = Source(tag=tag, **given)
        except TypeError:
            faults.append(f"sources.toml {tag}: needs text, url and tier, and nothing else")
        else:
            if found[tag].tier not in TIERS:
                faults.append(f"sources.toml {tag}: tier is not one of {', '.join(TIERS)}")
    return found


def digest(
    rows: Mapping[str, tuple[Row, ...]],
    rules: Mapping[str, tuple[RuleRow, ...]],
    matrices: Mapping[str, tuple[Matrix, ...]],
) -> str:
    """SHA-256 of what the rows, rules and tables say; sentences, notes and file names aside."""
    said: dict[str, Any] = {
        "rows": {key: [_row(row) for row in found] for key, found in rows.items()},
        "rules": {key: [_rule(row) for row in found] for key, found in rules.items()},
        "matrices": {key: [_matrix(table) for table in found] for key, found in matrices.items()},
    }
    canonical = json.dumps(said, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return sha256(canonical.encode()).hexdigest()


def _layers(
    profile: str, mappings: Traversable, overlay: Traversable | None, faults: list[str]
) -> list[Layer]:
    known = profiles(mappings)
    if profile not in known:
        raise PolicyFault(f"there is no profile '{profile}'; there are {', '.join(known)}")
    chain = [read_profile(mappings, profile, faults)]
    while chain[-1].name != "default":
        below = _below(chain, known, faults)
        chain.append(read_profile(mappings, below, faults))
    chain.reverse()
    if overlay is not None:
        chain.append(_approved(read_overlay(overlay, faults), faults))
    return chain


def _below(chain: list[Layer], known: tuple[str, ...], faults: list[str]) -> str:
    layer = chain[-1]
    below = layer.on or "default"
    if below not in known:
        faults.append(f"policy/{layer.name}.toml: it is on '{below}', which does not exist")
    elif below in [above.name for above in chain]:
        faults.append(f"policy/{layer.name}.toml: it is on '{below}', which is on it in turn")
    else:
        return below
    return "default"


def _approved(layer: Layer, faults: list[str]) -> Layer:
    if not layer.approved_by:
        faults.append("overlay: [file] approved_by must name who approved its values")
    if layer.on is not None:
        faults.append("overlay: [file] on is for profiles; an overlay lies on the chosen profile")
    return layer


def _row(row: Row) -> list[Any]:
    value = row.value
    if isinstance(value, Decimal):
        shown: Any = f"{value.normalize():f}"
    else:
        shown = list(value) if isinstance(value, tuple) else value
    return [shown, row.unit, row.since.isoformat(), row.source]


def _rule(row: RuleRow) -> list[Any]:
    return [
        row.on_failure,
        row.when_missing,
        row.remedy,
        row.remedy_missing,
        row.in_emergency,
        row.missing_in_emergency,
        row.site_data,
        row.never_loosen,
        row.since.isoformat(),
        row.source,
    ]


def _matrix(table: Matrix) -> list[Any]:
    cells = sorted((recipient, unit, word) for (recipient, unit), word in table.cells.items())
    return [cells, table.never_loosen, table.since.isoformat(), table.source]
