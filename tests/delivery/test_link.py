"""The link: what it sends, and that nothing the network does is raised."""

import asyncio
import ssl
from collections.abc import AsyncIterator, Callable
from typing import Any

import httpx
import pytest
import respx

from service.delivery.answers import Answer, Error
from service.delivery.partner import MOST_BYTES, Link, link_to
from service.settings import PartnerSettings

BASE = "https://records.harrow-vale.example/fhir"
ID = "0d8f3a52-1f4e-4a7d-8a57-5a9b3c1d2e3f"


def ask(do: Callable[[Link], Any], **settings: Any) -> Answer:
    given: dict[str, Any] = {"base_url": BASE, "release": "R4", "roles": ("record-system",)}

    async def run() -> Answer:
        async with link_to(PartnerSettings(**(given | settings))) as link:
            answer = await do(link)
            assert isinstance(answer, Answer)
            return answer

    return asyncio.run(run())


def put(link: Link) -> Any:
    return link.put("Task", ID, b"{}", 'W/"3"')


class TestWhatIsSent:
    """FHIR 3.1.0.1.9: the media type names the version; 3.1.0.5: If-Match carries the ETag."""

    @respx.mock
    def test_that_a_put_carries_type_version_match_and_token(self) -> None:
        route = respx.put(f"{BASE}/Task/{ID}").respond(200, json={"resourceType": "Task"})
        ask(put, token="not-a-secret", release="R5")
        sent = route.calls.last.request.headers
        assert sent["content-type"] == "application/fhir+json; fhirVersion=5.0"
        assert sent["if-match"] == 'W/"3"'
        assert sent["authorization"] == "Bearer not-a-secret"

    @respx.mock
    def test_that_a_transaction_goes_to_the_base_itself(self) -> None:
        route = respx.post(BASE).respond(200, json={})
        ask(lambda link: link.transaction(b"{}"))
        assert str(route.calls.last.request.url) == BASE
        assert route.calls.last.request.headers["content-type"].endswith("fhirVersion=4.0")

    @respx.mock
    def test_that_the_same_bytes_bear_the_same_request_id(self) -> None:
        route = respx.post(BASE).respond(503)
        for body in (b"{}", b"{}", b"[]"):
            ask(lambda link, body=body: link.transaction(body))
        ids = [call.request.headers["x-request-id"] for call in route.calls]
        assert ids[0] == ids[1] != ids[2]

    @respx.mock
    def test_that_a_look_goes_past_caches(self) -> None:
        route = respx.get(f"{BASE}/Task/{ID}").respond(404)
        ask(lambda link: link.get("Task", ID))
        assert route.calls.last.request.headers["cache-control"] == "no-cache"

    @respx.mock
    def test_that_a_rotated_token_is_picked_up(self, tmp_path: Any) -> None:
        file = tmp_path / "token"
        file.write_text("first\n")
        route = respx.put(f"{BASE}/Task/{ID}").respond(200)

        async def twice(link: Link) -> Answer:
            await put(link)
            file.write_text("second\n")
            link.renew()
            answer: Answer = await put(link)
            return answer

        ask(twice, token_file=str(file))
        sent = [call.request.headers["authorization"] for call in route.calls]
        assert sent == ["Bearer first", "Bearer second"]


class TestWhatComesBack:
    """Everything becomes an answer; nothing is raised."""

    @respx.mock
    def test_that_a_redirect_is_not_followed(self) -> None:
        respx.put(f"{BASE}/Task/{ID}").respond(307, headers={"location": "https://other.example/"})
        assert ask(put).status == 307

    @pytest.mark.parametrize(
        ("raised", "error"),
        [
            (httpx.ConnectError("refused"), Error.CONNECT),
            (httpx.ConnectTimeout("slow"), Error.CONNECT),
            (httpx.PoolTimeout("full"), Error.CONNECT),
            (httpx.ReadTimeout("slow"), Error.TIMEOUT),
            (httpx.WriteTimeout("slow"), Error.TIMEOUT),
            (httpx.ReadError("reset"), Error.RESET),
            (httpx.WriteError("reset"), Error.RESET),
            (ConnectionResetError("reset"), Error.RESET),
            (httpx.RemoteProtocolError("half an answer"), Error.TRUNCATED),
            (httpx.DecodingError("not gzip"), Error.TRUNCATED),
        ],
        ids=lambda value: type(value).__name__,
    )
    @respx.mock
    def test_that_a_broken_exchange_is_named(self, raised: Exception, error: Error) -> None:
        respx.put(f"{BASE}/Task/{ID}").mock(side_effect=raised)
        assert ask(put).error is error

    def test_that_a_wrong_certificate_is_not_just_a_lost_connection(self) -> None:
        def broken(request: httpx.Request) -> httpx.Response:
            raise httpx.ConnectError("tls") from ssl.SSLCertVerificationError("hostname mismatch")

        async def run() -> Answer:
            client = httpx.AsyncClient(transport=httpx.MockTransport(broken), base_url=BASE)
            async with Link(client=client, release="R4") as link:
                return await link.put("Task", ID, b"{}")

        assert asyncio.run(run()).error is Error.CERTIFICATE

    @respx.mock
    def test_that_the_whole_exchange_is_bounded(self) -> None:
        """A partner that trickles is given the total time and no more."""

        async def trickle() -> AsyncIterator[bytes]:
            for _ in range(100):
                await asyncio.sleep(0.05)
                yield b" "

        respx.put(f"{BASE}/Task/{ID}").respond(200, stream=_Stream(trickle()))
        assert ask(put, timeout_seconds=0.12).error is Error.TIMEOUT

    @respx.mock
    def test_that_a_long_answer_is_not_read_to_its_end(self) -> None:
        read = 0

        async def endless() -> AsyncIterator[bytes]:
            nonlocal read
            while True:
                read += 100_000
                yield b"x" * 100_000

        respx.put(f"{BASE}/Task/{ID}").respond(200, stream=_Stream(endless()))
        assert ask(put).error is Error.OVERSIZED
        assert read <= MOST_BYTES + 200_000

    @pytest.mark.parametrize("body", [b"<html>", b"[1]", b"{", b"\xff", b"1" * 5000, b"[" * 5000])
    @respx.mock
    def test_that_what_is_no_json_object_has_no_content(self, body: bytes) -> None:
        respx.put(f"{BASE}/Task/{ID}").respond(200, content=body)
        answer = ask(put)
        assert answer.has_body
        assert answer.content is None


class _Stream(httpx.AsyncByteStream):
    def __init__(self, parts: AsyncIterator[bytes]) -> None:
        self._parts = parts

    async def __aiter__(self) -> AsyncIterator[bytes]:
        async for part in self._parts:
            yield part
