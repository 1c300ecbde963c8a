"""The only module that reads the wall clock and makes random ids."""

from datetime import UTC, datetime
from typing import Protocol
from uuid import UUID, uuid4


class WallClock(Protocol):
    """A source of the present instant."""

    def now(self) -> datetime:
        """The present, in UTC."""


class SystemClock:
    """The machine's clock."""

    def now(self) -> datetime:
        """The present, in UTC."""
        return datetime.now(UTC)


class HandClock:
    """A clock that somebody sets: for replay and tests. It never goes back."""

    def __init__(self, start: datetime) -> None:
        self._now = start.astimezone(UTC)

    def now(self) -> datetime:
        """The instant it was last set to."""
        return self._now

    def set(self, instant: datetime) -> None:
        """Moves the clock forward; an earlier instant leaves it where it is."""
        self._now = max(self._now, instant.astimezone(UTC))


def new_id() -> UUID:
    """A random id for a stored resource."""
    return uuid4()
