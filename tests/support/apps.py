"""The whole application in one process: a store of its own, a clock set by hand, no delivery.

Requests go through the HTTP application itself; the workers run only when a test says so.
"""

import asyncio
import json
import random
import re
from collections.abc import Awaitable, Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TypeVar
from uuid import UUID

import apsw
import httpx

from service.app import Application, build
from service.assessment.desired import Content, Key
from service.clock import HandClock, new_id
from service.facts.acts import Act
from service.fhir.edge.strict_json import parse
from service.reconcile.difference import decode
from service.settings import KINDS, PartnerSettings, read
from service.store.port import Emitted, OutboxRow

BASE = "http://harrow-vale.test"
FACILITY = "harrow-vale"
HOSPITAL = "https://harrow-vale.example/id"
RELEASES = ("R4", "R5")
OPENS_AT = datetime.fromisoformat("2027-06-08T07:00:00+00:00")

# name, role and release of those to whom something would be sent
PARTNERS = (("chart", "record-system", "R4"), ("laboratory", "blood-bank", "R5"))
# name: (facility, URL prefixes of its own records, kinds of fact it may state)
SOURCES: dict[str, tuple[str, tuple[str, ...], tuple[str, ...]]] = {
    "ward": (FACILITY, ("https://ward.harrow-vale.example/fhir/",), ()),
    "lab": (FACILITY, ("https://lab.harrow-vale.example/fhir/",), tuple(sorted(KINDS))),
    "monitor": (FACILITY, (), ("observation",)),
    "elsewhere": ("other-place", (), ()),
}

Json = dict[str, Any]
T = TypeVar("T")


def settings_of(
    store: str,
    *,
    tokens: bool = True,
    partners: Iterable[tuple[str, str, str]] = PARTNERS,
    zone: str = "Europe/London",
    identity_systems: Iterable[str] = (f"{HOSPITAL}/patient",),
    **facility: Any,
) -> Json:
    """Settings of the invented installation; the token of a source is ``token-`` and its name."""
    place = {
        "identifier": f"{HOSPITAL}/organisation|harrow-vale",
        "zone": zone,
        "blood_bank_name": "Harrow Vale blood bank",
        "blood_bank_identifier": f"{HOSPITAL}/organisation|blood-bank",
        "identity_systems": tuple(identity_systems),
        "temporary_systems": (f"{HOSPITAL}/temporary",),
    }
    return {
        "service": {"profile": "default", "store": store, "base_url": BASE},
        "facility": {
            FACILITY: {"name": "Harrow Vale Hospital", **place, **facility},
            "other-place": {"name": "Other Place Infirmary", **place},
        },
        "source": {
            name: {"facility": where, "bases": bases, "asserts": asserts}
            | ({"token": f"token-{name}"} if tokens else {})
            for name, (where, bases, asserts) in SOURCES.items()
        },
        "partner": {
            name: {"base_url": f"{BASE}/{name}", "release": release, "roles": (role,)}
            for name, role, release in partners
        },
    }


@dataclass(frozen=True, slots=True)
class Nowhere:
    """A way to a partner that nothing takes."""

    settings: PartnerSettings


