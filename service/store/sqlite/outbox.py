"""Claiming streams and recording attempts: pieces of work for the writer."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import apsw

from service.errors import Stale
from service.faults import reach
from service.store.port import Attempt, OutboxRow
from service.store.sqlite.codec import json_list, json_rows, outbox_of, us
from service.store.sqlite.queries import QUERIES as Q

OVERTOOK = "overtook a parked row"
Place = tuple[str, str, str]  # partner, facility, stream
Stream = tuple[str, str]  # facility, stream


def claimed(
    connection: apsw.Connection, partner: str, now: datetime, limit: int, lease: datetime
) -> list[list[OutboxRow]]:
    """The streams that are ready, each with its rows in order and marked as in hand."""
    ready: list[Stream] = _rows(connection, "ready_streams", (partner, us(now), limit))
    if not ready:
        return []
    listed = json_rows(ready)
    changed = set(_rows(connection, "supersede_older", (partner, listed)))
    streams: dict[Stream, list[OutboxRow]] = {stream: [] for stream in ready}
    for row in map(outbox_of, _rows(connection, "stream_rows", (partner, listed))):
        streams[(row.facility, row.stream)].append(row)
    taken = {stream: sendable(rows, now) for stream, rows in streams.items()}
    for facility, stream in ready:
        if (facility, stream) in changed or not taken[(facility, stream)]:
            connection.execute(Q["refresh_stream"], (partner, facility, stream))
    found = {stream: rows for stream, rows in taken.items() if rows}
    return _in_hand(connection, partner, found, lease) if found else []


def _in_hand(
    connection: apsw.Connection,
    partner: str,
    taken: Mapping[Stream, Sequence[OutboxRow]],
    lease: datetime,
) -> list[list[OutboxRow]]:
    """Marks rows as claimed; each stream by a number of its own."""
    leased = _rows(connection, "lease_streams", (partner, json_rows(taken), us(lease)))
    claims = {(facility, stream): claim for facility, stream, claim in leased}
    marks = [(row.id, claims[stream]) for stream, rows in taken.items() for row in rows]
    doubt = dict(_rows(connection, "claim_rows", (json_rows(marks),)))
    return [
        [replace(row, claim=claims[stream], unsettled=bool(doubt[row.id])) for row in rows]
        for stream, rows in taken.items()
    ]


def _rows(connection: apsw.Connection, name: str, values: tuple[Any, ...]) -> list[Any]:
    return connection.execute(Q[name], values).fetchall()


def sendable(rows: Sequence[OutboxRow], now: datetime) -> list[OutboxRow]:
    """Rows in order up to the first that must wait; behind a parked row only critical ones go."""
    parked = any(row.state == "parked" for row in rows)
    found: list[OutboxRow] = []
    for row in rows:
        if row.state == "parked" or (parked and not row.critical):
            continue
        if row.next_at is not None and row.next_at > now:
            break
        found.append(replace(row, flagged=OVERTOOK) if parked else row)
    return found


def released(connection: apsw.Connection, ids: Sequence[int], lease: datetime) -> None:
    """Gives back claimed rows, and a stream with its last one."""
    places: list[Place] = _rows(connection, "release_rows", (json_list(ids), us(lease)))
    connection.execute(Q["release_streams"], (json_rows(sorted(set(places))),))


def recorded(connection: apsw.Connection, attempt: Attempt, rows: Sequence[OutboxRow]) -> None:
    """Keeps an attempt and what became of its rows. Raises Stale for rows claimed by another."""
    claims = json_rows((row.id, row.claim) for row in rows)
    for (lost,) in _rows(connection, "lost_claims", (claims,)):
        raise Stale(f"outbox row {lost} was claimed by somebody else")
    what = (attempt.partner, us(attempt.at), attempt.outcome, attempt.status, attempt.detail)
    number = connection.execute(Q["add_attempt"], what).get
    connection.execute(Q["add_attempt_rows"], (number, json_list(attempt.rows)))
    places = sorted(_record(connection, rows))
    connection.execute(Q["release_streams"], (json_rows(places),))
    for place in places:
        connection.execute(Q["refresh_stream"], place)
    reach("record-before-end")


def _record(connection: apsw.Connection, rows: Sequence[OutboxRow]) -> set[Place]:
    """Writes the rows' new state; the streams they belong to."""
    said = [
        (
            row.id,
            row.state,
            row.attempts,
            us(row.next_at),
            row.last_outcome,
            row.etag,
            row.flagged,
        )
        for row in rows
    ]
    found = _rows(connection, "record_rows", (json_rows(said),))
    missing = {row.id for row in rows} - {row[0] for row in found}
    if missing:
        raise Stale(f"there is no outbox row {min(missing)}")
    return {(partner, facility, stream) for _, partner, facility, stream in found}
