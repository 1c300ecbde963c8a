"""What is written down after each answer: the attempt, and the rows' new state."""

import logging
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from service.clock import WallClock
from service.delivery.answers import Act, Reading, etag_of
from service.delivery.backoff import CRITICAL_CAP, Backoff, Jitter, retry_after, upto
from service.delivery.futures import done
from service.delivery.lines import SHARED, STUCK_AFTER, Item
from service.errors import Stale
from service.faults import reach
from service.store.port import Attempt, OutboxRow, Store

LOG = logging.getLogger("service.delivery")
GIVE_UP = timedelta(days=7)  # routine rows only
BEHIND_A_GATEWAY = frozenset({502, 503, 504})


@dataclass(slots=True, kw_only=True)
class Book:
    """Records answers for one partner. counts: rows by the class of what came of them."""

    store: Store
    partner: str
    clock: WallClock
    backoff: Backoff
    jitter: Jitter
    settle: timedelta
    counts: Counter[str] = field(default_factory=Counter)

    async def delivered(
        self,
        items: Sequence[Item],
        reading: Reading,
        etags: Mapping[int, str | None] | None = None,
        *,
        shared: bool = False,
    ) -> None:
        """The partner holds these rows. etags: row id -> ETag; else the answer's own.

        shared: its own elements stand beside ours.
        """
        rows = [
            replace(
                item.row,
                state="delivered",
                etag=etag_of(reading.answer) if etags is None else etags[item.row.id],
                next_at=None,
                last_outcome=SHARED if shared or item.merged else "delivered",
            )
            for item in items
        ]
        await self._record(rows, reading)

    async def parked(self, item: Item, reading: Reading, why: str | None = None) -> None:
        """A row is held until a person acts; ``why`` precedes the partner's words."""
        item.line.held = True
        said = f"{reading.name}: {reading.words}"
        words = said if why is None else f"{why} ({said})"
        row = replace(item.row, state="parked", next_at=None, last_outcome=words)
        await self._record([row], reading, outcome="parked")

    async def superseded(self, rows: Sequence[OutboxRow]) -> None:
        """A newer version was acknowledged: these must not follow it."""
        changed = [
            replace(row, state="superseded", next_at=None, last_outcome="superseded")
            for row in rows
        ]
        attempt = Attempt(
            rows=tuple(row.id for row in rows),
            partner=self.partner,
            at=self.clock.now(),
            outcome="superseded",
            status=None,
            detail="a newer version was acknowledged",
        )
        await self._keep(attempt, changed)

    async def waiting(self, items: Sequence[Item], reading: Reading, state: str) -> None:
        """Not known to be there: ``sent`` when it may be, ``pending`` when it is not."""
        for item in items:
            item.line.stuck = True
        now = self.clock.now()
        if reading.is_failure:
            self.backoff.failed(now, retry_after(reading.answer.retry_after, now))
        rows = [self._later(item.row, reading, state, now) for item in items]
        await self._record(rows, reading)

    def _later(self, row: OutboxRow, reading: Reading, state: str, now: datetime) -> OutboxRow:
        words = f"{reading.name}: {reading.words}"
        if not row.critical and now - row.created > GIVE_UP:
            late = f"not delivered within {GIVE_UP.days} days ({words})"
            return replace(row, state="parked", next_at=None, last_outcome=late)
        due = now + self._pause(row, reading, state)
        return replace(row, state=state, next_at=due, last_outcome=words)

    def _pause(self, row: OutboxRow, reading: Reading, state: str) -> timedelta:
        """An outage is the partner's affair and paused there; else the row itself waits longer
        each time, so that others get their turn."""
        settle = self.settle if state == "sent" else timedelta()
        outage = reading.act in (Act.AGAIN, Act.PAUSE) or reading.answer.status in BEHIND_A_GATEWAY
        if outage and row.attempts < STUCK_AFTER:
            return settle
        longest = upto(row.attempts + 1, CRITICAL_CAP)  # a critical row may wait behind it
        return max(settle, longest * (1 + self.jitter()) / 2)

    async def _record(
        self, rows: Iterable[OutboxRow], reading: Reading, *, outcome: str | None = None
    ) -> None:
        tried = [replace(row, attempts=row.attempts + 1) for row in rows]
        name = outcome or reading.name
        self.counts[name] += len(tried)
        attempt = Attempt(
            rows=tuple(row.id for row in tried),
            partner=self.partner,
            at=self.clock.now(),
            outcome=name,
            status=reading.answer.status,
            detail=reading.words,
        )
        await self._keep(attempt, tried)

    async def _keep(self, attempt: Attempt, rows: Sequence[OutboxRow]) -> None:
        """What another process claimed since is its own to record; the rest is kept."""
        try:
            await done(self.store.record(attempt, rows))
            reach("record-after-end")
        except Stale:
            places = sorted({(row.facility, row.stream) for row in rows})
            if len(places) == 1:
                LOG.warning("%s: the claim of %d rows was lost", self.partner, len(rows))
                return
            for place in places:
                mine = [row for row in rows if (row.facility, row.stream) == place]
                await self._keep(replace(attempt, rows=tuple(row.id for row in mine)), mine)
