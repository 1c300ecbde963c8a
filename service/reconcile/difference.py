"""The difference between what is desired and what was last emitted."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from hashlib import sha256
from typing import Any

import msgspec

from service.assessment.desired import (
    Content,
    Desired,
    Event,
    Issue,
    Key,
    Observed,
    Procedure,
    Request,
    To,
    UnitShown,
    Volume,
)
from service.assessment.events import WITHDRAWN
from service.assessment.notice_answers import INVESTIGATE, NOT_BEGUN
from service.facts.acts import NoticeWithdrawn
from service.facts.case import Case, step_finished
from service.facts.fact import Fact
from service.facts.records import Reply
from service.facts.steps import Step, StepCode
from service.store.port import Emitted, Person

CONTENT: dict[str, type[Content]] = {
    "procedure": Procedure,
    "volume": Volume,
    "issue": Issue,
    "event": Event,
    "task": Request,
    "observation": Observed,
}

_ENCODER = msgspec.json.Encoder(decimal_format="number", order="deterministic")
_DECODERS = {
    kind: msgspec.json.Decoder(content, float_hook=Decimal) for kind, content in CONTENT.items()
}
_CLOSED = frozenset({"completed", "cancelled"})
IN_ERROR = "entered-in-error"
DO_NOW = "Do now"
NO_LONGER = "As the facts now stand, nothing is advised for this any more."

# What of the ward's answers a request, and what screening finds a dismissal answers.
ANSWERS = {
    "confirm-or-dismiss": frozenset({StepCode.CONFIRM_REACTION, StepCode.DISMISS_REACTION}),
    "set-change": frozenset({StepCode.CHANGE_SET}),
}
SCREENED = ("VIT-", "ACT-", "RXN-")


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One identity whose content changed: to send where ``sends``, and to remember always."""

    desired: Desired
    emitted: Emitted
    sends: bool
    retires: bool = False


def encode(content: Content) -> bytes:
    """Content as canonical bytes: equal contents give equal bytes."""
    return _ENCODER.encode(content)


def decode(kind: str, content: bytes) -> Content:
    """Content back from its bytes; ``kind`` is the identity's kind."""
    return _DECODERS[kind].decode(content)


def difference(
    desired: Iterable[Desired],
    emitted: Iterable[Emitted],
    people: dict[str, Person],
    case: Case,
    since: datetime | None = None,
) -> list[Moved]:
    """What must be written, in order of identity.

    Of what is settled only the status and the outcome move; a request that is, is not made now.

    people: identity -> person, for identities that are new. since: when the case was last looked
    at, None for never: what was corrected or retracted since then is why something is desired no
    longer. A request that is over and was never made is not made now: the moment is past.
    """
    held = {row.key: row for row in emitted}
    found: list[Moved] = []
    for want in desired:
        moved = _moved(want, held.pop(want.key.text, None), people)
        if moved is not None:
            found.append(moved)
    for row in held.values():
        if row.state == "active":
            found.append(_retired(row, case, since))
    return sorted(found, key=lambda moved: moved.desired.key)


def _moved(want: Desired, held: Emitted | None, people: dict[str, Person]) -> Moved | None:
    if want.settled and held is not None:
        before = decode(held.kind, held.content)
        if held.state == "withdrawn" and before.status == want.content.status:
            return None
        want = replace(want, content=_settled(before, want.content))
    elif want.settled and isinstance(want.content, Request):
        return None
    content = encode(want.content)
    digest = digest_of(content, want.to)
    if held is None and isinstance(want.content, Request) and want.content.status in _CLOSED:
        return None
    if held is not None and held.digest == digest and held.state == "active":
        return None
    row = Emitted(
        key=want.key.text,
        person=people[want.key.text] if held is None else held.person,
        stream=want.stream,
        kind=want.key.kind,
        digest=digest,
        version=1 if held is None else held.version + 1,
        content=content,
        to=frozenset(role.value for role in want.to),
        critical=want.critical,
    )
    retires = isinstance(want.content, Event) and want.content.status == "entered-in-error"
    return Moved(desired=want, emitted=row, sends=True, retires=retires)


def _settled(held: Content, want: Content) -> Content:
    """What was emitted, with the status and the outcome that it has now."""
    if isinstance(held, Event) and isinstance(want, Event):
        return _over(held, want.status, want.outcome)
    return replace(held, status=want.status)


def _over(event: Event, status: str, outcome: str | None) -> Event:
    """An event about which nobody is to do anything now."""
    lines = tuple(line for line in event.lines if line[0] != DO_NOW)
    return replace(event, status=status, outcome=outcome, lines=lines, telephone_now=False)


