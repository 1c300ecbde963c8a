"""One round with one partner: what was claimed is looked for, sent, narrowed down and recorded.

The store is never held open over a request: rows are claimed before, and recorded after.
"""

import asyncio
import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from service.clock import WallClock
from service.delivery.answers import (
    DOUBTED,
    Act,
    Answer,
    Asked,
    Reading,
    Request,
    classify,
    entry_answers,
    etag_of,
)
from service.delivery.backoff import Backoff
from service.delivery.book import Book
from service.delivery.capability import BUNDLE_LIMIT, NO_TRANSACTION, NOT_ATOMIC, PAUSED, Knowledge
from service.delivery.compare import has_more, is_ours, overlay, same
from service.delivery.futures import done
from service.delivery.lines import (
    ALONE_AFTER,
    SINGLY_AFTER,
    Item,
    Line,
    bundle_of,
    by_line,
    in_order,
    parts,
)
from service.delivery.partner import Link
from service.faults import reach
from service.store.port import OutboxRow, Store

LOG = logging.getLogger("service.delivery")
AT_ONCE = 8  # single requests under way
UNSETTLED = frozenset({Act.LOOK, Act.AGAIN, Act.PAUSE, Act.DOUBT})


@dataclass(slots=True, kw_only=True)
class Round:
    """Works through claimed streams until they are settled, the partner fails or time is short.

    lease: until when the streams are ours. Methods that send return True when everything they
    were given was taken as it was: the proof that a larger bundle of it was refused for its size.
    """

    store: Store
    link: Link
    clock: WallClock
    knowledge: Knowledge
    backoff: Backoff
    book: Book
    lease: datetime
    stopping: Callable[[], bool] = lambda: False
    _failed: bool = False
    _settled: set[int] = field(default_factory=set)
    _lanes: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(AT_ONCE))
    _looks: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(AT_ONCE))

    async def run(self, claimed: Sequence[Sequence[OutboxRow]]) -> None:
        """Sends what is claimed; gives back what was not sent."""
        lines = [await self._line(rows) for rows in claimed]
        await asyncio.gather(*(self._look_over(line) for line in lines))
        together, alone, singly = self._arranged(lines)
        for items in [together, *alone]:
            await self._bundle(items)
        await self._singles(singly)
        left = [row.id for rows in claimed for row in rows if row.id not in self._settled]
        if left:
            await done(self.store.release(left, self.lease))

    # -- before sending

    async def _line(self, rows: Sequence[OutboxRow]) -> Line:
        """The rows to send now, each with what the partner acknowledged before."""
        line = Line()
        ordered, overtaken = in_order(rows)
        replaced = {row.key: row for row in overtaken}
        for row in ordered:
            earlier = self._acknowledged(row)
            if earlier is not None and earlier.version > row.version:
                overtaken.append(row)
                continue
            etag = None if earlier is None else earlier.etag
            old = replaced.get(row.key)
            item = Item(row=row, line=line, earlier=earlier, replaced=old, if_match=etag)
            line.items.append(item)
        if overtaken:
            self._settled |= {row.id for row in overtaken}
            await self.book.superseded(overtaken)
        return line

    def _acknowledged(self, row: OutboxRow) -> OutboxRow | None:
        return self.store.delivered(row.partner, row.facility, row.key)

    async def _look_over(self, line: Line) -> None:
        """Looks for the rows that may have arrived; keeps those that have to be sent."""
        kept: list[Item] = []
        for item in line.items:
            if not item.in_doubt and not item.is_shared:
                kept.append(item)
            elif self._going([item]):
                found = await self._look(item)
                kept += [found] if found else []
        line.items = kept

    async def _look(self, item: Item) -> Item | None:
        """The item to send, or None when the look settled it or failed."""
        seen = await self._get(item)
        if seen.act is Act.COMPARE:
            return await self._compare(item, seen)
        if seen.act is Act.PARK:
            await self._park(item, seen)
            return None
        if seen.act in UNSETTLED:
            await self._wait([item], seen, "sent" if item.row.unsettled else item.row.state)
            return None
        if seen.name == "absent":
            return replace(item, if_match=None)
        return item

    async def _compare(self, item: Item, seen: Reading) -> Item | None:
        """What a found resource says of an item; None when that settled it."""
        theirs, ours, before = seen.answer.content or {}, item.ours(), item.before()
        if same(ours, theirs, before):
            await self._deliver([item], seen, shared=has_more(ours, theirs))
            return None
        if not is_ours(theirs, item.row.resource_id):
            await self._park(item, seen, "another resource is there under our id")
            return None
        etag = etag_of(seen.answer)
        if etag is None:
            await self._park(item, seen, "changed there, and without a version to write against")
            return None
        if item.earlier is not None and etag == item.earlier.etag and not item.is_shared:
            return item
        return replace(item, if_match=etag, merged=overlay(ours, theirs, before))

    def _arranged(self, lines: Iterable[Line]) -> tuple[list[Item], list[list[Item]], list[Item]]:
        """(in one bundle, each stream in its own, one by one)."""
        together: list[Item] = []
        alone: list[list[Item]] = []
        singly: list[Item] = []
        for line in lines:
            if not self.knowledge.takes_bundles or any(self._goes_singly(i) for i in line.items):
                singly += line.items
            elif any(item.row.attempts >= ALONE_AFTER for item in line.items):
                alone.append(line.items)
            else:
                together += line.items
        return together, alone, singly

    def _goes_singly(self, item: Item) -> bool:
        was_doubted = (item.row.last_outcome or "").startswith(DOUBTED)
        was_tried = item.row.attempts >= SINGLY_AFTER
        return was_doubted or was_tried or self.knowledge.refuses_ids(item.row.type)

    def _going(self, items: Iterable[Item]) -> list[Item]:
        """The items that may be sent now."""
        if self._failed or self.stopping():
            return []
        if self.clock.now() + timedelta(seconds=self.link.seconds) > self.lease:
            return []
        going = []
        for item in items:
            if item.line.stuck or (item.line.held and not item.row.critical):
                continue
            going.append(item.overtaking() if item.line.held else item)
        return going

    # -- in bundles

    async def _bundle(self, items: Sequence[Item]) -> bool:
        """Sends items in one transaction, and what that refuses in smaller ones."""
        going = self._going(items)
        if not self.knowledge.takes_bundles or len(going) == 1:
            return await self._singles(going) and len(going) == len(items)
        if not going:
            return False
        if len(going) > self.knowledge.limit:
            return await self._in_parts(going)
        reading = await self._transaction(going)
        if reading.act is Act.RECORD:
            return await self._entries(going, reading)
        if reading.act in UNSETTLED:
            await self._unsettled(going, reading)
            return False
        if reading.act is Act.LOWER:
            await self.knowledge.learn(NO_TRANSACTION, reading.words)
            return await self._singles(going)
        if reading.act is Act.HALVE:
            await self.knowledge.halve(len(going))
            return await self._in_parts(going)
        return await self._narrow(going, reading)

    async def _in_parts(self, items: Sequence[Item]) -> bool:
        """Bundles no longer than the partner takes, one after the other."""
        return all([await self._bundle(part) for part in parts(items, self.knowledge.limit)])

    async def _narrow(self, items: Sequence[Item], reading: Reading) -> bool:
        """Each stream alone, then its rows one by one. All taken: the bundle was too large."""
        lines = by_line(items)
        if len(lines) > 1:
            taken = all([await self._bundle(line) for line in lines])
        else:
            taken = await self._singles(items)
        if taken and reading.act is Act.NARROW:
            await self.knowledge.halve(len(items))
        return taken

    async def _entries(self, items: Sequence[Item], reading: Reading) -> bool:
        """Every entry of a response is read: success of the whole proves nothing."""
        answers = entry_answers([i.row.resource_id for i in items], reading.answer.content)
        readings = [
            classify(Request(asked=Asked.PUT, type=i.row.type, id=i.row.resource_id), answer)
            for i, answer in zip(items, answers, strict=True)
        ]
        pairs = list(zip(items, readings, strict=True))
        taken = [item for item, entry in pairs if entry.act is Act.RECORD]
        if taken:
            etags = {item.row.id: etag_of(entry.answer) for item, entry in pairs}
            await self._deliver(taken, reading, etags)
        if len(taken) == len(items):
            return True
        await self._partly([pair for pair in pairs if pair[1].act is not Act.RECORD])
        return False

    async def _partly(self, pairs: Sequence[tuple[Item, Reading]]) -> None:
        """A transaction that was taken in part: not one of those again; the rest one by one."""
        await self.knowledge.learn(NOT_ATOMIC, pairs[0][1].words)
        for item, reading in pairs:
            if reading.act in UNSETTLED:
                await self._unsettled([item], reading)
        await self._singles([item for item, reading in pairs if reading.act not in UNSETTLED])

    # -- one by one

    async def _singles(self, items: Sequence[Item]) -> bool:
        """Sends items one by one, each stream in order, streams beside each other."""
        taken = await asyncio.gather(*(self._in_order(line) for line in by_line(items)))
        return all(taken)

    async def _in_order(self, items: Sequence[Item]) -> bool:
        async with self._lanes:
            return all([await self._single(item) for item in items])

    async def _single(self, item: Item) -> bool:
        going = self._going([item])
        if not going:
            return False
        reading = await self._put(going[0])
        return await self._after(going[0], reading)

    async def _after(self, item: Item, reading: Reading) -> bool:
        """What the answer to a single PUT leads to. True: taken as it was."""
        if reading.act is Act.RECORD:
            await self._deliver([item], reading)
            return not item.resolved
        if reading.act is Act.DOUBT:
            await self._confirm(item, reading)
        elif reading.act in UNSETTLED:
            await self._unsettled([item], reading)
        elif item.resolved:
            await self._park(item, reading, "still refused after reading what is there")
        elif reading.act is Act.REREAD or _may_be_a_version(item, reading):
            await self._reread(item, reading)
        else:
            await self._park(item, reading)
        return False

    async def _confirm(self, item: Item, reading: Reading) -> None:
        """The partner said both yes and no: what is there decides."""
        seen = await self._get(item)
        ours, theirs = item.ours(), seen.answer.content or {}
        if seen.act is Act.COMPARE and same(ours, theirs, item.before()):
            await self._deliver([item], seen, shared=has_more(ours, theirs))
        elif seen.act in UNSETTLED:
            await self._wait([item], seen, "sent")
        else:
            await self._park(item, reading)

    async def _reread(self, item: Item, reading: Reading) -> None:
        """Somebody else wrote: read, keep theirs, put ours on it, once."""
        seen = await self._get(item)
        if seen.act is Act.COMPARE:
            merged = await self._compare(item, seen)
            if merged is not None:
                await self._again(replace(merged, resolved=True))
        elif seen.name == "absent":
            await self._again(replace(item, if_match=None, resolved=True))
        elif seen.act in UNSETTLED:
            await self._wait([item], seen, "pending")
        else:
            await self._park(item, reading, "refused, and what is there cannot be read")

    async def _again(self, item: Item) -> None:
        if self._going([item]):
            await self._after(item, await self._put(item))

    # -- asking

    async def _transaction(self, items: Sequence[Item]) -> Reading:
        reach("deliver-before-send")
        answer = await self.link.transaction(bundle_of(items, self.link.release))
        reach("deliver-after-send")
        request = Request(asked=Asked.TRANSACTION, entries=len(items))
        return await self._read(request, answer, len(items))

    async def _put(self, item: Item) -> Reading:
        row = item.row
        reach("deliver-before-send")
        answer = await self.link.put(row.type, row.resource_id, item.body, item.if_match)
        reach("deliver-after-send")
        request = Request(asked=Asked.PUT, type=row.type, id=row.resource_id)
        return await self._read(request, answer, 1)

    async def _get(self, item: Item) -> Reading:
        row = item.row
        async with self._looks:
            answer = await self.link.get(row.type, row.resource_id)
        return await self._read(
            Request(asked=Asked.GET, type=row.type, id=row.resource_id), answer, 1
        )

    async def _read(self, request: Request, answer: Answer, entries: int) -> Reading:
        """Classifies an answer and keeps what it teaches of the partner."""
        reading = classify(request, answer)
        if reading.row.learn == BUNDLE_LIMIT and request.asked is Asked.TRANSACTION:
            await self.knowledge.halve(entries)
        if reading.row.learn == "statement":
            self.knowledge.statement_due = self.clock.now()
        if not reading.is_failure:
            if request.asked is not Asked.GET:  # reading may work where writing does not
                self.backoff.answered()
                await self.knowledge.learn(PAUSED, None)
            return reading
        self._failed = True
        LOG.warning("%s: %s (%s)", self.book.partner, reading.name, answer.status or answer.error)
        if reading.act is Act.PAUSE:
            self.link.renew()
            await self.knowledge.learn(PAUSED, f"{reading.name}: {reading.words}")
        return reading

    # -- recording

    async def _unsettled(self, items: Sequence[Item], reading: Reading) -> None:
        may_be_there = reading.act in (Act.LOOK, Act.DOUBT)
        await self._wait(items, reading, "sent" if may_be_there else "pending")

    async def _wait(self, items: Sequence[Item], reading: Reading, state: str) -> None:
        self._settled |= {item.row.id for item in items}
        await self.book.waiting(items, reading, state)

    async def _deliver(
        self,
        items: Sequence[Item],
        reading: Reading,
        etags: dict[int, str | None] | None = None,
        *,
        shared: bool = False,
    ) -> None:
        self._settled |= {item.row.id for item in items}
        await self.book.delivered(items, reading, etags, shared=shared)

    async def _park(self, item: Item, reading: Reading, why: str | None = None) -> None:
        self._settled.add(item.row.id)
        LOG.warning("%s: parked %s/%s", self.book.partner, item.row.type, item.row.resource_id)
        await self.book.parked(item, reading, why)


def _may_be_a_version(item: Item, reading: Reading) -> bool:
    """Some servers answer a missing or stale version with 400 or 404 instead of 412 or 428."""
    status = reading.answer.status
    if item.if_match is None:
        return status in (400, 422) and item.earlier is not None
    return status == 404
