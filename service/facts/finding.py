"""What one rule says. A finding is a value: it does not act, log or raise."""

from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum, StrEnum

from service.facts.quantity import Reading
from service.facts.unit import UnitKey


class Verdict(IntEnum):
    """Before the start, mildest first: the verdict of a whole is the gravest of its findings."""

    NO_OBJECTION = 0
    NOTE = 1
    CAUTION = 2
    AUTHORISE = 3
    REFUSE = 4

    @property
    def word(self) -> str:
        """The word used on every page, in every resource and in policy files."""
        return VERDICT_WORDS[self]


VERDICT_WORDS = {verdict: verdict.name.lower().replace("_", "-") for verdict in Verdict}


class Advice(IntEnum):
    """While the unit runs and after it is down, mildest first.

    ESCALATE stands for PAUSE and STOP once the bag is down; PAUSE and STOP never appear then.
    """

    CONTINUE = 0
    WATCH = 1
    PAUSE = 2
    ESCALATE = 3
    STOP = 4

    @property
    def word(self) -> str:
        """The word used on every page and in every resource."""
        return ADVICE_WORDS[self]


ADVICE_WORDS = {advice: advice.name.lower() for advice in Advice}


class Stage(StrEnum):
    """When in a unit's life a finding belongs."""

    CHECK = "check"
    START = "start"
    RUNNING = "running"
    ENDED = "ended"
    RETURN = "return"


class Remedy(StrEnum):
    """What ends a refusal or helps with an objection."""

    RESCAN = "rescan"
    REPEAT_CHECK = "repeat-check"
    COMPLETE_RECORD = "complete-record"
    MEASURE_NOW = "measure-now"
    SECOND_SAMPLE = "second-sample"
    CHANGE_LINE = "change-line"
    CALL_LABORATORY = "call-laboratory"
    CALL_PRESCRIBER = "call-prescriber"
    RETURN_UNIT = "return-unit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cited:
    """The policy row that a finding rests on, as it stood at the rule's own instant."""

    row: str
    value: str
    since: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One rule's statement.

    rule: catalogue id such as COMP-01. reason: stable code. Exactly one of verdict, advice and
    returned is set (returned: accept or discard), or none for a finding that only informs.
    known: False when data was missing; missing then names it. facts: keys of the facts it rests
    on. text: one plain sentence without the time. shown: pairs set side by side, such as band and
    label. critical: never to be loosened by policy, urgency or a typed reason.
    """

    rule: str
    reason: str
    stage: Stage
    text: str
    verdict: Verdict | None = None
    advice: Advice | None = None
    returned: str | None = None
    known: bool = True
    missing: tuple[str, ...] = ()
    unit: UnitKey | None = None
    facts: tuple[str, ...] = ()
    cited: tuple[Cited, ...] = ()
    remedy: Remedy | None = None
    shown: tuple[tuple[str, str], ...] = ()
    critical: bool = False


def gravest(findings: "tuple[Finding, ...] | list[Finding]") -> Verdict:
    """The verdict of a whole: its gravest finding."""
    return max((f.verdict for f in findings if f.verdict is not None), default=Verdict.NO_OBJECTION)


class Grade(StrEnum):
    """How far a candidate's criteria go at the bedside; never a diagnosis."""

    POSSIBLE = "possible"
    PROBABLE = "probable"
    DEFINITIVE = "definitive"


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A reaction category whose screening criteria are met (rules.md 5.2)."""

    rule: str
    category: str
    grade: Grade
    severity: str | None = None
    met: tuple[str, ...] = ()
    not_met: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()
    cited: tuple[Cited, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """The reaction screen of one unit: advice, candidates, and what is not or no longer possible.

    grade: ``stop`` or ``pause`` by the gravest trigger, whether or not the bag is down, else None.
    not_excluded: dangerous categories whose window is open though their criteria are not met.
    excluded: categories ruled out by their window. onset: key of the fact that first met the
    gravest trigger, onset_at its clinical instant. baseline, worst: the readings compared.
    """

    findings: tuple[Finding, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    grade: str | None = None
    not_excluded: tuple[str, ...] = ()
    excluded: tuple[str, ...] = ()
    onset: str | None = None
    onset_at: datetime | None = None
    baseline: tuple[Reading, ...] = ()
    worst: tuple[Reading, ...] = ()
    signs: tuple[str, ...] = ()
