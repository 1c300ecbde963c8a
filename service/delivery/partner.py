"""HTTP to one partner: a transaction, a PUT, a GET. No redirects, no retries, bounded answers."""

import asyncio
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from hashlib import sha256
from math import inf
from types import TracebackType
from typing import Any

import httpx
import msgspec

from service.delivery.answers import Answer, Error, Resource
from service.settings import PartnerSettings

MOST_BYTES = 1_000_000  # of one answer
CONNECT_SECONDS = 3.0
STATEMENT_SECONDS = 5.0
MOST_CONNECTIONS = 8
FHIR_VERSION = {"R4": "4.0", "R5": "5.0"}

_DECODER = msgspec.json.Decoder(float_hook=Decimal)


class _Oversized(Exception):
    """The answer is longer than we read."""


@dataclass(slots=True, kw_only=True)
class Link:
    """The connections to one partner.

    token: reads the bearer token; asked again after ``renew``, so that a rotated one is picked up.
    seconds: the whole of one request. Every method returns an Answer and raises nothing for
    whatever the network or the partner does.
    """

    client: httpx.AsyncClient
    release: str
    seconds: float = 20.0
    token: Callable[[], str | None] = lambda: None
    _headers: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.renew()

    def renew(self) -> None:
        """Reads the credential again."""
        media = f"application/fhir+json; fhirVersion={FHIR_VERSION[self.release]}"
        self._headers = {"Accept": media, "Accept-Encoding": "identity"}
        token = self.token()
        if token:
            self._headers["Authorization"] = f"Bearer {token}"

    async def transaction(self, body: bytes) -> Answer:
        """Posts a transaction Bundle to the base."""
        return await self._ask("POST", "", body)

    async def put(self, type: str, id: str, body: bytes, if_match: str | None = None) -> Answer:
        """Puts one resource; ``if_match`` is the ETag that must still hold."""
        given = {} if if_match is None else {"If-Match": if_match}
        return await self._ask("PUT", f"/{type}/{id}", body, given)

    async def get(self, type: str, id: str) -> Answer:
        """Reads one resource, past any cache."""
        return await self._ask("GET", f"/{type}/{id}", None, {"Cache-Control": "no-cache"})

    async def statement(self) -> Answer:
        """Reads the CapabilityStatement, which must not hold up a delivery for long."""
        return await self._ask("GET", "/metadata", None, most=STATEMENT_SECONDS)

    async def close(self) -> None:
        """Closes the connections."""
        await self.client.aclose()

    async def __aenter__(self) -> "Link":
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    async def _ask(
        self,
        method: str,
        path: str,
        body: bytes | None,
        more: dict[str, str] | None = None,
        *,
        most: float = inf,
    ) -> Answer:
        seconds = min(self.seconds, most)
        headers = self._headers | (more or {})
        if body is not None:
            headers["Content-Type"] = headers["Accept"]
            headers["Prefer"] = "return=minimal"
            headers["X-Request-Id"] = sha256(body).hexdigest()[:32]
        try:
            async with asyncio.timeout(seconds):
                return await self._exchange(method, path, body, headers)
        except TimeoutError:
            return Answer(error=Error.TIMEOUT, detail=f"no answer within {seconds:g} s")
        except _Oversized:
            return Answer(error=Error.OVERSIZED, detail=f"answer of more than {MOST_BYTES} bytes")
        except (httpx.TransportError, httpx.DecodingError, OSError) as error:
            return Answer(error=_error_of(error), detail=_named(error))

    async def _exchange(
        self, method: str, path: str, body: bytes | None, headers: dict[str, str]
    ) -> Answer:
        url = f"{str(self.client.base_url).rstrip('/')}{path}"
        async with self.client.stream(method, url, content=body, headers=headers) as response:
            found = bytearray()
            async for part in response.aiter_bytes():
                found += part
                if len(found) > MOST_BYTES:
                    raise _Oversized
        return _answer(response, bytes(found))


def link_to(settings: PartnerSettings) -> Link:
    """The link to a partner as the settings describe it.

    Proxies and credentials of the environment are not used: data go where the settings say.
    """
    return Link(
        client=httpx.AsyncClient(
            base_url=settings.base_url,
            follow_redirects=False,
            trust_env=False,
            timeout=timeouts(settings.timeout_seconds),
            limits=httpx.Limits(max_connections=MOST_CONNECTIONS),
        ),
        release=settings.release,
        seconds=settings.timeout_seconds,
        token=settings.secret,
    )


def timeouts(seconds: float) -> httpx.Timeout:
    """Connecting takes at most 3 s; the rest is bounded by the whole."""
    return httpx.Timeout(seconds, connect=min(CONNECT_SECONDS, seconds))


def _answer(response: httpx.Response, body: bytes) -> Answer:
    return Answer(
        status=response.status_code,
        content=_json(body),
        has_body=bool(body.strip()),
        etag=response.headers.get("etag"),
        location=response.headers.get("location"),
        retry_after=response.headers.get("retry-after"),
    )


def _json(body: bytes) -> Resource | None:
    try:
        found: Any = _DECODER.decode(body)
    except (msgspec.DecodeError, ValueError, ArithmeticError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _error_of(error: Exception) -> Error:
    if any(isinstance(one, ssl.SSLCertVerificationError) for one in _causes(error)):
        return Error.CERTIFICATE
    if isinstance(error, (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout)):
        return Error.CONNECT
    if isinstance(error, httpx.UnsupportedProtocol):
        return Error.CONNECT
    if isinstance(error, httpx.TimeoutException):
        return Error.TIMEOUT
    if isinstance(error, (httpx.RemoteProtocolError, httpx.DecodingError)):
        return Error.TRUNCATED
    return Error.RESET


def _causes(error: BaseException | None) -> list[BaseException]:
    found: list[BaseException] = []
    while error is not None and error not in found:
        found.append(error)
        error = error.__cause__ or error.__context__
    return found


def _named(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"[:200]
