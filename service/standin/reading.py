"""What a stand-in shows of what it holds: read, search, history, its statement."""

from collections.abc import Sequence
from typing import Any

import msgspec

from service.standin.exchange import ENCODER, Refused, Reply
from service.standin.knobs import Knobs
from service.standin.shelf import Shelf, Version

FHIR_VERSION = {"R4": "4.0.1", "R5": "5.0.0"}

_ANY = msgspec.json.Decoder(dict[str, Any])
_RAW = msgspec.json.Decoder(dict[str, msgspec.Raw])


def etag(number: int) -> str:
    """The ETag of a version."""
    return f'W/"{number}"'


def shown(version: Version) -> bytes:
    """A version with the meta a server sets, spliced in without reading the rest."""
    content = _RAW.decode(version.body)
    meta = _ANY.decode(content["meta"]) if "meta" in content else {}
    meta |= {"versionId": str(version.number), "lastUpdated": version.at}
    content["meta"] = msgspec.Raw(ENCODER.encode(meta))
    return ENCODER.encode(content)


def get(shelf: Shelf, knobs: Knobs, parts: tuple[str, ...]) -> Reply:
    """Read, vread and the history of one resource."""
    type_, id_ = parts[:2]
    versions = shelf.versions(type_, id_)
    if not versions:
        raise Refused(404, "not-found", f"There is no {type_}/{id_}.")
    if len(parts) == 2:
        return _one(knobs, versions[-1])
    if parts[2] != "_history":
        raise Refused(404, "not-found", "No such address.")
    if len(parts) == 3:
        return Reply(200, _bundled("history", [shown(v) for v in reversed(versions)]))
    number = int(parts[3]) if parts[3].isdecimal() else 0
    if not 1 <= number <= len(versions):
        raise Refused(404, "not-found", "No such version.")
    return _one(knobs, versions[number - 1])


def _one(knobs: Knobs, version: Version) -> Reply:
    headers = {"etag": etag(version.number)} if knobs.etags else {}
    return Reply(200, shown(version), headers)


def search(shelf: Shelf, type_: str, query: dict[str, str]) -> Reply:
    """Search by _id, identifier and _tag."""
    held = [id_ for kind, id_ in shelf.places() if kind == type_]
    for name, value in query.items():
        if name == "_id":
            wanted = set(value.split(","))
        elif name in ("identifier", "_tag"):
            tokens = value.split(",")
            wanted = {i for token in tokens for i in shelf.find(type_, name, token)}
        elif name in ("_count", "_format"):
            continue
        else:
            raise Refused(400, "not-supported", f"Parameter {name} is not known.")
        held = [id_ for id_ in held if id_ in wanted]
    latest = [shelf.latest(type_, id_) for id_ in held]
    return Reply(200, _bundled("searchset", [shown(v) for v in latest if v is not None]))


def statement(name: str, release: str, shelf: Shelf, knobs: Knobs) -> Reply:
    """The CapabilityStatement."""
    if knobs.statement == "absent":
        raise Refused(404, "not-found", "No statement.")
    content: dict[str, Any] = {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2025-01-01",
        "kind": "instance",
        "fhirVersion": FHIR_VERSION[release],
        "format": ["json"],
        "software": {"name": knobs.software},
        "implementation": {"description": f"Stand-in {name}"},
    }
    if knobs.statement == "true":
        content["rest"] = [_rest(shelf, knobs)]
    return Reply(200, content)


def _rest(shelf: Shelf, knobs: Knobs) -> dict[str, Any]:
    said = ["batch"] + (["transaction"] if knobs.transactions != "absent" else [])
    updates = knobs.update_as_create
    kinds = sorted({kind for kind, _ in shelf.places()})
    resources = [{"type": kind, "updateCreate": updates} for kind in kinds]
    return {
        "mode": "server",
        "resource": resources,
        "interaction": [{"code": code} for code in said],
    }


def _bundled(kind: str, resources: Sequence[bytes]) -> dict[str, Any]:
    entries = [{"resource": msgspec.Raw(one)} for one in resources]
    return {"resourceType": "Bundle", "type": kind, "total": len(entries), "entry": entries}
