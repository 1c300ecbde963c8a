"""The delivery worker: one per partner, so that a partner that is down holds up no other."""

import asyncio
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from service.clock import WallClock
from service.delivery.backoff import Backoff, Jitter, system_jitter
from service.delivery.book import Book
from service.delivery.capability import PAUSED, SOON, Knowledge, read_statement
from service.delivery.futures import done
from service.delivery.partner import Link
from service.delivery.round import Round
from service.settings import PartnerSettings
from service.store.port import Store

POLL = timedelta(seconds=1)
GATHER = 0.1  # seconds between two rounds, unless something critical waits
SLOW = 0.25  # seconds after which a second round starts beside the first
MARGIN = timedelta(seconds=5)
OPEN_STATES = ("pending", "sent")


@dataclass(slots=True, kw_only=True)
class DeliveryWorker:
    """Claims streams of one partner, sends them and records what came of it.

    Any number may run for one partner, in one process or several: a stream is held by one of them.
    lanes: how many rounds run beside each other while the partner is slow.
    """

    store: Store
    name: str
    settings: PartnerSettings
    link: Link
    clock: WallClock
    jitter: Jitter = system_jitter
    lanes: int = 4
    backoff: Backoff = field(init=False)
    knowledge: Knowledge = field(init=False)
    book: Book = field(init=False)
    _stop: asyncio.Event = field(default_factory=asyncio.Event)
    _hint: asyncio.Event = field(default_factory=asyncio.Event)
    _at_once: asyncio.Event = field(default_factory=asyncio.Event)
    _widen: asyncio.Event = field(default_factory=asyncio.Event)
    _slow: set[object] = field(default_factory=set)
    _critical: bool = False

    def __post_init__(self) -> None:
        self.backoff = Backoff(jitter=self.jitter)
        self.knowledge = Knowledge(store=self.store, partner=self.name)
        self.book = Book(
            store=self.store,
            partner=self.name,
            clock=self.clock,
            backoff=self.backoff,
            jitter=self.jitter,
            settle=timedelta(seconds=self.settings.settle_seconds),
        )

    @property
    def counts(self) -> Counter[str]:
        """Rows by the class of what came of them, since the start."""
        return self.book.counts

    def hint(self, *, critical: bool = True) -> None:
        """Something was committed: look now instead of at the next poll.

        critical: False for what may wait for what is committed in the next moment, to go with it.
        """
        self._hint.set()
        if critical:
            self._at_once.set()
        if self._slow:
            self._widen.set()

    def stop(self) -> None:
        """Finishes the request in hand and returns; what was not sent is given back."""
        self._stop.set()
        self._hint.set()
        self._at_once.set()
        self._widen.set()

    async def run(self) -> None:
        """Works until stopped. An error ends the worker: it is never swallowed."""
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._first_lane())
                for _ in range(self.lanes - 1):
                    group.create_task(self._further_lane())
        finally:
            await self.link.close()

    async def once(self) -> int:
        """One round: claim, look, send, record. Returns how many streams it held."""
        now = self.clock.now()
        if self._waits(now):
            return 0
        if not await self._has_stated(now):
            return 0
        lease = now + 2 * timedelta(seconds=self.settings.timeout_seconds) + MARGIN
        most = self.backoff.width(self.settings.batch_streams)
        claimed = await done(self.store.claim_streams(self.name, now, limit=most, lease=lease))
        if not claimed:
            self._critical = False
            return 0
        if len(claimed) == self.settings.batch_streams:
            self._widen.set()  # more is waiting than goes into one round
        self._critical = any(row.critical for rows in claimed for row in rows)
        self.knowledge.refresh()
        await self._round(lease).run(claimed)
        return len(claimed)

    def _round(self, lease: datetime) -> Round:
        return Round(
            store=self.store,
            link=self.link,
            clock=self.clock,
            knowledge=self.knowledge,
            backoff=self.backoff,
            book=self.book,
            lease=lease,
            stopping=self._stop.is_set,
        )

    # -- when to send

    def _waits(self, now: datetime) -> bool:
        """True while the partner is left alone. A critical row shortens the pause."""
        until = self.backoff.resumes(critical=False)
        if until is None or until <= now:
            return False
        sooner = self.backoff.resumes(critical=True)
        return (sooner is not None and sooner > now) or not self._critical_waits()

    def _critical_waits(self) -> bool:
        if not self._critical:
            rows = self.store.outbox(partner=self.name, states=OPEN_STATES)
            self._critical = any(row.critical for row in rows)
        return self._critical

    async def _has_stated(self, now: datetime) -> bool:
        """Reads the partner's statement when it is due. False: it speaks another release.

        A statement that cannot be read holds nothing up: a PUT of our id is safe to try blind.
        """
        due = self.knowledge.statement_due
        if due is None or due <= now:
            self.knowledge.statement_due = now + SOON
            answer = await self.link.statement()
            await self.knowledge.stated(read_statement(answer.content), now)
        statement = self.knowledge.statement
        if statement is None or statement.speaks(self.settings.release):
            return True
        self.knowledge.statement_due = None
        self.backoff.failed(now)
        why = f"speaks FHIR {statement.fhir_version}, the settings say {self.settings.release}"
        await self.knowledge.learn(PAUSED, why)
        return False

    # -- the loop

    async def _first_lane(self) -> None:
        while not self._stop.is_set():
            self._hint.clear()
            self._at_once.clear()
            if not await self._timed():
                await self._pause()
            await self._gather()

    async def _gather(self) -> None:
        """Lets what is committed in the next moment go along: a request costs more than a row."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self._at_once.wait(), GATHER)

    async def _further_lane(self) -> None:
        """Works only while more waits than one lane takes, and the partner is well."""
        while not self._stop.is_set():
            if self._widen.is_set() and not self.backoff.failures and await self._timed():
                continue
            self._widen.clear()
            if not self._stop.is_set():
                await self._widen.wait()

    async def _timed(self) -> int:
        """A round that lets another one start beside it when it takes long."""
        this = object()
        alarm = asyncio.get_running_loop().call_later(SLOW, self._took_long, this)
        try:
            return await self.once()
        finally:
            alarm.cancel()
            self._slow.discard(this)

    def _took_long(self, this: object) -> None:
        self._slow.add(this)
        self._widen.set()

    async def _pause(self) -> None:
        until = self.backoff.resumes(critical=True)
        waiting = self._hint if until is None else self._stop
        try:
            await asyncio.wait_for(waiting.wait(), POLL.total_seconds())
        except TimeoutError:
            return
