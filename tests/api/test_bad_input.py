"""What is wrong with a request is said where and in words; nothing is stored but the refusal."""

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import httpx
import pytest

from tests.support.apps import House, Json, issues, problem
from tests.support.authoring import resources
from tests.support.authoring.words import number
from tests.support.worlds import BAG, WREN, a_check, a_start, admission, ready, tell, vitals

CANARY = "Zyxwvut-73519"


def base(release: str) -> str:
    return f"/fhir/{release.lower()}"


def refused(house: House, path: str, content: Any, **said: Any) -> httpx.Response:
    """Sends what must be refused; only an audit row without any of it may remain."""
    before, known = house.counts(), len(house.audit())
    answer = house.post(path, content, **said)
    assert 400 <= answer.status_code < 500, answer.text
    assert house.counts() == before
    (row,) = house.audit()[known:]
    assert (row.who, row.outcome) == ("ward", "refused")
    codes = [issue["code"] for issue in issues(answer)]
    assert json.loads(row.detail) == {"status": answer.status_code, "codes": codes}
    assert row.subject is None
    return answer


class TestMalformedJson:
    """400 structure, fatal: read strictly, so that nothing hides behind a second key."""

    @pytest.mark.parametrize(
        "body",
        [
            b"",
            b"{",
            b"[]x",
            b"\xff\xfe",
            b"\xef\xbb\xbf{}",
            b'{"resourceType":"Patient","resourceType":"Patient"}',
            b'{"resourceType":"Patient","active":NaN}',
            b'{"resourceType":"Patient","multipleBirthInteger":1e400}',
            b'{"resourceType":"Patient","name":[{"text":"\\u0000"}]}',
            b'{"resourceType":"Patient","name":[{"text":"\\ud800"}]}',
            b"{'resourceType':'Patient'}",
            b'{"resourceType":"Patient",}',
        ],
    )
    def test_bodies(self, house: House, release: str, body: bytes) -> None:
        answer = refused(house, f"{base(release)}/Patient", body)
        assert problem(answer)[0] == 400
        assert issues(answer)[0]["severity"] in ("fatal", "error")

    def test_a_hidden_status(self, house: House, release: str) -> None:
        """FUZ-07: entered-in-error behind a second status."""
        sent = json.dumps(vitals(WREN, "08:00")[release]).encode()
        body = sent.replace(b'"status": "final"', b'"status":"final","status":"entered-in-error"')
        assert body != sent
        answer = refused(house, f"{base(release)}/Observation", body)
        assert problem(answer)[:2] == (400, "structure")


class TestWrongRelease:
    """What only the other release knows is refused where it stands."""

    def test_an_issue_of_r5_at_r4(self, house: House) -> None:
        issue = resources.issue(WREN, BAG, "O-1", "08:50")["R5"]
        answer = refused(house, "/fhir/r4/BiologicallyDerivedProductDispense", issue)
        assert problem(answer)[0] == 404

    def test_an_order_of_r5_at_r4_and_back(self, house: House) -> None:
        order = resources.order(WREN, "O-1")
        for base_, sent in (("/fhir/r4", order["R5"]), ("/fhir/r5", order["R4"])):
            status, _, expression = problem(refused(house, f"{base_}/ServiceRequest", sent))
            assert status == 400
            assert (expression or "").startswith("ServiceRequest.")


class TestUnknownType:
    """404 in the address, 400 in a body that says another."""

    def test_both(self, house: House, release: str) -> None:
        answer = refused(house, f"{base(release)}/Unicorn", {"resourceType": "Unicorn"})
        assert problem(answer)[0] == 404
        answer = refused(house, f"{base(release)}/Patient", {"resourceType": "Unicorn"})
        assert problem(answer)[0] == 400


class TestMissingZone:
    """A time without a zone is refused, wherever it stands."""

    @pytest.mark.parametrize("path", ["effectiveDateTime", "issued"])
    def test_of_a_reading(self, house: House, release: str, path: str) -> None:
        sent = vitals(WREN, "08:00")[release] | {path: "2027-06-08T08:00:00"}
        answer = refused(house, f"{base(release)}/Observation", sent)
        assert problem(answer)[0] == 400
        assert f"Observation.{path}" in [i["expression"][0] for i in issues(answer)]

    def test_of_a_step(self, house: House, release: str) -> None:
        sent = deepcopy(a_start()[release])
        sent["executionPeriod"]["start"] = "2027-06-08T10:05:00"
        answer = refused(house, f"{base(release)}/Task", sent)
        assert problem(answer) == (400, "value", "Task.executionPeriod.start")

    def test_of_an_input(self, house: House, release: str) -> None:
        sent = deepcopy(a_check(out_since="09:40")[release])
        place = next(
            n
            for n, one in enumerate(sent["input"])
            if one.get("valueDateTime", "").count(":") > 2
            and one["type"]["coding"][0]["code"] == "out-since"
        )
        sent["input"][place]["valueDateTime"] = "2027-06-08T09:40:00"
        answer = refused(house, f"{base(release)}/Task", sent)
        assert problem(answer)[:2] == (400, "value")
        assert problem(answer)[2] == f"Task.input[{place}].valueDateTime"


