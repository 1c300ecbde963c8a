"""Connections keep the durability profile, or the store refuses to start."""

from pathlib import Path
from threading import Timer

import apsw
import pytest

from service.errors import StoreError, StoreUnfit
from service.store.sqlite import SqliteStore, open_store
from service.store.sqlite.connection import check_place, check_version, connect, reading

# The write-ahead log with a sync at each commit, and refusal of what has corrupted databases
# before (sqlite.org: PRAGMA statements, "Write-Ahead Logging", "How To Corrupt").
PROFILE = {
    "journal_mode": "wal",
    "synchronous": 2,
    "foreign_keys": 1,
    "trusted_schema": 0,
    "cell_size_check": 1,
    "mmap_size": 0,
    "busy_timeout": 5000,
    "temp_store": 2,
}


@pytest.fixture
def path(tmp_path: Path) -> str:
    return str(tmp_path / "events.sqlite3")


class TestSettings:
    """Every connection has every setting, read back."""

    @pytest.mark.parametrize("opens", [connect, reading])
    @pytest.mark.parametrize(("name", "value"), PROFILE.items(), ids=PROFILE)
    def test_are_as_promised(self, path: str, opens: object, name: str, value: object) -> None:
        connect(path).close()
        connection = reading(path) if opens is reading else connect(path)
        assert connection.execute(f"PRAGMA {name}").get == value

    def test_are_demanded_of_the_database(self) -> None:
        """A database in memory cannot have a write-ahead log."""
        with pytest.raises(StoreUnfit, match="journal_mode = memory; wal is needed"):
            connect(":memory:")

    def test_of_a_reader_forbid_writing(self, path: str) -> None:
        open_store(path).close()
        with pytest.raises(apsw.ReadOnlyError):
            reading(path).execute("DELETE FROM fact").fetchall()


class TestVersion:
    """Below 3.51.3 several connections in WAL mode may corrupt a database (sqlite.org, 3.51.3)."""

    @pytest.mark.parametrize("text", ["3.40.1", "3.51.2", "3.7.0"])
    def test_is_refused(self, text: str) -> None:
        with pytest.raises(StoreUnfit):
            check_version(text)

    @pytest.mark.parametrize("text", ["3.51.3", "3.52.0", "3.100.0", "4.0.0"])
    def test_is_taken(self, text: str) -> None:
        check_version(text)

    def test_of_the_library_in_use_is_taken(self) -> None:
        check_version(apsw.sqlite_lib_version())


class TestPlace:
    """The file lies on a local disk."""

    MOUNTS = (
        "/dev/a / ext4 rw 0 0\nserver:/x {place} {kind} rw 0 0\ntmpfs {place}/deep tmpfs rw 0 0\n"
    )

    def mounts(self, tmp_path: Path, kind: str) -> Path:
        told = tmp_path / "mounts"
        told.write_text(self.MOUNTS.format(place=tmp_path / "far", kind=kind), encoding="utf-8")
        return told

    @pytest.mark.parametrize("kind", ["nfs", "nfs4", "cifs", "fuse.sshfs"])
    def test_over_a_network_is_refused(self, tmp_path: Path, kind: str) -> None:
        mounts = self.mounts(tmp_path, kind)
        with pytest.raises(StoreUnfit, match=kind):
            check_place(str(tmp_path / "far" / "events.sqlite3"), mounts)
        check_place(str(tmp_path / "near" / "events.sqlite3"), mounts)
        check_place(str(tmp_path / "far" / "deep" / "events.sqlite3"), mounts)

    def test_is_not_judged_where_mounts_cannot_be_listed(self, tmp_path: Path) -> None:
        check_place(str(tmp_path / "events.sqlite3"), tmp_path / "no-such-list")


class TestOpening:
    """What is no database of ours is refused before anything is written to it."""

    def test_refuses_a_file_that_is_no_database(self, tmp_path: Path) -> None:
        path = tmp_path / "notes.txt"
        path.write_text("not a database, whatever its name\n" * 200, encoding="utf-8")
        before = path.read_bytes()
        with pytest.raises(StoreUnfit):
            open_store(path)
        assert path.read_bytes() == before

    def test_refuses_a_folder_that_does_not_exist(self, tmp_path: Path) -> None:
        with pytest.raises(StoreUnfit):
            open_store(tmp_path / "nowhere" / "events.sqlite3")

    def test_reads_in_another_thread_are_refused_after_the_close(self, path: str) -> None:
        store: SqliteStore = open_store(path)
        store.next_due()
        store.close()
        with pytest.raises(StoreError):
            store.next_due()


class TestAtOnce:
    """A new file may be opened by several processes at the same moment."""

    def test_waits_while_another_makes_the_file_a_log_database(self, path: str) -> None:
        """SQLite answers busy at once: to wait could be a deadlock (sqlite.org, busy_handler)."""
        other = apsw.Connection(path)
        other.execute("CREATE TABLE one (x)").fetchall()
        other.execute("BEGIN IMMEDIATE; INSERT INTO one VALUES (1)").fetchall()
        going_on = Timer(0.3, lambda: other.execute("COMMIT").fetchall())
        going_on.start()
        connection = connect(path)
        going_on.join()
        assert connection.execute("PRAGMA journal_mode").get == "wal"
