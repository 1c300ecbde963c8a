"""Pieces of every resource: references, identifiers, codings, amounts, and the closing pass.

Resources are plain dicts. Builders may leave None, empty texts and empty lists in them; ``closed``
takes those out, since FHIR JSON forbids them.
"""

import re
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from service.assessment.desired import Desired, Key, UnitShown
from service.facts.identity import Identifier, Ref, Staff
from service.facts.moment import Moment
from service.facts.unit import UnitKey
from service.fhir.own import BASE, EMITTED_SYSTEM, UNIT_SYSTEM
from service.fhir.write.codes import COMPONENT_TEXT, ISBT, UCUM, UNIT_TEXT, Code, group_text
from service.fhir.write.context import Party, WriteContext
from service.fhir.write.ids import named, resource_id, resource_type
from service.fhir.write.vocabulary import unit_key_text

Resource = dict[str, Any]

RESOURCE_SYSTEM = f"{BASE}/sid/resource"  # our own copy of something a partner sent
NOTICE_SYSTEM = f"{BASE}/sid/notice"
SERVICE_SYSTEM = f"{BASE}/sid/service"
SERVICE_NAME = "Transfusion event service"

_WORD_OF_TYPE = {
    "AdverseEvent": "Notice",
    "BiologicallyDerivedProduct": "Unit",
    "DetectedIssue": "Finding",
    "Practitioner": "Member of staff",
    "Procedure": "Transfusion record",
    "ServiceRequest": "Order",
    "Task": "Task",
}
_HEAD = ("resourceType", "id", "meta", "text", "contained", "extension", "modifierExtension")
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_ODD_SPACE = re.compile(r"[^\S \r\n\t]")


def head(kind: str, id: str) -> Resource:
    """The three keys of a resource: the same uuid as id, as identifier and as tag."""
    return {
        "resourceType": kind,
        "id": id,
        "meta": {"tag": [{"system": EMITTED_SYSTEM, "code": id}]},
        "identifier": [{"system": EMITTED_SYSTEM, "value": id}],
    }


def head_of(desired: Desired, context: WriteContext) -> Resource:
    """The head of the resource that an identity gets."""
    return head(resource_type(desired.key), resource_id(desired.key, context))


def identifier(found: Identifier) -> Resource:
    """An Identifier."""
    return {"system": found.system, "value": found.value}


def coding(code: Code) -> Resource:
    """A Coding."""
    system, value, display = code
    return {"system": system, "code": value, "display": display}


def concept(text: str | None, *codes: Code) -> Resource:
    """A CodeableConcept: the text is what a person reads, the codes what a system may read."""
    return {"coding": [coding(code) for code in codes], "text": text}


def quantity(value: Decimal, code: str) -> Resource:
    """A Quantity in a UCUM unit."""
    return {"value": value, "unit": UNIT_TEXT.get(code, code), "system": UCUM, "code": code}


def reference(ref: Ref, context: WriteContext) -> Resource:
    """A reference: literal only where the partner's own id is known, else logical."""
    found = ref.identifier or (Identifier(RESOURCE_SYSTEM, ref.id) if ref.id else None)
    return {
        "reference": _known(ref.kind, ref.tokens, context),
        "type": ref.kind,
        "identifier": identifier(found) if found else None,
        "display": ref.display or _named(ref.kind, found),
    }


def person(staff: Staff, context: WriteContext) -> Resource:
    """A reference to a member of staff."""
    tokens = set(staff.keys)
    if staff.identifier is not None:
        tokens.add(staff.identifier.token)
    found = staff.identifier or _first_identifier(staff.keys)
    return {
        "reference": _known("Practitioner", tokens, context),
        "type": "Practitioner",
        "identifier": identifier(found) if found else None,
        "display": staff.display or _named("Practitioner", found),
    }


def organisation(party: Party, display: str | None = None) -> Resource:
    """A reference to an organisation by its identifier."""
    return {
        "type": "Organization",
        "identifier": identifier(party.identifier),
        "display": display or party.name,
    }


def service(context: WriteContext, display: str = SERVICE_NAME) -> Resource:
    """A reference to this installation of the service, as a Device."""
    own = named(context.namespace, "service")
    return {
        "type": "Device",
        "identifier": {"system": SERVICE_SYSTEM, "value": own},
        "display": display,
    }


def emitted(key: Key, context: WriteContext) -> Resource:
    """A literal reference to another resource of ours, by the partner's id where it gave one."""
    kind, id = resource_type(key), resource_id(key, context)
    return emitted_as(kind, id, context)


