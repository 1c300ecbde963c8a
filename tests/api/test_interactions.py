"""Create, read, update and their conditions, in both releases (FH-01 to FH-22)."""

import asyncio
from typing import Any

import pytest

from service.fhir.edge.strict_json import parse
from tests.support.apps import BASE, HOSPITAL, House, Json, dumped, problem, read_json
from tests.support.authoring import resources
from tests.support.worlds import PIKE, WREN, vitals


def address(release: str, *parts: str) -> str:
    """A path below a release's base."""
    return "/".join((f"/fhir/{release.lower()}", *parts))


def a_patient(release: str, **fields: Any) -> Json:
    return resources.patient(WREN)[release] | fields


def a_reading(release: str, **fields: Any) -> Json:
    return vitals(WREN, "09:30")[release] | fields


def unnamed(release: str, value: float = 36.6) -> Json:
    """A reading without identifier."""
    found = vitals(WREN, "09:30", temperature=value)[release]
    return {name: held for name, held in found.items() if name != "identifier"}


def condition(value: str, kind: str = "patient") -> str:
    return f"identifier={HOSPITAL}/{kind}|{value}"


class TestCreate:
    """FH-01, FH-02: 201 with Location, ETag and Last-Modified; ids and meta are the server's."""

    def test_that_the_answer_names_the_version_that_was_made(
        self, house: House, release: str
    ) -> None:
        answer = house.post(address(release, "Patient"), a_patient(release))
        body = read_json(answer)
        assert answer.status_code == 201
        assert answer.headers["location"] == (
            f"{BASE}/fhir/{release.lower()}/Patient/{body['id']}/_history/1"
        )
        assert answer.headers["etag"] == 'W/"1"'
        assert answer.headers["last-modified"] == "Tue, 08 Jun 2027 07:00:00 GMT"

    def test_that_what_the_client_says_of_id_and_meta_is_replaced(
        self, house: House, release: str
    ) -> None:
        said = {"versionId": "77", "lastUpdated": "2027-06-08T05:00:00Z"}
        body = house.create(release, a_patient(release, id="mine", meta=said))
        assert body["id"] != "mine"
        assert body["meta"]["versionId"] == "1"
        assert body["meta"]["lastUpdated"] == "2027-06-08T07:00:00.000Z"

    def test_that_every_element_comes_back_as_it_was_sent(self, house: House, release: str) -> None:
        sent = a_reading(release)
        body = house.create(release, sent)
        assert {k: v for k, v in body.items() if k not in ("id", "meta")} == parse(dumped(sent))

    def test_that_a_decimal_keeps_its_digits(self, house: House, release: str) -> None:
        raw = (
            b'{"resourceType":"Observation","status":"final","code":{"text":"Temperature"},'
            b'"subject":{"type":"Patient","identifier":{"system":"s:1","value":"1"}},'
            b'"effectiveDateTime":"2027-06-08T06:00:00Z","valueQuantity":{"value":37.10}}'
        )
        made = read_json(house.post(address(release, "Observation"), raw))
        answer = house.get(address(release, "Observation", made["id"]))
        assert b'"value":37.10}' in answer.content

    def test_that_it_can_be_read_at_once(self, house: House, release: str) -> None:
        """FH-67: read your writes."""
        made = house.create(release, a_patient(release))
        assert read_json(house.get(address(release, "Patient", made["id"]))) == made
        found = read_json(house.get(address(release, f"Patient?_id={made['id']}")))
        assert found["entry"][0]["resource"] == made


