"""Claiming streams and recording attempts: pieces of work for the writer."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import apsw

from service.errors import Stale
from service.faults import reach
from service.store.port import Attempt, OutboxRow
from service.store.sqlite.codec import json_list, outbox_of, us
from service.store.sqlite.queries import QUERIES as Q

OVERTOOK = "overtook a parked row"
Place = tuple[str, str, str]  # partner, facility, stream


def claimed(
    connection: apsw.Connection, partner: str, now: datetime, limit: int, lease: datetime
) -> list[list[OutboxRow]]:
    """The streams that are ready, each with its rows in order and marked as in hand."""
    ready = connection.execute(Q["ready_streams"], (partner, us(now), limit)).fetchall()
    found = []
    for facility, stream in ready:
        place = (partner, str(facility), str(stream))
        connection.execute(Q["supersede_older"], place)
        ids = [row.id for row in sendable(_rows(connection, place), now)]
        if ids:
            number = connection.execute(Q["lease_stream"], (us(lease), *place)).get
            connection.execute(Q["claim_rows"], (number, json_list(ids)))
            rows = sendable(_rows(connection, place), now)
            found.append([replace(row, claim=number) for row in rows])
        connection.execute(Q["refresh_stream"], place)
    return found


def _rows(connection: apsw.Connection, place: Place) -> list[OutboxRow]:
    return [outbox_of(row) for row in connection.execute(Q["stream_rows"], place)]


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
    places = connection.execute(Q["release_rows"], (json_list(ids), us(lease))).fetchall()
    for place in sorted(set(places)):
        connection.execute(Q["release_stream"], place)


def recorded(connection: apsw.Connection, attempt: Attempt, rows: Sequence[OutboxRow]) -> None:
    """Keeps an attempt and what became of its rows. Raises Stale for rows claimed by another."""
    for row in rows:
        if not connection.execute(Q["claim_holds"], (row.claim, row.id)).get:
            raise Stale(f"outbox row {row.id} was claimed by somebody else")
    what = (attempt.partner, us(attempt.at), attempt.outcome, attempt.status, attempt.detail)
    number = connection.execute(Q["add_attempt"], what).get
    for id_ in attempt.rows:
        connection.execute(Q["add_attempt_row"], (id_, number))
    places = {_record(connection, row) for row in rows}
    for place in sorted(places):
        connection.execute(Q["release_stream"], place)
        connection.execute(Q["refresh_stream"], place)
    reach("record-before-end")


def _record(connection: apsw.Connection, row: OutboxRow) -> Place:
    values: tuple[Any, ...] = (row.id, row.state, row.attempts, us(row.next_at))
    said = (row.last_outcome, row.etag, row.flagged)
    place: Place | None = connection.execute(Q["record_row"], (*values, *said)).fetchone()
    if place is None:
        raise Stale(f"there is no outbox row {row.id}")
    return place
