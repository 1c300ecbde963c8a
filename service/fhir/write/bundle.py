"""What goes out together: the transaction, and the Provenance of its targets."""

from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import quote

from service.assessment.desired import Desired
from service.facts.moment import at
from service.fhir.own import BASE
from service.fhir.write.codes import HL7
from service.fhir.write.common import (
    SERVICE_NAME,
    Resource,
    closed,
    concept,
    emitted_as,
    facts,
    head,
    organisation,
    service,
)
from service.fhir.write.context import WriteContext
from service.fhir.write.ids import named

RELEASES = ("R4", "R5")

Target = tuple[str, str]  # (type, id)


def provenance(
    targets: Iterable[Target],
    desired: Iterable[Desired],
    release: str,
    context: WriteContext,
    versions: str = "",
) -> Resource:
    """Who made the targets, when, under which policy, from which facts.

    The id is named by the targets, the instant of the commit and ``versions``, which tells two
    commits at one instant apart; a repeat is the same resource. Software version, policy profile
    and digest stand here and nowhere else. The shape is the same in both releases. Raises
    ValueError for an unknown release or without a target.
    """
    _check(release)
    about = sorted(set(targets))
    if not about:
        raise ValueError("a Provenance needs a target")
    recorded = at(context.recorded).text
    names = ",".join(f"{kind}/{id}" for kind, id in about)
    id = named(context.namespace, f"provenance/{names}/{recorded}/{versions}")
    resource = head("Provenance", id)
    del resource["identifier"]  # Provenance has none: the tag is its key
    basis = {key for one in desired for key in one.basis}
    assembler = (f"{HL7}/provenance-participant-type", "assembler", "Assembler")
    return closed(
        resource
        | {
            "target": [emitted_as(kind, id, context) for kind, id in about],
            "recorded": recorded,
            "policy": [_policy(context)],
            "agent": [
                {
                    "type": concept(None, assembler),
                    "who": service(context, f"{SERVICE_NAME} {context.software}"),
                    "onBehalfOf": organisation(context.facility),
                }
            ],
            "entity": [{"role": "source", "what": what} for what in facts(basis, context)],
        }
    )


def _policy(context: WriteContext) -> str:
    profile, digest = quote(context.policy_profile, safe=""), quote(context.policy_digest, safe="")
    return f"{BASE}/policy/{profile}?digest={digest}"


def transaction(
    entries: Iterable[tuple[str, str, Any]], release: str, if_match: Mapping[Target, str]
) -> Resource:
    """A transaction of ``PUT Type/uuid``, in the order given.

    entries: (type, id, resource); the resource is a dict, or its bytes as ``msgspec.Raw``.
    if_match: (type, id) -> ETag such as ``W/"3"``, for resources the partner already holds. The
    shape is the same in both releases. Raises ValueError for an unknown release or without entry.
    """
    _check(release)
    found = [_entry(kind, id, resource, if_match) for kind, id, resource in entries]
    if not found:
        raise ValueError("a transaction needs an entry")
    return {"resourceType": "Bundle", "type": "transaction", "entry": found}


def _entry(kind: str, id: str, resource: Any, if_match: Mapping[Target, str]) -> Resource:
    request = {"method": "PUT", "url": f"{kind}/{id}"}
    etag = if_match.get((kind, id))
    if etag is not None:
        request["ifMatch"] = etag
    return {"fullUrl": f"urn:uuid:{id}", "resource": resource, "request": request}


def _check(release: str) -> None:
    if release not in RELEASES:
        raise ValueError(f"no such release: {release}")
