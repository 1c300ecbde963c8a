"""Processes that share a database file write in turns: none waits while another goes twice.

Not from a published source: SQLite's own waiting is by pauses, and unfair under load.
"""

import multiprocessing
import threading
import time
from multiprocessing.synchronize import Event
from pathlib import Path

from service.store.sqlite.turn import AnyTurn, turn_at


def _hold(path: str, held: Event, let_go: Event) -> None:
    turn = turn_at(path)
    turn.take()
    held.set()
    let_go.wait(10)
    turn.give()


def _hold_for_ever(path: str, held: Event) -> None:
    turn_at(path).take()
    held.set()
    time.sleep(60)


def _write_often(path: str, begun: Event, stop: Event) -> None:
    """Takes turn after turn without a pause, each a fiftieth of a second long."""
    turn = turn_at(path)
    while not stop.is_set():
        turn.take()
        begun.set()
        time.sleep(0.02)
        turn.give()


class TestFileTurn:
    def test_another_process_waits_until_the_turn_is_given_back(self, tmp_path: Path) -> None:
        spawn = multiprocessing.get_context("spawn")
        held, let_go = spawn.Event(), spawn.Event()
        path = str(tmp_path / "events.sqlite3")
        other = spawn.Process(target=_hold, args=(path, held, let_go))
        other.start()
        assert held.wait(10)
        turn, got = turn_at(path), threading.Event()
        waiter = threading.Thread(target=lambda: (turn.take(), got.set()))
        waiter.start()

        assert not got.wait(0.2)
        let_go.set()
        assert got.wait(10)
        waiter.join()
        other.join(10)
        turn.give()
        turn.close()

    def test_a_process_that_dies_gives_its_turn_back(self, tmp_path: Path) -> None:
        spawn = multiprocessing.get_context("spawn")
        held = spawn.Event()
        path = str(tmp_path / "events.sqlite3")
        other = spawn.Process(target=_hold_for_ever, args=(path, held))
        other.start()
        assert held.wait(10)
        other.kill()
        other.join(10)
        turn = turn_at(path)
        turn.take()
        turn.give()
        turn.close()

    def test_who_waits_comes_before_who_wrote_last(self, tmp_path: Path) -> None:
        spawn = multiprocessing.get_context("spawn")
        begun, stop = spawn.Event(), spawn.Event()
        path = str(tmp_path / "events.sqlite3")
        other = spawn.Process(target=_write_often, args=(path, begun, stop))
        other.start()
        assert begun.wait(10)
        turn, waits = turn_at(path), []
        for _ in range(10):
            asked = time.monotonic()
            turn.take()
            waits.append(time.monotonic() - asked)
            turn.give()
        stop.set()
        other.join(10)
        turn.close()

        assert sorted(waits)[5] < 0.1


def test_any_turn_waits_for_nobody() -> None:
    turn = AnyTurn()
    turn.take()
    turn.take()
    turn.give()
    turn.close()
