"""The only module that reads the wall clock and makes random ids."""

import secrets
import time
from datetime import UTC, datetime
from typing import Protocol
from uuid import UUID


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
    """An id for a stored resource, random but for its first part: the time it was made.

    RFC 9562 section 5.7, version 7: what is stored together then lies together in every index.
    """
    milliseconds = time.time_ns() // 1_000_000
    random = secrets.randbits(74)
    high = milliseconds << 16 | 0x7000 | random >> 62
    low = 0b10 << 62 | random & ((1 << 62) - 1)
    return UUID(int=high << 64 | low)
