"""The store port on one SQLite file."""

import threading
from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import apsw

from service.facts.acts import Act
from service.facts.case import OtherStart
from service.facts.fact import Fact
from service.facts.naming import resources as named_by
from service.facts.unit import UnitKey
from service.faults import reach
from service.store.port import (
    Attempt,
    AuditRow,
    Change,
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
from service.store.sqlite import searching
from service.store.sqlite.codec import (
    OUTBOX_COLUMNS,
    act_of,
    emitted_of,
    fact_of,
    instant,
    json_list,
    moment,
    outbox_of,
    resource_of,
    us,
)
from service.store.sqlite.connection import back_up, connect, migrate, reading
from service.store.sqlite.queries import QUERIES as Q
from service.store.sqlite.writer import Writer
from service.store.sqlite.writing import write


def open_store(path: str | Path) -> "SqliteStore":
    """Opens or makes a database. Raises StoreUnfit."""
    return SqliteStore(str(path))


class SqliteStore:
    """See service.store.port.Store for what each method promises."""

    def __init__(self, path: str) -> None:
        self.path = path
        connection = connect(path)
        migrate(path, connection)
        self._writer = Writer(connection)
        self._local = threading.local()
        self._readers: list[apsw.Connection] = []

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
        page, total, values, plain = searching.statement(facility, release, type, terms, after)
        reader = self._reader
        number: int = reader.execute(total, plain).get
        rows = list(reader.execute(page, [*values, count + 1])) if count else []
        more = len(rows) > count
        found = [resource_of(row) for row in rows[:count]]
        end = rows[count - 1] if more else None
        next_after = searching.cursor(end[5], end[1]) if end else None
        return Page(rows=tuple(found), total=number, next_after=next_after)

    # -- people and cases

    def people(self, facility: str, tokens: Iterable[Token]) -> dict[Token, Person]:
        return dict(self._rows("people", (facility, json_list(tokens))))

    def people_of_unit(self, facility: str, unit: str) -> frozenset[Person]:
        return frozenset(row[0] for row in self._rows("people_of_unit", (facility, unit)))

    def states(self, facility: str, people: Iterable[Person]) -> tuple[PersonState, ...]:
        wanted = list(people)
        rows = self._rows("states", (facility, json_list(wanted)))
        held = {row[0]: _state(row) for row in rows}
        return tuple(held.get(person) or PersonState(person=person, seq=0) for person in wanted)

    def case(
        self,
        facility: str,
        people: Iterable[Person],
        *,
        units: Iterable[str] = (),
        resources: Iterable[str] = (),
    ) -> StoredCase:
        wanted = list(people)
        reader = self._reader
        reader.execute("BEGIN")
        try:
            return self._case(facility, wanted, set(units), set(resources))
        finally:
            reader.execute("COMMIT")

    def _case(
        self, facility: str, people: list[Person], units: set[str], names: set[str]
    ) -> StoredCase:
        who = json_list(people)
        tokens = frozenset(row[0] for row in self._rows("tokens", (facility, who)))
        found: dict[tuple[str, int], Fact[Any]] = {}
        rows = self._rows("facts_of_subjects", (facility, json_list(tokens)))
        self._collect(rows, found, units, names)
        rows = self._rows("facts_of_units", (facility, json_list(units)))
        self._collect(rows, found, units, names)
        names -= {fact.resource for fact in found.values()}
        if names:
            rows = self._rows("facts_of_resources", (facility, json_list(names)))
            self._collect(rows, found, units, names)
        listed = json_list(sorted(units))
        seqs = dict(self._rows("unit_seqs", (facility, listed)))
        starts = self._rows("starts_of_units", (facility, listed))
        return StoredCase(
            state=self.states(facility, people[:1])[0],
            tokens=tokens,
            facts=tuple(found.values()),
            acts=tuple(act_of(*row) for row in self._rows("acts_of", (facility, who))),
            emitted=tuple(emitted_of(row) for row in self._rows("emitted_of", (facility, who))),
            elsewhere=tuple(
                OtherStart(unit=_key(unit), at=moment(at), step=step)
                for unit, at, step, subject in starts
                if subject not in tokens
            ),
            units=tuple((unit, seqs.get(unit, 0)) for unit in sorted(units)),
        )

    @staticmethod
    def _collect(
        rows: Iterable[tuple[Any, ...]],
        found: dict[tuple[str, int], Fact[Any]],
        units: set[str],
        names: set[str],
    ) -> None:
        for row in rows:
            if (row[0], row[1]) in found:
                continue
            fact = fact_of(row)
            found[(fact.key, fact.version)] = fact
            if row[-1] is not None:
                units.add(row[-1])
            names |= named_by(fact)

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
        return self._writer.submit(lambda connection: _written(connection, change))

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
            lambda connection: _claimed(connection, partner, now, limit, lease)
        )

    def release(self, rows: Iterable[int], lease: datetime) -> "Future[None]":
        return self._do("release_rows", (json_list(rows), us(lease)))

    def record(self, attempt: Attempt, rows: Sequence[OutboxRow]) -> "Future[None]":
        return self._writer.submit(lambda connection: _recorded(connection, attempt, rows))

    def outbox(
        self, *, partner: str | None = None, states: Iterable[str] = (), limit: int = 100
    ) -> Sequence[OutboxRow]:
        wanted = list(states)
        query = (
            f"SELECT {OUTBOX_COLUMNS} FROM outbox WHERE (?1 IS NULL OR partner = ?1) "  # noqa: S608
            "AND (?2 = 0 OR state IN (SELECT value FROM json_each(?3))) ORDER BY id DESC LIMIT ?4"
        )
        values = (partner, len(wanted), json_list(wanted), limit)
        return [outbox_of(row) for row in self._reader.execute(query, values)]

    def outbox_row(self, id: int) -> OutboxRow | None:
        return next((outbox_of(row) for row in self._rows("outbox_row", (id,))), None)

    def attempts(self, row: int) -> Sequence[Attempt]:
        found = []
        for number, partner, at, outcome, status, detail in self._rows("attempts", (row,)):
            rows = tuple(r[0] for r in self._rows("attempt_rows", (number,)))
            found.append(
                Attempt(
                    rows=rows,
                    partner=partner,
                    at=moment(at),
                    outcome=outcome,
                    status=status,
                    detail=detail,
                )
            )
        return found

    def delivered(self, partner: str, key: str) -> OutboxRow | None:
        return next((outbox_of(row) for row in self._rows("delivered", (partner, key))), None)

    def identity(self, resource_id: str) -> str | None:
        return next((row[0] for row in self._rows("identity", (resource_id,))), None)

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
        return [
            (
                seq,
                AuditRow(
                    at=moment(at),
                    action=action,
                    who=who,
                    outcome=outcome,
                    subject=subject,
                    detail=detail,
                ),
            )
            for seq, at, action, who, outcome, subject, detail in self._rows(
                "audited", (facility, after, limit)
            )
        ]

    # -- the file

    def backup(self, to: str | Path) -> None:
        """A checked copy of the running database."""
        back_up(self._reader, str(to))

    def integrity(self) -> str:
        """``ok``, or what is damaged."""
        result: str = self._reader.execute("PRAGMA integrity_check").get
        return result

    @property
    def commits(self) -> int:
        """How many transactions the writer has committed."""
        return self._writer.commits

    def close(self) -> None:
        self._writer.close()
        for reader in self._readers:
            reader.close()

    @property
    def _reader(self) -> apsw.Connection:
        """The read connection of this thread."""
        reader: apsw.Connection | None = getattr(self._local, "reader", None)
        if reader is None:
            reader = reading(self.path)
            self._local.reader = reader
            self._readers.append(reader)
        return reader

    def _rows(self, name: str, values: tuple[Any, ...]) -> list[Any]:
        return self._reader.execute(Q[name], values).fetchall()

    def _resource(self, name: str, values: tuple[Any, ...]) -> ResourceVersion | None:
        return next((resource_of(row) for row in self._rows(name, values)), None)

    def _do(self, name: str, values: tuple[Any, ...]) -> "Future[None]":
        def work(connection: apsw.Connection) -> None:
            connection.execute(Q[name], values)

        return self._writer.submit(work)


