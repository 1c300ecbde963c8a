"""Reading: one connection per thread, committed data only, several reads from one snapshot."""

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import apsw

from service.errors import StoreError
from service.store.sqlite.connection import reading
from service.store.sqlite.queries import QUERIES


class Reader:
    """The read connections of a process. Every read is fetched whole: none is left open."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._local = threading.local()
        self._all: list[apsw.Connection] = []
        self._closed = False

    @property
    def connection(self) -> apsw.Connection:
        """The read connection of this thread."""
        if self._closed:
            raise StoreError("The store is closed.")
        held: apsw.Connection | None = getattr(self._local, "held", None)
        if held is None:
            held = self._local.held = reading(self._path)
            self._all.append(held)
        return held

    def rows(self, name: str, values: Sequence[Any] = ()) -> list[Any]:
        """All rows of a named query."""
        return self.run(QUERIES[name], values)

    def run(self, query: str, values: Sequence[Any]) -> list[Any]:
        """All rows of a query that was put together."""
        try:
            return self.connection.execute(query, values).fetchall()
        except apsw.Error as error:
            raise StoreError(f"The store could not read: {error}") from error

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Everything read inside is of one moment."""
        connection = self.connection
        connection.execute("BEGIN")
        try:
            yield
        finally:
            connection.execute("COMMIT")

    def close(self) -> None:
        """Closes every connection; a read afterwards is refused."""
        self._closed = True
        for connection in self._all:
            connection.close()
