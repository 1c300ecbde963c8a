"""Transactions and batches at the base."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from urllib.parse import parse_qsl

from service.api.gateway import (
    LARGEST_BUNDLE,
    Gateway,
    create_entry,
    known_type,
    refuse,
    structure_of,
    update_entry,
)
from service.api.outcomes import problems_of, status_of
from service.api.queries import query_of
from service.api.representation import instant_text
from service.auth.tokens import Source
from service.errors import BadInput, NotPermitted, Problem, ServiceError
from service.facts.finding import Finding
from service.fhir.edge.strict_json import dump
from service.fhir.write import operation_outcome
from service.reconcile.intake import Entry, Outcome

WRITES = ("POST", "PUT")


async def bundle(
    gateway: Gateway, source: Source, release: str, body: bytes, content: Any
) -> dict[str, Any]:
    """Answers a transaction or a batch; any other bundle is refused (422)."""
    refuse(_frame(content, release))
    kind = content.get("type")
    entries = content.get("entry") or []
    if len(entries) > LARGEST_BUNDLE:
        text = f"A bundle may hold {LARGEST_BUNDLE} entries, this one holds {len(entries)}."
        raise BadInput(413, Problem(code="too-costly", expression="Bundle.entry", text=text))
    if kind == "transaction":
        return await _transaction(gateway, source, release, body, entries)
    if kind == "batch":
        return await _batch(gateway, source, release, entries)
    text = f"Only transaction and batch bundles are taken here, not {kind!r}."
    raise BadInput(422, Problem(code="not-supported", expression="Bundle.type", text=text))


def _frame(content: Any, release: str) -> list[Problem]:
    """What is wrong with the bundle itself; its resources are looked at one by one."""
    if not isinstance(content, dict) or not isinstance(content.get("entry", []), list):
        return list(structure_of(content, release, models=False))
    entries = content.get("entry", [])
    frames = [
        {k: v for k, v in entry.items() if k != "resource"} if isinstance(entry, dict) else entry
        for entry in entries
    ]
    bare = {**content, "entry": frames} if "entry" in content else content
    return list(structure_of(bare, release, models=False))


async def _transaction(
    gateway: Gateway, source: Source, release: str, body: bytes, entries: list[Any]
) -> dict[str, Any]:
    writes: list[Entry] = []
    reads: dict[int, str] = {}
    for place, entry in enumerate(entries):
        try:
            made = _entry(entry, release)
        except BadInput as bad:
            raise BadInput(bad.status, *_placed(bad.problems, place)) from bad
        if made is None:
            reads[place] = entry["request"]["url"]
            _readable(gateway, source, release, reads[place], place)
        else:
            writes.append(made)
    stored = iter(
        await gateway.write(source, release, "transaction", body, tuple(writes)) if writes else ()
    )
    answers = [
        _read_entry(gateway, source, release, reads[place])
        if place in reads
        else _write_entry(gateway, release, next(stored))
        for place in range(len(entries))
    ]
    return _response("transaction-response", answers)


def _readable(gateway: Gateway, source: Source, release: str, url: str, place: int) -> None:
    """Refuses a transaction for a read that cannot be answered, before anything is stored."""
    try:
        _read_entry(gateway, source, release, url)
    except BadInput as bad:
        raise BadInput(bad.status, *_placed(bad.problems, place)) from bad


async def _batch(
    gateway: Gateway, source: Source, release: str, entries: list[Any]
) -> dict[str, Any]:
    """Entries are independent; one that refers to another's urn is refused on its own."""
    answers = []
    for place, entry in enumerate(entries):
        try:
            made = _entry(entry, release)
            if made is None:
                answers.append(_read_entry(gateway, source, release, entry["request"]["url"]))
                continue
            body = dump(entry["resource"])
            (outcome,) = await gateway.write(source, release, "batch", body, (made,))
            answers.append(_write_entry(gateway, release, outcome))
        except ServiceError as error:
            if isinstance(error, BadInput | NotPermitted):
                await gateway.refused(source, "batch", error)
            told = operation_outcome(_placed(problems_of(error), place))
            answers.append({"response": {"status": str(status_of(error)), "outcome": told}})
    return _response("batch-response", answers)