class TestRefusedCreate:
    """FH-03 to FH-05: 400 for what is not well formed, 422 for a broken rule, 404 for a type."""

    def test_unparseable(self, house: House, release: str) -> None:
        answer = house.post(address(release, "Patient"), b'{"resourceType":"Patient",')
        assert problem(answer)[:2] == (400, "structure")

    def test_a_missing_required_element(self, house: House, release: str) -> None:
        sent = {k: v for k, v in a_reading(release).items() if k != "code"}
        answer = house.post(address(release, "Observation"), sent)
        assert problem(answer) == (400, "required", "Observation.code")

    def test_a_code_outside_a_required_binding(self, house: House, release: str) -> None:
        answer = house.post(address(release, "Observation"), a_reading(release, status="bogus"))
        assert problem(answer) == (422, "code-invalid", "Observation.status")

    def test_an_unknown_type(self, house: House, release: str) -> None:
        answer = house.post(address(release, "Unicorn"), {"resourceType": "Unicorn"})
        assert problem(answer)[0] == 404

    @pytest.mark.parametrize("type_name", ["Account", "Bundle", "AdverseEvent"])
    def test_a_type_of_the_standard_that_is_not_taken(
        self, house: House, release: str, type_name: str
    ) -> None:
        answer = house.post(address(release, type_name), {"resourceType": type_name})
        assert problem(answer)[0] == 404

    def test_a_body_of_another_type_than_the_address(self, house: House, release: str) -> None:
        answer = house.post(address(release, "Observation"), a_patient(release))
        assert problem(answer) == (400, "invalid", "resourceType")


class TestConditionalCreate:
    """FH-06, FH-07: none creates, one equal answers 200, one that differs 409, several 412."""

    def test_none(self, house: House, release: str) -> None:
        answer = house.post(
            address(release, "Patient"), a_patient(release), if_none_exist=condition(WREN.number)
        )
        assert answer.status_code == 201

    def test_one_with_equal_content(self, house: House, release: str) -> None:
        made = house.create(release, a_patient(release))
        before = house.counts()
        answer = house.post(
            address(release, "Patient"), a_patient(release), if_none_exist=condition(WREN.number)
        )
        assert (answer.status_code, read_json(answer)["id"]) == (200, made["id"])
        assert house.counts() == before

    def test_one_with_other_content(self, house: House, release: str) -> None:
        """An If-None-Exist hit with different content is never a silent 200."""
        house.create(release, a_patient(release))
        before = house.counts()
        answer = house.post(
            address(release, "Patient"),
            a_patient(release, birthDate="1961-04-13"),
            if_none_exist=condition(WREN.number),
        )
        assert problem(answer)[:2] == (409, "conflict")
        assert house.counts() == before

    def test_several(self, house: House, release: str) -> None:
        house.create(release, a_patient(release), source="ward")
        house.create(release, a_patient(release), source="lab")
        answer = house.post(
            address(release, "Patient"), a_patient(release), if_none_exist=condition(WREN.number)
        )
        assert problem(answer)[:2] == (412, "multiple-matches")

    @pytest.mark.parametrize("query", ["name=Wren", "identifier=0061001", "", "identifier=a|b&x=y"])
    def test_a_condition_that_is_not_one_identifier(
        self, house: House, release: str, query: str
    ) -> None:
        """FH-08: never taken for a plain create."""
        before = house.counts()
        answer = house.post(address(release, "Patient"), a_patient(release), if_none_exist=query)
        assert problem(answer)[:2] == (412, "not-supported")
        assert house.counts() == before

    def test_ten_at_the_same_instant_make_one(self, house: House, release: str) -> None:
        async def together() -> list[int]:
            asked = (
                house.asking(
                    "POST",
                    address(release, "Patient"),
                    a_patient(release),
                    if_none_exist=condition(WREN.number),
                )
                for _ in range(10)
            )
            return sorted([answer.status_code for answer in await asyncio.gather(*asked)])

        assert house.run(together()) == [*[200] * 9, 201]
        assert house.counts()["resource"] == 1


