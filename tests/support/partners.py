"""A partner, a worker that delivers to it, and rows to deliver, about an invented unit.

``a_bench`` puts a real store, a hand-set clock, a stand-in and a delivery worker together, in
process. Time passes only when a test says so.
"""

import asyncio
import random
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import httpx
import msgspec

from service.clock import HandClock
from service.delivery import DeliveryWorker, Link
from service.fhir.own import EMITTED_SYSTEM
from service.settings import PartnerSettings
from service.standin import Knobs, StandIn, stand_in
from service.store.port import Attempt, Change, OutboxRow
from service.store.sqlite import SqliteStore, open_store

FACILITY = "harrow-vale"
PARTNER = "record-system"
BASE = "https://records.harrow-vale.example/fhir"
START = datetime(2025, 6, 2, 10, 0, tzinfo=UTC)
SETTLE = 2.0

_DECODER = msgspec.json.Decoder(dict[str, Any])


def an_id(key: str) -> str:
    """The id under which an identity is emitted in these tests."""
    return str(uuid5(NAMESPACE_URL, key))


def a_resource(key: str, type: str, **elements: Any) -> dict[str, Any]:
    """A resource that bears the three keys, with a patient known by number only."""
    id = an_id(key)
    return {
        "resourceType": type,
        "id": id,
        "meta": {"tag": [{"system": EMITTED_SYSTEM, "code": id}]},
        "identifier": [{"system": EMITTED_SYSTEM, "value": id}],
        "status": "completed",
        **elements,
    }


def a_row(
    key: str,
    stream: str = "A9999 25 123456",
    *,
    version: int = 1,
    type: str = "Procedure",
    critical: bool = False,
    created: datetime = START,
    group: str | None = None,
    elements: dict[str, Any] | None = None,
) -> OutboxRow:
    """One version of an identity to deliver; ``note`` says which version it is."""
    content = {"note": [{"text": f"{key} version {version}"}]} | (elements or {})
    return OutboxRow(
        partner=PARTNER,
        key=key,
        version=version,
        stream=stream,
        group=group or f"{stream}/{version}",
        type=type,
        resource_id=an_id(key),
        body=msgspec.json.encode(a_resource(key, type, **content)),
        critical=critical,
        created=created,
    )


@dataclass(kw_only=True)
class Bench:
    """A store, a stand-in and a worker; ``clock`` is turned by hand."""

    store: SqliteStore
    partner: StandIn
    worker: DeliveryWorker
    clock: HandClock
    link: Link

    @property
    def knobs(self) -> Knobs:
        """The stand-in's knobs."""
        return self.partner.knobs

    def give(self, *rows: OutboxRow) -> None:
        """Commits rows to the outbox, as one change."""
        self.store.commit(Change(facility=FACILITY, outbox=rows)).result()

    def pass_time(self, seconds: float) -> None:
        """Turns the clock."""
        self.clock.set(self.clock.now() + timedelta(seconds=seconds))

    async def work(self, *, rounds: int = 60, step: float = 30.0) -> None:
        """Rounds with time passing between them, until nothing is left to send."""
        for _ in range(rounds):
            while await self.worker.once():
                pass
            if not self.rows("pending", "sent"):
                return
            self.pass_time(step)

    def rows(self, *states: str) -> list[OutboxRow]:
        """Outbox rows in these states, oldest first."""
        found = self.store.outbox(partner=PARTNER, states=states, limit=10_000)
        return sorted(found, key=lambda row: row.id)

    def row(self, key: str, version: int = 1) -> OutboxRow:
        """One row by identity and version."""
        return next(r for r in self.rows() if (r.key, r.version) == (key, version))

    def there(self, key: str, type: str = "Procedure") -> list[str]:
        """What each version at the partner says it is, oldest first."""
        return [
            _DECODER.decode(version.body)["note"][0]["text"]
            for version in self.partner.history(type, an_id(key))
        ]

    def writes(self) -> list[tuple[str, str, int]]:
        """(method, path, entries) of the writes the partner saw."""
        return [
            (seen.method, seen.path, seen.entries)
            for seen in self.partner.log
            if seen.method in ("PUT", "POST")
        ]

    def looks(self) -> int:
        """How many resources the partner was asked for."""
        return sum(s.method == "GET" and s.path != "/metadata" for s in self.partner.log)


