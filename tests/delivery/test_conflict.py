"""Somebody else wrote: theirs stays, ours is written, once."""

from pathlib import Path

import pytest

from service.delivery.capability import BUNDLE_LIMIT
from service.standin import Trouble
from tests.support.partners import (
    PARTNER,
    Bench,
    a_row,
    an_id,
    edit,
    held_there,
    play,
    put,
    three_streams,
)


class TestConflict:
    """409 and 412: re-read; the same content is done, else ours on top of theirs, once."""

    @pytest.mark.parametrize("status", [409, 412])
    def test_that_what_they_added_stays_and_what_we_own_is_ours(
        self, tmp_path: Path, status: int
    ) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.mismatch = status
            bench.give(a_row("a"))
            await bench.work()
            await edit(bench, "a", location={"display": "Larch"}, status="stopped")
            bench.give(a_row("a", version=2))
            await bench.work()
            held = await held_there(bench, "a")
            assert held["note"][0]["text"] == "a version 2"
            assert held["location"] == {"display": "Larch"}
            assert held["status"] == "completed"
            assert (bench.row("a", 2).state, bench.row("a", 2).etag) == ("delivered", 'W/"3"')

        play(tmp_path, story)

    def test_that_what_they_added_stays_in_every_later_version(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a"))
            await bench.work()
            await edit(bench, "a", location={"display": "Larch"})
            for version in (2, 3, 4):
                bench.give(a_row("a", version=version))
                await bench.work()
            held = await held_there(bench, "a")
            assert held["location"] == {"display": "Larch"}
            assert held["note"][0]["text"] == "a version 4"

        play(tmp_path, story)

    def test_that_what_we_took_away_does_not_come_back(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a", elements={"outcome": {"text": "first"}}))
            await bench.work()
            await edit(bench, "a", location={"display": "Larch"})
            bench.give(a_row("a", version=2))
            await bench.work()
            held = await held_there(bench, "a")
            assert "outcome" not in held
            assert "location" in held

        play(tmp_path, story)

    def test_that_a_conflict_in_a_bundle_costs_only_its_own_row(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            await bench.work()
            await edit(bench, "a-1", location={"display": "Larch"})
            bench.give(*(a_row(f"a-{n}", f"unit-{n}", version=2) for n in range(3)))
            await bench.work()
            assert len(bench.there("a-1")) == 3
            assert bench.there("a-0") == ["a-0 version 1", "a-0 version 2"]
            assert bench.store.learned(PARTNER).get(BUNDLE_LIMIT) is None

        play(tmp_path, story)

    def test_that_a_partner_that_lost_it_gets_it_again(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a"))
            await bench.work()
            bench.partner.shelf.forget("Procedure", an_id("a"))
            bench.give(a_row("a", version=2))
            await bench.work()
            assert bench.there("a") == ["a version 2"]
            assert bench.row("a", 2).state == "delivered"

        play(tmp_path, story)

    @pytest.mark.parametrize("status", [400, 412, 428])
    def test_that_a_partner_that_gives_no_etag_but_wants_one_is_read_first(
        self, tmp_path: Path, status: int
    ) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.etags = bench.knobs.locations = False
            bench.give(a_row("a"))
            await bench.work()
            assert bench.row("a").etag is None
            bench.knobs.etags, bench.knobs.without_match = True, status
            bench.give(a_row("a", version=2))
            await bench.work()
            assert bench.there("a") == ["a version 1", "a version 2"]

        play(tmp_path, story)

    def test_that_a_second_conflict_is_parked(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a"))
            await bench.work()
            bench.give(a_row("a", version=2))
            bench.knobs.befall(*[Trouble(kind="status", status=412)] * 2)
            await bench.work(rounds=3)
            assert bench.row("a", 2).state == "parked"
            assert "still refused" in (bench.row("a", 2).last_outcome or "")

        play(tmp_path, story)

    def test_that_a_newer_version_looks_first_when_none_was_acknowledged(
        self, tmp_path: Path
    ) -> None:
        """The first was parked because of what is there; the next must not erase it."""

        async def story(bench: Bench) -> None:
            stranger = {"resourceType": "Procedure", "id": an_id("a"), "status": "completed"}
            await put(bench, "a", stranger)
            bench.knobs.without_match = 412
            bench.give(a_row("a"))
            await bench.work(rounds=3)
            bench.knobs.without_match = None
            bench.give(a_row("a", version=2, critical=True))
            await bench.work(rounds=3)
            assert {row.state for row in bench.rows()} == {"parked"}
            assert len(bench.partner.history("Procedure", an_id("a"))) == 1

        play(tmp_path, story)

    def test_that_somebody_elses_resource_under_our_id_is_left_alone(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            stranger = {"resourceType": "Procedure", "id": an_id("a"), "status": "completed"}
            await put(bench, "a", stranger)
            bench.knobs.without_match = 412
            bench.give(a_row("a"))
            await bench.work(rounds=3)
            assert bench.row("a").state == "parked"
            assert len(bench.partner.history("Procedure", an_id("a"))) == 1

        play(tmp_path, story)
