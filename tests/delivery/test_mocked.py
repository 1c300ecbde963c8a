"""Partners that answer what no stand-in of ours would: each line of HTTP is written by hand."""

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
import respx

from service.delivery.capability import BUNDLE_LIMIT, PAUSED
from tests.support.partners import BASE, PARTNER, Bench, a_bench, a_row, an_id, three_streams

Story = Callable[[Bench, respx.Router], Awaitable[None]]
PUTS = f"{BASE}/Procedure/"


def mocked(folder: Path, story: Story, **settings: Any) -> None:
    """A bench whose partner is a router; its statement is silent."""

    async def run() -> None:
        router = respx.Router(assert_all_called=False)
        router.get(f"{BASE}/metadata").respond(404)
        transport = httpx.MockTransport(router.async_handler)
        async with a_bench(folder, transport=transport, **settings) as bench:
            await story(bench, router)

    asyncio.run(run())


def a_response(*statuses: str) -> dict[str, Any]:
    entries = [{"response": {"status": status}} for status in statuses]
    return {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}


def entries_of(call: Any) -> list[dict[str, Any]]:
    """The entries of the transaction that was posted."""
    entries: list[dict[str, Any]] = json.loads(call.request.content)["entry"]
    return entries


class TestTheTransactionItself:
    """FHIR 3.1.0.11: fullUrl, request, If-Match only where the partner gave an ETag."""

    def test_that_each_entry_is_a_put_under_our_id(self, tmp_path: Path) -> None:
        async def story(bench: Bench, router: respx.Router) -> None:
            route = router.post(BASE).respond(200, json=a_response("201", "200 OK"))
            bench.give(a_row("a"), a_row("b"))
            await bench.worker.once()
            entries = entries_of(route.calls.last)
            assert [entry["request"] for entry in entries] == [
                {"method": "PUT", "url": f"Procedure/{an_id(key)}"} for key in "ab"
            ]
            assert [entry["fullUrl"] for entry in entries] == [
                f"urn:uuid:{an_id(key)}" for key in "ab"
            ]
            assert entries[0]["resource"] == json.loads(a_row("a").body)

        mocked(tmp_path, story)

    def test_that_a_later_version_names_the_version_the_partner_gave(self, tmp_path: Path) -> None:
        async def story(bench: Bench, router: respx.Router) -> None:
            first = a_response("201", "201")
            first["entry"][0]["response"]["etag"] = 'W/"7"'
            route = router.post(BASE)
            route.side_effect = [
                httpx.Response(200, json=first),
                httpx.Response(200, json=a_response("200", "200")),
            ]
            bench.give(a_row("a"), a_row("b"))
            await bench.worker.once()
            bench.give(a_row("a", version=2), a_row("b", version=2))
            await bench.worker.once()
            requests = [entry["request"] for entry in entries_of(route.calls.last)]
            assert [request.get("ifMatch") for request in requests] == ['W/"7"', None]

        mocked(tmp_path, story)


class TestAnswersThatProveNothing:
    """2xx is not success: the right count, the right types, each entry 2xx."""

    @pytest.mark.parametrize(
        "content",
        [
            a_response("201"),
            a_response("201", "201", "201"),
            {"resourceType": "Bundle", "type": "batch-response", "entry": [{}, {}]},
            {"resourceType": "Bundle", "type": "transaction-response"},
            {"resourceType": "Patient"},
            {},
            [],
            "stored",
        ],
        ids=str,
    )
    def test_that_nothing_counts_as_delivered(self, tmp_path: Path, content: Any) -> None:
        async def story(bench: Bench, router: respx.Router) -> None:
            router.post(BASE).respond(200, json=content)
            bench.give(a_row("a"), a_row("b"))
            await bench.worker.once()
            assert {row.state for row in bench.rows()} == {"sent"}

        mocked(tmp_path, story)

    @pytest.mark.parametrize("status", ["", "ok", "2xx", "20", "404", "500", "409"])
    def test_that_a_bad_entry_is_not_covered_by_a_good_one(
        self, tmp_path: Path, status: str
    ) -> None:
        async def story(bench: Bench, router: respx.Router) -> None:
            router.post(BASE).respond(200, json=a_response("201", status))
            router.route(url__startswith=PUTS).respond(503)
            bench.give(a_row("a"), a_row("b"))
            await bench.worker.once()
            assert bench.row("a").state == "delivered"
            assert bench.row("b").state in ("pending", "sent")

        mocked(tmp_path, story)

    def test_that_an_answer_too_long_to_read_makes_bundles_smaller(self, tmp_path: Path) -> None:
        async def story(bench: Bench, router: respx.Router) -> None:
            router.post(BASE).respond(200, content=b" " * 1_000_001)
            bench.give(*three_streams())
            await bench.worker.once()
            assert {row.state for row in bench.rows()} == {"sent"}
            assert bench.store.learned(PARTNER)[BUNDLE_LIMIT] == "3"

        mocked(tmp_path, story)


class TestNoConnection:
    """Nothing was sent, so nothing has to be looked for."""

    @pytest.mark.parametrize("error", [httpx.ConnectError("refused"), httpx.ConnectTimeout("slow")])
    def test_that_the_rows_stay_pending(self, tmp_path: Path, error: Exception) -> None:
        async def story(bench: Bench, router: respx.Router) -> None:
            router.post(BASE).mock(side_effect=error)
            bench.give(*three_streams())
            await bench.worker.once()
            assert {row.state for row in bench.rows()} == {"pending"}
            assert {row.attempts for row in bench.rows()} == {1}

        mocked(tmp_path, story)

    def test_that_a_statement_that_cannot_be_had_holds_nothing_up(self, tmp_path: Path) -> None:
        async def story(bench: Bench, router: respx.Router) -> None:
            router.get(f"{BASE}/metadata").mock(side_effect=httpx.ReadTimeout("slow"))
            router.post(BASE).respond(200, json=a_response("201", "201"))
            bench.give(a_row("a"), a_row("b"))
            await bench.worker.once()
            assert {row.state for row in bench.rows()} == {"delivered"}

        mocked(tmp_path, story)


class TestCredentials:
    """401: paused, said, read again, and never shown."""

    def test_that_a_rotated_token_ends_the_pause(self, tmp_path: Path) -> None:
        async def story(bench: Bench, router: respx.Router) -> None:
            def judged(request: httpx.Request) -> httpx.Response:
                if request.headers["authorization"] != "Bearer new":
                    return httpx.Response(401)
                return httpx.Response(200, json=a_response("201", "201"))

            router.post(BASE).mock(side_effect=judged)
            bench.give(a_row("a"), a_row("b"))
            await bench.worker.once()
            learned = bench.store.learned(PARTNER)
            assert PAUSED in learned
            assert "old" not in learned[PAUSED]
            token.write_text("new")
            bench.pass_time(2)
            await bench.worker.once()
            bench.pass_time(3)
            await bench.worker.once()
            assert {row.state for row in bench.rows()} == {"delivered"}

        token = tmp_path / "token"
        token.write_text("old")
        mocked(tmp_path, story, token_file=str(token))
