"""What a partner holds against what we sent: equal, ours to change, or somebody else's.

We own the elements we wrote, of this version and of the one before; everything else at the
partner stays. ``meta`` and ``text`` are never compared: servers rewrite them.
"""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import msgspec

from service.delivery.answers import Resource
from service.fhir.edge.strict_json import dump
from service.fhir.own import EMITTED_SYSTEM

UNCOMPARED = frozenset({"meta", "text"})

_DECODER = msgspec.json.Decoder(dict[str, Any], float_hook=Decimal)


def resource_of(body: bytes) -> Resource:
    """A rendered body as a dict, decimals kept."""
    return _DECODER.decode(body)


def is_ours(found: Mapping[str, Any], id: str) -> bool:
    """True when a resource carries our uuid as tag or as identifier."""
    meta, held = found.get("meta"), found.get("identifier")
    tags = meta.get("tag") if isinstance(meta, dict) else None
    return any(_has(one, "code", id) for one in _listed(tags)) or any(
        _has(one, "value", id) for one in _listed(held)
    )


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def _has(element: Any, name: str, id: str) -> bool:
    return (
        isinstance(element, dict)
        and element.get("system") == EMITTED_SYSTEM
        and element.get(name) == id
    )


def same(ours: Resource, theirs: Resource, earlier: Resource | None) -> bool:
    """True when everything we own is at the partner as we sent it, and nothing of it remains
    that this version took away."""
    return all(ours.get(name) == theirs.get(name) for name in _owned(ours, earlier))


def has_more(ours: Resource, theirs: Resource) -> bool:
    """True when the partner's own elements stand beside ours; a plain PUT would erase them."""
    return bool(theirs.keys() - ours.keys() - UNCOMPARED)


def overlay(ours: Resource, theirs: Resource, earlier: Resource | None) -> bytes:
    """Their resource with our elements on it, as bytes to put back."""
    merged = {name: value for name, value in theirs.items() if name not in _owned(ours, earlier)}
    merged |= {name: value for name, value in ours.items() if name != "meta"}
    merged["meta"] = _tagged(theirs.get("meta"), ours.get("meta"))
    return dump({"resourceType": ours["resourceType"], "id": ours["id"]} | merged)


def _owned(ours: Resource, earlier: Resource | None) -> set[str]:
    return (ours.keys() | (earlier or {}).keys()) - UNCOMPARED


def _tagged(theirs: Any, ours: Any) -> Resource:
    """Their meta without what the server sets, with our tags in it."""
    held = dict(theirs) if isinstance(theirs, dict) else {}
    for name in ("versionId", "lastUpdated"):
        held.pop(name, None)
    tags = held.get("tag")
    kept = list(tags) if isinstance(tags, list) else []
    wanted = ours.get("tag", ()) if isinstance(ours, dict) else ()
    held["tag"] = kept + [tag for tag in wanted if tag not in kept]
    return held
