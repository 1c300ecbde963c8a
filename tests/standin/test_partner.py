"""The stand-in: a well-behaved FHIR endpoint unless a knob is turned."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

import httpx
import pytest

from service.standin import Knobs, StandIn, Trouble, serving, stand_in

T = TypeVar("T")
BASE = "http://stand-in.example"
ID = "0d8f3a52-1f4e-4a7d-8a57-5a9b3c1d2e3f"
OTHER = "1e8f3a52-1f4e-4a7d-8a57-5a9b3c1d2e3f"
SYSTEM = "https://transfusion-events.example/fhir/sid/emitted"


def a_task(id: str = ID, **changed: Any) -> dict[str, Any]:
    key = {"system": SYSTEM, "value": id}
    tag = {"system": SYSTEM, "code": id}
    return {
        "resourceType": "Task",
        "id": id,
        "meta": {"tag": [tag]},
        "identifier": [key],
        "status": "requested",
        "intent": "order",
        "code": {"text": "Return the unit"},
        "for": {"identifier": {"value": "0043817"}},
    } | changed


def a_bundle(*tasks: dict[str, Any], type: str = "transaction", **more: str) -> dict[str, Any]:
    entry = [
        {"resource": task, "request": {"method": "PUT", "url": f"Task/{task['id']}"} | more}
        for task in tasks
    ]
    return {"resourceType": "Bundle", "type": type, "entry": entry}


def talk(app: StandIn, do: Callable[[httpx.AsyncClient], Awaitable[T]]) -> T:
    async def run() -> T:
        transport = httpx.ASGITransport(app=app)  # type: ignore[arg-type]
        async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
            return await do(client)

    return asyncio.run(run())


def a_partner(**knobs: Any) -> StandIn:
    return stand_in("blood-bank", "R4", knobs=Knobs(**knobs))


class TestUpdate:
    """FHIR 3.1.0.4: 201 for a new id, 200 after that, each a new version with its ETag."""

    def test_that_versions_count_up(self) -> None:
        app = a_partner()

        async def twice(client: httpx.AsyncClient) -> list[tuple[int, str]]:
            found = [await client.put(f"/Task/{ID}", json=a_task()) for _ in range(2)]
            return [(response.status_code, response.headers["etag"]) for response in found]

        assert talk(app, twice) == [(201, 'W/"1"'), (200, 'W/"2"')]
        assert len(app.history("Task", ID)) == 2

    def test_that_a_stale_match_is_refused(self) -> None:
        app = a_partner()

        async def write(client: httpx.AsyncClient) -> list[int]:
            found = [await client.put(f"/Task/{ID}", json=a_task())]
            for etag in ('W/"9"', 'W/"1"'):
                headers = {"If-Match": etag}
                found.append(await client.put(f"/Task/{ID}", json=a_task(), headers=headers))
            return [response.status_code for response in found]

        assert talk(app, write) == [201, 412, 200]

    @pytest.mark.parametrize("body", [a_task(OTHER), a_task() | {"resourceType": "Patient"}, []])
    def test_that_a_body_that_is_not_of_the_url_is_refused(self, body: Any) -> None:
        app = a_partner()
        answer = talk(app, lambda client: client.put(f"/Task/{ID}", json=body))
        assert answer.status_code == 400
        assert app.summary()["versions"] == 0


class TestRead:
    """FHIR 3.1.0.2, 3.1.0.3, 3.1.0.9: read, vread, search."""

    def test_that_what_was_put_comes_back_with_its_version(self) -> None:
        async def write(client: httpx.AsyncClient) -> dict[str, Any]:
            await client.put(f"/Task/{ID}", json=a_task())
            found: dict[str, Any] = (await client.get(f"/Task/{ID}")).json()
            return found

        found = talk(a_partner(), write)
        assert found["meta"]["versionId"] == "1"
        assert found["meta"]["tag"] == a_task()["meta"]["tag"]
        assert {**found, "meta": None} == {**a_task(), "meta": None}

    def test_that_it_is_found_by_identifier_tag_and_id(self) -> None:
        async def search(client: httpx.AsyncClient) -> list[int]:
            for id in (ID, OTHER):
                await client.put(f"/Task/{id}", json=a_task(id))
            queries = [
                f"identifier={SYSTEM}|{ID}",
                f"_tag={SYSTEM}|{OTHER}",
                f"_id={ID},{OTHER}",
                "identifier=nothing|here",
            ]
            found = [(await client.get(f"/Task?{query}")).json() for query in queries]
            return [len(bundle["entry"]) for bundle in found]

        assert talk(a_partner(), search) == [1, 1, 2, 0]

    def test_that_an_unknown_parameter_is_refused(self) -> None:
        assert talk(a_partner(), lambda c: c.get("/Task?moon=full")).status_code == 400

    def test_that_what_is_not_there_is_404(self) -> None:
        answer = talk(a_partner(), lambda client: client.get(f"/Task/{ID}"))
        assert answer.status_code == 404
        assert answer.json()["resourceType"] == "OperationOutcome"


class TestTransaction:
    """FHIR 3.1.0.11: all or nothing, one response entry per request entry."""

    def test_that_all_are_stored(self) -> None:
        app = a_partner()
        bundle = a_bundle(a_task(), a_task(OTHER))
        entries = talk(app, lambda client: client.post("/", json=bundle)).json()["entry"]
        assert [one["response"]["status"] for one in entries] == ["201 Created"] * 2
        assert entries[0]["resource"]["id"] == ID

    def test_that_minimal_answers_carry_no_resource(self) -> None:
        minimal = {"Prefer": "return=minimal"}
        bundle = a_bundle(a_task())
        answer = talk(a_partner(), lambda client: client.post("/", json=bundle, headers=minimal))
        assert "resource" not in answer.json()["entry"][0]

    @pytest.mark.parametrize(
        ("knobs", "status"),
        [
            ({"refuse_ids": {OTHER: 422}}, 422),
            ({"refuse": {"Task": 404}}, 404),
            ({"most_entries": 1}, 413),
            ({"most_entries": 1, "limit_status": 400}, 400),
            ({"transactions": "absent"}, 405),
            ({"update_as_create": False}, 405),
            ({"most_bytes": 100}, 413),
            ({"credential": "k"}, 401),
        ],
    )
    def test_that_one_refusal_stores_nothing(self, knobs: dict[str, Any], status: int) -> None:
        app = a_partner(**knobs)
        bundle = a_bundle(a_task(), a_task(OTHER))
        answer = talk(app, lambda client: client.post("/", json=bundle))
        assert answer.status_code == status
        assert app.summary()["versions"] == 0

    def test_that_a_stale_match_rolls_all_back(self) -> None:
        app = a_partner()

        async def write(client: httpx.AsyncClient) -> int:
            await client.put(f"/Task/{ID}", json=a_task())
            bundle = a_bundle(a_task(OTHER), a_task(), ifMatch='W/"4"')
            return (await client.post("/", json=bundle)).status_code

        assert talk(app, write) == 412
        assert len(app.history("Task", ID)) == 1
        assert not app.history("Task", OTHER)

    def test_that_without_rollback_the_good_entries_stay(self) -> None:
        """Measured on a real server: 200, transaction-response, and a 400 inside."""
        app = a_partner(transactions="batch", refuse_ids={OTHER: 400})
        bundle = a_bundle(a_task(), a_task(OTHER))
        answer = talk(app, lambda client: client.post("/", json=bundle))
        assert answer.status_code == 200
        assert [e["response"]["status"] for e in answer.json()["entry"]] == ["201 Created", "400"]
        assert len(app.history("Task", ID)) == 1

    def test_that_the_same_resource_twice_is_refused(self) -> None:
        bundle = a_bundle(a_task(), a_task())
        assert talk(a_partner(), lambda c: c.post("/", json=bundle)).status_code == 400


class TestTroubles:
    """What befalls one request befalls no other."""

    def test_that_a_status_comes_with_retry_after_and_stores_nothing(self) -> None:
        app = a_partner()
        app.knobs.befall(Trouble(kind="status", status=503, retry_after="7"))

        async def twice(client: httpx.AsyncClient) -> list[tuple[int, str | None]]:
            found = [await client.put(f"/Task/{ID}", json=a_task()) for _ in range(2)]
            return [(r.status_code, r.headers.get("retry-after")) for r in found]

        assert talk(app, twice) == [(503, "7"), (201, None)]

    @pytest.mark.parametrize(("kind", "stored"), [("drop-before", 0), ("drop-after", 1)])
    def test_that_a_connection_breaks_before_or_after_the_commit(
        self, kind: Any, stored: int
    ) -> None:
        app = a_partner()
        app.knobs.befall(Trouble(kind=kind))
        with pytest.raises(ConnectionResetError):
            talk(app, lambda client: client.put(f"/Task/{ID}", json=a_task()))
        assert len(app.history("Task", ID)) == stored

    @pytest.mark.parametrize(
        ("kind", "status", "stored"),
        [("html", 200, 1), ("error-200", 200, 0), ("accepted", 202, 1)],
    )
    def test_that_success_is_not_always_success(self, kind: Any, status: int, stored: int) -> None:
        app = a_partner()
        app.knobs.befall(Trouble(kind=kind))
        answer = talk(app, lambda client: client.put(f"/Task/{ID}", json=a_task()))
        assert answer.status_code == status
        assert len(app.history("Task", ID)) == stored

    def test_that_a_slow_commit_happens_whether_or_not_somebody_waits(self) -> None:
        app = a_partner()
        app.knobs.befall(Trouble(kind="slow", seconds=0.05))

        async def give_up(client: httpx.AsyncClient) -> tuple[int, int]:
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.01):
                    await client.put(f"/Task/{ID}", json=a_task())
            before = len(app.history("Task", ID))
            await asyncio.sleep(0.1)
            return before, len(app.history("Task", ID))

        assert talk(app, give_up) == (0, 1)


class TestReplies:
    """The laboratory's answer is a Task with our identifier and a status."""

    @pytest.mark.parametrize(
        ("answers", "status"),
        [("accept", "accepted"), ("reject", "rejected"), ("receive", "received")],
    )
    def test_that_each_open_task_is_answered_once(self, answers: Any, status: str) -> None:
        app = a_partner(answers=answers)
        talk(app, lambda c: c.post("/", json=a_bundle(a_task(), a_task(OTHER, status="completed"))))
        [reply] = app.replies()
        assert (reply["status"], reply["identifier"]) == (status, a_task()["identifier"])
        assert app.replies() == []

    def test_that_a_laboratory_may_never_answer(self) -> None:
        app = a_partner(answers="never")
        talk(app, lambda client: client.put(f"/Task/{ID}", json=a_task()))
        assert app.replies() == []


