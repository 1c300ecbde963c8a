"""Judgements remembered while nothing that bears on them has changed.

A judgement of a past check or start depends on the facts, on the policy and on nothing else. The
same key therefore always gives the same judgement, and a memory changes no result: it saves the
work of judging a unit's check again at each of its vital signs.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any

import msgspec

from service.facts.acts import NoticeRaised, NoticeWithdrawn
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.finding import Finding, Verdict
from service.facts.records import LabResult, Sign, Vitals
from service.policy.policy import Policy, Site

MONITORED = (Vitals, Sign, LabResult)
MOST = 16  # judgements that are kept of one case, the latest

ACCEPTABLE = frozenset({Verdict.CAUTION, Verdict.AUTHORISE})

_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class Found:
    """The findings of one judgement, gravest first. ``notable``: those that were not simply met.

    acceptable: some of them a person may authorise or acknowledge.
    """

    all: tuple[Finding, ...]
    notable: tuple[Finding, ...]
    acceptable: bool

    @classmethod
    def of(cls, findings: Iterable[Finding]) -> "Found":
        """Findings with the notable ones picked out."""
        every = tuple(findings)
        notable = tuple(f for f in every if f.verdict is None or f.verdict > 0)
        return cls(every, notable, any(f.verdict in ACCEPTABLE for f in notable))


class Memory:
    """What was found in one case. edition: names the rules that found it; of others nothing holds.

    held: key -> findings of judgements made before.
    """

    def __init__(self, edition: str = "", held: Mapping[str, Iterable[Finding]] | None = None):
        self.edition = edition
        self._held = {key: Found.of(found) for key, found in (held or {}).items()}
        self._used: dict[str, datetime] = {}
        self._grown = False

    def begin(self) -> None:
        """An assessment begins: only what it uses is kept."""
        self._used.clear()

    def get(self, key: str, at: datetime) -> Found | None:
        """The findings under a key, if they are held."""
        found = self._held.get(key)
        if found is not None:
            self._used[key] = at
        return found

    def put(self, key: str, at: datetime, found: Found) -> None:
        """Holds the findings of a judgement of an instant."""
        self._held[key] = found
        self._used[key] = at
        self._grown = True

    def to_keep(self) -> dict[str, tuple[Finding, ...]] | None:
        """The latest judgements that were used; None where nothing was added to what was held."""
        if not self._grown:
            return None
        latest = sorted(self._used, key=lambda key: (self._used[key], key))[-MOST:]
        return {key: self._held[key].all for key in latest}


class Standing:
    """What of one case bears on its judgements: everything but what was observed afterwards."""

    def __init__(self, case: Case, policy: Policy, site: Site, edition: str) -> None:
        said = [fact for fact in case.facts if not isinstance(fact.body, MONITORED)]
        notices = case.acted(NoticeRaised) + case.acted(NoticeWithdrawn)
        place = (site.facility, str(site.zone), site.identity_systems, site.temporary_systems)
        lasting = (
            edition,
            policy.digest,
            place,
            case.person,
            [_name(fact) for fact in said],
            [act.key for act, _ in notices],
            sorted(case.aliases),
            case.elsewhere,
        )
        self._lasting = sha256(_ENCODER.encode(lasting)).digest()
        observed: Iterable[Fact[Vitals] | Fact[Sign] | Fact[LabResult]] = (
            *case.every(Vitals),
            *case.every(Sign),
            *case.every(LabResult),
        )
        self._observed = [
            (fact.body.at.instant if fact.body.at is not None else None, _name(fact))
            for fact in observed
        ]

    def key(self, at: datetime, *about: str | None) -> str:
        """The key of a judgement at an instant. Observations without a time bear on all."""
        before = [name for when, name in self._observed if when is None or when <= at]
        return sha256(self._lasting + _ENCODER.encode((about, at, before))).hexdigest()[:32]


def _name(fact: Fact[Any]) -> tuple[str, int, str]:
    return (fact.key, fact.version, fact.digest)
