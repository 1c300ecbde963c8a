"""An open-model driver: requests start by the clock, whether or not earlier ones were answered.

A driver that waits for a slow answer before it goes on stops measuring when it matters. Here the
i-th request is planned at t0 + i / rate, and its latency runs from that instant to its answer, so
that every moment the service stood still is counted for everyone who would have waited.
"""

import asyncio
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import cast

from service.bench.figures import Spread, spread

LATE = 0.005  # seconds by which the driver itself may start a request late
LATE_SHARE = 0.01  # of the requests; beyond it the run says more of the driver than of the service
GIVE_UP = 30.0  # seconds after the last planned start
READY = 64  # connections opened beforehand
APART = 0.01  # seconds between two of them
MOST_CONNECTIONS = 2000


@dataclass(slots=True, kw_only=True)
class Sent:
    """One request. planned, started, ended: seconds on the monotonic clock.

    ended, status None: not answered.
    """

    planned: float
    started: float = 0.0
    ended: float | None = None
    status: int | None = None
    error: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What became of every request of a run. ``rate`` as planned, per second."""

    rate: float
    sent: tuple[Sent, ...]
    connections: int

    @property
    def errors(self) -> int:
        """Requests that were not answered 200 or 201."""
        return sum(1 for one in self.sent if one.status not in (200, 201))

    @property
    def latency(self) -> Spread:
        """Seconds from planned start to answer; an unanswered request counts until it was given up.

        That is no less than it would have waited.
        """
        over = max((one.ended or 0.0 for one in self.sent), default=0.0)
        return spread((one.ended or over) - one.planned for one in self.sent)

    @property
    def achieved(self) -> float:
        """Answered requests per second, from the first planned start to the last answer."""
        done = [one.ended for one in self.sent if one.ended is not None]
        if not done:
            return 0.0
        return len(done) / max(max(done) - self.sent[0].planned, 1 / self.rate)

    @property
    def late(self) -> float:
        """The share of requests that the driver started too late by itself."""
        behind = sum(1 for one in self.sent if one.started - one.planned > LATE)
        return behind / len(self.sent) if self.sent else 0.0

    @property
    def void(self) -> str | None:
        """Why the run shows nothing, or None."""
        if self.late <= LATE_SHARE:
            return None
        return (
            f"the driver itself started {self.late:.1%} of the requests more than "
            f"{LATE * 1000:.0f} ms late"
        )


def request_of(host: str, path: str, body: bytes, token: str | None = None) -> bytes:
    """The bytes of one POST, made before the run."""
    lines = [
        f"POST {path} HTTP/1.1",
        f"Host: {host}",
        "Content-Type: application/fhir+json",
        f"Content-Length: {len(body)}",
    ]
    if token:
        lines.append(f"Authorization: Bearer {token}")
    return "\r\n".join((*lines, "", "")).encode() + body


async def drive(
    address: tuple[str, int],
    requests: Sequence[bytes],
    rate: float,
    *,
    clock: Callable[[], float] = time.monotonic,
    halfway: Callable[[], None] | None = None,
) -> Run:
    """Sends prepared requests at a constant rate. halfway: called once in the middle of the run."""
    pool = _Pool(address, clock)
    await pool.open(min(READY, len(requests)))
    begin = clock() + 0.05
    sent = [Sent(planned=begin + place / rate) for place in range(len(requests))]
    middle = len(sent) // 2
    place = 0
    while place < len(sent):
        await _until(sent[place].planned, clock)
        while place < len(sent) and sent[place].planned <= clock():
            if place == middle and halfway is not None:
                halfway()
            sent[place].started = clock()
            pool.send(requests[place], sent[place])
            place += 1
    await pool.finish(GIVE_UP)
    return Run(rate=rate, sent=tuple(sent), connections=pool.opened)


async def saturate(address: tuple[str, int], requests: Sequence[bytes], lanes: int) -> Run:
    """Sends requests one after the other on each of some lanes: for warming up, not for figures."""
    pool = _Pool(address, time.monotonic)
    waiting = iter(requests)
    sent: list[Sent] = []

    async def lane() -> None:
        for request in waiting:
            now = time.monotonic()
            one = Sent(planned=now, started=now)
            sent.append(one)
            await pool.ask(request, one)

    begin = time.monotonic()
    await asyncio.gather(*(lane() for _ in range(lanes)))
    await pool.finish(0.0)
    rate = len(sent) / max(time.monotonic() - begin, 1e-6)
    return Run(rate=rate, sent=tuple(sent), connections=pool.opened)


async def _until(instant: float, clock: Callable[[], float]) -> None:
    """Sleeps until an instant; the last half millisecond is not left to the timer."""
    while (left := instant - clock()) > 0:
        await asyncio.sleep(left - 0.0005 if left > 0.001 else 0)


class _Connection(asyncio.Protocol):
    """One keep-alive connection with at most one request on it."""

    def __init__(self, pool: "_Pool") -> None:
        self._pool = pool
        self._transport: asyncio.Transport | None = None
        self._buffer = bytearray()
        self._one: Sent | None = None
        self._answered: asyncio.Future[None] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)

    def send(self, request: bytes, one: Sent, answered: "asyncio.Future[None] | None") -> None:
        """Writes a request whose answer is noted in ``one``."""
        self._one, self._answered = one, answered
        self._buffer.clear()
        if self._transport is not None:
            self._transport.write(request)

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        end = self._buffer.find(b"\r\n\r\n")
        if end < 0:
            return
        head = bytes(self._buffer[:end]).lower()
        if len(self._buffer) >= end + 4 + _length(head):
            self._over(int(head[9:12]), None, reusable=b"connection: close" not in head)

    def connection_lost(self, error: Exception | None) -> None:
        self._transport = None
        if self._one is not None:
            self._over(None, str(error or "the connection was closed"), reusable=False)

    def close(self) -> None:
        """Closes the connection."""
        if self._transport is not None:
            self._transport.close()

    def _over(self, status: int | None, error: str | None, *, reusable: bool) -> None:
        one, answered = self._one, self._answered
        self._one = self._answered = None
        if one is None:
            return
        one.ended, one.status, one.error = self._pool.clock(), status, error
        if answered is not None and not answered.done():
            answered.set_result(None)
        self._pool.over(self, one, reusable=reusable and self._transport is not None)


def _length(head: bytes) -> int:
    _, found, rest = head.partition(b"content-length:")
    return int(rest.partition(b"\r\n")[0]) if found else 0


@dataclass(slots=True)
class _Pool:
    """Connections of which each has one request at a time, in turn; more are opened as needed."""

    address: tuple[str, int]
    clock: Callable[[], float]
    opened: int = 0
    _idle: deque[_Connection] = field(default_factory=deque)
    _all: list[_Connection] = field(default_factory=list)
    _open: set["asyncio.Task[None]"] = field(default_factory=set)
    _under_way: int = 0
    _quiet: asyncio.Event = field(default_factory=asyncio.Event)

    async def open(self, count: int) -> None:
        """Opens connections beforehand, not all at once: several processes may share a port."""
        for _ in range(count):
            self._idle.append(await self._connect())
            await asyncio.sleep(APART)

    def send(
        self, request: bytes, one: Sent, answered: "asyncio.Future[None] | None" = None
    ) -> None:
        """Starts a request on an idle connection, or on a new one."""
        self._under_way += 1
        if self._idle:
            self._idle.popleft().send(request, one, answered)
            return
        task = asyncio.ensure_future(self._send_on_new(request, one, answered))
        self._open.add(task)
        task.add_done_callback(self._open.discard)

    async def ask(self, request: bytes, one: Sent) -> None:
        """Sends a request and waits for its answer."""
        answered = asyncio.get_running_loop().create_future()
        self.send(request, one, answered)
        await answered

    def over(self, connection: _Connection, one: Sent, *, reusable: bool) -> None:
        """A request has come to its end."""
        self._under_way -= 1
        if self._under_way == 0:
            self._quiet.set()
        if reusable:
            self._idle.append(connection)

    async def finish(self, seconds: float) -> None:
        """Waits for what is under way, then closes everything."""
        if self._under_way:
            self._quiet.clear()
            with suppress(TimeoutError):
                await asyncio.wait_for(self._quiet.wait(), seconds)
        for connection in self._all:
            connection.close()

    async def _send_on_new(
        self, request: bytes, one: Sent, answered: "asyncio.Future[None] | None"
    ) -> None:
        try:
            if self.opened >= MOST_CONNECTIONS:
                raise OSError("too many connections are open")
            connection = await self._connect()
        except OSError as error:
            one.ended, one.error = self.clock(), str(error)
            if answered is not None:
                answered.set_result(None)
            self._under_way -= 1
            if self._under_way == 0:
                self._quiet.set()
            return
        connection.send(request, one, answered)

    async def _connect(self) -> _Connection:
        host, port = self.address
        loop = asyncio.get_running_loop()
        _, connection = await loop.create_connection(lambda: _Connection(self), host, port)
        self.opened += 1
        self._all.append(connection)
        return connection
