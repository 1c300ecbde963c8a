"""When a partner is asked again, and who holds a stream meanwhile."""

import asyncio
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from service.clock import HandClock
from service.delivery.lines import PASSED_BY, STUCK_AFTER
from service.standin import Knobs, Trouble
from tests.support.partners import (
    PARTNER,
    START,
    Bench,
    a_row,
    an_id,
    edit,
    held_there,
    keys,
    play,
    three_streams,
)


class TestPauses:
    """Full jitter on the destination; one probe while it fails; Retry-After is kept."""

    def test_that_retry_after_is_kept(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="status", status=429, retry_after="40"))
            bench.give(a_row("a", critical=True))
            await bench.worker.once()
            bench.pass_time(39.9)
            assert await bench.worker.once() == 0
            bench.pass_time(1.2)
            assert await bench.worker.once() == 1
            assert bench.row("a").state == "delivered"

        play(tmp_path, story)

    def test_that_an_outage_costs_few_requests(self, tmp_path: Path) -> None:
        """At most 4 a minute in the long run, whatever waits."""

        async def story(bench: Bench) -> None:
            bench.knobs.befall(*[Trouble(kind="drop-before")] * 1000)
            bench.give(*(a_row(f"a-{n}", f"unit-{n}", critical=True) for n in range(30)))
            for _ in range(3600):
                await bench.worker.once()
                bench.pass_time(1)
            assert 60 <= len(bench.writes()) <= 4 * 60
            assert all(entries <= 1 for _, _, entries in bench.writes()[5:])
            bench.knobs.troubles.clear()
            await bench.work(step=1, rounds=120)
            assert {row.state for row in bench.rows()} == {"delivered"}

        play(tmp_path, story)

    def test_that_one_stream_that_breaks_the_partner_starves_no_other(self, tmp_path: Path) -> None:
        """A resource on which the partner answers 500 each time."""

        async def story(bench: Bench) -> None:
            bench.knobs.refuse_ids[an_id("bad")] = 500
            bench.give(a_row("bad", "unit-0", critical=True))
            bench.give(*(a_row(f"a-{n}", f"unit-{n + 1}") for n in range(10)))
            await bench.work(rounds=40, step=5)
            states = {row.key: row.state for row in bench.rows()}
            assert states.pop("bad") == "sent"
            assert set(states.values()) == {"delivered"}

        play(tmp_path, story)

    def test_that_a_failure_ends_the_round(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            await bench.work()
            before = len(bench.writes())
            bench.knobs.befall(*[Trouble(kind="status", status=503)] * 5)
            bench.give(*(a_row(f"c-{n}", f"unit-{n}") for n in range(6)))
            await bench.worker.once()
            assert len(bench.writes()) == before + 1
            attempts = [row.attempts for row in bench.rows() if row.key.startswith("c")]
            assert attempts == [1, 1, 1, 0, 0, 0]

        play(tmp_path, story, Knobs(most_entries=2))

    def test_that_what_failed_twice_travels_alone(self, tmp_path: Path) -> None:
        """Else one resource that breaks the partner would take its fellow passengers with it."""

        async def story(bench: Bench) -> None:
            bench.knobs.refuse_ids[an_id("bad")] = 500
            bench.give(a_row("bad", "unit-9"))
            await bench.work(rounds=5, step=400)
            for n in range(5):
                bench.give(a_row(f"a-{n}", f"unit-{n}"))
                while bench.row(f"a-{n}").state != "delivered":
                    bench.pass_time(1)
                    await bench.worker.once()
            bench.pass_time(400)
            bench.give(*(a_row(f"b-{n}", f"unit-{n}") for n in range(5)))
            assert await bench.worker.once() == 6
            others = [row for row in bench.rows() if row.key.startswith("b-")]
            assert {(row.state, row.attempts) for row in others} == {("delivered", 1)}

        play(tmp_path, story)

    @pytest.mark.parametrize("critical", [False, True])
    def test_that_critical_rows_go_past_what_does_not_pass(
        self, tmp_path: Path, critical: bool
    ) -> None:
        """Nothing else is sent meanwhile, and the row before them is answered 500 each time."""

        async def story(bench: Bench) -> None:
            bench.knobs.refuse_ids[an_id("bad")] = 500
            bench.give(a_row("bad", critical=critical))
            bench.give(a_row("next", version=2), a_row("notice", version=2, critical=True))
            await bench.work(rounds=60, step=10)
            assert bench.row("notice", 2).state == "delivered"
            assert bench.row("notice", 2).flagged == PASSED_BY
            assert bench.there("next") == []
            assert bench.row("bad").state == "sent"
            bench.knobs.refuse_ids.clear()
            await bench.work(step=61)
            assert {row.state for row in bench.rows()} == {"delivered"}

        play(tmp_path, story)

    def test_that_a_version_that_is_passed_by_leaves_nothing_behind(self, tmp_path: Path) -> None:
        """The first arrived, but nobody could see it; what it alone said must go."""

        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="drop-after"))
            bench.knobs.read_troubles.extend(
                [Trouble(kind="status", status=500)] * (STUCK_AFTER - 1)
            )
            bench.give(a_row("a", elements={"outcome": {"text": "taken back"}}))
            while bench.row("a").attempts < STUCK_AFTER:
                bench.pass_time(70)
                await bench.worker.once()
            await edit(bench, "a", location={"display": "Larch"})
            bench.give(a_row("a", version=2, critical=True))
            await bench.work()
            held = await held_there(bench, "a")
            assert bench.row("a").state == "superseded"
            assert held["note"][0]["text"] == "a version 2"
            assert "outcome" not in held
            assert "location" in held

        play(tmp_path, story)

    def test_that_a_critical_row_waits_less(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(*[Trouble(kind="status", status=429)] * 9)
            bench.give(a_row("a", "unit-1"))
            for _ in range(9):
                while not await bench.worker.once():
                    bench.pass_time(1)
            routine = bench.worker.backoff.resumes(critical=False)
            critical = bench.worker.backoff.resumes(critical=True)
            assert routine is not None
            assert critical is not None
            assert routine - critical > timedelta(seconds=5)
            bench.clock.set(critical + timedelta(seconds=1))
            assert await bench.worker.once() == 0
            bench.give(a_row("b", "unit-2", critical=True))
            assert await bench.worker.once() == 1
            assert bench.row("b").state == "delivered"

        play(tmp_path, story)


class TestGivingUp:
    """Never on a critical row; a routine row is parked after seven days."""

    @pytest.mark.parametrize(("critical", "state"), [(False, "parked"), (True, "sent")])
    def test_that_only_routine_rows_are_parked(
        self, tmp_path: Path, critical: bool, state: str
    ) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(*[Trouble(kind="status", status=503)] * 1000)
            bench.give(a_row("a", critical=critical))
            await bench.work(rounds=20, step=12 * 3600)
            assert bench.row("a").state == state
            assert ("7 days" in (bench.row("a").last_outcome or "")) is not critical

        play(tmp_path, story)

    def test_that_a_row_that_could_not_be_tried_is_tried_first(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a", created=START - timedelta(days=8)))
            await bench.work()
            assert bench.row("a").state == "delivered"

        play(tmp_path, story)


class TestLeases:
    """A stream is in one pair of hands."""

    def test_that_two_workers_do_not_send_the_same(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*(a_row(f"a-{n}", f"unit-{n}") for n in range(40)))
            while sum(await asyncio.gather(*(bench.worker.once() for _ in range(4)))):
                pass
            assert all(len(bench.there(f"a-{n}")) == 1 for n in range(40))

        play(tmp_path, story, batch_streams=3)

    def test_that_what_was_not_sent_is_given_back_at_once(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="status", status=429))
            bench.give(*three_streams())
            await bench.worker.once()
            bench.pass_time(3)
            lease = bench.clock.now() + timedelta(seconds=5)
            claim = bench.store.claim_streams(PARTNER, bench.clock.now(), limit=9, lease=lease)
            claimed = claim.result()
            assert sorted(k for rows in claimed for k in keys(rows)) == sorted(keys(bench.rows()))
            assert not any(row.unsettled for rows in claimed for row in rows)

        play(tmp_path, story)

    def test_that_nothing_is_sent_that_the_lease_does_not_cover(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.most_entries = 2
            bench.give(*three_streams())
            await bench.work()
            before = len(bench.writes())
            bench.partner.clock = _Passing(bench.clock, 30)
            bench.give(*(a_row(f"c-{n}", f"unit-{n}") for n in range(6)))
            await bench.worker.once()
            assert len(bench.writes()) == before + 1
            bench.partner.clock = bench.clock
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}

        play(tmp_path, story)

    def test_that_a_claim_lost_meanwhile_is_left_to_who_has_it(self, tmp_path: Path) -> None:
        """A process that was asleep longer than its lease."""

        async def story(bench: Bench) -> None:
            def other() -> None:
                lease = bench.clock.now() + timedelta(seconds=20)
                claim = bench.store.claim_streams(PARTNER, bench.clock.now(), limit=1, lease=lease)
                claimed.extend(row.key for rows in claim.result() for row in rows)

            claimed: list[str] = []
            bench.give(a_row("first"))
            await bench.work()
            bench.partner.clock = _Passing(bench.clock, 30, other)
            bench.give(*three_streams())
            await bench.worker.once()
            assert claimed == ["a-0", "b-0"]
            states = {row.key: row.state for row in bench.rows()}
            assert {key for key, state in states.items() if state == "pending"} == set(claimed)
            bench.partner.clock = bench.clock
            bench.pass_time(30)
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert all(len(bench.there(row.key)) == 1 for row in bench.rows())

        play(tmp_path, story)

    def test_that_a_stopping_worker_gives_back_what_it_holds(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            bench.worker.stop()
            await bench.worker.once()
            assert bench.writes() == []
            lease = bench.clock.now() + timedelta(seconds=5)
            claim = bench.store.claim_streams(PARTNER, bench.clock.now(), limit=9, lease=lease)
            assert len(claim.result()) == 3

        play(tmp_path, story)


class _Passing:
    """A clock that goes on once while the partner is at work."""

    def __init__(self, clock: HandClock, seconds: float, then: Callable[[], None] | None = None):
        self._clock, self._seconds, self._then = clock, seconds, then

    def now(self) -> datetime:
        if self._seconds:
            self._clock.set(self._clock.now() + timedelta(seconds=self._seconds))
            self._seconds = 0
            if self._then is not None:
                self._then()
        return self._clock.now()


class TestRunning:
    """The loop: a hint is followed at once, a slow partner gets further rounds, a stop ends it."""

    def test_that_a_hint_delivers_and_a_stop_returns(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            running = asyncio.create_task(bench.worker.run())
            await asyncio.sleep(0.05)
            bench.give(a_row("a"))
            bench.worker.hint()
            async with asyncio.timeout(0.8):
                while bench.row("a").state != "delivered":
                    await asyncio.sleep(0.01)
                bench.worker.stop()
                await running

        play(tmp_path, story)

    def test_that_a_slow_request_does_not_hold_up_the_next_rows(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="slow", seconds=2.0))
            bench.give(a_row("a", "unit-1"))
            running = asyncio.create_task(bench.worker.run())
            await asyncio.sleep(0.4)
            bench.give(a_row("b", "unit-2", critical=True))
            bench.worker.hint()
            async with asyncio.timeout(1.0):
                while bench.row("b").state != "delivered":
                    await asyncio.sleep(0.01)
            assert bench.row("a").state == "pending"
            bench.worker.stop()
            await running
            assert bench.row("a").state == "delivered"

        play(tmp_path, story, timeout_seconds=5.0)

    def test_that_a_backlog_is_sent_on_several_lanes(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(*[Trouble(kind="slow", seconds=0.2)] * 4)
            bench.give(*(a_row(f"a-{n}", f"unit-{n}") for n in range(20)))
            running = asyncio.create_task(bench.worker.run())
            async with asyncio.timeout(0.6):  # one after the other they would take 0.8 s
                while {row.state for row in bench.rows()} != {"delivered"}:
                    await asyncio.sleep(0.01)
            bench.worker.stop()
            await running

        play(tmp_path, story, batch_streams=5, timeout_seconds=5.0)

    def test_that_a_fault_of_the_store_ends_the_worker(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a"))
            bench.store.claim_streams = None  # type: ignore[assignment,method-assign]
            with pytest.raises(ExceptionGroup):
                await bench.worker.run()

        play(tmp_path, story)