class TestUnknownCode:
    """A code outside a required binding, a step of nobody's, an intent that is none: 422."""

    @pytest.mark.parametrize(
        ("build", "change", "place"),
        [
            (resources.patient, {"gender": "unknowable"}, "Patient.gender"),
            (lambda p: vitals(p, "08:00"), {"status": "done"}, "Observation.status"),
            (lambda p: resources.order(p, "O-1"), {"intent": "wish"}, "ServiceRequest.intent"),
            (lambda p: resources.order(p, "O-1"), {"priority": "now"}, "ServiceRequest.priority"),
            (lambda p: a_start(p), {"status": "finished"}, "Task.status"),
            (lambda p: resources.consent(p, "C-1"), {"status": "ok"}, "Consent.status"),
        ],
    )
    def test_bindings(
        self, house: House, release: str, build: Callable[..., Any], change: Json, place: str
    ) -> None:
        sent = build(WREN)[release] | change
        answer = refused(house, f"{base(release)}/{sent['resourceType']}", sent)
        assert problem(answer) == (422, "code-invalid", place)

    def test_a_step_that_is_none(self, house: House, release: str) -> None:
        sent = deepcopy(a_start()[release])
        sent["code"]["coding"][0]["code"] = "juggle"
        answer = refused(house, f"{base(release)}/Task", sent)
        assert problem(answer) == (422, "code-invalid", "Task.code")


class TestStepsThatSayTooLittle:
    """Only what a step cannot do without refuses it; all else becomes findings."""

    @pytest.mark.parametrize(
        ("without", "place"),
        [
            ("identifier", "Task.identifier"),
            ("code", "Task.code"),
            ("for", "Task.for"),
            ("executionPeriod", "Task.executionPeriod.start"),
        ],
    )
    def test_what_is_missing(self, house: House, release: str, without: str, place: str) -> None:
        sent = {k: v for k, v in a_start()[release].items() if k != without}
        answer = refused(house, f"{base(release)}/Task", sent)
        assert problem(answer) == (400, "required", place)

    def test_neither_focus_nor_scan(self, house: House, release: str) -> None:
        sent = {k: v for k, v in a_start()[release].items() if k not in ("focus", "input")}
        answer = refused(house, f"{base(release)}/Task", sent)
        assert problem(answer) == (400, "required", "Task.focus")

    def test_a_step_in_the_far_future(self, house: House, release: str) -> None:
        sent = a_start()[release] | {"executionPeriod": {"start": "2037-06-08T10:05:00Z"}}
        answer = refused(house, f"{base(release)}/Task", sent)
        assert problem(answer) == (422, "value", "Task.executionPeriod.start")


class TestModifiers:
    """What changes the meaning and is not understood must be refused."""

    @pytest.mark.parametrize(
        ("change", "code"),
        [
            ({"modifierExtension": [{"url": "https://x.example/no", "valueBoolean": True}]}, 422),
            ({"implicitRules": "https://x.example/rules"}, 422),
        ],
    )
    def test_refused(self, house: House, release: str, change: Json, code: int) -> None:
        sent = vitals(WREN, "08:00")[release] | change
        assert problem(refused(house, f"{base(release)}/Observation", sent))[0] == code


class TestSizeAndDepth:
    """413 for bytes; 400 for depth and for more than can be read."""

    @pytest.mark.parametrize("depth", [65, 500, 1100, 100_000])
    def test_depth(self, house: House, release: str, depth: int) -> None:
        body = b'{"resourceType":"Patient","x":' + b"[" * depth + b"]" * depth + b"}"
        answer = refused(house, f"{base(release)}/Patient", body)
        assert problem(answer)[:2] == (400, "structure")

    def test_too_many_values(self, house: House, release: str) -> None:
        body = b'{"resourceType":"Bundle","type":"batch","x":[' + b"1," * 300_000 + b"1]}"
        assert problem(refused(house, base(release), body))[0] == 400

    def test_bytes(self, house: House, release: str) -> None:
        body = b'{"resourceType":"Patient","x":"' + b"a" * (1024 * 1024) + b'"}'
        answer = refused(house, f"{base(release)}/Patient", body)
        assert problem(answer)[:2] == (413, "too-long")


class TestAKnownKeyWithOtherContent:
    """409 when neither status nor stamp says that it is a new version."""

    def test_no_newer_stamp(self, house: House, release: str) -> None:
        sent = vitals(WREN, "08:00")[release] | {"issued": "2027-06-08T07:05:00Z"}
        house.create(release, sent)
        for stamp in ("2027-06-08T07:05:00Z", "2027-06-08T07:04:59Z"):
            other = vitals(WREN, "08:00", temperature=39.1)[release] | {"issued": stamp}
            answer = refused(house, f"{base(release)}/Observation", other)
            assert problem(answer)[:2] == (409, "conflict")
            told = issues(answer)[0]["details"]["text"]
            assert "If-Match" in told


