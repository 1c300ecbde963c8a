"""Facts, acts and rows to and from columns."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from hashlib import sha256
from typing import Any

import msgspec

from service.facts.acts import (
    Act,
    ActBody,
    AlertRaised,
    Answered,
    NoticeEscalated,
    NoticeRaised,
    NoticeWithdrawn,
    ReceivedLate,
    UnitNamed,
)
from service.facts.fact import KINDS, Fact
from service.fhir.search import SearchValue
from service.store.port import Emitted, OutboxRow, ResourceVersion

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)

ACTS: dict[str, type[ActBody]] = {
    "answered": Answered,
    "notice-raised": NoticeRaised,
    "notice-withdrawn": NoticeWithdrawn,
    "alert-raised": AlertRaised,
    "notice-escalated": NoticeEscalated,
    "received-late": ReceivedLate,
    "unit-named": UnitNamed,
}
ACT_KIND: dict[type, str] = {body: kind for kind, body in ACTS.items()}

_ENCODER = msgspec.json.Encoder(decimal_format="number", order="deterministic")
_FACTS: dict[str, msgspec.json.Decoder[Fact[Any]]] = {
    kind: msgspec.json.Decoder(Fact[body], float_hook=Decimal)  # type: ignore[valid-type]
    for kind, body in KINDS.items()
}
_ACTS = {kind: msgspec.json.Decoder(body, float_hook=Decimal) for kind, body in ACTS.items()}

# Where a period is open, search goes on without end.
EARLIEST = -(2**62)
LATEST = 2**62

FACT_COLUMNS = "key, version, kind, unit, body"
RESOURCE_COLUMNS = (
    "type, id, version, release, source, at, digest, body, received, stamp, retracted, keys"
)
OUTBOX_COLUMNS = (
    "id, partner, key, version, stream, grp, type, resource_id, "
    "(SELECT b.body FROM outbox_body b WHERE b.id = outbox.id), critical, created, state, "
    "attempts, next_at, last_outcome, etag, flagged, retires, facility, doubt"
)
EMITTED_COLUMNS = "key, person, stream, kind, digest, version, content, roles, critical, state"


def us(instant: datetime | None) -> int | None:
    """Microseconds since the epoch."""
    return None if instant is None else (instant - EPOCH) // MICROSECOND


def instant(value: int | None) -> datetime | None:
    """The instant of a column."""
    return None if value is None else EPOCH + timedelta(microseconds=value)


def moment(value: int) -> datetime:
    """The instant of a column that is never NULL."""
    return EPOCH + timedelta(microseconds=value)


def encoded(value: Any) -> bytes:
    """Any of our dataclasses as canonical JSON."""
    return _ENCODER.encode(value)


def fact_of(kind: str, body: bytes) -> Fact[Any]:
    """A fact from its columns ``kind`` and ``body``."""
    return _FACTS[kind].decode(body)


def act_of(key: str, at: int, kind: str, body: bytes) -> Act:
    """An act from its columns."""
    return Act(key=key, at=moment(at), body=_ACTS[kind].decode(body))


def resource_of(row: tuple[Any, ...]) -> ResourceVersion:
    """A resource version from RESOURCE_COLUMNS; its search values stay in the store."""
    type_, id_, version, release, source, at, digest, body, received, stamp, gone, keys = row
    return ResourceVersion(
        type=type_,
        id=id_,
        version=version,
        release=release,
        source=source,
        at=moment(at),
        digest=digest,
        body=body,
        received=received,
        stamp=instant(stamp),
        retracted=bool(gone),
        keys=tuple(msgspec.json.decode(keys, type=list[str])),
    )


def outbox_of(row: tuple[Any, ...]) -> OutboxRow:
    """An outbox row from OUTBOX_COLUMNS."""
    return OutboxRow(
        id=row[0],
        partner=row[1],
        key=row[2],
        version=row[3],
        stream=row[4],
        group=row[5],
        type=row[6],
        resource_id=row[7],
        body=row[8],
        critical=bool(row[9]),
        created=moment(row[10]),
        state=row[11],
        attempts=row[12],
        next_at=instant(row[13]),
        last_outcome=row[14],
        etag=row[15],
        flagged=row[16],
        retires=bool(row[17]),
        facility=row[18],
        unsettled=bool(row[19]),
    )


def emitted_of(row: tuple[Any, ...]) -> Emitted:
    """An emission from EMITTED_COLUMNS."""
    key, person, stream, kind, digest, version, content, roles, critical, state = row
    return Emitted(
        key=key,
        person=person,
        stream=stream,
        kind=kind,
        digest=digest,
        version=version,
        content=content,
        to=frozenset(roles.split(",")) if roles else frozenset(),
        critical=bool(critical),
        state=state,
    )


def span(value: SearchValue) -> tuple[int | None, int | None]:
    """(low, high) columns of a search value: both for a date, neither for any other."""
    if value.kind != "date":
        return None, None
    low = EARLIEST if value.low is None else us(value.low)
    high = LATEST if value.high is None else us(value.high)
    return low, high


def json_list(values: Iterable[str | int]) -> str:
    """Strings or numbers as a JSON array, for json_each in a query and for the column ``keys``."""
    return msgspec.json.encode(list(values)).decode()


def json_rows(rows: Iterable[Sequence[str | int | None]]) -> str:
    """Rows as a JSON array of arrays, for json_each in a query."""
    return msgspec.json.encode([tuple(row) for row in rows]).decode()


def audit_link(*row: Any) -> bytes:
    """The link of an audit row: SHA-256 of the link before it, or None, and the row's columns."""
    told = [part.hex() if isinstance(part, bytes) else part for part in row]
    return sha256(msgspec.json.encode(told)).digest()