class TestTheSameAgain:
    """The key is source, type and identifier, without one the content."""

    def test_that_an_equal_resource_is_known_by_its_identifier(
        self, house: House, release: str
    ) -> None:
        made = house.create(release, a_patient(release))
        answer = house.post(address(release, "Patient"), a_patient(release))
        assert (answer.status_code, read_json(answer)) == (200, made)

    def test_that_another_source_makes_its_own(self, house: House, release: str) -> None:
        first = house.create(release, a_patient(release), source="ward")
        second = house.create(release, a_patient(release), source="lab")
        assert first["id"] != second["id"]

    def test_that_without_identifier_the_content_is_the_key(
        self, house: House, release: str
    ) -> None:
        first = house.create(release, unnamed(release))
        answer = house.post(address(release, "Observation"), unnamed(release))
        assert (answer.status_code, read_json(answer)["id"]) == (200, first["id"])
        other = house.post(address(release, "Observation"), unnamed(release, 36.7))
        assert other.status_code == 201

    def test_that_other_content_under_the_same_key_is_a_conflict(
        self, house: House, release: str
    ) -> None:
        house.create(release, a_patient(release))
        before = house.counts()
        answer = house.post(address(release, "Patient"), a_patient(release, birthDate="1961"))
        assert problem(answer)[:2] == (409, "conflict")
        assert house.counts() == before


class TestRead:
    """FH-16 to FH-18, FH-22: by id, by version, and only when it changed."""

    def test_that_headers_agree_with_the_body(self, house: House, release: str) -> None:
        made = house.create(release, a_patient(release))
        answer = house.get(address(release, "Patient", made["id"]))
        body = read_json(answer)
        assert body["id"] == made["id"]
        assert answer.headers["etag"] == f'W/"{body["meta"]["versionId"]}"'

    @pytest.mark.parametrize("own_id", ["nobody", "-", "a" * 65, "%2E%2E", "%00", "a b"])
    def test_an_unknown_or_impossible_id(self, house: House, release: str, own_id: str) -> None:
        assert problem(house.get(address(release, "Patient", own_id)))[0] in (400, 404)

    def test_every_version(self, house: House, release: str) -> None:
        made = house.create(release, a_patient(release))
        changed = made | {"birthDate": "1961-04-13"}
        house.put(address(release, "Patient", made["id"]), changed, if_match='W/"1"')
        first = house.get(address(release, "Patient", made["id"], "_history", "1"))
        second = house.get(address(release, "Patient", made["id"], "_history", "2"))
        assert read_json(first)["birthDate"] == WREN.born
        assert read_json(second)["birthDate"] == "1961-04-13"
        assert [first.headers["etag"], second.headers["etag"]] == ['W/"1"', 'W/"2"']

    @pytest.mark.parametrize("version", ["0", "2", "x", "9" * 30, "9" * 5000, "-1", "1.0"])
    def test_an_unknown_version(self, house: House, release: str, version: str) -> None:
        made = house.create(release, a_patient(release))
        answer = house.get(address(release, "Patient", made["id"], "_history", version))
        assert problem(answer)[:2] == (404, "not-found")

    def test_not_modified(self, house: House, release: str) -> None:
        made = house.create(release, a_patient(release))
        where = address(release, "Patient", made["id"])
        assert house.get(where, if_none_match='W/"1"').status_code == 304
        assert house.get(where, if_none_match='W/"9"').status_code == 200

    def test_that_a_resource_is_read_in_the_release_it_came_in(
        self, house: House, release: str
    ) -> None:
        made = house.create(release, a_patient(release))
        other = "R5" if release == "R4" else "R4"
        assert problem(house.get(address(other, "Patient", made["id"])))[0] == 404

    def test_that_another_facility_sees_nothing(self, house: House, release: str) -> None:
        """FH-52: the same answer as for an id that nobody has."""
        made = house.create(release, a_patient(release))
        hidden = house.get(address(release, "Patient", made["id"]), source="elsewhere")
        absent = house.get(address(release, "Patient", "nobody"), source="elsewhere")
        assert (hidden.status_code, hidden.content) == (404, absent.content)


