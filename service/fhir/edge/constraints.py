"""What the definitions say between elements, as far as it decides how a resource is read.

Reference targets; ref-1, ext-1, per-1 and obs-6 of the R4 and R5 definitions. Other invariants are
left to whoever reads the element: a quantity without a system, for one, is an unusable reading
and not a refused resource.
"""

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from service.fhir.edge.paths import Path
from service.fhir.edge.tables import Element

if TYPE_CHECKING:
    from service.fhir.edge.walk import Walk

Json = dict[str, Any]


def kinds_by(held: Any, key: str) -> dict[str, str]:
    """Resource types of a list of resources, by one of their elements."""
    found = held if type(held) is list else []
    return {
        item[key]: item["resourceType"]
        for item in found
        if type(item) is dict
        and type(item.get(key)) is str
        and type(item.get("resourceType")) is str
    }


def entry_kinds(entries: Any) -> dict[str, str]:
    """Resource types of a Bundle's entries by fullUrl."""
    found = entries if type(entries) is list else []
    pairs = [(e.get("fullUrl"), e.get("resource")) for e in found if type(e) is dict]
    return {
        url: resource["resourceType"]
        for url, resource in pairs
        if type(url) is str and type(resource) is dict and type(resource.get("resourceType")) is str
    }


def _reference(walk: "Walk", node: Json, element: Element, path: Path) -> None:
    """The target's type, wherever it can be told, is one that the definition allows."""
    said = node.get("type")
    declared = said.rsplit("/", 1)[-1] if type(said) is str else None
    target = _target(walk, node.get("reference"), path)
    if element.to is not None:
        for kind in (target, declared):
            if kind in walk.tables.resources and kind not in element.to:
                text = f"must refer to {' or '.join(sorted(element.to))}"
                walk.add("invariant", path, text)
                return
    if target and declared in walk.tables.resources and target != declared:
        walk.add("invariant", path, f"says {declared} and refers to {target}")


def _target(walk: "Walk", reference: Any, path: Path) -> str | None:
    if type(reference) is not str:
        return None
    if reference.startswith("#"):
        return _inside(walk, reference[1:], path)
    if reference in walk.urls:
        return walk.urls[reference]
    steps = reference.partition("?")[0].split("/")
    if "_history" in steps:
        steps = steps[: steps.index("_history")]
    named = steps[-2] if len(steps) > 1 else steps[0]
    return named if named in walk.tables.resources else None


def _inside(walk: "Walk", identity: str, path: Path) -> str | None:
    """ref-1: a reference to a contained resource finds it; ``#`` alone is the container."""
    if identity and identity not in walk.contained:
        walk.add("invariant", path, "refers to a contained resource that is not there")
    return walk.contained.get(identity)


def _codeable_reference(walk: "Walk", node: Json, element: Element, path: Path) -> None:
    held = node.get("reference")
    if type(held) is dict and element.to is not None:
        _reference(walk, held, element, (path, "reference", None))


def _extension(walk: "Walk", node: Json, element: Element, path: Path) -> None:
    """ext-1: an extension has a value or extensions of its own, not both and not neither."""
    has_value = any(name.startswith(("value", "_value")) for name in node)
    if has_value == ("extension" in node):
        walk.add("invariant", path, "must have either a value or extensions of its own")


def _period(walk: "Walk", node: Json, element: Element, path: Path) -> None:
    """per-1: a period does not end before it starts; times of unequal precision are let be."""
    start, end = node.get("start"), node.get("end")
    if type(start) is not str or type(end) is not str or len(start) < 10 or len(end) < 10:
        return
    if ("T" in start) != ("T" in end):
        return
    first, last = _instant(start), _instant(end)
    if first and last and first > last:
        walk.add("invariant", path, "must not end before it starts")


def _instant(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo or "T" not in text else None


def _observation(walk: "Walk", node: Json, path: Path) -> None:
    """obs-6: a reason for absent data stands only where there is no value."""
    if "dataAbsentReason" in node and any(name.startswith("value") for name in node):
        text = "must be absent where there is a value"
        walk.add("invariant", (path, "dataAbsentReason", None), text)


OF_TYPE: dict[str, Callable[["Walk", Json, Element, Path], None]] = {
    "Reference": _reference,
    "CodeableReference": _codeable_reference,
    "Extension": _extension,
    "Period": _period,
}
OF_RESOURCE: dict[str, tuple[Callable[["Walk", Json, Path], None], ...]] = {
    "Observation": (_observation,),
}
