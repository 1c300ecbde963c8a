"""The store port on one SQLite file."""

from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from datetime import datetime
from pathlib import Path
from typing import Any

import apsw

from service.errors import StoreError, StoreUnfit
from service.facts.acts import Act
from service.faults import reach
from service.store.port import (
    Attempt,
    AuditRow,
    Change,
    Emitted,
    OutboxRow,
    Page,
    Person,
    PersonState,
    ResourceVersion,
    StoredCase,
    Term,
    Token,
    UnitStart,
)
from service.store.sqlite import outbox, searching
from service.store.sqlite.casefile import read_case, states
from service.store.sqlite.codec import (
    act_of,
    audit_link,
    emitted_of,
    instant,
    json_list,
    moment,
    outbox_of,
    resource_of,
    us,
)
from service.store.sqlite.connection import connect
from service.store.sqlite.migrating import Migration, back_up, damage, migrate, migrations
from service.store.sqlite.queries import QUERIES
from service.store.sqlite.reader import Reader
from service.store.sqlite.turn import turn_at
from service.store.sqlite.writer import Counts, Writer
from service.store.sqlite.writing import Statement, run, statements


def open_store(path: str | Path, known: Sequence[Migration] | None = None) -> "SqliteStore":
    """Opens or makes a database and brings it forward to ``known``. Raises StoreUnfit."""
    return SqliteStore(str(path), migrations() if known is None else known)


