"""What partners should hold: version-neutral content under a stable identity.

Content holds facts, rule ids and policy rows only; never a release, a narrative, a policy digest,
a software version, a recorded instant or a partner's id, so that two equal contents are equal.
"""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum

from service.facts.finding import Candidate, Finding
from service.facts.identity import Identifier, Ref, Staff
from service.facts.moment import Moment
from service.facts.quantity import Reading
from service.facts.unit import Component, Group, UnitKey


class To(StrEnum):
    """The roles a partner may have."""

    RECORD_SYSTEM = "record-system"
    BLOOD_BANK = "blood-bank"


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """The identity of an emitted resource.

    kind: procedure, volume, issue, event, task, observation. subject: the unit's text, or the step
    or notice where there is no unit. rule: rule id or task code. ordinal: from the schedule.
    """

    kind: str
    subject: str
    rule: str = ""
    ordinal: str = ""

    @property
    def text(self) -> str:
        """The identity as one string; the resource id is a name-based uuid of it."""
        return "/".join((self.kind, self.subject, self.rule, self.ordinal))

    @classmethod
    def read(cls, text: str) -> "Key":
        """The identity back from its text; only the subject may hold slashes."""
        kind, rest = text.split("/", 1)
        subject, rule, ordinal = rest.rsplit("/", 2)
        return cls(kind, subject, rule, ordinal)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitShown:
    """A unit as it travels inside other resources."""

    key: UnitKey
    component: Component | None = None
    product_text: str | None = None
    group: Group | None = None
    expiry: Moment | None = None
    volume: Decimal | None = None  # mL


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """The administration of one unit.

    status: in-progress, on-hold, completed, stopped, not-done, entered-in-error. disposition: an
    HL7 table 0513 code. performers: (v3-ParticipationType code PPRF or VRF, who). check: the
    bedside check that the start rests on, with its time and the answer given then.
    """

    unit: UnitShown
    patient: Ref
    status: str
    status_reason: str | None = None
    orders: tuple[Ref, ...] = ()
    issue_numbers: tuple[Identifier, ...] = ()
    start: Moment | None = None
    end: Moment | None = None
    performers: tuple[tuple[str, Staff], ...] = ()
    location: Ref | None = None
    disposition: str | None = None
    complication: str | None = None
    volume: Decimal | None = None  # mL given
    volume_measured: bool = False
    check: Ref | None = None
    checked_at: Moment | None = None
    check_answer: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """The volume given, as an Observation that is part of the Procedure."""

    unit: UnitShown
    patient: Ref
    procedure: Key
    value: Decimal  # mL
    measured: bool
    at: Moment
    status: str = "final"


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """A DetectedIssue: one refusal, authorise, pause or stop, or one stage's cautions together.

    status: final, mitigated, entered-in-error. severity: high, moderate, low. mitigation: who
    acted, why, when. step: identifiers of the step that was answered, where there is one. judged:
    key of the step's fact; while the unit runs, of its start.
    """

    findings: tuple[Finding, ...]
    patient: Ref
    status: str
    severity: str
    at: Moment | None = None
    unit: UnitShown | None = None
    procedure: Key | None = None
    step: Ref | None = None
    author: Staff | None = None
    mitigation: tuple[str, ...] = ()
    mitigated_by: Staff | None = None
    mitigated_at: Moment | None = None
    judged: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A unit of an episode."""

    unit: UnitShown
    start: Moment | None
    end: Moment | None
    procedure: Key


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """An AdverseEvent: ``actuality`` actual (a suspected reaction) or potential (a near miss).

    status: in-progress, completed, entered-in-error. lines: (label, text) pairs, the content list
    of a notice in reading order. observations: keys of the readings sent beside it. replaces: the
    identity of a notice this one corrects. incident: a wrong unit or patient rather than a
    reaction, so it is not coded as one.
    """

    patient: Ref
    actuality: str
    status: str
    title: str
    onset: Moment | None = None
    detected: Moment | None = None
    suspects: tuple[Suspect, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    not_excluded: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    lines: tuple[tuple[str, str], ...] = ()
    observations: tuple[Key, ...] = ()
    recorder: Staff | None = None
    location: Ref | None = None
    telephone_now: bool = False
    another_patient: bool = False
    reaction_code: str | None = None
    outcome: str | None = None
    replaces: Key | None = None
    incident: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """A Task that asks somebody to do something.

    owner: ``ward`` or ``blood-bank``. priority: routine, urgent, asap, stat. status: requested,
    completed, cancelled, entered-in-error. group: the notice that several Tasks belong to. focus:
    what it is about.
    """

    code: str
    text: str
    patient: Ref | None
    status: str = "requested"
    status_reason: str | None = None
    priority: str = "routine"
    owner: str = "ward"
    location: Ref | None = None
    unit: UnitShown | None = None
    focus: Key | None = None
    group: str | None = None
    orders: tuple[Ref, ...] = ()
    due: Moment | None = None
    requester: Staff | None = None
    details: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """Readings or signs that led to a notice, sent beside it. procedure: the unit they bear on."""

    patient: Ref
    readings: tuple[Reading, ...] = ()
    signs: tuple[str, ...] = ()
    at: Moment | None = None
    unit: UnitShown | None = None
    label: str = ""  # baseline, worst, at onset
    status: str = "final"
    procedure: Key | None = None


Content = Procedure | Volume | Issue | Event | Request | Observed


@dataclass(frozen=True, slots=True, kw_only=True)
class Desired:
    """One resource that partners in the roles ``to`` should hold.

    stream: the unit or notice whose resources go out in order. critical: a reaction or stop
    notice, complete in itself. basis: keys of the facts it rests on, for Provenance. settled: it
    is over; of what was emitted only its status and outcome may still change.
    """

    key: Key
    to: frozenset[To]
    stream: str
    content: Content
    critical: bool = False
    basis: tuple[str, ...] = ()
    settled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """Content held back until an instant (settling), listed so that pages can say why."""

    key: Key
    until: datetime