def _retired(row: Emitted, case: Case, since: datetime | None) -> Moved:
    """An identity that nothing asks for any more ends in a terminal status, once."""
    content = retire(decode(row.kind, row.content), case, since)
    if _is_taken_up(row, case):
        content = _left(row, decode(row.kind, row.content), content, case)
    encoded = encode(content)
    want = Desired(
        key=Key.read(row.key),
        to=frozenset(To(role) for role in row.to),
        stream=row.stream,
        content=content,
        critical=row.critical,
    )
    ended = replace(
        row,
        content=encoded,
        digest=digest_of(encoded, want.to),
        version=row.version + 1,
        state="withdrawn",
    )
    return Moved(desired=want, emitted=ended, sends=encoded != row.content, retires=True)


def retire(content: Content, case: Case, since: datetime | None = None) -> Content:
    """Content in the terminal status of its kind.

    A request is cancelled, or completed where the ward has done what it asks. An issue stays final
    when its facts stand and the world moved on, mitigated where somebody dismissed it, and is
    entered in error when a fact it rests on was corrected or retracted. All else was an error.
    """
    if isinstance(content, Request):
        return content if content.status in _CLOSED else _asked_no_more(content, case, since)
    if isinstance(content, Event):
        return _over(content, IN_ERROR, content.outcome)
    if isinstance(content, Issue) and _basis_stands(content, case, since):
        return _moved_on(content, case, since)
    return replace(content, status=IN_ERROR)


def _asked_no_more(request: Request, case: Case, since: datetime | None) -> Request:
    done = _newly(case, since, ANSWERS.get(request.code, frozenset()), request.unit)
    return replace(request, status="cancelled" if done is None else "completed")


def _moved_on(issue: Issue, case: Case, since: datetime | None) -> Issue:
    """Mitigated by the dismissal that ended it; else nothing is advised for it any more."""
    by = None
    if all(finding.rule.startswith(SCREENED) for finding in issue.findings):
        by = _newly(case, since, frozenset({StepCode.DISMISS_REACTION}), issue.unit)
    if by is None:
        return replace(issue, status="final", mitigation=(*issue.mitigation, NO_LONGER))
    text = f"Dismissed: {by.body.reason}" if by.body.reason else "Dismissed"
    return replace(
        issue,
        status="mitigated",
        mitigation=(*issue.mitigation, text),
        mitigated_by=by.body.owner,
        mitigated_at=by.body.end or by.body.start,
    )


def _newly(
    case: Case, since: datetime | None, codes: frozenset[StepCode], unit: UnitShown | None
) -> Fact[Step] | None:
    """The latest step of a code about a unit that came since the case was last looked at."""
    about = (unit.key if unit is not None else None, None)
    found = (
        step
        for step in case.steps
        if step.body.code in codes
        and case.unit_of_step(step.body) in about
        and (since is None or step.received >= since)
    )
    return max(found, key=lambda step: (step_finished(step), step.key), default=None)


def _is_taken_up(row: Emitted, case: Case) -> bool:
    """True for what the blood bank holds of a notice that it took up before it was withdrawn."""
    subject = Key.read(row.key).subject
    gone = (body for _, body in case.acted(NoticeWithdrawn) if body.notice == subject)
    return To.BLOOD_BANK in row.to and any(body.acknowledged for body in gone)


def _left(row: Emitted, held: Content, ended: Content, case: Case) -> Content:
    """The event ends without having been an error; a request begun is the partner's to end."""
    if isinstance(held, Event):
        return _over(held, "completed", WITHDRAWN["basis-gone"])
    return held if isinstance(held, Request) and _is_begun(row, case) else ended


def _is_begun(row: Emitted, case: Case) -> bool:
    """True for the investigation, taken up in writing or not, and for a Task answered so."""
    replies = (reply.body for reply in case.every(Reply) if reply.body.notice.value == row.key)
    begun = any(reply.status not in NOT_BEGUN for reply in replies)
    return begun or Key.read(row.key).rule == INVESTIGATE


def _basis_stands(content: Issue, case: Case, since: datetime | None) -> bool:
    """True when the step judged and every fact found are in force as they last were."""
    judged = (content.judged,) if content.judged is not None else ()
    keys = {*judged, *(key for finding in content.findings for key in finding.facts)}
    held = {fact.key: fact for fact in case.facts if fact.key in keys}
    return len(held) == len(keys) and not any(_corrected(f, since) for f in held.values())


def _corrected(fact: Fact[Any], since: datetime | None) -> bool:
    """Two requests may share an instant: a version that came when the case was looked at counts."""
    return fact.version > 1 and (since is None or fact.received >= since)


def digest_of(content: bytes, to: Iterable[str]) -> str:
    """The digest by which two emissions are the same."""
    return sha256(content + "|".join(sorted(to)).encode()).hexdigest()
