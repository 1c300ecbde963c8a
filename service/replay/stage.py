"""A running service driven by hand: its clock, its ids and its partners are the replay's."""

from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from uuid import UUID, uuid5

import httpx

from service.app import Application, build
from service.clock import HandClock
from service.delivery import Link
from service.errors import BadInput, ScenarioFault
from service.fhir.edge.strict_json import dump, parse
from service.replay.collection import as_transaction
from service.settings import PartnerSettings, Settings
from service.standin import Knobs, StandIn, running, stand_in
from service.store.port import Change

IDS = UUID("6f1c1f0e-5d0a-5b77-9d0f-2f6e6b1f7c11")
MOST_ROUNDS = 200
CONTENT_TYPE = "application/fhir+json"
SERVICE = "service"
TIMEOUT = 30.0


class CountedIds:
    """Ids that are the same in every replay: the n-th asked for is always the same one."""

    def __init__(self) -> None:
        self._count = 0

    def __call__(self) -> UUID:
        """The next id."""
        self._count += 1
        return uuid5(IDS, str(self._count))


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The HTTP answer to one message."""

    status: int
    content: Mapping[str, Any]


@dataclass(slots=True, kw_only=True)
class Stage:
    """The service with everything around it.

    changes: everything committed so far, in order. partners: the stand-ins, by name.
    """

    application: Application
    clock: HandClock
    door: httpx.AsyncClient
    partners: Mapping[str, StandIn]
    changes: list[tuple[datetime, Change]] = field(default_factory=list)

    async def send(self, body: bytes, release: str, source: str) -> Answered:
        """Sends one message the way any client does, then lets everything follow from it.

        A collection goes as a transaction of its entries.
        """
        body = _sendable(body)
        kind = _type_of(body)
        path = "" if kind == "Bundle" else f"/{kind}"
        response = await self.door.post(
            f"/fhir/{release.lower()}{path}",
            content=body,
            headers={"Authorization": f"Bearer {source}", "Content-Type": CONTENT_TYPE},
        )
        await self._settle()
        content = response.json()
        return Answered(
            status=response.status_code, content=content if isinstance(content, dict) else {}
        )

    async def wait_until(self, instant: datetime) -> None:
        """Lets time pass, from one wake to the next, until the instant."""
        store = self.application.store
        rounds = 0
        while (due := store.next_due()) is not None and due <= instant:
            self.clock.set(due)
            await self._settle()
            rounds += 1
            if rounds > MOST_ROUNDS and store.next_due() == due:
                raise ScenarioFault(f"The case that is due at {due.isoformat()} stays due.")
        self.clock.set(instant)
        await self._settle()

    async def _settle(self) -> None:
        """Nudges, due cases and deliveries, until nothing is left to do at this instant."""
        for _ in range(MOST_ROUNDS):
            done = await self.application.wake.once()
            for worker in self.application.deliveries:
                done += await worker.once()
            if not done:
                return
        raise ScenarioFault(f"At {self.clock.now().isoformat()} the work does not come to an end.")


@asynccontextmanager
async def stage(settings: Settings, start: datetime) -> AsyncIterator[Stage]:
    """A service on a temporary store, with stand-ins in this process and no network at all."""
    clock = HandClock(start)
    partners = stand_ins(settings, clock)
    by_settings = {id(partner): partners[name] for name, partner in settings.partner.items()}

    def link_to(partner: PartnerSettings) -> Link:
        transport = httpx.ASGITransport(app=by_settings[id(partner)])
        client = httpx.AsyncClient(transport=transport, base_url=partner.base_url)
        return Link(client=client, release=partner.release)

    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="replay-")))
        application = build(
            stored_in(settings, folder), clock=clock, new_id=CountedIds(), link_to=link_to
        )
        transport = httpx.ASGITransport(app=application.api())
        door = await stack.enter_async_context(
            httpx.AsyncClient(transport=transport, base_url="http://service")
        )
        yield await _driven(stack, application, clock, door, partners)


@asynccontextmanager
async def loopback_stage(settings: Settings, start: datetime) -> AsyncIterator[Stage]:
    """The same through real HTTP: the service and every stand-in on a loopback port of its own."""
    clock = HandClock(start)
    partners = stand_ins(settings, clock)
    async with AsyncExitStack() as stack:
        addresses = await stack.enter_async_context(running(partners))
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="demo-")))
        placed = stored_in(at_addresses(settings, addresses), folder)
        application = build(placed, clock=clock, new_id=CountedIds())
        own = await stack.enter_async_context(running({SERVICE: application.api()}))
        door = await stack.enter_async_context(
            httpx.AsyncClient(base_url=own[SERVICE], trust_env=False, timeout=TIMEOUT)
        )
        yield await _driven(stack, application, clock, door, partners)


async def _driven(
    stack: AsyncExitStack,
    application: Application,
    clock: HandClock,
    door: httpx.AsyncClient,
    partners: Mapping[str, StandIn],
) -> Stage:
    """A stage that sees every change its application commits, and closes it in the end."""
    stack.callback(application.store.close)
    for worker in application.deliveries:
        stack.push_async_callback(worker.link.close)
    found = Stage(application=application, clock=clock, door=door, partners=partners)
    application.reconciler.on_change = lambda change: found.changes.append((clock.now(), change))
    return found


def stand_ins(settings: Settings, clock: HandClock) -> dict[str, StandIn]:
    """A stand-in for every partner, that answers nothing by itself."""
    return {
        name: stand_in(name, partner.release, knobs=Knobs(answers="never"), clock=clock)
        for name, partner in settings.partner.items()
    }


def at_addresses(settings: Settings, addresses: Mapping[str, str]) -> Settings:
    """The settings with each partner where it listens."""
    placed = {
        name: partner.model_copy(update={"base_url": addresses[name]})
        for name, partner in settings.partner.items()
    }
    return settings.model_copy(update={"partner": placed})


def stored_in(settings: Settings, folder: Path) -> Settings:
    """The settings with their store in a folder."""
    service = settings.service.model_copy(update={"store": str(folder / "store.sqlite3")})
    return settings.model_copy(update={"service": service})


def _sendable(body: bytes) -> bytes:
    """The message, a collection as a transaction; one that cannot be read as it is."""
    try:
        content = parse(body)
    except BadInput:
        return body
    made = as_transaction(content) if isinstance(content, dict) else content
    return body if made is content else dump(made)


def _type_of(body: bytes) -> str:
    """The resource type in a message; a message that is no resource is sent as it is."""
    try:
        content = parse(body)
    except BadInput:
        return "Bundle"
    kind = content.get("resourceType") if isinstance(content, dict) else None
    return kind if isinstance(kind, str) else "Bundle"
