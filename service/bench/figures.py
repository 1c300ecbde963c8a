"""Percentiles by the nearest rank: a figure is always one that was measured."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How measured values spread, in the unit they were measured in; ``count`` 0: all are 0."""

    count: int = 0
    p50: float = 0.0
    p90: float = 0.0
    p99: float = 0.0
    largest: float = 0.0


def spread(values: Iterable[float]) -> Spread:
    """The spread of some values."""
    held = sorted(values)
    if not held:
        return Spread()
    return Spread(
        count=len(held),
        p50=percentile(held, 50),
        p90=percentile(held, 90),
        p99=percentile(held, 99),
        largest=held[-1],
    )


def percentile(ascending: list[float], percent: float) -> float:
    """The smallest value that at least ``percent`` of the values do not exceed."""
    return ascending[max(ceil(len(ascending) * percent / 100), 1) - 1]
