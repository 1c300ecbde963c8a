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
    Volume,
)
from service.assessment.events import WITHDRAWN
from service.facts.acts import NoticeWithdrawn
from service.facts.case import Case
from service.facts.fact import Fact
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
NO_LONGER = "The facts now recorded no longer give this finding."


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
        content = _left(decode(row.kind, row.content), content)
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

    A request is cancelled. An issue stays final when its facts stand and the world moved on, and
    is entered in error when a fact it rests on was corrected or retracted. All else was an error.
    """
    if isinstance(content, Request):
        return content if content.status in _CLOSED else replace(content, status="cancelled")
    if isinstance(content, Event):
        return _over(content, IN_ERROR, content.outcome)
    if isinstance(content, Issue):
        if _basis_stands(content, case, since):
            return replace(content, status="final", mitigation=(*content.mitigation, NO_LONGER))
        return replace(content, status=IN_ERROR)
    return replace(content, status=IN_ERROR)


def _is_taken_up(row: Emitted, case: Case) -> bool:
    """True for what the blood bank holds of a notice that it took up before it was withdrawn."""
    subject = Key.read(row.key).subject
    gone = (body for _, body in case.acted(NoticeWithdrawn) if body.notice == subject)
    return To.BLOOD_BANK in row.to and any(body.acknowledged for body in gone)


def _left(held: Content, ended: Content) -> Content:
    """The event ends without having been an error; a request's status is the partner's."""
    if isinstance(held, Event):
        return _over(held, "completed", WITHDRAWN["basis-gone"])
    return held if isinstance(held, Request) else ended


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
