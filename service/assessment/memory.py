"""Judgements remembered while nothing that bears on them has changed.

A judgement of a past check or start depends on the facts, on the policy and on nothing else. The
same key therefore always gives the same judgement, and a memory changes no result: it saves the
work of judging a unit's check again at each of its vital signs.
"""

from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.facts.acts import NoticeRaised, NoticeWithdrawn
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.finding import Finding
from service.facts.records import LabResult, Sign, Vitals

MONITORED = (Vitals, Sign, LabResult)
MemoryKey = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """The findings of one judgement, gravest first. ``notable``: those that were not simply met."""

    all: tuple[Finding, ...]
    notable: tuple[Finding, ...]

    @classmethod
    def of(cls, findings: Iterable[Finding]) -> "Found":
        """Findings with the notable ones picked out."""
        every = tuple(findings)
        return cls(every, tuple(f for f in every if f.verdict is None or f.verdict > 0))


class Memory:
    """The findings of the most recent judgements, at most ``size`` of them."""

    def __init__(self, size: int = 4096) -> None:
        self._size = size
        self._held: OrderedDict[MemoryKey, Found] = OrderedDict()

    def get(self, key: MemoryKey) -> Found | None:
        """The findings under a key, if they are still held."""
        found = self._held.get(key)
        if found is not None:
            self._held.move_to_end(key)
        return found

    def put(self, key: MemoryKey, findings: Found) -> None:
        """Holds findings; the longest unused go first."""
        self._held[key] = findings
        if len(self._held) > self._size:
            self._held.popitem(last=False)


class Standing:
    """What of one case bears on its judgements: everything but what was observed afterwards."""

    def __init__(self, case: Case, policy_digest: str) -> None:
        said = [fact for fact in case.facts if not isinstance(fact.body, MONITORED)]
        notices = case.acted(NoticeRaised) + case.acted(NoticeWithdrawn)
        self._lasting = (
            policy_digest,
            case.person,
            tuple(_name(fact) for fact in said),
            tuple(act.key for act, _ in notices),
            case.aliases,
            case.elsewhere,
        )
        observed: Iterable[Fact[Vitals] | Fact[Sign] | Fact[LabResult]] = (
            *case.every(Vitals),
            *case.every(Sign),
            *case.every(LabResult),
        )
        self._observed = [
            (fact.body.at.instant if fact.body.at is not None else None, _name(fact))
            for fact in observed
        ]

    def key(self, at: datetime, *about: str | None) -> MemoryKey:
        """The key of a judgement at an instant. Observations without a time bear on all."""
        before = tuple(name for when, name in self._observed if when is None or when <= at)
        return (*about, at, self._lasting, before)


def _name(fact: Fact[Any]) -> tuple[str, int, str]:
    return (fact.key, fact.version, fact.digest)
