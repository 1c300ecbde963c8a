"""The one way in which people read a time: day, month in words, clock, and the offset from UTC."""

from datetime import date, datetime, tzinfo

from service.facts.moment import Moment

_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def when(moment: Moment | None, zone: tzinfo | None) -> str:
    """A time as people write it: an instant on the hospital's clock, a coarser time as sent.

    zone: the hospital's; None leaves an instant in UTC.
    """
    if moment is None:
        return "not recorded"
    if moment.instant is None:
        return day_text(moment.text)
    return clock_text(moment.instant, zone)


def clock_text(instant: datetime, zone: tzinfo | None) -> str:
    """An instant on the hospital's clock, or where zone is None on the clock that it came with."""
    local = _local(instant, zone)
    seconds = f":{local:%S}" if local.second else ""
    return f"{day_text(local.date().isoformat())} {local:%H:%M}{seconds} {_offset(local)}"


def day_text(text: str) -> str:
    """A calendar day with its month in words; a coarser or another text as it is."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return text
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def _local(instant: datetime, zone: tzinfo | None) -> datetime:
    try:
        return instant.astimezone(zone) if zone is not None else instant
    except OverflowError:  # 9999-12-31 stands for "never" in some systems
        return instant


def _offset(local: datetime) -> str:
    text = f"{local:%z}"
    return "UTC" if text == "+0000" else f"UTC{text[:3]}:{text[3:5]}"
