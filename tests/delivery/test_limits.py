"""What a partner cannot do is learned from its answers and remembered."""

from pathlib import Path

import pytest

from service.delivery.capability import BUNDLE_LIMIT, NO_TRANSACTION, NOT_ATOMIC, PAUSED
from service.standin import Knobs, Trouble
from tests.support.partners import PARTNER, Bench, a_row, an_id, play, three_streams


class TestLimits:
    """Too many entries: halve and remember; no transactions: singly; not atomic: not again."""

    @pytest.mark.parametrize("status", [413, 400])
    def test_that_a_limit_is_found_by_halving(self, tmp_path: Path, status: int) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*(a_row(f"a-{n}", f"unit-{n}") for n in range(20)))
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert bench.store.learned(PARTNER)[BUNDLE_LIMIT] == "5"
            before = len(bench.writes())
            bench.give(*(a_row(f"b-{n}", f"unit-{n}") for n in range(10)))
            await bench.work()
            assert [n for _, _, n in bench.writes()[before:]] == [5, 5]

        play(tmp_path, story, Knobs(most_entries=8, limit_status=status))

    def test_that_a_long_stream_is_cut_in_order(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*(a_row(f"a-{n}") for n in range(9)))
            await bench.work()
            order = [id_ for _, id_ in bench.partner.shelf.places()]
            assert order == [an_id(f"a-{n}") for n in range(9)]

        play(tmp_path, story, Knobs(most_entries=3))

    def test_that_a_limit_without_words_is_found_by_what_passes(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.befall(Trouble(kind="status", status=422))
            bench.give(*(a_row(f"a-{n}", f"unit-{n}") for n in range(8)))
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert bench.store.learned(PARTNER)[BUNDLE_LIMIT] == "4"

        play(tmp_path, story)

    @pytest.mark.parametrize("status", [405, 501])
    def test_that_rows_go_singly_where_there_are_no_transactions(
        self, tmp_path: Path, status: int
    ) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert [method for method, _, _ in bench.writes()] == ["POST"] + ["PUT"] * 6
            assert NO_TRANSACTION in bench.store.learned(PARTNER)

        knobs = Knobs(transactions="absent", absent_status=status, statement="silent")
        play(tmp_path, story, knobs)

    def test_that_a_statement_that_says_so_is_believed(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            await bench.work()
            assert {method for method, _, _ in bench.writes()} == {"PUT"}
            first = [path for _, path, _ in bench.writes() if an_id("a-0") in path]
            assert len(first) == 1

        play(tmp_path, story, Knobs(transactions="absent"))

    def test_that_a_transaction_taken_in_part_is_not_sent_again(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.refuse_ids[an_id("a-1")] = 400
            bench.give(*three_streams())
            await bench.work(rounds=3)
            states = {row.key: row.state for row in bench.rows()}
            assert states.pop("a-1") == "parked"
            assert set(states.values()) == {"delivered"}
            assert NOT_ATOMIC in bench.store.learned(PARTNER)
            assert {len(bench.there(key)) for key in states} == {1}
            assert [method for method, _, _ in bench.writes()].count("POST") == 1

        play(tmp_path, story, Knobs(transactions="batch"))

    def test_that_entries_answered_in_another_order_are_all_ours(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}

        play(tmp_path, story, Knobs(reversed_entries=True))

    def test_that_an_operator_can_let_a_limit_be_forgotten(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            await bench.work()
            bench.knobs.most_entries = None
            bench.store.learn(PARTNER, BUNDLE_LIMIT, None).result()
            bench.give(*(a_row(f"c-{n}", f"unit-{n}") for n in range(9)))
            await bench.work()
            assert bench.writes()[-1] == ("POST", "/", 9)

        play(tmp_path, story, Knobs(most_entries=4))

    def test_that_a_changed_statement_drops_what_was_learned(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(*three_streams())
            await bench.work()
            assert bench.store.learned(PARTNER)[BUNDLE_LIMIT] == "3"
            bench.knobs.most_entries, bench.knobs.software = None, "stand-in 2"
            bench.pass_time(25 * 3600)
            bench.give(*(a_row(f"c-{n}", f"unit-{n}") for n in range(5)))
            await bench.work()
            assert bench.writes()[-1] == ("POST", "/", 5)
            assert BUNDLE_LIMIT not in bench.store.learned(PARTNER)

        play(tmp_path, story, Knobs(most_entries=4))


class TestPaused:
    """401, 403, a redirect: nothing passes until somebody acts; it is said, and tried again."""

    def test_that_a_wrong_credential_pauses_the_partner_visibly(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.knobs.credential = "rotated"
            bench.give(a_row("a"), a_row("b", critical=True))
            await bench.worker.once()
            assert {row.state for row in bench.rows()} == {"pending"}
            assert "not-permitted" in bench.store.learned(PARTNER)[PAUSED]
            await bench.work(rounds=5)
            assert len(bench.writes()) < 12
            bench.knobs.credential = None
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            assert PAUSED not in bench.store.learned(PARTNER)

        play(tmp_path, story)

    @pytest.mark.parametrize("status", [301, 302, 307, 308, 403, 404])
    def test_that_a_wrong_address_parks_nothing(self, tmp_path: Path, status: int) -> None:
        async def story(bench: Bench) -> None:
            trouble = Trouble(kind="status", status=status, outcome=False)
            bench.knobs.befall(*[trouble] * 4)
            bench.give(*three_streams())
            await bench.worker.once()
            assert {row.state for row in bench.rows()} == {"pending"}
            assert PAUSED in bench.store.learned(PARTNER)
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}

        play(tmp_path, story)

    def test_that_a_partner_of_another_release_gets_nothing(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.partner.release = "R5"
            bench.give(a_row("a"))
            await bench.worker.once()
            assert bench.writes() == []
            assert "5.0.0" in bench.store.learned(PARTNER)[PAUSED]
            bench.partner.release = "R4"
            await bench.work()
            assert bench.row("a").state == "delivered"

        play(tmp_path, story)
