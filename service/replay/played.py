"""What a replay saw: everything that was answered and emitted, free of the release it came in."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from service.assessment.desired import Content
from service.facts.deadline import Deadline
from service.facts.finding import Finding
from service.replay.scenario import Event, Scenario


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """The answer one step got. step: its code and its number at the sender."""

    step: str
    word: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """One line of the timeline, as it went.

    status: of the HTTP answer, None where nothing was sent. created, corrected: resource types
    newly stored, and stored in a further version. held: how many resources said nothing new.
    problems: what the answer objects to, and what it warns of.
    """

    event: Event
    status: int | None = None
    created: tuple[str, ...] = ()
    corrected: tuple[str, ...] = ()
    held: int = 0
    given: tuple[Given, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Emission:
    """One version of one resource for one partner. because: the message that caused it, or time."""

    at: datetime
    because: str
    partner: str
    key: str
    version: int
    type: str
    content: Content
    withdrawn: bool
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """A whole replay.

    emissions: in the order of commit, Provenance left out. sent: partner, identity and bytes of
    every row, Provenance included. held: (partner, identity) -> versions that the partner received.
    undelivered: what it does not hold as it was emitted last. met: what the rules found to be
    simply met, by check and by start.
    """

    scenario: Scenario
    release: str
    happened: tuple[Happened, ...]
    emissions: tuple[Emission, ...]
    sent: tuple[tuple[str, str, bytes], ...]
    open: tuple[Deadline, ...]
    next_wake: datetime | None
    held: Mapping[tuple[str, str], int]
    undelivered: tuple[str, ...]
    met: Mapping[str, tuple[Finding, ...]]

    def to(self, partner: str) -> tuple[Emission, ...]:
        """What one partner was sent, in order."""
        return tuple(found for found in self.emissions if found.partner == partner)

    @property
    def partners(self) -> tuple[str, ...]:
        """The partners of the scenario, by name."""
        return tuple(sorted(self.scenario.settings.partner))
