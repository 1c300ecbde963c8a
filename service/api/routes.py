"""The FHIR routes of one release."""

from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any
from urllib.parse import parse_qsl

from fastapi import APIRouter, Request, Response
from fastapi.routing import APIRoute

from service.api.bundles import bundle
from service.api.gateway import Gateway, create_entry, known_type, update_entry
from service.api.metadata import capability_statement
from service.api.negotiation import check_accept, check_content, preference
from service.api.operations import check_unit
from service.api.outcomes import answer, stored_headers, version_headers
from service.api.queries import query_of
from service.auth.tokens import Source, Tokens
from service.errors import BadInput, NotPermitted, Problem
from service.fhir.edge.strict_json import parse
from service.fhir.write import operation_outcome
from service.reconcile.intake import Outcome

LARGEST_BUNDLE = 5 * 1024 * 1024  # bytes
LARGEST_RESOURCE = 1024 * 1024
LARGEST_FORM = 64 * 1024


class PlainRoute(APIRoute):
    """A route whose handler takes the request and the words of its path, and nothing is injected.

    FHIR bodies are checked by the FHIR rooms, so the framework need not look at them again.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler, called with the words of the path."""

        async def handle(request: Request) -> Response:
            found: Response = await self.endpoint(request, **request.path_params)
            return found

        return handle


def router(gateway: Gateway, tokens: Tokens, release: str, software: str) -> APIRouter:
    """All routes below ``/fhir/r4`` or ``/fhir/r5``."""
    routes = APIRouter(prefix=f"/fhir/{release.lower()}", tags=[release], route_class=PlainRoute)
    door = Door(gateway, tokens, release, software)
    version = "/{type}/{id}/_history/{version}"
    table: list[tuple[str, str, Callable[..., Any], str, bool, int]] = [
        ("GET", "/metadata", door.metadata, "What this base does", False, 200),
        ("POST", "/$check-unit", door.check_unit, "Dry run of a pre-start check", True, 200),
        ("POST", "", door.bundle, "Transaction or batch", True, 200),
        ("GET", "/{type}", door.search, "Search a type", False, 200),
        ("POST", "/{type}", door.create, "Create", True, 201),
        ("PUT", "/{type}", door.update_matching, "Update by a condition", True, 200),
        ("POST", "/{type}/_search", door.search_form, "Search by form", False, 200),
        ("GET", "/{type}/{id}", door.read, "Read", False, 200),
        ("PUT", "/{type}/{id}", door.update, "Update", True, 200),
        ("GET", version, door.read_version, "Read a version", False, 200),
    ]
    for method, path, handler, summary, sends, status in table:
        routes.add_api_route(
            path,
            handler,
            methods=[method],
            summary=summary,
            status_code=status,
            operation_id=f"{release}-{handler.__name__}",
            response_class=Response,
            responses=_responses(status, summary),
            openapi_extra=_sends() if sends else None,
        )
    routes.add_api_route("/", door.bundle, methods=["POST"], include_in_schema=False)
    return routes


RESOURCE = {
    "schema": {
        "type": "object",
        "required": ["resourceType"],
        "properties": {"resourceType": {"type": "string"}},
    }
}


def _sends() -> dict[str, Any]:
    body = {"required": True, "content": {"application/fhir+json": RESOURCE}}
    return {"requestBody": body}


def _responses(status: int, summary: str) -> dict[int | str, dict[str, Any]]:
    """The good answer, and every refusal as an OperationOutcome."""
    outcome = {
        "description": "An OperationOutcome says what is wrong and where.",
        "content": {"application/fhir+json": RESOURCE},
    }
    good = {"description": summary, "content": {"application/fhir+json": RESOURCE}}
    return {status: good, "4XX": outcome, "503": outcome}


