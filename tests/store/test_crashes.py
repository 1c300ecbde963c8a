"""What was acknowledged is there after the process was killed, whole; what was not, is or is not.

A killed process leaves the operating system to write its pages, so that these tests prove the
order of commit and acknowledgement and that nothing is torn; lost writes are in test_power.py.
"""

import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

from service.faults import CRASHED, POINTS, VARIABLE
from service.store.sqlite import open_store
from tests.support.committing import parts_of
from tests.support.stored import FACILITY, a_version, commit

ROOT = Path(__file__).parents[2]
COUNT = 24
OWN_POINTS = ("commit-before-begin", "commit-after-write", "commit-before-end", "commit-after-end")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "events.sqlite3"


def started(path: Path, *arguments: str, crash_at: str | None = None) -> "subprocess.Popen[str]":
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    if crash_at is not None:
        environment[VARIABLE] = crash_at
    command = [sys.executable, "-m", "tests.support.committing", str(path), *arguments]
    return subprocess.Popen(
        command,
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ended(process: "subprocess.Popen[str]") -> tuple[int, set[int]]:
    """(exit code, numbers that were acknowledged)."""
    told, errors = process.communicate(timeout=60)
    assert process.returncode in (0, CRASHED, -9), errors
    return process.returncode, {int(n) for n in re.findall(r"^(?:ack|sent) (\d+)$", told, re.M)}


def check(path: Path, acknowledged: set[int]) -> set[int]:
    """Every acknowledged change is there, none is torn. Returns those that are there."""
    store = open_store(path)
    assert store.damage() is None
    assert store.audit_fault(FACILITY) is None
    whole = {n for n in range(COUNT) if all(parts_of(store, n))}
    torn = {n for n in range(COUNT) if any(parts_of(store, n))} - whole
    store.close()
    assert torn == set()
    assert acknowledged <= whole
    return whole


class TestNamedPoints:
    """The process ends at a named point, at one of its first arrivals there."""

    @pytest.mark.parametrize("arrival", [1, 2, 7])
    @pytest.mark.parametrize("point", OWN_POINTS)
    def test_lose_nothing_acknowledged_and_leave_nothing_torn(
        self, path: Path, point: str, arrival: int
    ) -> None:
        assert point in POINTS
        code, acknowledged = ended(started(path, "0", str(COUNT), crash_at=f"{point}:{arrival}"))
        assert code == CRASHED
        kept = check(path, acknowledged)
        assert kept < set(range(COUNT))

    def test_after_the_commit_keep_more_than_was_acknowledged(self, path: Path) -> None:
        """The caller will ask again; the keys of what is stored tell that it is there."""
        _, acknowledged = ended(started(path, "0", str(COUNT), crash_at="commit-after-end:3"))
        assert check(path, acknowledged) > acknowledged

    def test_before_the_end_keep_no_more_than_was_acknowledged(self, path: Path) -> None:
        _, acknowledged = ended(started(path, "0", str(COUNT), crash_at="commit-before-end:3"))
        assert check(path, acknowledged) == acknowledged

    def test_within_a_record_leave_the_row_in_its_claim(self, path: Path) -> None:
        ended(started(path, "0", str(COUNT)))
        code, sent = ended(started(path, "deliver", crash_at="record-before-end:5"))
        assert code == CRASHED
        store = open_store(path)
        delivered = {row.id for row in store.outbox(states=["delivered"], limit=99)}
        assert sent == delivered
        assert len(sent) == 4
        assert [len(store.attempts(id)) for id in sorted(delivered)] == [1] * 4
        store.close()

    def test_within_a_migration_leave_nothing_of_it(self, path: Path) -> None:
        code, _ = ended(started(path, "0", "2", crash_at="migrate-before-end:1"))
        assert code == CRASHED
        code, acknowledged = ended(started(path, "0", "2"))
        assert (code, acknowledged) == (0, {0, 1})

    def test_within_a_backup_leave_no_copy_under_its_name(self, path: Path) -> None:
        store = open_store(path)
        commit(store, resources=(a_version(body=b"x" * 5_000_000),))
        store.close()
        copy = path.with_name("copy.sqlite3")
        script = (
            "from service.store.sqlite import open_store;"
            f"open_store({str(path)!r}).backup({str(copy)!r})"
        )
        environment = {**os.environ, VARIABLE: "backup-between-steps:1", "PYTHONPATH": str(ROOT)}
        ran = subprocess.run([sys.executable, "-c", script], env=environment, check=False)
        assert ran.returncode == CRASHED
        assert not copy.exists()
        store = open_store(path)
        store.backup(copy)
        store.close()
        assert copy.exists()


class TestKilled:
    """The process is killed at any moment, again and again, on one database."""

    def test_loses_nothing_acknowledged_over_many_kills(self, path: Path) -> None:
        acknowledged: set[int] = set()
        first = 0
        for wait in (0.01, 0.03, 0.05, 0.02, 0.04):
            process = started(path, str(first), str(COUNT))
            assert process.stdout is not None
            heard = process.stdout.readline()
            time.sleep(wait)
            process.kill()
            _, more = ended(process)
            acknowledged |= more | {int(n) for n in re.findall(r"\d+", heard)}
            first += COUNT
        store = open_store(path)
        assert store.damage() is None
        assert store.audit_fault(FACILITY) is None
        for number in range(first):
            parts = parts_of(store, number)
            assert all(parts) or (not any(parts) and number not in acknowledged)
        store.close()


class TestUnarmed:
    """Without the variable, and at other points, nothing happens."""

    def test_does_nothing(self, path: Path) -> None:
        assert ended(started(path, "0", "4"))[0] == 0
        assert ended(started(path, "4", "4", crash_at="deliver-after-send:1"))[0] == 0
