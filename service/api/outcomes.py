"""Answers in FHIR form: OperationOutcome for every refusal, headers for every success."""

from collections.abc import Mapping
from typing import Any

from fastapi import Response

from service.api.negotiation import content_type
from service.errors import BadInput, NotPermitted, Overloaded, Problem, ServiceError
from service.fhir.edge.strict_json import dump
from service.fhir.write import operation_outcome
from service.reconcile.intake import Outcome

LOGIN = {401: "login", 403: "forbidden"}


def refusal(error: ServiceError, release: str) -> Response:
    """The response for an error of ours."""
    status, problems, headers = _parts(error)
    return answer(operation_outcome(problems), release, status=status, headers=headers)


def status_of(error: ServiceError) -> int:
    """The HTTP status of an error of ours."""
    return _parts(error)[0]


def problems_of(error: ServiceError) -> tuple[Problem, ...]:
    """The problems an error of ours states."""
    return _parts(error)[1]


def _parts(error: ServiceError) -> tuple[int, tuple[Problem, ...], dict[str, str]]:
    if isinstance(error, BadInput):
        return error.status, error.problems, {}
    if isinstance(error, NotPermitted):
        headers = {"WWW-Authenticate": "Bearer"} if error.status == 401 else {}
        return error.status, (Problem(code=LOGIN[error.status], text=str(error)),), headers
    if isinstance(error, Overloaded):
        wait = {"Retry-After": str(error.retry_after)}
        return 503, (Problem(code="transient", text=str(error)),), wait
    text = "The service failed; the reference in X-Request-Id identifies the event."
    return 500, (Problem(code="exception", severity="fatal", text=text),), {}


def answer(
    body: Mapping[str, Any] | bytes | None,
    release: str,
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """A FHIR JSON response; None gives an empty body."""
    content = b"" if body is None else body if isinstance(body, bytes) else dump(dict(body))
    response = Response(content=content, status_code=status, headers=dict(headers or {}))
    if content:
        response.headers["Content-Type"] = content_type(release)
    return response


def stored_headers(outcome: Outcome, base: str) -> dict[str, str]:
    """Location, ETag and Last-Modified of a stored version."""
    return {
        "Location": f"{base}/{outcome.type}/{outcome.id}/_history/{outcome.version}",
        **version_headers(outcome.version, outcome.at),
    }


def version_headers(version: int, at: Any) -> dict[str, str]:
    """ETag and Last-Modified."""
    return {
        "ETag": f'W/"{version}"',
        "Last-Modified": at.strftime("%a, %d %b %Y %H:%M:%S GMT"),
    }
