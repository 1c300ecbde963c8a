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
_OVER = frozenset({"completed", "cancelled"})
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
    content = encode(want.content)
    digest = digest_of(content, want.to)
    if held is None and isinstance(want.content, Request) and want.content.status in _OVER:
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


def _retired(row: Emitted, case: Case, since: datetime | None) -> Moved:
    """An identity that nothing asks for any more ends in a terminal status, once."""
    content = retire(decode(row.kind, row.content), case, since)
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
        return content if content.status in _OVER else replace(content, status="cancelled")
    if isinstance(content, Issue):
        if _basis_stands(content, case, since):
            return replace(content, status="final", mitigation=(*content.mitigation, NO_LONGER))
        return replace(content, status="entered-in-error")
    return replace(content, status="entered-in-error")


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
