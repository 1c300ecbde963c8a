"""Which stored resource an entry is: a new one, a new version, or nothing new."""

from collections.abc import Callable, Container
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any

import msgspec

from service.errors import BadInput, Problem
from service.reconcile.intake import Caller, Entry
from service.reconcile.references import by_identifier, identifiers_in
from service.store.port import ResourceVersion, Store, Token

_ENCODER = msgspec.json.Encoder(decimal_format="number", order="deterministic")

# Statuses by which a sender says that this is a new version of what it said before.
SAYS_SO = frozenset(
    {
        "amended",
        "corrected",
        "cancelled",
        "entered-in-error",
        "revoked",
        "rejected",
        "returned",
        "inactive",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """The resource an entry is about. ``head`` None: a new resource.

    keys: its identifiers. known_by: those, or its content where it bears none.
    """

    entry: Entry
    id: str
    head: ResourceVersion | None
    keys: tuple[Token, ...]
    known_by: tuple[Token, ...] = ()
    must_equal: bool = False


def target(store: Store, caller: Caller, entry: Entry, path: str, new_id: str) -> Target:
    """Finds the resource by our id, by a condition, or by source, type and key.

    The key is any identifier, and without one the content; for that the entry's references must
    already be written with our ids.
    """
    keys = tuple(number.token for number in identifiers_in(entry.resource))
    if entry.method == "PUT":
        return _updated(store, caller, entry, keys, path, new_id)
    found: tuple[str, ...] = ()
    if entry.if_none_exist is not None:
        found = conditional(store, caller.facility, entry.type, entry.if_none_exist, path)
    keyed_by = keys or (content_key(digest(entry.resource)),)
    matched = found or store.keyed(caller.facility, caller.source, entry.type, keyed_by)
    if len(matched) > 1:
        raise BadInput(412 if found else 409, _many(entry.type, path, found))
    head = store.head(caller.facility, entry.type, matched[0]) if matched else None
    return Target(
        entry=entry,
        id=head.id if head else new_id,
        head=head,
        keys=keys,
        known_by=keyed_by,
        must_equal=bool(found),
    )


def conditional(
    store: Store, facility: str, type_name: str, query: str, path: str
) -> tuple[str, ...]:
    """Ids that a condition matches; only ``identifier=system|value`` is taken as a condition."""
    found = by_identifier(store, facility, type_name, query)
    if found is None:
        raise BadInput(
            412,
            Problem(
                code="not-supported",
                expression=path,
                text="A condition must be one identifier written system|value.",
            ),
        )
    return found


def _updated(
    store: Store, caller: Caller, entry: Entry, keys: tuple[Token, ...], path: str, new_id: str
) -> Target:
    own_id = entry.id if entry.match is None else _matched(store, caller, entry, path)
    head = store.head(caller.facility, entry.type, own_id) if own_id else None
    if own_id is not None and head is None:
        text = f"There is no {entry.type} with this id; ids are assigned by this server."
        raise BadInput(405, Problem(code="not-supported", expression=path, text=text))
    if entry.if_match is not None and entry.if_match != (head.version if head else 0):
        held = f"at version {head.version}" if head else "not held"
        text = f"The {entry.type} is {held}, not at version {entry.if_match}."
        raise BadInput(412, Problem(code="conflict", expression=path, text=text))
    owners = store.keyed(caller.facility, caller.source, entry.type, keys)
    if set(owners) - {own_id}:
        raise BadInput(409, _many(entry.type, path, ()))
    held_keys = head.keys if head else ()
    kept = keys or held_keys
    return Target(entry=entry, id=own_id or new_id, head=head, keys=kept, known_by=kept)


def _matched(store: Store, caller: Caller, entry: Entry, path: str) -> str | None:
    """The id that a conditional update is about; None creates."""
    found = conditional(store, caller.facility, entry.type, entry.match or "", path)
    if len(found) > 1:
        raise BadInput(412, _many(entry.type, path, found))
    sent = entry.resource.get("id")
    if found and sent not in (None, found[0]):
        text = "The body's id is not that of the resource which the condition names."
        raise BadInput(400, Problem(code="invalid", expression=f"{path}.id", text=text))
    return found[0] if found else sent


def _many(type_name: str, path: str, found: tuple[str, ...]) -> Problem:
    return Problem(
        code="multiple-matches" if found else "duplicate",
        expression=path,
        text=f"More than one {type_name} already bears these identifiers.",
    )


def digest(resource: dict[str, Any]) -> str:
    """The content hash: everything but what the server assigns."""
    plain = {k: v for k, v in resource.items() if k not in ("id", "meta", "text")}
    meta = resource.get("meta")
    if isinstance(meta, dict):
        kept = {k: v for k, v in meta.items() if k not in ("versionId", "lastUpdated", "source")}
        if kept:
            plain["meta"] = kept
    return sha256(_ENCODER.encode(plain)).hexdigest()


def content_key(content: str) -> Token:
    """The key of a resource that bears no identifier."""
    return f"content:{content}"


def check_version(
    found: Target,
    resource: dict[str, Any],
    stamp: datetime | None,
    content: str,
    path: str,
    earlier: Callable[[], Container[str]],
) -> bool:
    """True when the entry says something new; 409 when it contradicts without saying why.

    New: amended, corrected, cancelled, entered-in-error and the like, a sender's stamp later than
    the held version's, or an update that names the version it replaces. What an earlier version
    said comes again when a message is repeated, and is nothing new. earlier: digests of the
    versions held, asked for only where it matters.
    """
    head = found.head
    if head is None:
        return True
    if head.digest == content:
        return False
    status = resource.get("status")
    later = stamp is not None and stamp > (head.stamp or head.at)
    says_so = isinstance(status, str) and status in SAYS_SO
    if not later and found.entry.if_match is None and content in earlier():
        return False
    if found.must_equal or not (says_so or later or found.entry.if_match is not None):
        text = (
            f"This {found.entry.type} is already held with other content. Send a corrected status, "
            "a later meta.lastUpdated, or If-Match with the version it replaces."
        )
        raise BadInput(409, Problem(code="conflict", expression=path, text=text))
    return True