class TestUpdate:
    """FH-09 to FH-14: by our id, guarded by If-Match; an unknown id is 405."""

    @pytest.fixture
    def made(self, house: House, release: str) -> Json:
        return house.create(release, a_patient(release))

    def test_a_new_version(self, house: House, release: str, made: Json) -> None:
        changed = made | {"birthDate": "1961-04-13"}
        answer = house.put(address(release, "Patient", made["id"]), changed, if_match='W/"1"')
        assert answer.status_code == 200
        assert answer.headers["etag"] == 'W/"2"'
        assert answer.headers["location"].endswith(f"/Patient/{made['id']}/_history/2")
        assert read_json(answer)["meta"]["versionId"] == "2"

    def test_equal_content_is_nothing_new(self, house: House, release: str, made: Json) -> None:
        before = house.counts()
        answer = house.put(address(release, "Patient", made["id"]), made)
        assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"1"')
        assert house.counts() == before

    def test_a_stale_if_match(self, house: House, release: str, made: Json) -> None:
        where = address(release, "Patient", made["id"])
        house.put(where, made | {"birthDate": "1961-04-13"}, if_match='W/"1"')
        before = house.counts()
        answer = house.put(where, made | {"birthDate": "1961-04-14"}, if_match='W/"1"')
        assert problem(answer)[:2] == (412, "conflict")
        assert house.counts() == before

    @pytest.mark.parametrize("header", ["23", '"23"', "W/23", "*", 'W/"1", W/"2"', "", 'W/"x"'])
    def test_a_malformed_if_match(
        self, house: House, release: str, made: Json, header: str
    ) -> None:
        """FH-14: never treated as no precondition."""
        changed = made | {"birthDate": "1961-04-13"}
        answer = house.put(address(release, "Patient", made["id"]), changed, if_match=header)
        assert problem(answer)[0] == 400
        assert house.get(address(release, "Patient", made["id"])).headers["etag"] == 'W/"1"'

    def test_other_content_that_gives_no_reason(
        self, house: House, release: str, made: Json
    ) -> None:
        """FH-13 409 unless version, status or stamp says so."""
        plain = {k: v for k, v in made.items() if k != "meta"}
        changed = plain | {"birthDate": "1961-04-13"}
        answer = house.put(address(release, "Patient", made["id"]), changed)
        assert problem(answer)[:2] == (409, "conflict")

    def test_an_unknown_id(self, house: House, release: str) -> None:
        before = house.counts()
        answer = house.put(address(release, "Patient", "mine"), a_patient(release, id="mine"))
        assert problem(answer)[:2] == (405, "not-supported")
        assert house.counts() == before

    @pytest.mark.parametrize("sent", [None, "other"])
    def test_a_body_with_another_id_or_none(
        self, house: House, release: str, made: Json, sent: str | None
    ) -> None:
        body = {k: v for k, v in (made | {"id": sent}).items() if v is not None}
        answer = house.put(address(release, "Patient", made["id"]), body)
        assert problem(answer) == (400, "invalid", "Patient.id")

    def test_an_identifier_that_another_resource_bears(
        self, house: House, release: str, made: Json
    ) -> None:
        other = house.create(release, resources.patient(PIKE)[release])
        stolen = other | {"identifier": made["identifier"]}
        answer = house.put(address(release, "Patient", other["id"]), stolen, if_match='W/"1"')
        assert problem(answer)[:2] == (409, "duplicate")

    def test_two_at_once_make_one_new_version(self, house: House, release: str, made: Json) -> None:
        async def both() -> list[int]:
            asked = (
                house.asking(
                    "PUT",
                    address(release, "Patient", made["id"]),
                    made | {"birthDate": day},
                    if_match='W/"1"',
                )
                for day in ("1961-04-13", "1961-04-14")
            )
            return sorted([answer.status_code for answer in await asyncio.gather(*asked)])

        assert house.run(both()) == [200, 412]


