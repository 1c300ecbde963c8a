"""A claimed stream in hand: which of its rows go now, in what order, and what holds them."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import msgspec

from service.delivery.compare import resource_of
from service.fhir.edge.strict_json import dump
from service.fhir.write import transaction
from service.store.port import OutboxRow

SHARED = "delivered beside the partner's own elements"
OVERTOOK = "overtook a parked row"
PASSED_BY = "overtook a row that does not pass"
# Tries without an answer that settles anything, after which ...
ALONE_AFTER = 2  # a stream travels alone
SINGLY_AFTER = 3  # its rows go one by one, so that only the one that does not pass is tried on
STUCK_AFTER = 5  # critical rows of the stream go past that one


@dataclass(slots=True, kw_only=True, eq=False)
class Line:
    """One stream. stuck: nothing more of it in this round. held: behind a row that was parked."""

    stuck: bool = False
    held: bool = False
    items: "list[Item]" = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Item:
    """One row ready to be sent.

    earlier: the version of the identity that the partner acknowledged last. replaced: one that was
    tried and never acknowledged. if_match: the ETag to send. merged: our elements on top of the
    partner's, sent in place of the row's own bytes. resolved: a conflict was resolved once.
    """

    row: OutboxRow
    line: Line
    earlier: OutboxRow | None = None
    replaced: OutboxRow | None = None
    if_match: str | None = None
    merged: bytes | None = None
    resolved: bool = False

    @property
    def body(self) -> bytes:
        """The bytes to send."""
        return self.row.body if self.merged is None else self.merged

    @property
    def in_doubt(self) -> bool:
        """True when an earlier try may have arrived, or an earlier version that was never
        acknowledged."""
        unacknowledged = self.earlier is None and self.row.version > 1
        return self.row.state == "sent" or self.row.unsettled or unacknowledged

    @property
    def is_shared(self) -> bool:
        """True when the partner's own elements stood beside ours and must not be erased."""
        return self.earlier is not None and self.earlier.last_outcome == SHARED

    def ours(self) -> dict[str, object]:
        """The resource as rendered."""
        return resource_of(self.row.body)

    def before(self) -> dict[str, object] | None:
        """The resource as it was before, whose elements are ours too."""
        known = self.earlier or self.replaced
        return None if known is None else resource_of(known.body)

    def overtaking(self) -> "Item":
        """The item, flagged for going past a parked row of its stream."""
        return replace(self, row=replace(self.row, flagged=self.row.flagged or OVERTOOK))


def in_order(rows: Sequence[OutboxRow]) -> tuple[list[OutboxRow], list[OutboxRow]]:
    """(rows to send now, rows that a newer critical version replaces).

    A row that was tried in vain again and again is tried on, but critical rows of its stream go
    first, flagged: what a partner cannot take must not hold up a reaction.
    """
    stuck = {row.key for row in rows if row.attempts >= STUCK_AFTER}
    urgent = {row.key: row for row in reversed(rows) if row.critical and row.attempts < STUCK_AFTER}
    if not stuck or not urgent:
        return first_rows(rows), []
    passing = [replace(row, flagged=row.flagged or PASSED_BY) for row in rows if _is(urgent, row)]
    replaced = [row for row in rows if _older(urgent, row)]
    rest = [row for row in rows if row.key not in urgent]
    return passing + first_rows(rest), replaced


def _is(urgent: dict[str, OutboxRow], row: OutboxRow) -> bool:
    return row.key in urgent and urgent[row.key].version == row.version


def _older(urgent: dict[str, OutboxRow], row: OutboxRow) -> bool:
    return row.key in urgent and row.version < urgent[row.key].version


def first_rows(rows: Sequence[OutboxRow]) -> list[OutboxRow]:
    """The rows to send now: up to the commit that holds a second version of any of them.

    The second version waits until the outcome of the first is known.
    """
    taken: list[OutboxRow] = []
    seen: set[str] = set()
    for group in _groups(rows):
        if taken and any(row.key in seen for row in group):
            break
        fresh = [row for row in group if row.key not in seen]
        taken += fresh
        seen |= {row.key for row in fresh}
    return taken


def _groups(rows: Sequence[OutboxRow]) -> Iterator[list[OutboxRow]]:
    held: list[OutboxRow] = []
    for row in rows:
        if held and held[0].group != row.group:
            yield held
            held = []
        held.append(row)
    if held:
        yield held


def by_line(items: Iterable[Item]) -> list[list[Item]]:
    """Items of each stream, in order."""
    found: dict[int, list[Item]] = {}
    for item in items:
        found.setdefault(id(item.line), []).append(item)
    return list(found.values())


def parts(items: Sequence[Item], most: int) -> list[list[Item]]:
    """Items in parts of at most ``most``; a stream is cut only where it is longer than that."""
    found: list[list[Item]] = [[]]
    for line in by_line(items):
        if found[-1] and len(found[-1]) + len(line) > most:
            found.append([])
        for item in line:
            if len(found[-1]) == most:
                found.append([])
            found[-1].append(item)
    return [part for part in found if part]


def bundle_of(items: Sequence[Item], release: str) -> bytes:
    """A transaction of ``PUT Type/uuid`` of the items."""
    entries = [(i.row.type, i.row.resource_id, msgspec.Raw(i.body)) for i in items]
    matches = {(i.row.type, i.row.resource_id): i.if_match for i in items if i.if_match}
    return dump(transaction(entries, release, matches))