def _written(connection: apsw.Connection, change: Change) -> None:
    write(connection, change)
    reach("commit-after-write")


def _claimed(
    connection: apsw.Connection, partner: str, now: datetime, limit: int, lease: datetime
) -> list[list[OutboxRow]]:
    streams = connection.execute(Q["open_streams"], (partner, us(now), limit)).fetchall()
    found = []
    for (stream,) in streams:
        connection.execute(Q["supersede_older"], (partner, stream))
        rows = [_waiting(r) for r in connection.execute(Q["stream_rows"], (partner, stream))]
        sendable = _sendable(rows, now)
        if sendable:
            claimed = json_list(row.id for row in sendable)
            connection.execute(Q["lease_rows"], (us(lease), claimed))
            found.append(sendable)
    return found


def _waiting(row: tuple[Any, ...]) -> OutboxRow:
    """A row with its lease; one that was never taken off says that the row may have been sent."""
    found = outbox_of(row)
    return found if row[-1] is None else replace(found, unsettled=True)


def _sendable(rows: list[OutboxRow], now: datetime) -> list[OutboxRow]:
    """Rows in order up to the first that must wait; behind a parked row only critical ones go."""
    parked = any(row.state == "parked" for row in rows)
    found: list[OutboxRow] = []
    for row in rows:
        if row.state == "parked" or (parked and not row.critical):
            continue
        if row.next_at is not None and row.next_at > now:
            break
        found.append(replace(row, flagged="overtook a parked row") if parked else row)
    return found


def _recorded(connection: apsw.Connection, attempt: Attempt, rows: Sequence[OutboxRow]) -> None:
    number = connection.execute(
        Q["add_attempt"],
        (attempt.partner, us(attempt.at), attempt.outcome, attempt.status, attempt.detail),
    ).get
    for row in attempt.rows:
        connection.execute(Q["add_attempt_row"], (row, number))
    for one in rows:
        connection.execute(
            Q["record_row"],
            (
                one.state,
                one.attempts,
                us(one.next_at),
                one.last_outcome,
                one.etag,
                one.flagged,
                one.id,
            ),
        )
    reach("record-before-end")


def _state(row: tuple[Any, ...]) -> PersonState:
    person, seq, as_of, next_wake = row
    return PersonState(person=person, seq=seq, as_of=instant(as_of), next_wake=instant(next_wake))


def _key(text: str) -> UnitKey:
    din, product, division = text.split("/")
    return UnitKey(din, product, division)
