"""The load driver: what it says of a service must be what the service's callers saw.

A driver that waits for slow answers before it goes on leaves out those who would have waited; the
name of the mistake is coordinated omission (G. Tene, "How NOT to Measure Latency").
"""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import pytest

from service.bench.driver import LATE_SHARE, Run, drive, request_of
from service.bench.figures import percentile, spread

ANSWER = b"HTTP/1.1 201 Created\r\nContent-Length: 2\r\n\r\n{}"
Answering = Callable[[asyncio.StreamWriter], Awaitable[None]]


async def at_once(writer: asyncio.StreamWriter) -> None:
    writer.write(ANSWER)


@asynccontextmanager
async def serving(answering: Answering) -> AsyncIterator[tuple[str, int]]:
    """A server of one answer; yields its address."""

    writers: list[asyncio.StreamWriter] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        while await reader.readline():
            length = 0
            while (line := await reader.readline()).strip():
                name, _, value = line.partition(b":")
                length = int(value) if name.lower() == b"content-length" else length
            await reader.readexactly(length)
            await answering(writer)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[:2]
        for writer in writers:
            writer.close()
        await asyncio.gather(*(writer.wait_closed() for writer in writers))


def driven(
    answering: Answering,
    *,
    count: int = 200,
    rate: float = 200.0,
    halfway: Callable[[], None] | None = None,
) -> Run:
    async def run() -> Run:
        async with serving(answering) as (host, port):
            requests = [request_of(f"{host}:{port}", "/", b"{}")] * count
            return await drive((host, port), requests, rate, halfway=halfway)

    return asyncio.run(run())


class TestRun:
    """Every request is counted, from the instant it was planned."""

    def test_that_goes_well_shows_no_errors(self) -> None:
        run = driven(at_once)
        assert run.errors == 0
        assert len(run.sent) == 200
        assert run.achieved == pytest.approx(200, rel=0.15)

    def test_keeps_to_its_plan(self) -> None:
        """Planned starts lie one period apart, whatever the answers do."""
        run = driven(at_once, count=50, rate=100)
        apart = [b.planned - a.planned for a, b in zip(run.sent, run.sent[1:], strict=False)]
        assert apart == pytest.approx([0.01] * 49)

    def test_counts_refusals_as_errors(self) -> None:
        async def refuse(writer: asyncio.StreamWriter) -> None:
            writer.write(ANSWER.replace(b"201 Created", b"503 Service Unavailable"))

        assert driven(refuse, count=20).errors == 20

    def test_counts_a_request_whose_connection_was_closed(self) -> None:
        async def close(writer: asyncio.StreamWriter) -> None:
            writer.close()

        run = driven(close, count=20)
        assert run.errors == 20
        assert all(one.status is None and one.error for one in run.sent)


class TestStall:
    """A service that stands still is seen by everyone who would have waited for it."""

    SECONDS = 0.5

    def stalled(self) -> Run:
        """Half a second without answers in the middle of one second of requests."""
        until = [0.0]

        async def wait(writer: asyncio.StreamWriter) -> None:
            await asyncio.sleep(max(until[0] - time.monotonic(), 0))
            writer.write(ANSWER)

        def stop() -> None:
            until[0] = time.monotonic() + self.SECONDS

        return driven(wait, halfway=stop)

    def test_shows_in_the_share_of_requests_that_it_concerned(self) -> None:
        """Half of the requests fall into it, and they waited between no time and all of it."""
        latency = self.stalled().latency
        assert latency.p50 < 0.1
        assert latency.p90 > 0.3
        assert latency.p99 > 0.9 * self.SECONDS

    def test_would_be_hidden_from_a_driver_that_waits(self) -> None:
        """One request at a time sees the stall once: the figure that this driver must not give."""

        async def closed() -> float:
            taken = []
            async with serving(at_once) as (host, port):
                reader, writer = await asyncio.open_connection(host, port)
                for number in range(200):
                    began = time.monotonic()
                    if number == 100:
                        await asyncio.sleep(self.SECONDS)
                    writer.write(request_of(f"{host}:{port}", "/", b"{}"))
                    await reader.readuntil(b"{}")
                    taken.append(time.monotonic() - began)
                writer.close()
            return spread(taken).p99

        assert asyncio.run(closed()) < 0.5 * self.SECONDS


class TestLateness:
    """A driver that was itself too slow says so, and its figures prove nothing."""

    def test_voids_a_run(self) -> None:
        run = driven(at_once, halfway=lambda: time.sleep(0.2))
        assert run.late > LATE_SHARE
        assert run.void is not None
        assert "late" in run.void

    def test_is_counted_in_the_latency_as_well(self) -> None:
        run = driven(at_once, halfway=lambda: time.sleep(0.2))
        assert run.latency.largest > 0.15


class TestPercentiles:
    """By the nearest rank: a figure is one that was measured."""

    @pytest.mark.parametrize(
        ("percent", "value"), [(5, 15), (30, 20), (40, 20), (50, 35), (100, 50)]
    )
    def test_are_those_of_the_textbook(self, percent: float, value: float) -> None:
        """The worked example of the nearest-rank method: 15, 20, 35, 40, 50 (from memory)."""
        assert percentile([15, 20, 35, 40, 50], percent) == value

    def test_of_nothing_are_nothing(self) -> None:
        assert spread([]).count == 0