@dataclass(slots=True, kw_only=True)
class House:
    """A running application, asked over HTTP one request after another."""

    app: Application
    clock: HandClock
    runner: asyncio.Runner
    client: httpx.AsyncClient
    source: str | None = "ward"

    # -- asking

    def ask(self, method: str, path: str, content: Any = None, **said: Any) -> httpx.Response:
        """One request below the server's root; see ``asking``."""
        return self.run(self.asking(method, path, content, **said))

    async def asking(
        self,
        method: str,
        path: str,
        content: Any = None,
        *,
        source: str | None = "",
        **headers: str,
    ) -> httpx.Response:
        """One request. content: a resource, or the bytes to send. ``if_match`` sets If-Match.

        source: whose token is sent, by default this house's; None sends none.
        """
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        who = self.source if source == "" else source
        if who is not None:
            sent.setdefault("authorization", f"Bearer token-{who}")
        body = (
            None if content is None else content if isinstance(content, bytes) else dumped(content)
        )
        if body is not None:
            sent.setdefault("content-type", "application/fhir+json")
        return await self.client.request(method, path, content=body, headers=sent)

    def get(self, path: str, **said: Any) -> httpx.Response:
        """A GET below the root."""
        return self.ask("GET", path, **said)

    def post(self, path: str, content: Any, **said: Any) -> httpx.Response:
        """A POST below the root."""
        return self.ask("POST", path, content, **said)

    def put(self, path: str, content: Any, **said: Any) -> httpx.Response:
        """A PUT below the root."""
        return self.ask("PUT", path, content, **said)

    def send(self, release: str, *resources: Json, **said: Any) -> list[Json]:
        """Creates resources in one transaction; the entries of its answer."""
        answer = self.post(f"/fhir/{release.lower()}", transaction(*resources), **said)
        assert answer.status_code == 200, answer.text
        return list(read_json(answer).get("entry", []))

    def create(self, release: str, resource: Json, **said: Any) -> Json:
        """Creates one resource; the representation that came back."""
        path = f"/fhir/{release.lower()}/{resource['resourceType']}"
        answer = self.post(path, resource, **said)
        assert answer.status_code in (200, 201), answer.text
        return read_json(answer)

    def run(self, work: Awaitable[T]) -> T:
        """Runs anything asynchronous of the application."""
        return self.runner.run(_waited(work))

    # -- time

    def until(self, instant: datetime | str) -> None:
        """Moves the clock, stopping at every wake on the way as the wake worker would."""
        goal = datetime.fromisoformat(instant) if isinstance(instant, str) else instant
        self.settle()
        while (due := self.app.store.next_due()) is not None and due <= goal:
            self.clock.set(due)
            self.settle()
        self.clock.set(goal)
        self.settle()

    def settle(self) -> None:
        """Does what is due and nudged now."""
        for _ in range(100):
            if not self.run(self.app.wake.once()):
                return
        raise AssertionError("the wake worker finds no end")

    # -- looking

    def counts(self) -> dict[str, int]:
        """Rows per table, what a refusal may write left out."""
        connection = apsw.Connection(
            self.app.settings.service.store, flags=apsw.SQLITE_OPEN_READONLY
        )
        try:
            names = [
                row[0]
                for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
            ]
            return {
                name: connection.execute(f'SELECT count(*) FROM "{name}"').get  # noqa: S608
                for name in names
                if not name.startswith(("audit", "sqlite_"))
            }
        finally:
            connection.close()

    def rows(self, query: str, *values: Any) -> list[Any]:
        """Rows of a query of the store's own tables."""
        connection = apsw.Connection(
            self.app.settings.service.store, flags=apsw.SQLITE_OPEN_READONLY
        )
        try:
            return list(connection.execute(query, values))
        finally:
            connection.close()

    def person(self, token: str, facility: str = FACILITY) -> str:
        """The case that a token belongs to."""
        return self.app.store.people(facility, [token])[token]

    def emitted(self, token: str) -> dict[str, Emitted]:
        """What was last decided for a patient, by identity."""
        return {row.key: row for row in self.stored(token).emitted}

    def contents(self, token: str) -> dict[Key, Content]:
        """The content of what is active for a patient."""
        return {
            Key.read(key): decode(row.kind, row.content)
            for key, row in self.emitted(token).items()
            if row.state == "active"
        }

    def told(self, token: str) -> dict[str, Json]:
        """What is active for a patient, by identity, with senders' identifiers for our ids."""
        found = {}
        for key, row in self.emitted(token).items():
            if row.state == "active":
                found[key] = _sorted_facts(json.loads(OURS.sub(self._named, row.content.decode())))
        return found

    def _named(self, reference: re.Match[str]) -> str:
        kind, own_id = reference[0].split("/")
        head = self.app.store.head(FACILITY, kind, own_id)
        return head.keys[0] if head else reference[0]

    def acts(self, token: str) -> dict[str, Act]:
        """The acts of a patient's case."""
        return {act.key: act for act in self.stored(token).acts}

    def stored(self, token: str) -> Any:
        """The stored case of a patient."""
        return self.app.store.case(FACILITY, [self.person(token)])

    def outbox(self, partner: str | None = None) -> list[OutboxRow]:
        """Every outbox row, oldest first."""
        found = self.app.store.outbox(partner=partner, limit=100_000)
        return sorted(found, key=lambda row: row.id)

    def audit(self, facility: str = FACILITY) -> list[Any]:
        """Every audit row, oldest first."""
        return [row for _, row in self.app.store.audited(facility, limit=100_000)]


OURS = re.compile(r"[A-Z][A-Za-z]+/[0-9a-f]{8}-[0-9a-f-]{27}")


