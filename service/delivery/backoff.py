"""When a partner may be asked again: full jitter, one probe at a time, Retry-After."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from random import SystemRandom

BASE = timedelta(seconds=1)
CRITICAL_CAP = timedelta(seconds=60)
ROUTINE_CAP = timedelta(seconds=300)
LONGEST_ASKED = timedelta(hours=1)
WIDEST = 1024

Jitter = Callable[[], float]  # uniform in [0, 1)


def system_jitter() -> float:
    """Jitter that no two processes share."""
    return SystemRandom().random()


def retry_after(text: str | None, now: datetime) -> timedelta | None:
    """What a ``Retry-After`` asks for: seconds or a date; past is zero, at most one hour.

    Garbage and absence are None.
    """
    if text is None:
        return None
    asked = _seconds(text.strip())
    if asked is None:
        asked = _until(text.strip(), now)
    return None if asked is None else max(timedelta(), min(asked, LONGEST_ASKED))


def _seconds(text: str) -> timedelta | None:
    if not (text.isascii() and text.isdecimal()):
        return None
    return timedelta(seconds=int(text)) if len(text) <= 9 else LONGEST_ASKED


def _until(text: str, now: datetime) -> timedelta | None:
    try:
        date = parsedate_to_datetime(text)
    except (ValueError, IndexError, TypeError, OverflowError):
        return None
    return (date if date.tzinfo else date.replace(tzinfo=UTC)) - now


@dataclass(slots=True, kw_only=True)
class Backoff:
    """The health of one partner as this process sees it.

    ``failed`` is for answers that say nothing about what was sent: outages, 5xx, throttling,
    credentials. A refusal is an answer: the partner is there.
    """

    jitter: Jitter = system_jitter
    failures: int = 0
    _since: datetime | None = None
    _share: float = 0.0
    _asked: timedelta | None = None
    _width: int = WIDEST

    def failed(self, now: datetime, asked: timedelta | None = None) -> None:
        """One more failure in a row; ``asked`` is the partner's Retry-After."""
        self.failures += 1
        self._since = now
        self._share = self.jitter()
        self._asked = asked
        self._width = 1

    def answered(self) -> None:
        """The partner answered: it is well, and takes more at once from here on."""
        self.failures = 0
        self._since = None
        self._asked = None
        self._width = min(self._width * 2, WIDEST)

    def width(self, most: int) -> int:
        """How many streams to claim at once: one after a failure, then 2, 4, 8 ..."""
        return min(self._width, most)

    def resumes(self, critical: bool) -> datetime | None:
        """The instant from which to try again, None for at once. Critical rows wait less."""
        if self._since is None:
            return None
        cap = CRITICAL_CAP if critical else ROUTINE_CAP
        delay = self._share * upto(self.failures, cap)
        if self._asked is not None:
            delay = max(self._asked, BASE) + self._share * BASE
        return self._since + delay


def upto(tries: int, cap: timedelta) -> timedelta:
    """The longest pause after so many tries: the base, doubled each time, to the cap."""
    doublings = min(tries - 1, 20)
    return min(cap, BASE * (1 << max(doublings, 0)))
