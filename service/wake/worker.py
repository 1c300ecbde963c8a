"""The wake worker: evaluates cases whose next wake has come, and cases that were nudged."""

import asyncio
from dataclasses import dataclass, field
from datetime import timedelta

from service.clock import WallClock
from service.errors import Overloaded
from service.reconcile.reconciler import Reconciler
from service.store.port import Store

BATCH = 100
POLL = timedelta(seconds=1)


@dataclass(slots=True, kw_only=True)
class WakeWorker:
    """Any number may run: an evaluation that another worker did first finds nothing to change."""

    store: Store
    reconciler: Reconciler
    clock: WallClock
    _stop: asyncio.Event = field(default_factory=asyncio.Event)
    _hint: asyncio.Event = field(default_factory=asyncio.Event)

    def hint(self) -> None:
        """Something was committed: look now instead of at the next poll."""
        self._hint.set()

    def stop(self) -> None:
        """Finishes the evaluation in hand and returns."""
        self._stop.set()
        self._hint.set()

    async def run(self) -> None:
        """Works until stopped. An error ends the worker: it is never swallowed."""
        while not self._stop.is_set():
            self._hint.clear()
            if await self.once():
                continue
            await self._pause()

    async def once(self) -> int:
        """One round: nudges first, then due cases, earliest first. Returns how many it did."""
        done = await self._nudged()
        for facility, person in self.store.due(self.clock.now(), BATCH):
            if self._stop.is_set():
                break
            await self._evaluate(facility, person, ())
            done += 1
        return done

    async def _nudged(self) -> int:
        by_case: dict[tuple[str, str], list[int]] = {}
        for nudge, facility, person, _ in self.store.nudged(BATCH):
            by_case.setdefault((facility, person), []).append(nudge)
        for (facility, person), nudges in by_case.items():
            await self._evaluate(facility, person, tuple(nudges))
        return len(by_case)

    async def _evaluate(self, facility: str, person: str, nudges: tuple[int, ...]) -> None:
        try:
            await self.reconciler.reassess(facility, person, nudges=nudges)
        except Overloaded:
            await asyncio.sleep(POLL.total_seconds())

    async def _pause(self) -> None:
        due = self.store.next_due()
        wait = POLL if due is None else min(POLL, max(due - self.clock.now(), timedelta()))
        try:
            await asyncio.wait_for(self._hint.wait(), wait.total_seconds())
        except TimeoutError:
            return
