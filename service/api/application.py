"""The HTTP application: FHIR routes of both releases, health, and errors in FHIR form."""

import logging
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager

from fastapi import FastAPI, Request, Response
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.routing import Match

from service.api.gateway import Gateway
from service.api.naming import RequestName
from service.api.outcomes import answer, refusal
from service.api.routes import router
from service.auth.tokens import Tokens
from service.errors import Problem, ServiceError
from service.fhir.write import operation_outcome

Lifespan = Callable[[FastAPI], AbstractAsyncContextManager[None]]
LOG = logging.getLogger(__name__)
SAID = {
    404: ("not-found", "There is nothing at this address."),
    405: ("not-supported", "This address does not take this method; Allow says which it takes."),
}


def create(
    gateway: Gateway,
    tokens: Tokens,
    *,
    software: str,
    ready: Callable[[], str | None],
    new_request_id: Callable[[], str],
    lifespan: Callable[[], AbstractAsyncContextManager[None]],
) -> FastAPI:
    """The application. ``ready`` names what is not ready, or None; partners do not count."""

    @asynccontextmanager
    async def span(_: FastAPI) -> AsyncIterator[None]:
        async with lifespan():
            yield

    app = FastAPI(
        title="Transfusion Events",
        version=software,
        summary="HL7 FHIR interoperability service for transfusion administration events",
        description=(
            "Screening support, not a diagnosis. Local policy, the laboratory's label and licensed "
            "staff decide."
        ),
        lifespan=span,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    for release in ("R4", "R5"):
        app.include_router(router(gateway, tokens, release, software))
    _health(app, ready)
    _errors(app)
    app.add_middleware(RequestName, new_name=new_request_id)
    return app


def _health(app: FastAPI, ready: Callable[[], str | None]) -> None:
    @app.get("/health/live", summary="The process answers", tags=["health"])
    async def live() -> dict[str, str]:
        return {"status": "live"}

    @app.get("/health/ready", summary="The store can be read and written", tags=["health"])
    async def is_ready() -> JSONResponse:
        try:
            missing = ready()
        except Exception:
            LOG.exception("the store cannot be read")
            missing = "the store"
        content = {"status": "ready"} if missing is None else {"status": "waiting", "for": missing}
        return JSONResponse(content, status_code=200 if missing is None else 503)


def _errors(app: FastAPI) -> None:
    """Every 4xx and 5xx is an OperationOutcome, those of the framework included."""

    @app.exception_handler(ServiceError)
    async def own(request: Request, error: ServiceError) -> Response:
        return refusal(error, _release(request))

    @app.exception_handler(HTTPException)
    async def framework(request: Request, error: HTTPException) -> Response:
        code, text = SAID.get(error.status_code, ("processing", str(error.detail)))
        body = operation_outcome([Problem(code=code, text=text)])
        headers = dict(error.headers or {})
        if error.status_code == 405:
            headers["Allow"] = ", ".join(sorted(_methods(request)))
        return answer(body, _release(request), status=error.status_code, headers=headers)


def _methods(request: Request) -> set[str]:
    """Every method that some route takes at the request's path."""
    found: set[str] = set()
    for method in ("GET", "POST", "PUT", "PATCH", "DELETE"):
        scope = {**request.scope, "method": method}
        if any(route.matches(scope)[0] is Match.FULL for route in request.app.routes):
            found.add(method)
    return found


def _release(request: Request) -> str:
    return "R5" if request.url.path.startswith("/fhir/r5") else "R4"
