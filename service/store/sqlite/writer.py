"""The one writer connection of a process: a thread, a queue, and a group commit."""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Any, TypeVar

import apsw

from service.errors import Overloaded, ServiceError, Stale, StoreError
from service.faults import reach
from service.store.sqlite.turn import AnyTurn, Turn

R = TypeVar("R")
Work = Callable[[apsw.Connection], Any]
Item = tuple[Work, "Future[Any]"]
LARGEST_GROUP = 64

# A broken uniqueness or a refused move means that somebody else was first.
RACES = frozenset(
    {
        apsw.SQLITE_CONSTRAINT_UNIQUE,
        apsw.SQLITE_CONSTRAINT_PRIMARYKEY,
        apsw.SQLITE_CONSTRAINT_TRIGGER,
    }
)
# After these nobody knows what the disk holds: nothing more is promised until a restart.
FATAL = (apsw.IOError, apsw.CorruptError, apsw.NotADBError, apsw.ReadOnlyError)


@dataclass(slots=True)
class Counts:
    """What the writer has done since it started."""

    commits: int = 0
    written: int = 0
    stale: int = 0
    failed: int = 0


class Writer:
    """Runs pieces of work in the order they came, as many per transaction as are waiting.

    Each piece stands in a savepoint of its own: one that fails is rolled back alone, and its
    future gets the error. Futures are done only after the commit; an error at the commit is the
    error of the whole group. After an error of the disk every later piece is refused. turn: when
    this process may write, where several share the file.
    """

    def __init__(self, connection: apsw.Connection, turn: Turn | None = None) -> None:
        self.counts = Counts()
        self.broken: StoreError | None = None
        self._connection = connection
        self._turn = turn or AnyTurn()
        self._queue: SimpleQueue[Item | None] = SimpleQueue()
        self._closing = threading.Lock()
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)
        self._thread.start()

    @property
    def waiting(self) -> int:
        """How many pieces are queued."""
        return self._queue.qsize()

    def submit(self, work: Callable[[apsw.Connection], R]) -> "Future[R]":
        """Queues a piece of work; the future is done when it is durable."""
        future: Future[R] = Future()
        with self._closing:
            if self._closed:
                future.set_exception(StoreError("The store is closed."))
            else:
                self._queue.put((work, future))
        return future

    def close(self) -> None:
        """Finishes what is queued; a second call does nothing."""
        with self._closing:
            if self._closed:
                return
            self._closed = True
            self._queue.put(None)
        self._thread.join()
        self._connection.close()
        self._turn.close()

    def _run(self) -> None:
        more = True
        while more:
            group, more = self._take()
            if group:
                self._commit(group)
            self._turn.give()

    def _take(self) -> tuple[list[Item], bool]:
        """What is waiting when it is our turn, without what its caller gave up; no other wait."""
        group: list[Item] = []
        item = self._queue.get()
        if item is not None:
            self._turn.take()
        while item is not None:
            if item[1].set_running_or_notify_cancel():
                group.append(item)
            if len(group) == LARGEST_GROUP:
                return group, True
            try:
                item = self._queue.get_nowait()
            except Empty:
                return group, True
        return group, False

    def _commit(self, group: list[Item]) -> None:
        try:
            if self.broken is not None:
                raise self.broken
            reach("commit-before-begin")
            self._connection.execute("BEGIN IMMEDIATE")
            results = [self._one(work) for work, _ in group]
            reach("commit-before-end")
            self._connection.execute("COMMIT")
            reach("commit-after-end")
        except BaseException as error:
            self._abandon(group, error)
            return
        self._answer(group, results)

    def _one(self, work: Work) -> tuple[Any, Exception | None]:
        """(result, error) of one piece, in a savepoint. Raises what ends the transaction."""
        try:
            with self._connection:
                result = work(self._connection)
            return result, None
        except (*FATAL, apsw.FullError, apsw.NoMemError):
            raise
        except Exception as error:
            if not self._connection.in_transaction:
                raise
            return None, translated(error)

    def _answer(self, group: list[Item], results: list[tuple[Any, Exception | None]]) -> None:
        self.counts.commits += 1
        for (_, future), (result, error) in zip(group, results, strict=True):
            if error is None:
                self.counts.written += 1
                future.set_result(result)
            else:
                self.counts.stale += isinstance(error, Stale)
                self.counts.failed += not isinstance(error, Stale)
                future.set_exception(error)

    def _abandon(self, group: list[Item], error: BaseException) -> None:
        """Nothing of the group was committed, and every caller is told."""
        why = translated(error)
        if isinstance(error, FATAL) and self.broken is None:
            self.broken = StoreError(f"The store stopped writing: {error}")
        try:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
        except apsw.Error as worse:
            self.broken = StoreError(f"The store stopped writing: {worse}")
        self.counts.failed += len(group)
        for _, future in group:
            future.set_exception(why)


def translated(error: BaseException) -> Exception:
    """The database's error in the service's words; our own errors stay as they are."""
    if isinstance(error, ServiceError):
        return error
    if isinstance(error, apsw.ConstraintError) and _extended(error) in RACES:
        return Stale(str(error))
    if isinstance(error, apsw.BusyError):
        return Overloaded()
    return StoreError(f"The store could not write: {type(error).__name__}: {error}")


def _extended(error: apsw.Error) -> int:
    code: int = error.extendedresult  # type: ignore[attr-defined]
    return code