class TestWhatIsStoredAndNotUsed:
    """A bad check character, an unknown unit of measure: the record stands, nothing is guessed."""

    @pytest.fixture
    def open_ward(self, house: House, release: str) -> House:
        house.clock.set(house.clock.now().replace(hour=9, minute=20))
        tell(house, ready(), release)
        return house

    def test_a_bad_check_character(self, open_ward: House, release: str) -> None:
        """ID-12 [S21]: the number keyed with a wrong check character refuses the unit."""
        sent = deepcopy(a_check()[release])
        for one in sent["input"]:
            if one["type"]["coding"][0]["code"] == "label-donation-number":
                good = one["valueString"][-1]
                one["valueString"] = one["valueString"][:-1] + ("A" if good != "A" else "B")
        answer = open_ward.post(f"{base(release)}/Task", sent, prefer="return=OperationOutcome")
        assert answer.status_code == 201
        told = [
            issue
            for issue in issues(answer)
            if {"ID-12", "refuse"} <= {c["code"] for c in issue["details"].get("coding", [])}
        ]
        assert told

    def test_an_unknown_unit_of_measure(self, open_ward: House, release: str) -> None:
        """A reading in a unit nobody knows is stored, warned of, and never a number."""
        sent = deepcopy(vitals(WREN, "10:15", temperature=101.3)[release])
        quantity = sent["component"][0]["valueQuantity"]
        quantity["code"] = "[furlong]"
        answer = open_ward.post(
            f"{base(release)}/Observation", sent, prefer="return=OperationOutcome"
        )
        assert answer.status_code == 201
        (warned,) = [issue for issue in issues(answer) if issue["severity"] == "warning"]
        assert warned["expression"] == ["Observation.component[0].value"]
        person = open_ward.person(f"https://harrow-vale.example/id/patient|{WREN.number}")
        case, _ = open_ward.app.reconciler.look("harrow-vale", person)
        made = answer.headers["location"].partition("/_history")[0]
        held = case.fact("/".join(made.split("/")[-2:]))
        assert held is not None
        assert [u.vital.value for u in held.body.unusable] == ["temperature"]
        assert "temperature" not in [r.vital.value for r in held.body.readings]


class TestThatNothingSentIsTold:
    """FH-51: texts, audit and expressions hold no value that was sent."""

    @pytest.mark.parametrize(
        "change",
        [
            {"gender": CANARY},
            {"birthDate": CANARY},
            {"active": CANARY},
            {"managingOrganization": {"reference": f"Organization/{CANARY}"}},
            {"managingOrganization": {"reference": f"Organization?name={CANARY}"}},
            {"managingOrganization": {"reference": f"urn:uuid:{CANARY}"}},
            {"managingOrganization": {"reference": f"https://x.example/{CANARY}"}},
            {"resourceType": CANARY},
            {"deceasedDateTime": f"2027-06-08T{CANARY}"},
            {"contact": [{"gender": CANARY}]},
        ],
    )
    def test_canaries(self, house: House, release: str, change: Json) -> None:
        sent = resources.patient(WREN)[release] | change
        answer = refused(house, f"{base(release)}/Patient", sent)
        assert CANARY not in answer.text
        assert all(CANARY.encode() not in row.detail for row in house.audit())

    def test_in_the_address(self, house: House, release: str) -> None:
        for path in (f"Patient/{CANARY}", CANARY, f"{CANARY}/x", f"Patient?{CANARY}:not=x"):
            answer = house.get(f"{base(release)}/{path}", prefer="handling=strict")
            assert CANARY not in answer.text, path
        body = resources.patient(WREN)[release] | {"id": CANARY}
        for where in (f"Patient/{CANARY}", "Patient/x", f"Patient?name={CANARY}"):
            answer = house.put(f"{base(release)}/{where}", body)
            assert answer.status_code in (400, 405, 412)
            assert CANARY not in answer.text, where

    def test_of_a_conflict(self, house: House, release: str) -> None:
        tell(house, admission(), release)
        clash = resources.patient(WREN)[release] | {"name": [{"family": CANARY}]}
        answer = refused(house, f"{base(release)}/Patient", clash)
        assert CANARY not in answer.text
        assert number("patient", WREN.number)["value"] not in answer.text


class TestBatchEntries:
    """An entry of a batch that is refused leaves its own audit row."""

    def test_two_of_three(self, house: House, release: str) -> None:
        entries = [
            {"resource": one, "request": {"method": "POST", "url": "Patient"}}
            for one in (
                resources.patient(WREN)[release] | {"gender": "unknowable"},
                resources.patient(WREN)[release],
                {"resourceType": "Unicorn"},
            )
        ]
        bundle = {"resourceType": "Bundle", "type": "batch", "entry": entries}
        assert house.post(base(release), bundle).status_code == 200
        outcomes = [row.outcome for row in house.audit() if row.action == "batch"]
        assert outcomes == ["refused", "stored", "refused"]
