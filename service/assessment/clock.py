"""The recording clock: rules ask it, it remembers the earliest instant still to come."""

from datetime import datetime, timedelta

TICK = timedelta(microseconds=1)


class RecordingClock:
    """Answers whether an instant was reached and records what was asked.

    ``next_wake`` is the earliest instant at which any answer given so far would change, so the
    assessment is constant on [now, next_wake); it is always later than ``now``.
    """

    def __init__(self, now: datetime) -> None:
        if now.utcoffset() is None:
            raise ValueError("the clock needs an instant with a zone")
        self._now = now
        self.next_wake: datetime | None = None

    def reached(self, instant: datetime) -> bool:
        """True at and after the instant."""
        if self._now >= instant:
            return True
        self._remember(instant)
        return False

    def passed(self, instant: datetime) -> bool:
        """True strictly after the instant."""
        return self.reached(instant + TICK)

    def _remember(self, instant: datetime) -> None:
        if self.next_wake is None or instant < self.next_wake:
            self.next_wake = instant