def some_settings(**changed: Any) -> PartnerSettings:
    """A record system on R4."""
    given: dict[str, Any] = {
        "base_url": BASE,
        "release": "R4",
        "roles": ("record-system",),
        "settle_seconds": SETTLE,
        "timeout_seconds": 0.5,
    }
    return PartnerSettings(**(given | changed))


@asynccontextmanager
async def a_bench(
    folder: Path,
    knobs: Knobs | None = None,
    *,
    transport: httpx.AsyncBaseTransport | None = None,
    keep: Path | None = None,
    start: datetime = START,
    seed: int = 7,
    **settings: Any,
) -> AsyncIterator[Bench]:
    """A bench whose partner is a stand-in in process, or whatever ``transport`` leads to."""
    chosen = some_settings(**settings)
    clock = HandClock(start)
    store = open_store(folder / "outbox.sqlite3")
    partner = stand_in(PARTNER, chosen.release, keep, knobs, clock)
    client = httpx.AsyncClient(
        base_url=BASE, transport=transport or httpx.ASGITransport(app=_below(partner))
    )
    link = Link(
        client=client,
        release=chosen.release,
        seconds=chosen.timeout_seconds,
        token=chosen.secret,
    )
    worker = DeliveryWorker(
        store=store,
        name=PARTNER,
        settings=chosen,
        link=link,
        clock=clock,
        jitter=random.Random(seed).random,
    )
    try:
        yield Bench(store=store, partner=partner, worker=worker, clock=clock, link=link)
    finally:
        await link.close()
        store.close()
        partner.shelf.close()


def _below(partner: StandIn) -> Any:
    """The stand-in under the path of the base URL."""

    async def app(scope: Any, receive: Any, send: Any) -> None:
        path = scope["path"].removeprefix("/fhir")
        await partner({**scope, "path": path}, receive, send)

    return app


Play = Callable[[Bench], Awaitable[None]]


def play(folder: Path, act: Play, knobs: Knobs | None = None, **settings: Any) -> None:
    """One story on one bench."""

    async def run() -> None:
        async with a_bench(folder, knobs, **settings) as bench:
            await act(bench)

    asyncio.run(run())


def three_streams() -> list[OutboxRow]:
    """Six rows of three units."""
    return [a_row(f"{key}-{n}", f"unit-{n}") for n in range(3) for key in ("a", "b")]


def release(bench: Bench, row: OutboxRow) -> None:
    """A person lets a parked row go again."""
    attempt = Attempt(
        rows=(row.id,),
        partner=PARTNER,
        at=bench.clock.now(),
        outcome="resent",
        status=None,
        detail="by hand",
    )
    bench.store.record(attempt, [replace(row, state="pending")]).result()


async def put(bench: Bench, key: str, content: dict[str, Any]) -> None:
    """The partner's own staff write."""
    answer = await bench.link.put("Procedure", an_id(key), msgspec.json.encode(content))
    assert answer.status in (200, 201)


async def held_there(bench: Bench, key: str) -> dict[str, Any]:
    """What the partner holds."""
    return (await bench.link.get("Procedure", an_id(key))).content or {}


async def edit(bench: Bench, key: str, **elements: Any) -> None:
    """The partner's own staff change something."""
    await put(bench, key, await held_there(bench, key) | elements)


def keys(rows: Iterable[OutboxRow]) -> list[str]:
    """The identities of rows, in order."""
    return [row.key for row in rows]
