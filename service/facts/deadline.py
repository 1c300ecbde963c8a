"""Instants by which something is due, and the clock as the rules see it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from service.facts.finding import Cited
from service.facts.unit import UnitKey


class Clock(Protocol):
    """All that a rule may know of the present: whether an instant has come."""

    def reached(self, instant: datetime) -> bool:
        """True at and after the instant."""

    def passed(self, instant: datetime) -> bool:
        """True strictly after the instant: for limits that include their last moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Deadline:
    """Something due. ``ordinal`` comes from the schedule (obs-1, hourly-2), never from counting.

    met_by: key of the fact that met it, None while open. overdue: the clock has passed the
    policy's tolerance and it is not met.
    """

    kind: str
    rule: str
    unit: UnitKey | None
    due: datetime
    ordinal: str = "1"
    met_by: str | None = None
    overdue: bool = False
    text: str = ""
    cited: tuple[Cited, ...] = ()
