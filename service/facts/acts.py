"""Facts of our own: committed with what caused them, read by assess, never recomputed away."""

from dataclasses import dataclass
from datetime import datetime

from service.facts.finding import Finding, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The answer a step got when it arrived. ``step`` is the step's fact key.

    ``word`` is a verdict's or an advice's word, as shown in ``businessStatus``.
    """

    step: str
    word: str
    findings: tuple[Finding, ...]
    policy_digest: str
    software: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeRaised:
    """A reaction notice took its identity and keeps it.

    notice: ``<unit text>/<n>``, the n-th notice raised on the unit whose trigger came first, or
    ``<unit text>/news-<n>``. origin: key of the fact that raised it. grade: stop, reported, pause
    for a suspected reaction, or news for what speaks against the unit. onset: clinical instant of
    that trigger. Later units, signs and merges attach to this notice.
    """

    notice: str
    unit: str
    origin: str
    grade: str
    onset: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeWithdrawn:
    """A notice's basis is gone and its identity is not revived.

    acknowledged: whether the blood bank had taken it up by then. why: basis-gone, or merged into
    an earlier notice of the same episode.
    """

    notice: str
    acknowledged: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertRaised:
    """An alert that somebody must have seen: kept when the facts behind it change.

    ``key`` is the emitted resource's identity; ``verdict`` where it is a refusal or authorise.
    """

    key: str
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeEscalated:
    """The ward was told to telephone: ``why`` is unacknowledged, rejected or receive-only."""

    notice: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedLate:
    """A fact arrived more than the policy's lateness after its clinical time."""

    fact: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitNamed:
    """What the emitted resources of a unit are named by in one case, from its first step on.

    subject: the unit's text in the case that spoke first; another patient's records of the same
    bag need names of their own.
    """

    unit: str
    subject: str


ActBody = (
    Answered
    | NoticeRaised
    | NoticeWithdrawn
    | AlertRaised
    | NoticeEscalated
    | ReceivedLate
    | UnitNamed
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """An act with its own stable ``key``; the same key is never committed twice."""

    key: str
    at: datetime
    body: ActBody
