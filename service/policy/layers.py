"""Laying a profile on the default, and a site's overlay on that.

An entry of an upper layer takes over from its own ``since`` on; before that day the rows below
stay in force. Keys that it leaves out, but for the note, are taken from the row below.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Protocol, TypeVar

from service.policy.policy import Matrix, Row, RuleRow
from service.policy.read import Entry, Layer, Table
from service.policy.rows import Limits, limits_of, loosening, row_of, rule_of
from service.policy.tables import SHAPES, matrix_of, table_loosening


class Dated(Protocol):
    """A row, rule or table: something in force from a day on."""

    @property
    def id(self) -> str:
        """What it states."""

    @property
    def since(self) -> date:
        """The first day on which it is in force."""


T = TypeVar("T", bound=Dated)
E = TypeVar("E", Entry, Table)


@dataclass(slots=True, kw_only=True)
class Stack:
    """Everything stated so far, from the default upwards, and every fault met on the way.

    tags: the tags of sources.toml.
    """

    tags: frozenset[str]
    faults: list[str]
    rows: dict[str, tuple[Row, ...]] = field(default_factory=dict)
    rules: dict[str, tuple[RuleRow, ...]] = field(default_factory=dict)
    matrices: dict[str, tuple[Matrix, ...]] = field(default_factory=dict)
    limits: dict[str, Limits] = field(default_factory=dict)

    def lay(self, layer: Layer, *, bottom: bool = False) -> None:
        """Put one more layer on top. Only the bottom one, the default, may name new ids."""
        self.faults += repeated(layer)
        if bottom:
            self.limits = {entry.id: limits_of(entry) for entry in layer.rows}
        rows = self._made(layer.rows, lambda entry: self._row(entry, layer, bottom))
        rules = self._made(layer.rules, lambda entry: self._rule(entry, layer, bottom))
        matrices = self._made(layer.tables, lambda table: self._matrix(table, layer, bottom))
        self.faults += _loosened(layer.name, rules, self.rules, loosening)
        self.faults += _loosened(layer.name, matrices, self.matrices, table_loosening)
        self.rows = _over(rows, self.rows)
        self.rules = _over(rules, self.rules)
        self.matrices = _over(matrices, self.matrices)
        if bottom:
            lacking = [key for key in SHAPES if key not in self.matrices]
            self.faults += [f"matrices: no usable table {key}" for key in lacking]

    def _row(self, entry: Entry, layer: Layer, bottom: bool) -> tuple[Row | None, list[str]]:
        base = in_force(self.rows.get(entry.id, ()), entry.since)
        if base is None and not bottom:
            return None, [f"{entry.place}: the default file knows no such row"]
        limits = self.limits.get(entry.id, Limits())
        return row_of(entry, base, limits, self.tags, layer.name)

    def _rule(self, entry: Entry, layer: Layer, bottom: bool) -> tuple[RuleRow | None, list[str]]:
        base = in_force(self.rules.get(entry.id, ()), entry.since)
        if base is None and not bottom:
            return None, [f"{entry.place}: the default file knows no such rule"]
        return rule_of(entry, base, self.tags, layer.name)

    def _matrix(self, table: Table, layer: Layer, bottom: bool) -> tuple[Matrix | None, list[str]]:
        matrix, faults = matrix_of(table, self.tags, layer.name, bottom=bottom)
        below = in_force(self.matrices.get(matrix.id, ()), matrix.since) if matrix else None
        if matrix and below:
            matrix = replace(matrix, never_loosen=below.never_loosen)
        return matrix, faults

    def _made(
        self, stated: Iterable[E], make: Callable[[E], tuple[T | None, list[str]]]
    ) -> list[T]:
        found: list[T] = []
        for item in stated:
            made, faults = make(item)
            self.faults += faults
            if made is not None:
                found.append(made)
        return found


def repeated(layer: Layer) -> list[str]:
    """A fault for each id that one layer states twice for the same day."""
    stated = [
        *(("row", entry.id, str(entry.since)) for entry in layer.rows),
        *(("rule", entry.id, str(entry.since)) for entry in layer.rules),
        *(("table", t.given.get("id", ""), t.given.get("since", "")) for t in layer.tables),
    ]
    return [
        f"{layer.name}: {kind} {key} is stated {count} times since {since}"
        for (kind, key, since), count in Counter(stated).items()
        if count > 1
    ]


def in_force(rows: tuple[T, ...], day: date) -> T | None:
    """The row in force on a day; before the first, the first; None when there is none."""
    earlier = [row for row in rows if row.since <= day]
    return earlier[-1] if earlier else next(iter(rows), None)


def _over(upper: Iterable[T], lower: Mapping[str, tuple[T, ...]]) -> dict[str, tuple[T, ...]]:
    merged = dict(lower)
    for row in sorted(upper, key=lambda row: row.since):
        earlier = [below for below in merged.get(row.id, ()) if below.since < row.since]
        merged[row.id] = (*earlier, row)
    return merged


def _loosened(
    layer: str,
    upper: Iterable[T],
    lower: Mapping[str, tuple[T, ...]],
    how: Callable[[T, T], str | None],
) -> list[str]:
    faults: list[str] = []
    for row in upper:
        rows = lower.get(row.id, ())
        standing = in_force(rows, row.since)
        hidden = [below for below in rows if below.since > row.since]
        for below in ([standing] if standing else []) + hidden:
            wrong = how(row, below)
            if wrong and f"{layer}: {row.id} ({row.since}): {wrong}" not in faults:
                faults.append(f"{layer}: {row.id} ({row.since}): {wrong}")
    return faults
