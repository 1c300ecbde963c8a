"""Which stored resource an entry is: a new one, a new version, or nothing new."""

from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any
from urllib.parse import parse_qs

import msgspec

from service.errors import BadInput, Problem
from service.reconcile.intake import Caller, Entry
from service.reconcile.references import identifiers_in
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
    """The resource an entry is about. ``head`` None: a new resource."""

    entry: Entry
    id: str
    head: ResourceVersion | None
    keys: tuple[Token, ...]
    must_equal: bool = False


def target(store: Store, caller: Caller, entry: Entry, path: str, new_id: str) -> Target:
    """Finds the resource by our id, by a condition, or by source, type and identifier."""
    keys = tuple(number.token for number in identifiers_in(entry.resource))
    if entry.method == "PUT":
        return _updated(store, caller, entry, keys, path)
    found: tuple[str, ...] = ()
    if entry.if_none_exist is not None:
        found = conditional(store, caller.facility, entry.type, entry.if_none_exist, path)
    matched = found or store.keyed(caller.facility, caller.source, entry.type, keys)
    if len(matched) > 1:
        raise BadInput(412 if found else 409, _many(entry.type, path, found))
    head = store.head(caller.facility, entry.type, matched[0]) if matched else None
    return Target(
        entry=entry,
        id=head.id if head else new_id,
        head=head,
        keys=keys,
        must_equal=bool(found),
    )


def conditional(
    store: Store, facility: str, type_name: str, query: str, path: str
) -> tuple[str, ...]:
    """Ids that a condition matches; only ``identifier=system|value`` is taken as a condition."""
    names = parse_qs(query.lstrip("?"), keep_blank_values=True)
    values = names.get("identifier", [])
    if set(names) != {"identifier"} or len(values) != 1 or "|" not in values[0]:
        raise BadInput(
            412,
            Problem(
                code="not-supported",
                expression=path,
                text="A condition must be one identifier written system|value.",
            ),
        )
    system, _, value = values[0].partition("|")
    return store.identified(facility, type_name, system, value)


def _updated(
    store: Store, caller: Caller, entry: Entry, keys: tuple[Token, ...], path: str
) -> Target:
    own_id = entry.id
    if entry.match is not None:
        found = conditional(store, caller.facility, entry.type, entry.match, path)
        if len(found) > 1:
            raise BadInput(412, _many(entry.type, path, found))
        own_id = found[0] if found else None
    head = store.head(caller.facility, entry.type, own_id) if own_id else None
    if head is None or own_id is None:
        text = f"{entry.type}/{own_id or '?'} is not known here; ids are assigned by this server."
        raise BadInput(405, Problem(code="not-supported", expression=path, text=text))
    if entry.if_match is not None and entry.if_match != head.version:
        text = f"{entry.type}/{own_id} is at version {head.version}, not {entry.if_match}."
        raise BadInput(412, Problem(code="conflict", expression=path, text=text))
    return Target(entry=entry, id=own_id, head=head, keys=keys or head.keys)


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


def check_version(
    found: Target, resource: dict[str, Any], stamp: datetime | None, content: str, path: str
) -> bool:
    """True when the entry says something new; 409 when it contradicts without saying why.

    New: amended, corrected, cancelled, entered-in-error and the like, a sender's stamp later than
    the held version's, or an update that names the version it replaces.
    """
    head = found.head
    if head is None:
        return True
    if head.digest == content:
        return False
    status = resource.get("status")
    later = stamp is not None and stamp > (head.stamp or head.at)
    says_so = isinstance(status, str) and status in SAYS_SO
    if found.must_equal or not (says_so or later or found.entry.if_match is not None):
        text = (
            f"This {found.entry.type} is already held with other content. Send a corrected status, "
            "a later meta.lastUpdated, or If-Match with the version it replaces."
        )
        raise BadInput(409, Problem(code="conflict", expression=path, text=text))
    return True
