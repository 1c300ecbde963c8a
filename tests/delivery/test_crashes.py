"""A power switch at every point between claiming and recording: nothing lost, nothing doubled.

A process of its own delivers to a stand-in that keeps what it acknowledged in a file of its own,
and dies at a named point. A second process takes over when the lease has run out.
"""

import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from service.faults import CRASHED, VARIABLE
from tests.support.partners import START, Bench, play, three_streams

POINTS = (
    "deliver-before-send",
    "deliver-after-send",
    "record-before-end",
    "record-after-end",
    "commit-before-end",
    "commit-after-end",
)
FIRST_LIFE = """
import asyncio, sys
from pathlib import Path
from tests.support.partners import a_bench, three_streams

async def run():
    folder = Path(sys.argv[1])
    async with a_bench(folder, keep=folder / "witness.sqlite3") as bench:
        bench.knobs.transactions = sys.argv[2]
        bench.give(*three_streams())
        while await bench.worker.once():
            pass

asyncio.run(run())
"""
LATER = START + timedelta(minutes=5)


def first_life(folder: Path, transactions: str, crash_at: str) -> int:
    """Runs the first process; returns its exit code."""
    command = [sys.executable, "-c", FIRST_LIFE, str(folder), transactions]
    environment = os.environ | {VARIABLE: crash_at, "PYTHONPATH": os.getcwd()}
    return subprocess.run(command, env=environment, check=False, timeout=60).returncode


class TestAtEveryPoint:
    """Once accepted, delivered once, whatever the process does."""

    @pytest.mark.parametrize(("transactions", "count"), [("atomic", 1), ("absent", 3)])
    @pytest.mark.parametrize("point", POINTS)
    def test_that_each_row_is_at_the_partner_once(
        self, tmp_path: Path, point: str, count: int, transactions: str
    ) -> None:
        assert first_life(tmp_path, transactions, f"{point}:{count}") == CRASHED

        async def second_life(bench: Bench) -> None:
            if not bench.rows():  # it died before the rows were committed: nothing was promised
                bench.give(*three_streams())
            await bench.work()
            assert {row.state for row in bench.rows()} == {"delivered"}
            for row in bench.rows():
                assert bench.there(row.key) == [f"{row.key} version 1"]

        play(tmp_path, second_life, keep=tmp_path / "witness.sqlite3", start=LATER)
