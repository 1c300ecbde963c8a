"""Two partners of two releases over real connections: one that fails holds up no other."""

import asyncio
import time
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path

from service.clock import SystemClock
from service.delivery import DeliveryWorker, link_to
from service.standin import Knobs, StandIn, Trouble, serving, stand_in
from service.store.port import Change, OutboxRow
from service.store.sqlite import SqliteStore, open_store
from tests.support.partners import FACILITY, a_row, some_settings

PARTNERS = {"record-system": "R4", "blood-bank": "R5"}


def rows_for_both(count: int) -> list[OutboxRow]:
    """The same commits for both partners, just made."""
    now = SystemClock().now()
    return [
        replace(a_row(f"a-{n}", f"unit-{n}", created=now), partner=partner)
        for n in range(count)
        for partner in PARTNERS
    ]


def worker_for(store: SqliteStore, name: str, url: str) -> DeliveryWorker:
    """A worker on the machine's clock."""
    settings = some_settings(
        base_url=url, release=PARTNERS[name], settle_seconds=0.1, timeout_seconds=1.0
    )
    return DeliveryWorker(
        store=store, name=name, settings=settings, link=link_to(settings), clock=SystemClock()
    )


async def deliver(
    folder: Path, partners: dict[str, StandIn], count: int, wanted: dict[str, int]
) -> float:
    """Runs both workers until each partner holds what is wanted; returns the seconds it took."""
    async with AsyncExitStack() as stack:
        urls = await stack.enter_async_context(serving(partners))
        store = open_store(folder / "outbox.sqlite3")
        stack.callback(store.close)
        store.commit(Change(facility=FACILITY, outbox=tuple(rows_for_both(count)))).result()
        workers = [
            worker_for(store, name, urls.get(name, "http://127.0.0.1:1")) for name in PARTNERS
        ]
        running = [asyncio.create_task(worker.run()) for worker in workers]
        began = time.perf_counter()
        async with asyncio.timeout(20):
            while any(
                len(store.outbox(partner=name, states=["delivered"], limit=999)) < least
                for name, least in wanted.items()
            ):
                await asyncio.sleep(0.01)
        took = time.perf_counter() - began
        for worker in workers:
            worker.stop()
        await asyncio.gather(*running)
        return took


class TestBothAreWell:
    """Each resource is at each partner once, in its own release."""

    def test_that_both_get_everything_once(self, tmp_path: Path) -> None:
        partners = {name: stand_in(name, release) for name, release in PARTNERS.items()}
        asyncio.run(deliver(tmp_path, partners, 100, dict.fromkeys(PARTNERS, 100)))
        for partner in partners.values():
            assert partner.summary() | {"requests": 0} == {
                "name": partner.name,
                "resources": {"Procedure": 100},
                "versions": 100,
                "requests": 0,
            }

    def test_that_broken_connections_double_nothing(self, tmp_path: Path) -> None:
        partners = {name: stand_in(name, release) for name, release in PARTNERS.items()}
        for partner in partners.values():
            partner.knobs.befall(Trouble(kind="cut-off"), Trouble(kind="none"))
        asyncio.run(deliver(tmp_path, partners, 60, dict.fromkeys(PARTNERS, 60)))
        assert {partner.summary()["versions"] for partner in partners.values()} == {60}


class TestOneIsDown:
    """A worker per partner is a bulkhead."""

    def test_that_an_unreachable_partner_holds_up_no_other(self, tmp_path: Path) -> None:
        partners = {"blood-bank": stand_in("blood-bank", "R5")}
        took = asyncio.run(deliver(tmp_path, partners, 100, {"blood-bank": 100}))
        assert took < 5
        assert partners["blood-bank"].summary()["versions"] == 100

    def test_that_a_partner_that_hangs_holds_up_no_other(self, tmp_path: Path) -> None:
        knobs = Knobs()
        knobs.befall(*[Trouble(kind="slow", seconds=3.0)] * 100)
        partners = {
            "record-system": stand_in("record-system", "R4", knobs=knobs),
            "blood-bank": stand_in("blood-bank", "R5"),
        }
        took = asyncio.run(deliver(tmp_path, partners, 100, {"blood-bank": 100}))
        assert took < 5
