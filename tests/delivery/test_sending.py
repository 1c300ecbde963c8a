"""One transaction for many streams, in order, and nothing repeated that may have arrived."""

import asyncio
from datetime import timedelta
from pathlib import Path

import pytest

from service.standin import Trouble
from tests.support.partners import PARTNER, Bench, a_row, an_id, play, release, three_streams


class TestOneTransaction:
    """Rung A: one transaction of ``PUT Type/uuid`` carries the rows of many streams."""

    def test_that_many_streams_go_together(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            assert await bench.worker.once() == 3
            assert bench.writes() == [("POST", "/", 6)]
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert {row.etag for row in bench.rows()} == {'W/"1"'}
            assert bench.worker.counts == {"delivered": 6}

        play(tmp_path, story)

    def test_that_a_request_carries_at_most_the_streams_the_settings_say(
        self, tmp_path: Path
    ) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            await bench.work()
            assert [entries for _, _, entries in bench.writes()] == [4, 2]

        play(tmp_path, story, batch_streams=2)

    def test_that_nothing_to_send_sends_nothing(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            assert await bench.worker.once() == 0
            assert bench.writes() == []

        play(tmp_path, story)


class TestOrder:
    """Versions reach the partner in order, each once; a later one carries the ETag we saw."""

    def test_that_a_second_version_waits_for_the_first(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a"))
            bench.knobs.befall(Trouble(kind="drop-after"))
            await bench.worker.once()
            bench.give(a_row("a", version=2), a_row("b", version=2))
            await bench.work()
            assert bench.there("a") == ["a version 1", "a version 2"]
            assert bench.there("b") == ["b version 2"]

        play(tmp_path, story)

    def test_that_the_rows_of_one_commit_go_together(self, tmp_path: Path) -> None:
        """A second version waits for the first, and with it what was decided at the same time."""

        async def story(bench: Bench) -> None:
            bench.give(a_row("a"), a_row("b"))
            bench.knobs.befall(Trouble(kind="drop-before"))
            await bench.worker.once()
            bench.give(a_row("c", version=2), a_row("a", version=2), a_row("d", version=2))
            await bench.work()
            assert [entries for _, _, entries in bench.writes()] == [2, 2, 3]

        play(tmp_path, story)

    def test_that_an_older_version_never_follows_a_newer_one(self, tmp_path: Path) -> None:
        """Measured: a late replay of version 1 overwrites version 2 on every server."""

        async def story(bench: Bench) -> None:
            bench.knobs.refuse_ids[an_id("a")] = 422
            bench.give(a_row("a"))
            await bench.work()
            bench.knobs.refuse_ids.clear()
            bench.give(a_row("a", version=2, critical=True))
            await bench.work()
            first = bench.row("a")
            assert first.state == "parked"
            release(bench, first)
            await bench.work()
            assert bench.row("a").state == "superseded"
            assert bench.there("a") == ["a version 2"]

        play(tmp_path, story)

    def test_that_a_version_that_never_left_is_replaced_by_the_newer_one(
        self, tmp_path: Path
    ) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a"))
            bench.give(a_row("a", version=2))
            await bench.work()
            assert bench.there("a") == ["a version 2"]
            assert bench.row("a").state == "superseded"

        play(tmp_path, story)


class TestUnknownOutcome:
    """Wait the settle time, look, only then repeat; never on another rung."""

    @pytest.mark.parametrize(
        "trouble",
        [
            Trouble(kind="drop-after"),
            Trouble(kind="html"),
            Trouble(kind="accepted"),
            Trouble(kind="slow", seconds=0.7),
        ],
        ids=lambda trouble: trouble.kind,
    )
    def test_that_what_arrived_is_not_sent_again(self, tmp_path: Path, trouble: Trouble) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(trouble)
            bench.give(*three_streams())
            await bench.worker.once()
            assert {row.state for row in bench.rows()} == {"sent"}
            await asyncio.sleep(trouble.seconds)
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert bench.writes() == [("POST", "/", 6)]
            assert bench.looks() == 6

        play(tmp_path, story)

    @pytest.mark.parametrize(
        "trouble",
        [Trouble(kind="drop-before"), *(Trouble(kind="status", status=s) for s in (500, 502, 504))],
        ids=lambda trouble: f"{trouble.kind}-{trouble.status}",
    )
    def test_that_what_did_not_arrive_is_sent_again(self, tmp_path: Path, trouble: Trouble) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(trouble)
            bench.give(*three_streams())
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert bench.writes()[0] == ("POST", "/", 6)
            for n in range(3):
                assert bench.there(f"a-{n}") == [f"a-{n} version 1"]
            assert bench.worker.knowledge.takes_bundles

        play(tmp_path, story)

    def test_that_it_is_not_looked_for_before_the_settle_time(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="drop-after"))
            bench.give(a_row("a"))
            await bench.worker.once()
            bench.pass_time(4.9)
            assert await bench.worker.once() == 0
            assert bench.looks() == 0
            bench.pass_time(0.2)
            assert await bench.worker.once() == 1
            assert bench.looks() == 1

        play(tmp_path, story, settle_seconds=5.0)

    def test_that_a_claim_that_lapsed_unrecorded_counts_as_unknown(self, tmp_path: Path) -> None:
        """A process that died between sending and recording."""

        async def story(bench: Bench) -> None:
            bench.give(a_row("a"))
            lease = bench.clock.now() + timedelta(seconds=5)
            claim = bench.store.claim_streams(PARTNER, bench.clock.now(), limit=9, lease=lease)
            [[row]] = claim.result()
            await bench.link.put(row.type, row.resource_id, row.body)
            bench.pass_time(6)
            await bench.work()
            assert bench.row("a").state == "delivered"
            assert bench.there("a") == ["a version 1"]

        play(tmp_path, story)

    def test_that_a_partner_that_cannot_be_read_gets_the_same_put_again(
        self, tmp_path: Path
    ) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="drop-after"))
            bench.knobs.read_troubles.append(Trouble(kind="status", status=405))
            bench.give(a_row("a"))
            await bench.work()
            assert bench.row("a").state == "delivered"
            assert len(bench.there("a")) == 2

        play(tmp_path, story)

    def test_that_a_look_that_fails_settles_nothing(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="drop-after"))
            bench.knobs.read_troubles.append(Trouble(kind="status", status=503))
            bench.give(a_row("a"), a_row("b"))
            await bench.worker.once()
            bench.pass_time(5)
            await bench.worker.once()
            assert bench.row("a").state == "sent"
            await bench.work()
            assert bench.writes() == [("POST", "/", 2)]

        play(tmp_path, story)
