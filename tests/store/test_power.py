"""What was acknowledged survives a loss of power, and nothing is acknowledged on a failing disk.

The disk of these tests forgets, keeps or tears what was not synced when the power goes. A disk
that lies about syncs is beyond what any database can promise.
"""

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from service.faults import CRASHED
from service.store.sqlite import open_store
from tests.support.committing import parts_of
from tests.support.power import VARIABLE
from tests.support.stored import FACILITY

ROOT = Path(__file__).parents[2]
COUNT = 24
FIRST_WRITE = 190  # the schema is there by then
CUTS = range(FIRST_WRITE, FIRST_WRITE + 700, 35)


def run(path: Path, **plan: Any) -> tuple[int, list[tuple[str, int]]]:
    """(exit code, what was told in order: ``ack`` or ``refused`` and the number)."""
    environment = {**os.environ, VARIABLE: json.dumps(plan), "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "tests.support.power", str(path), "0", str(COUNT)]
    ran = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False, timeout=60
    )
    assert ran.returncode in (0, CRASHED), ran.stderr
    told = re.findall(r"^(ack|refused) (\d+)$", ran.stdout, re.M)
    return ran.returncode, [(word, int(number)) for word, number in told]


def lost(path: Path, told: list[tuple[str, int]]) -> set[int]:
    """Acknowledged changes that are not there whole; all of them when the file is damaged."""
    acknowledged = {number for word, number in told if word == "ack"}
    store = open_store(path)
    sound = store.damage() is None and store.audit_fault(FACILITY) is None
    whole = {n for n in range(COUNT) if all(parts_of(store, n))} if sound else set()
    torn = {n for n in range(COUNT) if any(parts_of(store, n))} - whole if sound else set()
    store.close()
    return (acknowledged - whole) | torn


class TestPowerCut:
    """The power goes at a write: of the log, of the database, between two syncs."""

    @pytest.mark.parametrize("cut", CUTS)
    def test_loses_nothing_acknowledged(self, tmp_path: Path, cut: int) -> None:
        path = tmp_path / "events.sqlite3"
        code, told = run(path, cut=cut, seed=cut)
        assert code == CRASHED
        assert lost(path, told) == set()

    def test_would_be_noticed_without_a_sync_at_each_commit(self, tmp_path: Path) -> None:
        """A rig that cannot fail proves nothing: with the setting that guides to speed advise,
        the same cuts lose what was acknowledged.
        """
        found = 0
        for cut in CUTS[::4]:
            path = tmp_path / f"{cut}.sqlite3"
            _, told = run(path, cut=cut, seed=cut, synchronous=1)
            found += bool(lost(path, told))
        assert found > 0


class TestFailingDisk:
    """A sync that fails is the end of every promise."""

    @pytest.mark.parametrize("for_ever", [True, False])
    @pytest.mark.parametrize("fail", [9, 14, 20])
    def test_acknowledges_nothing_afterwards(
        self, tmp_path: Path, fail: int, for_ever: bool
    ) -> None:
        path = tmp_path / "events.sqlite3"
        code, told = run(path, fail=fail, for_ever=for_ever)
        assert code == 0
        words = [word for word, _ in told]
        assert "refused" in words
        assert "ack" not in words[words.index("refused") :]
        assert lost(path, told) == set()