def _entry(entry: Mapping[str, Any], release: str) -> Entry | None:
    """An entry that writes, or None for one that reads."""
    request = entry.get("request")
    if not request:
        text = "An entry says in request what is to be done."
        raise BadInput(400, Problem(code="required", expression="request", text=text))
    method, url = request.get("method"), request.get("url", "")
    path, _, query = url.partition("?")
    parts = path.strip("/").split("/")
    if method == "GET":
        return None
    if method not in WRITES:
        text = "Only GET, POST and PUT are taken; to withdraw a record send it as entered-in-error."
        raise BadInput(405, Problem(code="not-supported", expression="request.method", text=text))
    resource = entry.get("resource")
    if resource is None:
        text = "An entry that writes holds the resource."
        raise BadInput(400, Problem(code="required", expression="resource", text=text))
    full_url = entry.get("fullUrl")
    if method == "POST" and len(parts) == 1:
        return create_entry(resource, parts[0], release, request.get("ifNoneExist"), full_url)
    if_match = request.get("ifMatch")
    if method == "PUT" and len(parts) == 2 and not query:
        return update_entry(resource, parts[0], parts[1], release, if_match, None, full_url)
    if method == "PUT" and len(parts) == 1 and query:
        return update_entry(resource, parts[0], None, release, if_match, query, full_url)
    text = "This method and address are no interaction of this server."
    raise BadInput(400, Problem(code="invalid", expression="request.url", text=text))


def _read_entry(gateway: Gateway, source: Source, release: str, url: str) -> dict[str, Any]:
    path, _, query = url.partition("?")
    parts = path.strip("/").split("/")
    if len(parts) == 1:
        known_type(parts[0], release)
        asked = parse_qsl(query, keep_blank_values=True)
        base = gateway.base_url(release)
        found = query_of(parts[0], release, asked, strict=False, base=base)
        resource = gateway.search(source, release, parts[0], found)
        return {"resource": resource, "response": {"status": "200"}}
    if len(parts) not in (2, 4) or (len(parts) == 4 and parts[2] != "_history"):
        text = "An entry reads a type, a resource, or a version of it."
        raise BadInput(400, Problem(code="invalid", expression="request.url", text=text))
    version = parts[3] if len(parts) == 4 else None
    row = gateway.read(source, release, parts[0], parts[1], version)
    return {
        "resource": gateway.show(row, source),
        "response": {"status": "200", "etag": f'W/"{row.version}"'},
    }


def _write_entry(gateway: Gateway, release: str, outcome: Outcome) -> dict[str, Any]:
    response: dict[str, Any] = {
        "status": "201 Created" if outcome.status == 201 else "200 OK",
        "location": f"{outcome.type}/{outcome.id}/_history/{outcome.version}",
        "etag": f'W/"{outcome.version}"',
        "lastModified": instant_text(outcome.at),
    }
    found: list[Problem | Finding] = list(outcome.warnings)
    found += outcome.answer.findings if outcome.answer else ()
    if found or outcome.answer:
        response["outcome"] = operation_outcome(found)
    return {"resource": gateway.show_outcome(outcome, release), "response": response}


def _placed(problems: tuple[Problem, ...], place: int) -> list[Problem]:
    """Problems with expressions that begin at the bundle's root."""
    found = []
    for problem in problems:
        expression = problem.expression or ""
        if not expression.startswith("Bundle"):
            head, _, rest = expression.partition(".")
            inner = (
                expression
                if head in ("request", "resource")
                else f"resource.{rest}"
                if rest
                else "resource"
            )
            expression = f"Bundle.entry[{place}].{inner}"
        found.append(replace(problem, expression=expression))
    return found


def _response(kind: str, answers: list[dict[str, Any]]) -> dict[str, Any]:
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": kind}
    if answers:
        bundle["entry"] = answers
    return bundle
