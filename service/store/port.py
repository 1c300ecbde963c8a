"""The store as the use cases see it: one protocol for every database.

Reads are synchronous and see committed data only. A write is one ``Change``, which is checked
against what was read and committed whole or not at all; the returned future is done only after
the commit is durable. Every row and every look-up carries the facility.
"""

from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from service.facts.acts import Act
from service.facts.case import OtherStart
from service.facts.fact import Fact
from service.fhir.search import SearchValue

Token = str  # "system|value" or "Type/id"
Person = str  # opaque id of a case


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """The bytes of one accepted request, kept as they came."""

    id: str
    source: str
    at: datetime
    release: str  # R4 or R5
    interaction: str
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ResourceVersion:
    """One version of a stored resource.

    body: JSON with our id and with references rewritten, without our meta. keys: the business
    identifiers that are the resource's key (source, type, identifier), else its content digest.
    """

    type: str
    id: str
    version: int
    release: str
    source: str
    at: datetime
    digest: str
    body: bytes
    received: str | None = None
    stamp: datetime | None = None
    retracted: bool = False
    keys: tuple[Token, ...] = ()
    values: tuple[SearchValue, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FactRow:
    """A fact with the columns by which cases find it.

    subject: the token of the patient it names. unit: text of the unit key as known at intake.
    """

    fact: Fact[Any]
    subject: Token | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Emitted:
    """What was last decided for one identity. state: active, withdrawn (in a terminal status)."""

    key: str
    person: Person
    stream: str
    kind: str
    digest: str
    version: int
    content: bytes  # encoded service.assessment.desired content
    to: frozenset[str]  # partner roles
    critical: bool
    state: str = "active"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxRow:
    """One resource version for one partner.

    id: 0 until stored. state: pending, sent (outcome unknown), delivered, superseded, parked,
    discarded. group: rows of one commit and stream, sent in one transaction. body: the bytes,
    rendered once. flagged: why it overtook its stream. retires: a terminal version; stored as
    superseded, together with every earlier row of the identity, when no earlier row was attempted.
    unsettled: a claim of it lapsed with nothing recorded, so that it may have been sent. claim: the
    number under which ``claim_streams`` handed the row out, 0 for a row that was only looked at.
    """

    partner: str
    key: str
    version: int
    stream: str
    group: str
    type: str
    resource_id: str
    body: bytes
    critical: bool
    created: datetime
    id: int = 0
    state: str = "pending"
    attempts: int = 0
    next_at: datetime | None = None
    last_outcome: str | None = None
    etag: str | None = None
    flagged: str | None = None
    retires: bool = False
    unsettled: bool = False
    facility: str = ""  # filled when read
    claim: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One try to send, and what came of it (``outcome`` is a class of the answer table)."""

    rows: tuple[int, ...]
    partner: str
    at: datetime
    outcome: str
    status: int | None
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStart:
    """A start of a unit by somebody. One row per step; ``retracted`` removes it."""

    unit: str
    subject: Token
    person: Person
    step: str
    identifier: str
    at: datetime
    retracted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonState:
    """A case's high-water mark and next wake. ``seq`` is what was read; commit adds one."""

    person: Person
    seq: int
    as_of: datetime | None = None
    next_wake: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditRow:
    """One audited event, committed with what it describes. ``detail`` holds no names."""

    at: datetime
    action: str
    who: str
    outcome: str
    subject: str | None = None
    detail: bytes = b"{}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCase:
    """A case as read: everything that assess needs, and the stamps that commit checks.

    facts: every version of each fact of which one version names the patient; of the units, issues
    and crossmatches those name; and of the orders, places and devices that any of them points at.
    elsewhere: starts of the case's units by other patients. units: unit text -> seq for every unit.
    judged: what ``Change.judged`` kept last for the person.
    """

    state: PersonState
    tokens: frozenset[Token]
    facts: tuple[Fact[Any], ...]
    acts: tuple[Act, ...]
    emitted: tuple[Emitted, ...]
    elsewhere: tuple[OtherStart, ...]
    units: tuple[tuple[str, int], ...]
    judged: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Everything one transaction writes, and what must not have changed since it was read.

    expect_units: unit text -> seq read. subjects: token -> person, assigned or moved. merged: old
    person -> new person, whose acts and emissions move. nudges: (person, why) for other cases.
    judged: what may be forgotten at any time, in place of what was kept before.
    """

    facility: str
    people: tuple[PersonState, ...] = ()
    expect_units: tuple[tuple[str, int], ...] = ()
    touched_units: tuple[str, ...] = ()
    expect_heads: tuple[tuple[str, str, int], ...] = ()  # type, id, current version (0: new)
    expect_subjects: tuple[tuple[Token, Person | None], ...] = ()  # None: nobody's yet
    received: Received | None = None
    resources: tuple[ResourceVersion, ...] = ()
    facts: tuple[FactRow, ...] = ()
    subjects: tuple[tuple[Token, Person], ...] = ()
    merged: tuple[tuple[Person, Person], ...] = ()
    urls: tuple[tuple[str, str, str, str | None], ...] = ()  # source, url, type, our id or waiting
    acts: tuple[tuple[Person, Act], ...] = ()
    judged: tuple[tuple[Person, bytes], ...] = ()
    emitted: tuple[Emitted, ...] = ()
    outbox: tuple[OutboxRow, ...] = ()
    starts: tuple[UnitStart, ...] = ()
    nudges: tuple[tuple[Person, str], ...] = ()
    nudges_done: tuple[int, ...] = ()
    audit: tuple[AuditRow, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One search parameter with its alternatives (OR); terms are joined by AND.

    prefix: eq, ne, gt, lt, ge, le, sa, eb for dates. values: as SearchValue fields.
    """

    param: str
    kind: str
    alternatives: tuple[SearchValue, ...]
    prefix: str = "eq"


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A page of a search: current versions, the total, and where the next page begins."""

    rows: tuple[ResourceVersion, ...]
    total: int
    next_after: str | None = None


class Store(Protocol):
    """What the use cases need of a database."""

    def head(self, facility: str, type: str, id: str) -> ResourceVersion | None:
        """The current version of a resource, whatever its release."""

    def version(self, facility: str, type: str, id: str, version: int) -> ResourceVersion | None:
        """One version of a resource."""

    def versions(self, facility: str, type: str, id: str) -> Sequence[ResourceVersion]:
        """All versions, newest first."""

    def keyed(
        self, facility: str, source: str, type: str, keys: Iterable[Token]
    ) -> tuple[str, ...]:
        """Ids of resources of a source that have any of these keys (identifier or digest)."""

    def identified(self, facility: str, type: str, system: str, value: str) -> tuple[str, ...]:
        """Ids of resources of any source that carry an identifier."""

    def url(self, facility: str, source: str, url: str) -> tuple[str, str | None] | None:
        """(type, our id or None while waiting) for an absolute URL a source used."""

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
        """Current versions stored in a release, by (last updated, id) descending.

        ``_id`` and ``_lastUpdated`` need no stored values. Of a token, system None means any and ""
        none, value None any. Pages never repeat a resource, nor miss one that was not updated
        meanwhile. Raises BadInput (400) for a place that is not one of ours.
        """

    def people(self, facility: str, tokens: Iterable[Token]) -> dict[Token, Person]:
        """Who each known token is."""

    def people_of_unit(self, facility: str, unit: str) -> frozenset[Person]:
        """Every person with a fact that names the unit."""

    def case(
        self,
        facility: str,
        people: Iterable[Person],
        *,
        units: Iterable[str] = (),
        resources: Iterable[str] = (),
    ) -> StoredCase:
        """The case of one person, or of several about to be joined, from one snapshot.

        units and resources add units and ``Type/id`` resources that new facts are about to name.
        With several people the first one's state is returned and the others' facts are added.
        """

    def states(self, facility: str, people: Iterable[Person]) -> tuple[PersonState, ...]:
        """The state of each person; seq 0 for one not yet stored."""

    def claim(self, facility: str, unit: str) -> UnitStart | None:
        """The start that holds the unit: earliest clinical time first, then identifier."""

    def commit(self, change: Change) -> "Future[None]":
        """Writes a change in a group commit; the future is done when it is durable.

        Raises Stale through the future when an expectation does not hold.
        """

    def due(self, now: datetime, limit: int) -> Sequence[tuple[str, Person]]:
        """(facility, person) whose next wake has come, earliest first."""

    def next_due(self) -> datetime | None:
        """The earliest next wake of all cases."""

    def nudged(self, limit: int) -> Sequence[tuple[int, str, Person, str]]:
        """(id, facility, person, why) of nudges not yet done, oldest first."""

    def claim_streams(
        self, partner: str, now: datetime, *, limit: int, lease: datetime
    ) -> "Future[Sequence[Sequence[OutboxRow]]]":
        """Claims up to ``limit`` streams of a partner with their sendable rows, in order.

        A stream is claimed until ``lease``, or until each yielded row was recorded or released; a
        stream with a parked row yields only its critical rows. Versions that a newer pending row
        replaces are superseded first.
        """

    def release(self, rows: Iterable[int], lease: datetime) -> "Future[None]":
        """Gives back claimed rows that were not sent; a claim that was lost since stays as it is.

        A row that was unsettled before the claim stays so.
        """

    def record(self, attempt: Attempt, rows: Sequence[OutboxRow]) -> "Future[None]":
        """Stores an attempt and the rows' new state (state, attempts, next_at, etag, ...).

        All or nothing. Raises Stale through the future for a row whose stream somebody else has
        claimed since, and for a move that its state does not allow: discarded and superseded are
        final, a delivered row may only be sent again (pending).
        """

    def outbox(
        self, *, partner: str | None = None, states: Iterable[str] = (), limit: int = 100
    ) -> Sequence[OutboxRow]:
        """Outbox rows for listing, newest first."""

    def outbox_row(self, id: int) -> OutboxRow | None:
        """One outbox row."""

    def attempts(self, row: int) -> Sequence[Attempt]:
        """The attempts that carried a row, oldest first."""

    def delivered(self, partner: str, facility: str, key: str) -> OutboxRow | None:
        """The last delivered version of a facility's identity at a partner."""

    def act(self, facility: str, key: str) -> Act | None:
        """One act by its key."""

    def identity(self, resource_id: str) -> str | None:
        """The identity (key text) that was emitted under a resource id."""

    def emission(self, facility: str, key: str) -> Emitted | None:
        """What was last decided for one identity, and in whose case."""

    def learned(self, partner: str) -> dict[str, str]:
        """What was learned about a partner."""

    def learn(self, partner: str, name: str, value: str | None) -> "Future[None]":
        """Stores or forgets one thing learned about a partner."""

    def learn_first(self, partner: str, name: str, value: str) -> "Future[None]":
        """Stores one thing unless it is already held: what was learned first stays."""

    def audited(
        self, facility: str, *, limit: int = 100, after: int = 0
    ) -> Sequence[tuple[int, AuditRow]]:
        """Audit rows in order, with their sequence numbers."""

    def audit_fault(self, facility: str) -> str | None:
        """What is wrong with the chain of audit rows (changed, missing), or None."""

    def close(self) -> None:
        """Finishes what is queued and closes the connections."""
