"""The table of answers: every row is met by an answer of its kind, and no other answer passes."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.delivery.answers import (
    Act,
    Answer,
    Asked,
    Error,
    Request,
    classify,
    entry_answers,
    etag_of,
    load,
    shipped,
)
from service.errors import PolicyFault

ID = "0d8f3a52-1f4e-4a7d-8a57-5a9b3c1d2e3f"
OTHER_ID = "1e8f3a52-1f4e-4a7d-8a57-5a9b3c1d2e3f"
PUT = Request(asked=Asked.PUT, type="Task", id=ID)
GET = Request(asked=Asked.GET, type="Task", id=ID)
TX = Request(asked=Asked.TRANSACTION, entries=2)
TASK = {"resourceType": "Task", "id": ID}


def an_outcome(severity: str = "error", code: str = "invalid", text: str = "no") -> dict[str, Any]:
    issue = {"severity": severity, "code": code, "diagnostics": text}
    return {"resourceType": "OperationOutcome", "issue": [issue]}


def a_response(entries: int = 2, type: str = "transaction-response") -> dict[str, Any]:
    entry = {"response": {"status": "201 Created", "etag": 'W/"1"'}}
    return {"resourceType": "Bundle", "type": type, "entry": [entry] * entries}


def said(status: int, content: dict[str, Any] | None = None, **more: Any) -> Answer:
    return Answer(status=status, content=content, has_body=content is not None, **more)


def page(status: int) -> Answer:
    """HTML, or whatever is not a JSON object."""
    return Answer(status=status, content=None, has_body=True)


# One answer for every row of the table, by its id: (what was asked, what came).
MET_BY: dict[str, tuple[Request, Answer]] = {
    "stored": (PUT, said(201, TASK)),
    "stored-elsewhere": (PUT, said(201, TASK | {"id": OTHER_ID})),
    "all-stored": (TX, said(200, a_response())),
    "yes-and-no": (PUT, said(200, an_outcome())),
    "accepted-for-later": (TX, said(202)),
    "found": (GET, said(200, TASK)),
    "not-there": (GET, said(404, an_outcome())),
    "cannot-look": (GET, said(405)),
    "deleted-there": (GET, said(410)),
    "elsewhere": (PUT, said(307, location="https://elsewhere.example/")),
    "not-known": (TX, said(401)),
    "not-allowed": (TX, said(403, an_outcome())),
    "wrong-media-type": (PUT, said(415)),
    "no-fhir-here": (TX, page(404)),
    "http-version": (PUT, said(505)),
    "bad-certificate": (PUT, Answer(error=Error.CERTIFICATE)),
    "unreachable": (PUT, Answer(error=Error.CONNECT)),
    "busy": (PUT, said(429, an_outcome(), retry_after="7")),
    "no-answer-in-time": (TX, Answer(error=Error.TIMEOUT)),
    "connection-lost": (TX, Answer(error=Error.TRUNCATED)),
    "answer-too-large": (TX, Answer(error=Error.OVERSIZED)),
    "partner-failed": (PUT, said(503, an_outcome())),
    "timed-out-there": (PUT, said(408)),
    "not-an-answer": (PUT, page(200)),
    "somebody-else-wrote": (PUT, said(412, an_outcome())),
    "too-large": (TX, said(413)),
    "too-many-by-code": (TX, said(400, an_outcome(code="too-costly"))),
    "too-many-by-words": (TX, said(400, an_outcome(text="Transaction contains too many entries"))),
    "no-transactions": (TX, said(405)),
    "no-such-update": (PUT, said(405)),
    "refused": (PUT, said(422, an_outcome())),
    "refused-type-or-reference": (TX, said(404, an_outcome())),
    "unforeseen": (PUT, said(418)),
}


class TestEveryRowDecides:
    """One table, one test per row."""

    def test_that_each_row_has_an_answer_here(self) -> None:
        assert set(MET_BY) == {row.id for row in shipped()}

    @pytest.mark.parametrize("name", MET_BY)
    def test_that_its_answer_meets_it_and_no_row_above(self, name: str) -> None:
        assert classify(*MET_BY[name]).row.id == name

    @pytest.mark.parametrize("row", shipped(), ids=lambda row: row.id)
    def test_that_it_names_where_it_comes_from(self, row: Any) -> None:
        assert len(row.source) > 5


class TestOnlyAWholeAnswerIsSuccess:
    """2xx with what was expected; an OperationOutcome error, HTML or another type is none."""

    @pytest.mark.parametrize(
        ("request_", "answer"),
        [
            (PUT, said(200, TASK)),
            (PUT, said(201, TASK, location=f"https://x.example/fhir/Task/{ID}/_history/1")),
            (PUT, said(201, location=f"Task/{ID}")),
            (PUT, said(204)),
            (PUT, said(200, an_outcome("information"))),
            (PUT, said(200, an_outcome("warning"))),
            (TX, said(200, a_response())),
        ],
    )
    def test_that_these_are(self, request_: Request, answer: Answer) -> None:
        assert classify(request_, answer).act is Act.RECORD

    @pytest.mark.parametrize(
        ("request_", "answer"),
        [
            (PUT, page(200)),
            (PUT, page(204)),
            (PUT, said(206, TASK)),
            (PUT, said(202, TASK)),
            (PUT, said(200, an_outcome("fatal"))),
            (PUT, said(200, {"resourceType": "Patient", "id": ID})),
            (PUT, said(200, {"id": ID})),
            (PUT, said(201, location=f"Task/{OTHER_ID}/_history/1")),
            (TX, said(200, a_response(entries=1))),
            (TX, said(200, a_response(entries=3))),
            (TX, said(200, a_response(type="batch-response"))),
            (TX, said(200, {"resourceType": "Bundle", "type": "transaction-response"})),
            (TX, said(200, a_response() | {"entry": ["", ""]})),
            (TX, said(201, a_response())),
            (TX, said(204)),
            (TX, page(200)),
            (TX, said(200, an_outcome("information"))),
        ],
    )
    def test_that_these_are_not(self, request_: Request, answer: Answer) -> None:
        assert classify(request_, answer).act is not Act.RECORD

    @given(
        st.sampled_from([PUT, TX]),
        st.integers(100, 599).filter(lambda s: not 200 <= s <= 204),
        st.sampled_from([None, TASK, a_response(), an_outcome(), {"a": 1}]),
    )
    def test_that_no_other_status_ever_is(
        self, request_: Request, status: int, content: dict[str, Any] | None
    ) -> None:
        assert classify(request_, said(status, content)).act is not Act.RECORD


class TestWhatMayHaveArrivedIsLookedFor:
    """Time-outs, resets and 5xx lower no rung and are never repeated blindly (measured: a repeat
    within the server's own commit time doubles every conditional form)."""

    @pytest.mark.parametrize("request_", [PUT, TX])
    @pytest.mark.parametrize("status", [500, 502, 503, 504, 507, 599, 408])
    def test_that_a_failing_partner_may_have_stored_it(
        self, request_: Request, status: int
    ) -> None:
        assert classify(request_, said(status)).act is Act.LOOK

    @pytest.mark.parametrize("error", [Error.TIMEOUT, Error.RESET, Error.TRUNCATED])
    def test_that_a_broken_exchange_may_have_too(self, error: Error) -> None:
        assert classify(TX, Answer(error=error)).act is Act.LOOK

    @pytest.mark.parametrize("status", [425, 429])
    def test_that_a_busy_partner_has_not(self, status: int) -> None:
        assert classify(TX, said(status)).act is Act.AGAIN


class TestEntries:
    """Measured: HTTP 200 and transaction-response with 11 entries stored and one 400 inside."""

    def test_that_each_is_read_as_the_answer_to_a_put(self) -> None:
        refused = {"response": {"status": "400", "outcome": an_outcome()}}
        stored = {"response": {"status": "201 Created", "etag": 'W/"1"'}}
        content = a_response() | {"entry": [stored, refused]}
        acts = [classify(PUT, one).act for one in entry_answers([ID, OTHER_ID], content)]
        assert acts == [Act.RECORD, Act.NARROW]

    def test_that_a_status_that_is_no_number_is_no_success(self) -> None:
        content = a_response() | {"entry": [{"response": {"status": "ok"}}, {}]}
        acts = {classify(PUT, one).act for one in entry_answers([ID, OTHER_ID], content)}
        assert acts == {Act.NARROW}

    def test_that_another_order_is_put_right_by_id(self) -> None:
        entries = [
            {"response": {"status": "200", "location": f"Task/{OTHER_ID}/_history/4"}},
            {"response": {"status": "201", "location": f"Task/{ID}/_history/1"}},
        ]
        found = entry_answers([ID, OTHER_ID], a_response() | {"entry": entries})
        assert [etag_of(one) for one in found] == ['W/"1"', 'W/"4"']


class TestETag:
    """Measured: ``If-Match`` in another form than ``W/"3"`` is refused or silently ignored."""

    @pytest.mark.parametrize("given_", ['W/"3"', '"3"', "3", ' W/"3" '])
    def test_that_it_has_one_form(self, given_: str) -> None:
        assert etag_of(said(200, etag=given_)) == 'W/"3"'

    def test_that_it_is_found_in_the_resource_or_the_location(self) -> None:
        assert etag_of(said(200, TASK | {"meta": {"versionId": "9"}})) == 'W/"9"'
        assert etag_of(said(201, location=f"Task/{ID}/_history/2")) == 'W/"2"'

    @given(st.text())
    def test_that_it_never_breaks_a_header(self, text: str) -> None:
        found = etag_of(said(200, etag=text))
        assert found is None or (found.isascii() and found.isprintable())


class TestWords:
    """The partner's words are kept for the person who acts on a parked row."""

    def test_that_text_and_diagnostics_are_both_read(self) -> None:
        issue = {"severity": "error", "details": {"text": "no such ward"}, "diagnostics": "HAP-1"}
        answer = said(422, {"resourceType": "OperationOutcome", "issue": [issue]})
        assert classify(PUT, answer).words == "no such ward; HAP-1"

    @given(st.recursive(st.none() | st.integers() | st.text(), lambda x: st.lists(x)))
    def test_that_no_outcome_breaks_the_reading(self, issues: Any) -> None:
        answer = said(422, {"resourceType": "OperationOutcome", "issue": issues})
        assert classify(PUT, answer).act is Act.NARROW


class TestATableWithFaults:
    """A site may read the table; a broken one is refused with every fault."""

    def test_that_every_fault_is_named(self, tmp_path: Path) -> None:
        table = tmp_path / "answers.toml"
        table.write_text(
            '[[answer]]\nid = "a"\nclass = "x"\nact = "shrug"\nsource = "none"\n'
            '[[answer]]\nid = "b"\nclass = "x"\nact = "park"\n'
            '[[answer]]\nid = "c"\nclass = "x"\nact = "park"\nsource = "s"\nstatu = [200]\n'
        )
        with pytest.raises(PolicyFault) as raised:
            load(table)
        assert len(raised.value.faults) == 3
