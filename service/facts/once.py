"""Asking a pure question of one thing once: the answer is kept with the thing itself."""

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar

K = TypeVar("K")
T = TypeVar("T")


def once(make: Callable[[K], T]) -> Callable[[K], T]:
    """A function of one frozen object that remembers its answer in that object.

    Only for pure functions, so that what is remembered changes no result; and only of objects with
    a ``__dict__``. What is kept lives as long as the object it was asked of, and no longer.
    """
    name = f"{make.__module__}.{make.__qualname__}"

    @wraps(make)
    def answered(of: K) -> T:
        kept: dict[str, Any] = of.__dict__
        if name in kept:
            found: T = kept[name]
            return found
        found = kept[name] = make(of)
        return found

    return answered
