"""Points in clinical time, as exact as they were sent and never more exact."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A FHIR dateTime or instant.

    ``instant`` is the UTC point in time, or None when the sender gave only a year, a month or a
    day: such a time is too coarse for any rule that counts minutes. ``text`` is what was sent.
    """

    text: str
    instant: datetime | None = None

    def __post_init__(self) -> None:
        if self.instant is not None and self.instant.utcoffset() is None:
            raise ValueError("a Moment holds an instant with a zone")

    @property
    def day(self) -> date | None:
        """The calendar day that was sent as a bare date, or None."""
        if self.instant is not None or len(self.text) != len("2000-01-01"):
            return None
        return date.fromisoformat(self.text)


def at(instant: datetime) -> Moment:
    """The Moment of an instant that we know exactly."""
    utc = instant.astimezone(UTC)
    return Moment(text=utc.isoformat().replace("+00:00", "Z"), instant=utc)


# Room at either end of the calendar for arithmetic: rules look years back and weeks ahead.
_FIRST = datetime(1000, 1, 1, tzinfo=UTC)
_LAST = datetime(8999, 12, 31, 23, 59, 59, tzinfo=UTC)


def in_utc(local: datetime, spare: timedelta = timedelta()) -> datetime:
    """An instant with a zone in UTC, ``spare`` later; "for ever" stays within the calendar."""
    if local.year < _FIRST.year:
        return _FIRST
    return _LAST if local.year > _LAST.year else local.astimezone(UTC) + spare


def end_of_day(day: date, zone: tzinfo) -> datetime:
    """The last minute of a calendar day in a zone, as a UTC instant.

    ISBT 128 encodes a missing expiry time as 23:59 local (ST-001 6.2.2, structure 005).
    """
    return in_utc(datetime.combine(day, time(23, 59), tzinfo=zone))


def start_of_day(day: date, zone: tzinfo) -> datetime:
    """Midnight that begins a calendar day in a zone, as a UTC instant."""
    return in_utc(datetime.combine(day, time.min, tzinfo=zone))


def latest_instant(moment: Moment, zone: tzinfo) -> datetime | None:
    """The instant by which the moment has certainly come; a bare date means its end of day."""
    if moment.instant is not None:
        return moment.instant
    return None if moment.day is None else end_of_day(moment.day, zone)


def local_text(moment: Moment, zone: tzinfo) -> str:
    """A time on a zone's clock to the minute with its offset; a coarser time as it was sent."""
    if moment.instant is None:
        return moment.text
    local = in_utc(moment.instant).astimezone(zone)
    return local.isoformat(timespec="seconds" if local.second else "minutes")


def minutes(span: timedelta) -> float:
    """A span in minutes, for texts."""
    return span.total_seconds() / 60