class TestWitness:
    """With a file, what was acknowledged is there after the process is gone."""

    def test_that_it_is_there_again(self, tmp_path: Path) -> None:
        keep = tmp_path / "witness.sqlite3"
        first = stand_in("record-system", "R5", keep)
        talk(first, lambda client: client.post("/", json=a_bundle(a_task(), a_task(OTHER))))
        again = stand_in("record-system", "R5", keep)
        assert len(again.history("Task", ID)) == 1
        assert again.shelf.find("Task", "identifier", f"{SYSTEM}|{ID}") == [ID]
        first.shelf.close()
        again.shelf.close()


class TestServing:
    """Several stand-ins on loopback, over real connections."""

    def test_that_both_answer_and_a_cut_off_answer_is_seen_as_one(self) -> None:
        partners = {"a": a_partner(), "b": stand_in("b", "R5")}

        async def run() -> list[str]:
            async with serving(partners) as urls, httpx.AsyncClient() as client:
                found = [(await client.get(f"{url}/metadata")).json() for url in urls.values()]
                partners["a"].knobs.befall(Trouble(kind="cut-off"), Trouble(kind="drop-after"))
                with pytest.raises(httpx.RemoteProtocolError):
                    await client.put(f"{urls['a']}/Task/{ID}", json=a_task())
                return [statement["fhirVersion"] for statement in found]

        assert asyncio.run(run()) == ["4.0.1", "5.0.0"]
        assert len(partners["a"].history("Task", ID)) == 1