class TestConditionalUpdate:
    """FH-15: none creates, one updates, several 412; a body id that is not the match's is 400."""

    def test_none(self, house: House, release: str) -> None:
        answer = house.put(
            address(release, f"Patient?{condition(WREN.number)}"), a_patient(release)
        )
        assert answer.status_code == 201

    def test_none_with_an_id_of_the_clients_own(self, house: House, release: str) -> None:
        where = address(release, f"Patient?{condition(WREN.number)}")
        assert problem(house.put(where, a_patient(release, id="mine")))[0] == 405

    def test_one(self, house: House, release: str) -> None:
        made = house.create(release, a_patient(release))
        later = {"lastUpdated": "2027-06-08T08:00:00Z"}
        changed = a_patient(release, birthDate="1961-04-13", meta=later)
        answer = house.put(address(release, f"Patient?{condition(WREN.number)}"), changed)
        assert (answer.status_code, read_json(answer)["id"]) == (200, made["id"])
        assert read_json(answer)["meta"]["versionId"] == "2"

    def test_one_with_another_body_id(self, house: House, release: str) -> None:
        house.create(release, a_patient(release))
        where = address(release, f"Patient?{condition(WREN.number)}")
        assert problem(house.put(where, a_patient(release, id="mine")))[0] == 400

    def test_several(self, house: House, release: str) -> None:
        house.create(release, a_patient(release), source="ward")
        house.create(release, a_patient(release), source="lab")
        where = address(release, f"Patient?{condition(WREN.number)}")
        assert problem(house.put(where, a_patient(release)))[:2] == (412, "multiple-matches")

    def test_no_condition_at_all(self, house: House, release: str) -> None:
        assert problem(house.put(address(release, "Patient"), a_patient(release)))[0] == 400


class TestWhatIsNotOffered:
    """FH-19 to FH-21: nothing is erased; a method that is not taken is 405 with what is."""

    @pytest.mark.parametrize(
        ("method", "path", "allowed"),
        [
            ("DELETE", "Patient/1", {"GET", "PUT"}),
            ("PATCH", "Patient/1", {"GET", "PUT"}),
            ("DELETE", "Patient", {"GET", "POST", "PUT"}),
            ("POST", "Patient/1", {"GET", "PUT"}),
            ("DELETE", "Patient/1/_history/1", {"GET"}),
            ("PUT", "", {"POST"}),
        ],
    )
    def test_the_methods_of_an_address(
        self, house: House, release: str, method: str, path: str, allowed: set[str]
    ) -> None:
        answer = house.ask(method, address(release, path) if path else address(release))
        assert problem(answer)[:2] == (405, "not-supported")
        assert set(answer.headers["allow"].split(", ")) == allowed

    @pytest.mark.parametrize("path", ["/nothing", "/fhir/r3/Patient", "/fhir/r4/a/b/c/d/e"])
    def test_an_address_of_nothing(self, house: House, path: str) -> None:
        assert problem(house.get(path))[:2] == (404, "not-found")


class TestRequestName:
    """Every answer bears X-Request-Id: the caller's, when it is plain, else a new one."""

    def test_that_a_plain_name_comes_back(self, house: House) -> None:
        answer = house.get("/fhir/r4/metadata", x_request_id="ward-17.a_b")
        assert answer.headers["x-request-id"] == "ward-17.a_b"

    @pytest.mark.parametrize("sent", ["a b", "a" * 65, "a\tb", "<x>", ""])
    def test_that_any_other_is_replaced(self, house: House, sent: str) -> None:
        answer = house.get("/fhir/r4/Patient/none", x_request_id=sent)
        assert answer.status_code == 404
        assert answer.headers["x-request-id"] != sent
        assert len(answer.headers["x-request-id"]) == 36

    def test_that_refusals_have_one(self, house: House) -> None:
        assert "x-request-id" in house.get("/fhir/r4/Patient", source=None).headers


class TestAFaultOfOurs:
    """500 with a name to ask about and nothing else; the log says the rest."""

    def test_that_nothing_of_it_is_told(
        self, house: House, release: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fails(*_: object, **__: object) -> None:
            raise RuntimeError("a secret of the store")

        monkeypatch.setattr(type(house.app.store), "head", fails)
        answer = house.get(address(release, "Patient", "x"), x_request_id="ask-me")
        assert problem(answer)[:2] == (500, "exception")
        assert answer.headers["x-request-id"] == "ask-me"
        assert b"secret" not in answer.content
        assert "Traceback" not in answer.text