class Door:
    """Translates HTTP to interactions and back; decides nothing."""

    def __init__(self, gateway: Gateway, tokens: Tokens, release: str, software: str) -> None:
        self.gateway = gateway
        self.tokens = tokens
        self.release = release
        self.software = software

    @property
    def base(self) -> str:
        """The address of this base."""
        return self.gateway.base_url(self.release)

    async def metadata(self, request: Request) -> Response:
        """The CapabilityStatement; needs no token."""
        self._accepts(request)
        body = capability_statement(self.release, self.base, self.software)
        return answer(body, self.release)

    async def bundle(self, request: Request) -> Response:
        """A transaction or a batch."""
        source = self._caller(request)
        async with self._audited(source, "bundle"):
            body = await self._body(request, LARGEST_BUNDLE)
            found = await bundle(self.gateway, source, self.release, body, parse(body))
        return answer(found, self.release)

    async def create(self, request: Request, type: str) -> Response:
        """Creates, or answers 200 with what already says the same."""
        source = self._caller(request)
        async with self._audited(source, "create"):
            body = await self._body(request, LARGEST_RESOURCE)
            condition = request.headers.get("if-none-exist")
            entry = create_entry(parse(body), type, self.release, condition)
            (outcome,) = await self.gateway.write(source, self.release, "create", body, (entry,))
        return self._stored(request, outcome)

    async def update(self, request: Request, type: str, id: str) -> Response:
        """Updates a resource by our id."""
        return await self._update(request, type, id, None)

    async def update_matching(self, request: Request, type: str) -> Response:
        """Updates the one resource that bears an identifier."""
        query = request.url.query
        if not query:
            text = "An update needs an id in the address, or a condition."
            raise BadInput(400, Problem(code="invalid", text=text))
        return await self._update(request, type, None, query)

    async def read(self, request: Request, type: str, id: str) -> Response:
        """Reads the current version."""
        return self._read(request, type, id, None)

    async def read_version(self, request: Request, type: str, id: str, version: str) -> Response:
        """Reads one version."""
        return self._read(request, type, id, version)

    async def search(self, request: Request, type: str) -> Response:
        """Searches a type."""
        return self._search(request, type, list(request.query_params.multi_items()))

    async def search_form(self, request: Request, type: str) -> Response:
        """Searches a type with parameters in the body."""
        self._caller(request)
        if not request.headers.get("content-type", "").startswith(
            "application/x-www-form-urlencoded"
        ):
            text = "Send _search as application/x-www-form-urlencoded."
            raise BadInput(415, Problem(code="not-supported", text=text))
        form = (await body_of(request, LARGEST_FORM)).decode("utf-8", errors="replace")
        asked = list(request.query_params.multi_items()) + parse_qsl(form, keep_blank_values=True)
        return self._search(request, type, asked)

    async def check_unit(self, request: Request) -> Response:
        """Judges a unit as a recorded check would be; stores only an audit row."""
        source = self._caller(request)
        async with self._audited(source, "check-unit"):
            body = await self._body(request, LARGEST_RESOURCE)
            found = await check_unit(self.gateway, source, self.release, parse(body))
        return answer(found, self.release)

    async def _update(
        self, request: Request, type: str, id: str | None, query: str | None
    ) -> Response:
        source = self._caller(request)
        async with self._audited(source, "update"):
            body = await self._body(request, LARGEST_RESOURCE)
            if_match = request.headers.get("if-match")
            entry = update_entry(parse(body), type, id, self.release, if_match, query)
            (outcome,) = await self.gateway.write(source, self.release, "update", body, (entry,))
        return self._stored(request, outcome)

    def _accepts(self, request: Request) -> None:
        wanted = request.query_params.get("_format")
        check_accept(request.headers.get("accept"), wanted, self.release)

    def _caller(self, request: Request) -> Source:
        """Who asks: looked at before anything that was sent."""
        self._accepts(request)
        if len(request.headers.getlist("authorization")) > 1:
            raise NotPermitted(401, "Send one Authorization header.")
        return self.tokens.source(request.headers)

    @asynccontextmanager
    async def _audited(self, source: Source, interaction: str) -> AsyncIterator[None]:
        """A refused request leaves an audit row and nothing else."""
        try:
            yield
        except (BadInput, NotPermitted) as refused:
            await self.gateway.refused(source, interaction, refused)
            raise

    async def _body(self, request: Request, largest: int) -> bytes:
        if request.headers.get("content-encoding", "identity") != "identity":
            raise BadInput(415, Problem(code="not-supported", text="Send the body uncompressed."))
        check_content(request.headers.get("content-type"), self.release)
        return await body_of(request, largest)

    def _read(self, request: Request, type: str, id: str, version: str | None) -> Response:
        source = self._caller(request)
        row = self.gateway.read(source, self.release, type, id, version)
        headers = version_headers(row.version, row.at)
        if version is None and request.headers.get("if-none-match") == headers["ETag"]:
            return answer(None, self.release, status=304, headers=headers)
        return answer(self.gateway.show(row, source), self.release, headers=headers)

    def _search(self, request: Request, type: str, asked: list[tuple[str, str]]) -> Response:
        source = self._caller(request)
        _, strict = preference(request.headers.get("prefer"))
        known_type(type, self.release)
        query = query_of(type, self.release, asked, strict=strict, base=self.base)
        return answer(self.gateway.search(source, self.release, type, query), self.release)

    def _stored(self, request: Request, outcome: Outcome) -> Response:
        wanted, _ = preference(request.headers.get("prefer"))
        body: dict[str, Any] | None
        if wanted == "minimal":
            body = None
        elif wanted == "OperationOutcome":
            found = outcome.answer.findings if outcome.answer else ()
            body = operation_outcome([*outcome.warnings, *found])
        else:
            body = self.gateway.show_outcome(outcome, self.release)
        headers = stored_headers(outcome, self.base)
        return answer(body, self.release, status=outcome.status, headers=headers)


async def body_of(request: Request, largest: int) -> bytes:
    """The body, cut off (413) as soon as it grows too large, whatever Content-Length says."""
    parts: list[bytes] = []
    size = 0
    async for part in request.stream():
        size += len(part)
        if size > largest:
            text = f"A body may hold {largest} bytes here."
            raise BadInput(413, Problem(code="too-long", text=text))
        parts.append(part)
    return b"".join(parts)
