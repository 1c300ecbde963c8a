"""Volumes, rates and the instants they imply: pure formulas on decimals and spans.

Volumes are in mL, rates in mL/h, weights in kg, haemoglobin in g/L. Nothing here knows the time.
"""

from datetime import datetime, timedelta
from decimal import ROUND_CEILING, Decimal
from statistics import median

from service.rules.measurable import is_quantity

MICROSECONDS_PER_HOUR = Decimal(3_600_000_000)
MICROSECOND = timedelta(microseconds=1)
TENTH = Decimal("0.1")
RED_CELL_FACTOR = Decimal("0.5")  # mL per kg and g/L of haemoglobin wanted (VOL-06)
MOST_HOURS = Decimal(24 * 366)  # what takes longer is no plan: how long it takes is not known


def microseconds(span: timedelta) -> Decimal:
    """A span as a whole number of microseconds, so that one division rounds and no more."""
    return Decimal(span // MICROSECOND)


def span_of(hours: Decimal) -> timedelta | None:
    """Hours as a span, to the microsecond; None for more than a year."""
    if hours > MOST_HOURS:
        return None
    return timedelta(microseconds=round(hours * MICROSECONDS_PER_HOUR))


def flowed(rate: Decimal, span: timedelta) -> Decimal:
    """The volume that a rate gives over a span; nothing over a span that runs backwards."""
    return rate * microseconds(max(span, timedelta())) / MICROSECONDS_PER_HOUR


def rate_for(volume: Decimal, span: timedelta) -> Decimal:
    """The rate that gives a volume over a span, which must not be empty."""
    return volume * MICROSECONDS_PER_HOUR / microseconds(span)


def planned_rate(
    total: Decimal, first_rate: Decimal, allowed: timedelta, slow_start: timedelta
) -> Decimal | None:
    """The rate after a slow start: ``(V_total - V_15) / (T - 0.25 h)``.

    None when the slow start takes up all the time allowed.
    """
    rest = allowed - slow_start
    if rest <= timedelta():
        return None
    return rate_for(max(Decimal(0), total - flowed(first_rate, slow_start)), rest)


def planned_span(
    total: Decimal, first_rate: Decimal, later_rate: Decimal, slow_start: timedelta
) -> timedelta | None:
    """How long a unit takes that starts at one rate and goes on at another.

    None when the later rate is zero and the slow start does not give all of it.
    """
    slow = flowed(first_rate, slow_start)
    if slow >= total:
        return time_to_give(total, first_rate)
    rest = time_to_give(total - slow, later_rate)
    return None if rest is None else slow_start + rest


def time_to_give(volume: Decimal, rate: Decimal) -> timedelta | None:
    """How long a volume takes at a rate; None at a rate of zero or less, or beyond a year."""
    return span_of(volume / rate) if rate > 0 else None


def minimum_rate(remaining: Decimal, left: timedelta) -> Decimal | None:
    """The lowest rate that gives what remains in the time left, rounded up to 0.1 mL/h.

    None when no time is left.
    """
    if left <= timedelta():
        return None
    return rate_for(remaining, left).quantize(TENTH, rounding=ROUND_CEILING)


def last_instant(deadline: datetime, remaining: Decimal, highest_rate: Decimal) -> datetime | None:
    """The latest instant at which the highest rate still finishes: ``deadline - V / r_max``."""
    needed = time_to_give(remaining, highest_rate)
    return None if needed is None else deadline - needed


def closing_instant(
    since: datetime, remaining: Decimal, rate: Decimal, deadline: datetime, highest_rate: Decimal
) -> datetime | None:
    """When, at the rate that has run since an instant, the last instant is met.

    What remains shrinks while the unit runs, so the last instant moves: this is where both meet.
    None when the unit ends in time at the running rate. Never before ``since``.
    """
    end = expected_end(since, remaining, rate)
    if end is not None and end <= deadline:
        return None
    latest = last_instant(deadline, remaining, highest_rate)
    if latest is None:
        return since
    if latest <= since or rate >= highest_rate:
        return since
    span = microseconds(latest - since) / (1 - rate / highest_rate)
    return since + timedelta(microseconds=round(min(span, microseconds(deadline - since))))


def expected_end(since: datetime, remaining: Decimal, rate: Decimal) -> datetime | None:
    """When what remained at an instant is given at a rate that holds from then on."""
    needed = time_to_give(remaining, rate)
    return None if needed is None else since + needed


def rate_or_median(current: Decimal | None, readings: tuple[Decimal, ...]) -> Decimal | None:
    """The current rate, else the median of the last two readings, else unknown."""
    if current is not None:
        return current
    return median(readings[-2:]) if readings else None


def next_unit_request_at(end: datetime, lead: timedelta) -> datetime:
    """When the next unit is asked for."""
    return end - lead


def volume_from_label(label: Decimal, residual: Decimal) -> Decimal:
    """What a bag that was emptied has given: its volume less what stays in bag and set."""
    return max(Decimal(0), label - residual)


def dose(weight: Decimal, per_kg: Decimal) -> Decimal:
    """``dose_mL = kg x mL_per_kg``: children are ordered in mL, not in units."""
    return weight * per_kg


def red_cell_dose(weight: Decimal, haemoglobin: Decimal, target: Decimal) -> Decimal:
    """``mL = kg x (target - current haemoglobin) x 0.5``; nothing at or above the target."""
    return max(Decimal(0), weight * (target - haemoglobin) * RED_CELL_FACTOR)


def dose_shown(weight: Decimal, ordered: Decimal) -> tuple[tuple[str, str], ...]:
    """An ordered volume beside the weight and what it comes to per kg: shown, never advised.

    Nothing for what no bag holds and nobody weighs.
    """
    if weight <= 0 or not is_quantity(ordered, "mL"):
        return ()
    return (
        ("ordered", f"{ordered} mL"),
        ("weight", f"{weight} kg"),
        ("per kg", f"{(ordered / weight).quantize(TENTH)} mL/kg"),
    )