class SqliteStore:
    """See service.store.port.Store for what each method promises."""

    def __init__(self, path: str, known: Sequence[Migration]) -> None:
        self.path = path
        connection = connect(path)
        try:
            migrate(path, connection, known)
        except apsw.Error as error:
            raise StoreUnfit(f"{path} could not be brought forward: {error}") from error
        connection.create_scalar_function("audit_link", audit_link, deterministic=True)
        self._writer = Writer(connection, turn_at(path))
        self._reader = Reader(path)

    # -- resources

    def head(self, facility: str, type: str, id: str) -> ResourceVersion | None:
        return self._resource("head", (facility, type, id))

    def version(self, facility: str, type: str, id: str, version: int) -> ResourceVersion | None:
        return self._resource("version", (facility, type, id, version))

    def versions(self, facility: str, type: str, id: str) -> Sequence[ResourceVersion]:
        return [resource_of(row) for row in self._rows("versions", (facility, type, id))]

    def keyed(
        self, facility: str, source: str, type: str, keys: Iterable[Token]
    ) -> tuple[str, ...]:
        rows = self._rows("keyed", (facility, source, type, json_list(keys)))
        return tuple(row[0] for row in rows)

    def identified(self, facility: str, type: str, system: str, value: str) -> tuple[str, ...]:
        rows = self._rows("identified", (facility, type, f"{system}|{value}"))
        return tuple(row[0] for row in rows)

    def url(self, facility: str, source: str, url: str) -> tuple[str, str | None] | None:
        return next(iter(self._rows("url", (facility, source, url))), None)

    def search(
        self,
        facility: str,
        release: str,
        type: str,
        terms: Sequence[Term],
        *,
        count: int,
        after: str | None = None,
    ) -> Page:
        page, total = searching.statements(facility, release, type, terms, after)
        with self._reader.snapshot():
            number: int = self._reader.run(*total)[0][0]
            rows = self._reader.run(page[0], [*page[1], count + 1]) if count else []
        found = tuple(resource_of(row) for row in rows[:count])
        more = searching.cursor(found[-1]) if len(rows) > count else None
        return Page(rows=found, total=number, next_after=more)

    # -- people and cases

    def people(self, facility: str, tokens: Iterable[Token]) -> dict[Token, Person]:
        return dict(self._rows("people", (facility, json_list(tokens))))

    def people_of_unit(self, facility: str, unit: str) -> frozenset[Person]:
        return frozenset(row[0] for row in self._rows("people_of_unit", (facility, unit)))

    def states(self, facility: str, people: Iterable[Person]) -> tuple[PersonState, ...]:
        return states(self._reader, facility, list(people))

    def case(
        self,
        facility: str,
        people: Iterable[Person],
        *,
        units: Iterable[str] = (),
        resources: Iterable[str] = (),
    ) -> StoredCase:
        return read_case(self._reader, facility, list(people), units, resources)

    def claim(self, facility: str, unit: str) -> UnitStart | None:
        for unit_, subject, person, step, identifier, at in self._rows("claim", (facility, unit)):
            return UnitStart(
                unit=unit_,
                subject=subject,
                person=person,
                step=step,
                identifier=identifier,
                at=moment(at),
            )
        return None

    def act(self, facility: str, key: str) -> Act | None:
        return next((act_of(*row) for row in self._rows("act", (facility, key))), None)

    def commit(self, change: Change) -> "Future[None]":
        made = statements(change)
        return self._writer.submit(lambda connection: _written(connection, made))

    # -- wakes and nudges

    def due(self, now: datetime, limit: int) -> Sequence[tuple[str, Person]]:
        return [(row[0], row[1]) for row in self._rows("due", (us(now), limit))]

    def next_due(self) -> datetime | None:
        return instant(self._rows("next_due", ())[0][0])

    def nudged(self, limit: int) -> Sequence[tuple[int, str, Person, str]]:
        return [(row[0], row[1], row[2], row[3]) for row in self._rows("nudged", (limit,))]

    # -- outbox

    def claim_streams(
        self, partner: str, now: datetime, *, limit: int, lease: datetime
    ) -> "Future[Sequence[Sequence[OutboxRow]]]":
        return self._writer.submit(
            lambda connection: outbox.claimed(connection, partner, now, limit, lease)
        )

    def release(self, rows: Iterable[int], lease: datetime) -> "Future[None]":
        ids = list(rows)
        return self._writer.submit(lambda connection: outbox.released(connection, ids, lease))

    def record(self, attempt: Attempt, rows: Sequence[OutboxRow]) -> "Future[None]":
        return self._writer.submit(lambda connection: outbox.recorded(connection, attempt, rows))

    def outbox(
        self, *, partner: str | None = None, states: Iterable[str] = (), limit: int = 100
    ) -> Sequence[OutboxRow]:
        values = (partner, json_list(states), limit)
        return [outbox_of(row) for row in self._rows("outbox_listed", values)]

    def outbox_row(self, id: int) -> OutboxRow | None:
        return next((outbox_of(row) for row in self._rows("outbox_row", (id,))), None)

    def attempts(self, row: int) -> Sequence[Attempt]:
        return [self._attempt(*found) for found in self._rows("attempts", (row,))]

    def delivered(self, partner: str, facility: str, key: str) -> OutboxRow | None:
        rows = self._rows("delivered", (facility, partner, key))
        return next((outbox_of(row) for row in rows), None)

    def identity(self, resource_id: str) -> str | None:
        return next((row[0] for row in self._rows("identity", (resource_id,))), None)

    def emission(self, facility: str, key: str) -> Emitted | None:
        rows = self._rows("emission", (facility, key))
        return next((emitted_of(row) for row in rows), None)

    def learned(self, partner: str) -> dict[str, str]:
        return dict(self._rows("learned", (partner,)))

    def learn(self, partner: str, name: str, value: str | None) -> "Future[None]":
        if value is None:
            return self._do("forget", (partner, name))
        return self._do("learn", (partner, name, value))

    def learn_first(self, partner: str, name: str, value: str) -> "Future[None]":
        return self._do("learn_first", (partner, name, value))

    def audited(
        self, facility: str, *, limit: int = 100, after: int = 0
    ) -> Sequence[tuple[int, AuditRow]]:
        rows = self._rows("audited", (facility, after, limit))
        return [(seq, _audit_row(*columns)) for seq, *columns in rows]

    def audit_fault(self, facility: str) -> str | None:
        with self._reader.snapshot():
            ends = self._rows("audit_end", (facility,))
            links = self._reader.connection.execute(QUERIES["audit_links"], (facility,))
            return _broken_link(links, ends[0] if ends else (0, None))

    # -- the file

    def backup(self, to: str | Path) -> None:
        """A checked copy of the running database. Raises StoreUnfit for a damaged one."""
        back_up(self._reader.connection, str(to))

    def damage(self) -> str | None:
        """What is broken in the file or between its tables, or None."""
        return damage(self._reader.connection)

    @property
    def counts(self) -> Counts:
        """What the writer has done since it started."""
        return self._writer.counts

    @property
    def waiting(self) -> int:
        """How many changes are queued."""
        return self._writer.waiting

    @property
    def commits(self) -> int:
        """How many transactions the writer has committed."""
        return self._writer.counts.commits

    def close(self) -> None:
        try:
            self._writer.close()
        except apsw.Error as error:
            raise StoreError(f"The store did not close well: {error}") from error
        finally:
            self._reader.close()

    def _rows(self, name: str, values: tuple[Any, ...]) -> list[Any]:
        return self._reader.rows(name, values)

    def _resource(self, name: str, values: tuple[Any, ...]) -> ResourceVersion | None:
        return next((resource_of(row) for row in self._rows(name, values)), None)

    def _attempt(
        self, number: int, partner: str, at: int, outcome: str, status: int | None, detail: str
    ) -> Attempt:
        rows = tuple(row[0] for row in self._rows("attempt_rows", (number,)))
        return Attempt(
            rows=rows,
            partner=partner,
            at=moment(at),
            outcome=outcome,
            status=status,
            detail=detail,
        )

    def _do(self, name: str, values: tuple[Any, ...]) -> "Future[None]":
        return self._writer.submit(lambda connection: run(connection, [(name, values, None)]))


def _written(connection: apsw.Connection, made: Sequence[Statement]) -> None:
    run(connection, made)
    reach("commit-after-write")


def _audit_row(
    at: int, action: str, who: str, outcome: str, subject: str | None, detail: bytes
) -> AuditRow:
    return AuditRow(
        at=moment(at), action=action, who=who, outcome=outcome, subject=subject, detail=detail
    )


def _broken_link(links: Iterable[tuple[Any, ...]], end: tuple[int, bytes | None]) -> str | None:
    """What does not hold in a chain of audit rows, or None."""
    before: bytes | None = None
    number = 0
    for *columns, chain, seq in links:
        before = audit_link(before, *columns)
        number += 1
        if before != chain:
            return f"audit row {seq} is not what was written, or one before it is gone"
    if (number, before) != end:
        return f"the audit ends after {number} of {end[0]} rows"
    return None