def _sorted_facts(value: Any) -> Any:
    if isinstance(value, list):
        return [_sorted_facts(item) for item in value]
    if not isinstance(value, dict):
        return value
    return {
        name: sorted(held) if name == "facts" else _sorted_facts(held)
        for name, held in value.items()
    }


async def _waited(work: Awaitable[T]) -> T:
    return await work


@contextmanager
def house(
    *,
    at: datetime | str = OPENS_AT,
    source: str | None = "ward",
    changed: Callable[[Json], None] = lambda settings: None,
    seed: int | None = None,
    **settings: Any,
) -> Iterator[House]:
    """An application on a new store, closed afterwards.

    changed: alters the settings before they are read. seed: makes the ids that are otherwise
    random. The rest goes to ``settings_of``.
    """
    with TemporaryDirectory() as folder, asyncio.Runner() as runner:
        held = settings_of(str(Path(folder) / "store.sqlite3"), **settings)
        changed(held)
        start = datetime.fromisoformat(at) if isinstance(at, str) else at
        clock = HandClock(start)
        ids = new_id if seed is None else ids_from(seed)
        app = build(read(held), clock=clock, link_to=Nowhere, new_id=ids)  # type: ignore[arg-type]
        client = httpx.AsyncClient(transport=httpx.ASGITransport(app=app.api()), base_url=BASE)
        try:
            yield House(app=app, clock=clock, runner=runner, client=client, source=source)
        finally:
            runner.run(client.aclose())
            app.store.close()


def ids_from(seed: int) -> Callable[[], UUID]:
    """Ids that are the same each time."""
    chance = random.Random(seed)
    return lambda: UUID(int=chance.getrandbits(128), version=4)


@contextmanager
def beside(first: House) -> Iterator[House]:
    """A second process on the same store, clock and event loop."""
    app = build(first.app.settings, clock=first.clock, link_to=Nowhere)  # type: ignore[arg-type]
    client = httpx.AsyncClient(transport=httpx.ASGITransport(app=app.api()), base_url=BASE)
    try:
        yield House(
            app=app, clock=first.clock, runner=first.runner, client=client, source=first.source
        )
    finally:
        first.run(client.aclose())
        app.store.close()


def transaction(*resources: Json, kind: str = "transaction") -> Json:
    """A bundle that creates resources; ``fullUrl`` is the resource's ``id``, where it has one."""
    return {
        "resourceType": "Bundle",
        "type": kind,
        "entry": [_entry(resource) for resource in resources],
    }


def _entry(resource: Json) -> Json:
    plain = {name: value for name, value in resource.items() if name != "id"}
    entry: Json = {"resource": plain, "request": {"method": "POST", "url": plain["resourceType"]}}
    return {"fullUrl": resource["id"], **entry} if "id" in resource else entry


def dumped(content: Any) -> bytes:
    """JSON as a client writes it; a Decimal keeps its digits."""
    return json.dumps(content, default=_number, ensure_ascii=False).encode()


def _number(value: Any) -> float:
    if isinstance(value, Decimal):
        return float(value)
    raise TypeError(f"{type(value)} is no JSON")


def read_json(answer: httpx.Response) -> Json:
    """The body, read as strictly as the service reads."""
    found: Json = parse(answer.content)
    return found


def issues(answer: httpx.Response) -> list[Json]:
    """The issues of an OperationOutcome; anything else is a fault of the answer."""
    content = read_json(answer)
    assert content["resourceType"] == "OperationOutcome", content
    assert answer.headers["content-type"].startswith("application/fhir+json"), answer.headers
    found: list[Json] = content["issue"]
    assert found
    return found


def problem(answer: httpx.Response) -> tuple[int, str, str | None]:
    """(status, first issue's code, its expression) of a refusal, which must say it in words."""
    first = issues(answer)[0]
    words = (first.get("details") or {}).get("text") or first.get("diagnostics")
    assert isinstance(words, str), first
    assert len(words) > 10, first
    expressions = first.get("expression") or [None]
    return answer.status_code, first["code"], expressions[0]


def later(minutes: float, start: datetime = OPENS_AT) -> datetime:
    """An instant some minutes after the house opened."""
    return start + timedelta(minutes=minutes)


def plain(values: Mapping[str, Any]) -> Json:
    """A mapping without what is None."""
    return {name: value for name, value in values.items() if value is not None}
