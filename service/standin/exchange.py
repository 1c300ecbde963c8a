"""HTTP for a stand-in: one request read, one answer written, on the bare ASGI interface."""

from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl

import msgspec

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

JSON = "application/fhir+json"
ENCODER = msgspec.json.Encoder(decimal_format="number")


@dataclass(frozen=True, slots=True)
class Asked:
    """A request: parts are the path below the base."""

    method: str
    parts: tuple[str, ...]
    query: dict[str, str]
    headers: dict[str, str]
    body: bytes


@dataclass(slots=True)
class Reply:
    """An answer. content: a dict, or bytes that are JSON already; None for no body."""

    status: int
    content: Any = None
    headers: dict[str, str] = field(default_factory=dict)
    media: str = JSON


class Refused(Exception):
    """A request that is answered with an OperationOutcome."""

    def __init__(self, status: int, code: str, text: str) -> None:
        super().__init__(text)
        self.status = status
        self.content = outcome(code, text)


async def read(scope: Scope, receive: Receive) -> Asked:
    """The whole request."""
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if not message.get("more_body"):
            break
    query = scope.get("query_string", b"").decode("latin-1")
    headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
    parts = tuple(part for part in scope["path"].split("/") if part)
    return Asked(scope["method"], parts, dict(parse_qsl(query)), headers, body)


async def write(reply: Reply, send: Send) -> None:
    """The whole answer."""
    body = encoded(reply.content)
    await send(_start(reply, len(body)))
    await send({"type": "http.response.body", "body": body})


async def break_off(reply: Reply, send: Send) -> None:
    """Half an answer, then a broken connection."""
    body = encoded(reply.content) or b"{}"
    await send(_start(reply, len(body) + 1))
    await send({"type": "http.response.body", "body": body[: len(body) // 2], "more_body": True})
    raise ConnectionResetError("broken off on purpose")


def encoded(content: Any) -> bytes:
    """The bytes of an answer's body."""
    if content is None:
        return b""
    return content if isinstance(content, bytes) else ENCODER.encode(content)


def outcome(code: str, text: str, severity: str = "error") -> dict[str, Any]:
    """An OperationOutcome with one issue."""
    issue = {"severity": severity, "code": code, "diagnostics": text}
    return {"resourceType": "OperationOutcome", "issue": [issue]}


def _start(reply: Reply, length: int) -> dict[str, Any]:
    headers = [(b"content-length", str(length).encode())]
    if length:
        headers.append((b"content-type", reply.media.encode()))
    headers += [(k.encode("latin-1"), v.encode("latin-1")) for k, v in reply.headers.items()]
    return {"type": "http.response.start", "status": reply.status, "headers": headers}
