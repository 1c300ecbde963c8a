"""Whose turn it is to write, among the processes that share a database file.

SQLite lets one process write at a time and makes the others ask again after ever longer pauses, so
that under load one process may wait for seconds while another writes. Here they queue instead.
"""

import os
from contextlib import suppress
from typing import Protocol

try:
    import fcntl
except ImportError:  # where files have no such locks SQLite's own waiting has to do
    fcntl = None  # type: ignore[assignment]

DOOR, ROOM = 0, 1  # bytes of the file that are locked


class Turn(Protocol):
    """A turn is taken before a transaction begins and given back when it has ended."""

    def take(self) -> None:
        """Waits for the turn."""

    def give(self) -> None:
        """Lets the next one write."""

    def close(self) -> None:
        """Nobody waits here any more."""


class FileTurn:
    """Turns by locks on a file beside the database, which vanish with the process that holds them.

    Who waits stands in the door, so that whoever wrote last comes after it.
    """

    def __init__(self, path: str) -> None:
        self._file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)

    def take(self) -> None:
        """Waits for the turn; a file that cannot be locked keeps nobody from writing."""
        with suppress(OSError):
            fcntl.lockf(self._file, fcntl.LOCK_EX, 1, DOOR)
            try:
                fcntl.lockf(self._file, fcntl.LOCK_EX, 1, ROOM)
            finally:
                fcntl.lockf(self._file, fcntl.LOCK_UN, 1, DOOR)

    def give(self) -> None:
        """Lets the next one write."""
        with suppress(OSError):
            fcntl.lockf(self._file, fcntl.LOCK_UN, 1, ROOM)

    def close(self) -> None:
        """Nobody waits here any more."""
        os.close(self._file)


class AnyTurn:
    """Nobody waits: SQLite's own waiting has to do."""

    def take(self) -> None:
        """At once."""

    def give(self) -> None:
        """Nothing was taken."""

    def close(self) -> None:
        """Nothing was opened."""


def turn_at(database: str) -> Turn:
    """The turns of the processes that write to a database file."""
    return AnyTurn() if fcntl is None else FileTurn(f"{database}-turn")
