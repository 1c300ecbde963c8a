"""What a partner can do: what its CapabilityStatement says, and what its answers have taught.

Learned facts are kept in the store, shown to the operator, and dropped when the partner's
statement changes.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from service.delivery.answers import Resource
from service.delivery.futures import done
from service.store.port import Store

BUNDLE_LIMIT = "bundle-limit"  # the most entries the partner took in one transaction
NO_TRANSACTION = "no-transaction"
NOT_ATOMIC = "not-atomic"
PAUSED = "paused"  # why nothing is sent
STATEMENT = "statement"  # the software and version whose statement was read
TAUGHT = (BUNDLE_LIMIT, NO_TRANSACTION, NOT_ATOMIC)

MOST_ENTRIES = 100
DAILY = timedelta(hours=24)
SOON = timedelta(minutes=10)  # after a statement that could not be read
FHIR_RELEASE = {"R4": ("4.0", "4.3"), "R5": ("5.0",)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What a CapabilityStatement says of writing.

    transaction: None when it is silent. refuses_ids: types for which a client may not choose ids.
    """

    label: str
    fhir_version: str | None
    transaction: bool | None
    refuses_ids: frozenset[str]

    def speaks(self, release: str) -> bool:
        """False when it names another release than the settings do."""
        return self.fhir_version is None or self.fhir_version.startswith(FHIR_RELEASE[release])


def read_statement(content: Resource | None) -> Statement | None:
    """A statement, or None for anything that is not one: then the partner counts as silent."""
    if content is None or content.get("resourceType") != "CapabilityStatement":
        return None
    servers = [one for one in _dicts(content.get("rest")) if one.get("mode") in (None, "server")]
    said = {one.get("code") for server in servers for one in _dicts(server.get("interaction"))}
    types = [one for server in servers for one in _dicts(server.get("resource"))]
    return Statement(
        label=_label(content),
        fhir_version=_text(content.get("fhirVersion")),
        transaction="transaction" in said if said else None,
        refuses_ids=frozenset(
            str(one.get("type")) for one in types if one.get("updateCreate") is False
        ),
    )


def _label(content: Resource) -> str:
    software = content.get("software")
    named: Resource = software if isinstance(software, dict) else {}
    parts = (named.get("name"), named.get("version"), content.get("fhirVersion"))
    return " ".join(part for part in parts if isinstance(part, str))[:200] or "unnamed"


def _dicts(value: Any) -> Iterable[Resource]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None


@dataclass(slots=True, kw_only=True)
class Knowledge:
    """What is known of one partner, kept between runs."""

    store: Store
    partner: str
    statement: Statement | None = None
    statement_due: datetime | None = None
    _facts: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._facts = dict(self.store.learned(self.partner))

    def refresh(self) -> None:
        """Takes in what other processes learned and what an operator let be forgotten."""
        self._facts = dict(self.store.learned(self.partner))

    @property
    def limit(self) -> int:
        """The most entries to put into one transaction."""
        held = self._facts.get(BUNDLE_LIMIT, "")
        return int(held) if held.isdecimal() else MOST_ENTRIES

    @property
    def takes_bundles(self) -> bool:
        """True while transactions are worth trying: declared, or the statement is silent."""
        if self.limit < 2 or NO_TRANSACTION in self._facts or NOT_ATOMIC in self._facts:
            return False
        return self.statement is None or self.statement.transaction is not False

    def refuses_ids(self, type: str) -> bool:
        """True when the statement says that clients may not choose ids of a type."""
        return self.statement is not None and type in self.statement.refuses_ids

    async def learn(self, name: str, value: str | None) -> None:
        """Keeps, or forgets, one fact."""
        if self._facts.get(name) == value:
            return
        if value is None:
            del self._facts[name]
        else:
            self._facts[name] = value
        await done(self.store.learn(self.partner, name, value))

    async def halve(self, entries: int) -> None:
        """So many entries were too many."""
        half = max(entries // 2, 1)
        if half < self.limit:
            await self.learn(BUNDLE_LIMIT, str(half))

    async def stated(self, statement: Statement | None, now: datetime) -> None:
        """Takes in a statement; a changed one drops what its predecessor's answers taught."""
        self.statement_due = now + (SOON if statement is None else DAILY)
        if statement is None:
            return
        self.statement = statement
        before = self._facts.get(STATEMENT)
        if before is not None and before != statement.label:
            for name in TAUGHT:
                await self.learn(name, None)
        await self.learn(STATEMENT, statement.label)
