"""Seeded draws that are the same on every machine and in every version of Python.

Of the standard generator only seeding by text and ``random()`` are used, both of which Python
promises to keep; everything else here is plain arithmetic.
"""

from collections.abc import Mapping, Sequence
from random import Random
from typing import TypeVar

T = TypeVar("T")


class Draws:
    """A stream of draws of its own: what is drawn in one changes nothing in another."""

    def __init__(self, *names: object) -> None:
        self._next = Random("/".join(str(name) for name in names)).random

    def share(self) -> float:
        """From 0 up to, not including, 1."""
        return self._next()

    def chance(self, percent: float) -> bool:
        """True so often."""
        return self._next() * 100 < percent

    def whole(self, least: int, most: int) -> int:
        """A whole number, both ends included, each alike."""
        return least + int(self._next() * (most - least + 1))

    def among(self, items: Sequence[T]) -> T:
        """One of the items, each alike."""
        return items[int(self._next() * len(items))]

    def weighted(self, weights: Mapping[str, float]) -> str:
        """One of the names, by weight."""
        left = self._next() * sum(weights.values())
        for name, weight in weights.items():
            left -= weight
            if left < 0:
                return name
        return name

    def near(self, middle: float, most: float) -> float:
        """Around the middle, seldom far from it and never further than ``most``."""
        return middle + most * (sum(self._next() for _ in range(4)) / 2 - 1)

    def along(self, points: Sequence[float]) -> float:
        """On the straight lines between points that are equally likely to be reached."""
        place = self._next() * (len(points) - 1)
        low = int(place)
        return points[low] + (points[low + 1] - points[low]) * (place - low)
