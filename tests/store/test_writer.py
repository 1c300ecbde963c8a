"""One writer per process: groups what is waiting, syncs once, and tells every caller the truth."""

import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import apsw
import pytest

from service.errors import Overloaded, Stale, StoreError
from service.store.port import Change
from service.store.sqlite import open_store
from service.store.sqlite.connection import connect
from service.store.sqlite.writer import LARGEST_GROUP, Work, Writer
from tests.support.stored import FACILITY, a_state, a_version, done

ADD = "INSERT INTO kept (name) VALUES (?)"
PAGE = 4096


@pytest.fixture
def path(tmp_path: Path) -> str:
    return str(tmp_path / "kept.sqlite3")


@pytest.fixture
def connection(path: str) -> apsw.Connection:
    made = connect(path)
    made.execute(
        "CREATE TABLE kept (name TEXT PRIMARY KEY, size INTEGER CHECK (size > 0), "
        "other TEXT REFERENCES kept (name) DEFERRABLE INITIALLY DEFERRED)"
    )
    return made


@pytest.fixture
def writer(connection: apsw.Connection) -> Iterator[Writer]:
    made = Writer(connection)
    yield made
    made.close()


def add(name: str) -> Work:
    return lambda connection: connection.execute(ADD, (name,)).fetchall()


def kept(path: str) -> set[str]:
    other = apsw.Connection(path)
    names = {str(row[0]) for row in other.execute("SELECT name FROM kept")}
    other.close()
    return names


def together(writer: Writer, *pieces: Work) -> "list[Future[Any]]":
    """Submits pieces while the writer is busy, so that they wait together."""
    busy, go = threading.Event(), threading.Event()

    def hold(connection: apsw.Connection) -> None:
        busy.set()
        go.wait(timeout=30)

    first = writer.submit(hold)
    busy.wait(timeout=30)
    futures = [writer.submit(piece) for piece in pieces]
    go.set()
    done(first)
    return futures


def outcome(future: "Future[Any]") -> type[BaseException] | None:
    error = future.exception(timeout=30)
    return None if error is None else type(error)


class TestGroupCommit:
    """Group commit takes what is waiting, without an artificial wait."""

    def test_commits_what_waits_together_once(self, writer: Writer, path: str) -> None:
        names = [f"n{number}" for number in range(LARGEST_GROUP)]
        for future in together(writer, *map(add, names)):
            done(future)
        assert writer.counts.commits == 2
        assert writer.counts.written == LARGEST_GROUP + 1
        assert kept(path) == set(names)

    def test_has_a_largest_group_so_that_the_first_does_not_wait_for_the_last(
        self, writer: Writer
    ) -> None:
        futures = together(writer, *(add(f"n{number}") for number in range(2 * LARGEST_GROUP + 1)))
        for future in futures:
            done(future)
        assert writer.counts.commits == 1 + 3

    def test_needs_far_fewer_commits_than_changes_under_load(self, tmp_path: Path) -> None:
        store = open_store(tmp_path / "events.sqlite3")
        changes = [
            Change(
                facility=FACILITY,
                people=(a_state(f"p{number}"),),
                resources=(a_version(f"v{number}"),),
            )
            for number in range(1000)
        ]
        for future in [store.commit(change) for change in changes]:
            done(future)
        assert store.counts.written == 1000
        assert store.counts.commits < 250
        store.close()

    def test_does_not_wait_for_company(self, writer: Writer) -> None:
        for number in range(3):
            done(writer.submit(add(f"n{number}")))
        assert writer.counts.commits == 3


