"""What a partner refuses is parked with its words and holds up nothing else."""

from pathlib import Path

import pytest

from service.delivery.lines import OVERTOOK
from service.standin import Knobs, Trouble
from tests.support.partners import Bench, a_row, an_id, play, release, three_streams


class TestRefusal:
    """A refused row is parked with the partner's words; it holds only later rows of its stream."""

    @pytest.mark.parametrize("status", [400, 404, 422])
    def test_that_the_culprit_is_found_and_the_rest_flows(
        self, tmp_path: Path, status: int
    ) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.refuse_ids[an_id("a-1")] = status
            bench.give(*three_streams())
            await bench.work(rounds=3)
            states = {row.key: row.state for row in bench.rows()}
            assert states.pop("a-1") == "parked"
            assert states.pop("b-1") == "pending"
            assert set(states.values()) == {"delivered"}
            assert "This Procedure is not taken here." in (bench.row("a-1").last_outcome or "")
            assert bench.row("b-1").attempts == 0

        play(tmp_path, story)

    def test_that_a_critical_row_overtakes_and_is_flagged(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.refuse_ids[an_id("a")] = 422
            bench.give(a_row("a"), a_row("b"), a_row("c", critical=True))
            await bench.work(rounds=3)
            assert [row.state for row in bench.rows()] == ["parked", "pending", "delivered"]
            assert bench.row("c").flagged == OVERTOOK
            bench.give(a_row("d", version=2, critical=True), a_row("e", version=2))
            await bench.work(rounds=3)
            assert (bench.row("d", 2).state, bench.row("d", 2).flagged) == ("delivered", OVERTOOK)
            assert bench.row("e", 2).state == "pending"

        play(tmp_path, story)

    def test_that_a_parked_row_that_is_let_go_lets_its_stream_go(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.refuse_ids[an_id("a")] = 422
            bench.give(a_row("a"), a_row("b"))
            await bench.work(rounds=3)
            bench.knobs.refuse_ids.clear()
            release(bench, bench.row("a"))
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}

        play(tmp_path, story)

    def test_that_streams_behind_no_parked_row_are_not_starved_by_parked_ones(
        self, tmp_path: Path
    ) -> None:
        async def story(bench: Bench) -> None:
            for n in range(3):
                bench.knobs.refuse_ids[an_id(f"bad-{n}")] = 422
                bench.give(a_row(f"bad-{n}", f"unit-{n}"), a_row(f"held-{n}", f"unit-{n}"))
            await bench.work(rounds=3)
            bench.give(a_row("good", "unit-9"))
            await bench.work(rounds=3)
            assert bench.row("good").state == "delivered"

        play(tmp_path, story, batch_streams=2)

    def test_that_a_refused_type_holds_up_no_other(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.refuse["AdverseEvent"] = 404
            bench.give(a_row("p", "unit-1"), a_row("e", "unit-2", type="AdverseEvent"))
            await bench.work(rounds=3)
            assert [row.state for row in bench.rows()] == ["delivered", "parked"]

        play(tmp_path, story)

    def test_that_a_renumbered_resource_is_not_repeated(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a"))
            await bench.work(rounds=3)
            assert bench.row("a").state == "parked"
            assert bench.partner.summary()["versions"] == 1

        play(tmp_path, story, Knobs(renumbers=True))

    def test_that_ids_refused_are_parked_for_a_person(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a", "unit-1"), a_row("b", "unit-2"))
            await bench.work(rounds=3)
            assert {row.state for row in bench.rows()} == {"parked"}

        play(tmp_path, story, Knobs(update_as_create=False, statement="silent"))


class TestYesAndNo:
    """200 with an OperationOutcome error: what is there decides."""

    def test_that_a_row_that_is_not_there_is_parked_with_the_words(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(*[Trouble(kind="error-200")] * 3)
            bench.give(a_row("a", "unit-1"), a_row("b", "unit-2"))
            await bench.work(rounds=5)
            assert {row.state for row in bench.rows()} == {"parked"}
            assert "This was not stored." in (bench.row("a").last_outcome or "")

        play(tmp_path, story)

    def test_that_one_lie_is_survived(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="error-200"))
            bench.give(*three_streams())
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert [row.state for row in bench.rows()].count("delivered") == 6

        play(tmp_path, story)