def emitted_as(kind: str, id: str, context: WriteContext) -> Resource:
    """As ``emitted``, for a type and an id."""
    own = Identifier(EMITTED_SYSTEM, id)
    return {
        "reference": _known(kind, {own.token}, context) or f"{kind}/{id}",
        "type": kind,
        "identifier": identifier(own),
        "display": _WORD_OF_TYPE.get(kind, kind),
    }


def fact(key: str, context: WriteContext) -> Resource:
    """A reference to what a fact was read from. ``key`` is ``Type/id`` with an optional ``#n``."""
    kind, slash, id = key.partition("#")[0].partition("/")
    if not slash:
        return {"identifier": {"system": RESOURCE_SYSTEM, "value": key}, "display": "Fact"}
    return reference(Ref(kind=kind, id=id), context)


def facts(keys: Iterable[str], context: WriteContext) -> list[Resource]:
    """References to what facts were read from, each resource once, in key order."""
    resources = sorted({key.partition("#")[0] for key in keys})
    return [fact(key, context) for key in resources]


def unit_identifier(key: UnitKey) -> Resource:
    """The logical identifier of a unit."""
    return {"system": UNIT_SYSTEM, "value": key.text}


def donation_identifier(key: UnitKey) -> Resource:
    """The donation identification number."""
    return {"system": f"{ISBT}/DonationIdentificationNumber", "value": key.din}


def unit_text(unit: UnitShown) -> str:
    """A unit in one line: component, group, donation number, product code, division."""
    name = unit.product_text or (COMPONENT_TEXT[unit.component] if unit.component else "Unit")
    group = group_text(unit.group) if unit.group else "group not recorded"
    return f"{name}, {group}, {unit_key_text(unit.key)}"


def unit_reference(unit: UnitShown, local: str | None = None) -> Resource:
    """A reference to a unit: to the contained one of that local id, else logical."""
    return {
        "reference": f"#{local}" if local else None,
        "type": "BiologicallyDerivedProduct",
        "identifier": unit_identifier(unit.key),
        "display": unit_text(unit),
    }


def period(start: Moment | None, end: Moment | None) -> Resource | None:
    """A Period that keeps per-1: start not after end.

    Two times of unlike precision are cut to the coarser one; an end before the start is left out
    (the narrative shows both as they were sent).
    """
    if start is None or end is None:
        return {"start": start.text if start else None, "end": end.text if end else None}
    if start.instant is not None and end.instant is not None:
        ordered = start.instant <= end.instant
        return {"start": start.text, "end": end.text if ordered else None}
    shared = min(len(start.text), len(end.text))
    began, ended = start.text[:shared], end.text[:shared]
    return {"start": began, "end": ended if began <= ended else None}


def notes(*texts: str | None) -> list[Resource]:
    """Annotations, one for each text."""
    return [{"text": text} for text in texts if text and plain(text)]


def closed(resource: Resource) -> Resource:
    """The finished resource: without empty parts, texts clean, its head first."""
    pruned: Resource = _pruned(resource) or {}
    first = {name: pruned[name] for name in _HEAD if name in pruned}
    return first | pruned


def plain(text: str) -> str:
    """A text as FHIR strings allow it: no control characters, no odd spaces; blank is empty."""
    if text.isprintable() and text.isascii():
        return "" if text.isspace() else text
    cleaned = _ODD_SPACE.sub(" ", _FORBIDDEN.sub("", text))
    return cleaned if cleaned.strip() else ""


def _pruned(node: Any) -> Any:
    """A copy without empty parts, itself None when nothing is left of it."""
    kind = type(node)
    if kind is str:
        return plain(node) or None
    if kind is dict:
        kept = {name: found for name in node if (found := _pruned(node[name])) is not None}
        return kept or None
    if kind is list:
        return [found for value in node if (found := _pruned(value)) is not None] or None
    return (plain(node) or None) if isinstance(node, str) else node


def _known(kind: str, tokens: Iterable[str], context: WriteContext) -> str | None:
    found = (context.known.get(token) for token in sorted(tokens))
    return next((id for id in found if id and id.startswith(f"{kind}/")), None)


def _named(kind: str, found: Identifier | None) -> str:
    word = _WORD_OF_TYPE.get(kind, kind)
    return f"{word} {found.value}" if found else word


def _first_identifier(keys: Iterable[str]) -> Identifier | None:
    for key in sorted(keys):
        system, bar, value = key.partition("|")
        if bar:
            return Identifier(system, value)
    return next((Identifier(RESOURCE_SYSTEM, key.partition("/")[2]) for key in sorted(keys)), None)