class TestAlone:
    """A piece that fails is rolled back alone; those beside it are committed."""

    def fails(self, error: Exception) -> Work:
        def piece(connection: apsw.Connection) -> None:
            connection.execute(ADD, ("half",))
            raise error

        return piece

    @pytest.mark.parametrize(
        ("error", "seen"), [(Stale("moved on"), Stale), (ValueError("bad"), StoreError)]
    )
    def test_fails_what_raises(
        self, writer: Writer, path: str, error: Exception, seen: type[Exception]
    ) -> None:
        futures = together(writer, add("a"), self.fails(error), add("b"))
        assert [outcome(future) for future in futures] == [None, seen, None]
        assert kept(path) == {"a", "b"}

    def test_takes_a_broken_uniqueness_for_a_lost_race(self, writer: Writer, path: str) -> None:
        futures = together(writer, add("a"), add("a"), add("b"))
        assert [outcome(future) for future in futures] == [None, Stale, None]
        assert writer.counts.stale == 1

    def test_takes_any_other_broken_rule_for_an_error_of_its_own(self, writer: Writer) -> None:
        """Redoing it would break the same rule again, for ever."""
        bad = "INSERT INTO kept (name, size) VALUES ('x', 0)"
        (future,) = together(writer, lambda connection: connection.execute(bad).fetchall())
        assert outcome(future) is StoreError

    def test_leaves_out_what_its_caller_gave_up(self, writer: Writer, path: str) -> None:
        busy, go = threading.Event(), threading.Event()

        def hold(connection: apsw.Connection) -> None:
            busy.set()
            go.wait(timeout=30)

        writer.submit(hold)
        busy.wait(timeout=30)
        given_up = writer.submit(add("a"))
        after = writer.submit(add("b"))
        assert given_up.cancel()
        go.set()
        done(after)
        assert kept(path) == {"b"}

    def test_cannot_be_given_up_once_it_is_being_written(self, writer: Writer, path: str) -> None:
        busy, go = threading.Event(), threading.Event()

        def slow(connection: apsw.Connection) -> None:
            connection.execute(ADD, ("a",))
            busy.set()
            go.wait(timeout=30)

        future = writer.submit(slow)
        busy.wait(timeout=30)
        assert not future.cancel()
        go.set()
        done(future)
        done(writer.submit(add("b")))
        assert kept(path) == {"a", "b"}


class TestTruth:
    """A future is done after the commit, and an error at the commit is everybody's."""

    def test_is_durable_when_a_future_is_done(self, writer: Writer, path: str) -> None:
        seen: list[set[str]] = []
        future = writer.submit(add("a"))
        future.add_done_callback(lambda _: seen.append(kept(path)))
        done(future)
        done(writer.submit(add("b")))
        assert seen == [{"a"}]

    def test_tells_everybody_when_the_commit_fails(self, writer: Writer, path: str) -> None:
        dangling = "INSERT INTO kept (name, other) VALUES ('d', 'nobody')"
        pieces = (add("a"), lambda connection: connection.execute(dangling).fetchall(), add("b"))
        futures = together(writer, *pieces)
        assert [outcome(future) for future in futures] == [StoreError] * 3
        assert kept(path) == set()
        done(writer.submit(add("c")))
        assert kept(path) == {"c"}

    def test_recovers_when_there_is_room_again(
        self, connection: apsw.Connection, writer: Writer, path: str
    ) -> None:
        """Disk full: nothing acknowledged, and no restart needed once space returns."""
        done(writer.submit(add("a")))
        done(writer.submit(lambda c: c.execute("PRAGMA max_page_count = 8").fetchall()))
        futures = together(writer, add("b"), add("x" * 20 * PAGE))
        assert [outcome(future) for future in futures] == [StoreError] * 2
        done(writer.submit(lambda c: c.execute("PRAGMA max_page_count = 1000").fetchall()))
        done(writer.submit(add("c")))
        assert kept(path) == {"a", "c"}

    def test_promises_nothing_more_after_an_error_of_the_disk(
        self, writer: Writer, path: str
    ) -> None:
        def broken(connection: apsw.Connection) -> None:
            raise apsw.IOError("fsync")

        futures = together(writer, add("a"), broken)
        assert [outcome(future) for future in futures] == [StoreError] * 2
        assert outcome(writer.submit(add("b"))) is StoreError
        assert writer.broken is not None
        assert kept(path) == set()

    def test_says_that_it_is_busy_when_another_process_writes_too_long(
        self, connection: apsw.Connection, writer: Writer, path: str
    ) -> None:
        connection.set_busy_timeout(20)
        other = apsw.Connection(path)
        other.execute("BEGIN IMMEDIATE")
        assert outcome(writer.submit(add("a"))) is Overloaded
        other.execute("ROLLBACK")
        other.close()
        done(writer.submit(add("b")))
        assert kept(path) == {"b"}

    def test_refuses_what_comes_after_the_close_and_keeps_what_came_before(
        self, writer: Writer, path: str
    ) -> None:
        futures = together(writer, *(add(f"n{number}") for number in range(100)))
        writer.close()
        assert [outcome(future) for future in futures] == [None] * 100
        assert len(kept(path)) == 100
        assert outcome(writer.submit(add("late"))) is StoreError
