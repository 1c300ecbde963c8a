"""The one writer connection of a process: a thread, a queue, and a group commit."""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import Any, TypeVar

import apsw

from service.errors import Stale, StoreError
from service.faults import reach

R = TypeVar("R")
Work = Callable[[apsw.Connection], Any]
LARGEST_GROUP = 64


class Writer:
    """Runs pieces of work in the order they came, as many per transaction as are waiting.

    Each piece stands in a savepoint of its own: one that fails is rolled back alone, and its
    future gets the error. Futures are done only after the commit; an error at the commit is the
    error of the whole group.
    """

    def __init__(self, connection: apsw.Connection) -> None:
        self._connection = connection
        self._queue: SimpleQueue[tuple[Work, Future[Any]] | None] = SimpleQueue()
        self.commits = 0
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[apsw.Connection], R]) -> "Future[R]":
        """Queues a piece of work; the future is done when it is durable."""
        future: Future[R] = Future()
        self._queue.put((work, future))
        return future

    def close(self) -> None:
        """Finishes what is queued."""
        self._queue.put(None)
        self._thread.join()
        self._connection.close()

    def _run(self) -> None:
        open_ = True
        while open_:
            group, open_ = self._take()
            if group:
                self._commit(group)

    def _take(self) -> tuple[list[tuple[Work, Future[Any]]], bool]:
        """What is waiting now; no artificial wait."""
        first = self._queue.get()
        if first is None:
            return [], False
        group = [first]
        while len(group) < LARGEST_GROUP and not self._queue.empty():
            item = self._queue.get()
            if item is None:
                return group, False
            group.append(item)
        return group, True

    def _commit(self, group: list[tuple[Work, Future[Any]]]) -> None:
        done: list[tuple[Future[Any], Any]] = []
        failed: list[tuple[Future[Any], BaseException]] = []
        connection = self._connection
        try:
            reach("commit-before-begin")
            connection.execute("BEGIN IMMEDIATE")
            for work, future in group:
                try:
                    with connection:  # a savepoint
                        done.append((future, work(connection)))
                except (Stale, StoreError, apsw.ConstraintError) as error:
                    failed.append((future, _translated(error)))
            reach("commit-before-end")
            connection.execute("COMMIT")
            self.commits += 1
            reach("commit-after-end")
        except BaseException as error:
            self._abandon(group, error)
            return
        for future, result in done:
            future.set_result(result)
        for future, why in failed:
            future.set_exception(why)

    def _abandon(self, group: list[tuple[Work, Future[Any]]], error: BaseException) -> None:
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")
        for _, future in group:
            if not future.done():
                future.set_exception(StoreError(f"The store could not commit: {error}"))


def _translated(error: BaseException) -> BaseException:
    """A broken uniqueness means that somebody else was first: read again and redo."""
    return Stale(str(error)) if isinstance(error, apsw.ConstraintError) else error
