"""Transactions and batches (FH-35 to FH-44)."""

import json
import random
from typing import Any

import pytest

from tests.support.apps import (
    BASE,
    HOSPITAL,
    House,
    Json,
    issues,
    problem,
    read_json,
    transaction,
)
from tests.support.apps import house as opened
from tests.support.authoring import resources
from tests.support.reading import DATA
from tests.support.worlds import PIKE, WREN, a_check, a_start, answered, ready, tell, vitals

PATIENT = {"resourceType": "Patient"}
MRN = "https://alder-point.example/id/mrn"


def base(release: str) -> str:
    return f"/fhir/{release.lower()}"


def contract(release: str) -> Json:
    """The published complete inbound transaction of a release."""
    text = (DATA / "contract" / f"inbound-{release.lower()}.json").read_text(encoding="utf-8")
    found: Json = json.loads(text)
    return found


def entry(resource: Json, method: str = "POST", url: str | None = None, **request: Any) -> Json:
    said = {"method": method, "url": url or resource["resourceType"], **request}
    return {"resource": resource, "request": said}


def of(kind: str, *entries: Json) -> Json:
    bundle: Json = {"resourceType": "Bundle", "type": kind}
    return bundle | ({"entry": list(entries)} if entries else {})


def patient(release: str, **fields: Any) -> Json:
    return resources.patient(WREN)[release] | fields


class TestTransaction:
    """FH-35: all or nothing; one answer per entry in the order of the entries."""

    def test_every_entry_is_answered_in_its_place(self, house: House, release: str) -> None:
        bundle = contract(release)
        answer = house.post(base(release), bundle)
        body = read_json(answer)
        assert (answer.status_code, body["type"]) == (200, "transaction-response")
        asked = [one["request"]["url"] for one in bundle["entry"]]
        for kind, one in zip(asked, body["entry"], strict=True):
            said = one["response"]
            own_id, version = one["resource"]["id"], one["resource"]["meta"]["versionId"]
            assert said["status"] == "201 Created"
            assert said["location"] == f"{kind}/{own_id}/_history/{version}"
            assert said["etag"] == f'W/"{version}"'
            assert "lastModified" in said

    def test_that_a_second_sending_stores_nothing(self, house: House, release: str) -> None:
        house.post(base(release), contract(release))
        before = house.counts()
        body = read_json(house.post(base(release), contract(release)))
        assert {one["response"]["status"] for one in body["entry"]} == {"200 OK"}
        assert house.counts() == before

    @pytest.mark.parametrize("place", [0, 7, 18])
    def test_that_one_bad_entry_refuses_all(self, house: House, release: str, place: int) -> None:
        bundle = contract(release)
        bundle["entry"][place]["resource"]["surprise"] = 1
        before = house.counts()
        answer = house.post(base(release), bundle)
        status, _, expression = problem(answer)
        assert status == 400
        assert expression is not None
        assert expression.startswith(f"Bundle.entry[{place}].resource")
        assert house.counts() == before

    def test_that_a_late_conflict_refuses_all(self, house: House, release: str) -> None:
        house.create(release, patient(release))
        before = house.counts()
        changed = patient(release, birthDate="1961-04-13")
        answer = house.post(base(release), transaction(vitals(WREN, "08:00")[release], changed))
        assert problem(answer) == (409, "conflict", "Bundle.entry[1].resource")
        assert house.counts() == before

    def test_that_nothing_at_all_is_legal(self, house: House, release: str) -> None:
        """FH-41."""
        answer = house.post(base(release), of("transaction"))
        assert (answer.status_code, read_json(answer)) == (200, of("transaction-response"))

    def test_the_base_with_and_without_a_slash(self, house: House, release: str) -> None:
        assert house.post(f"{base(release)}/", of("transaction")).status_code == 200


class TestOrderOfEntries:
    """FH-36: the outcome does not depend on it."""

    def test_that_a_shuffled_bundle_ends_in_the_same_state(self, release: str) -> None:
        told = []
        for seed in range(12):
            bundle = contract(release)
            if seed:
                random.Random(seed).shuffle(bundle["entry"])
            with opened(at="2026-11-24T16:10:00+00:00", identity_systems=[MRN]) as house:
                answer = house.post(base(release), bundle)
                assert answer.status_code == 200, answer.text
                steps = {
                    one["resource"]["identifier"][0]["value"]: answered(one)
                    for one in read_json(answer)["entry"]
                    if one["resource"]["resourceType"] == "Task"
                }
                told.append((house.told(f"{MRN}|00427719"), steps))
        assert all(one == told[0] for one in told)


class TestTheSameTwice:
    """FH-37: one resource may stand in a transaction once."""

    def test_by_identifier(self, house: House, release: str) -> None:
        other = patient(release, birthDate="1961-04-13")
        answer = house.post(base(release), transaction(patient(release), other))
        assert problem(answer) == (400, "duplicate", "Bundle.entry[1].resource")

    def test_by_content(self, house: House, release: str) -> None:
        plain = {k: v for k, v in vitals(WREN, "08:00")[release].items() if k != "identifier"}
        answer = house.post(base(release), transaction(plain, plain))
        assert problem(answer) == (400, "duplicate", "Bundle.entry[1].resource")

    def test_by_id(self, house: House, release: str) -> None:
        made = house.create(release, patient(release))
        where = f"Patient/{made['id']}"
        first = entry(made | {"birthDate": "1961-04-13"}, "PUT", where, ifMatch='W/"1"')
        second = entry(made | {"birthDate": "1961-04-14"}, "PUT", where, ifMatch='W/"1"')
        answer = house.post(base(release), of("transaction", first, second))
        assert problem(answer)[:2] == (400, "duplicate")

    def test_by_a_condition(self, house: House, release: str) -> None:
        made = house.create(release, patient(release))
        by_id = entry(made | {"birthDate": "1961"}, "PUT", f"Patient/{made['id']}", ifMatch='W/"1"')
        condition = f"identifier={HOSPITAL}/patient|{WREN.number}"
        again = entry(patient(release), ifNoneExist=condition)
        answer = house.post(base(release), of("transaction", by_id, again))
        assert problem(answer)[:2] == (400, "duplicate")


class TestReferences:
    """FH-38, FH-39: urns become our ids everywhere; a condition names one resource or fails."""

    URN = "urn:uuid:0d6f5e0c-5a3e-4f5b-9c55-3a6a1c7d0001"

    def test_that_urns_are_rewritten(self, house: House, release: str) -> None:
        subject = {"reference": self.URN, "type": "Patient"}
        reading = vitals(WREN, "08:00")[release] | {"subject": subject}
        made = house.send(release, reading, patient(release) | {"id": self.URN})
        own_id = made[1]["resource"]["id"]
        assert made[0]["resource"]["subject"]["reference"] == f"Patient/{own_id}"
        assert self.URN not in json.dumps(made, default=str)

    def test_that_a_urn_of_nobody_is_refused(self, house: House, release: str) -> None:
        subject = {"reference": self.URN, "type": "Patient"}
        reading = vitals(WREN, "08:00")[release] | {"subject": subject}
        before = house.counts()
        answer = house.post(base(release), transaction(reading))
        place = "Bundle.entry[0].resource.subject.reference"
        assert problem(answer) == (422, "not-found", place)
        assert house.counts() == before

    def test_that_a_version_stays_a_version(self, house: House, release: str) -> None:
        made = house.create(release, patient(release))
        literal = f"Patient/{made['id']}/_history/1"
        subject = {"reference": f"{BASE}{base(release)}/{literal}", "type": "Patient"}
        body = house.create(release, vitals(WREN, "08:00")[release] | {"subject": subject})
        assert body["subject"]["reference"] == literal

    @pytest.mark.parametrize(
        ("held", "code"), [(0, "not-found"), (1, None), (2, "multiple-matches")]
    )
    def test_a_condition(self, house: House, release: str, held: int, code: str | None) -> None:
        for source in ("ward", "lab")[:held]:
            house.create(release, patient(release), source=source)
        condition = f"Patient?identifier={HOSPITAL}/patient|{WREN.number}"
        reading = vitals(WREN, "08:00")[release] | {"subject": {"reference": condition}}
        before = house.counts()
        answer = house.post(base(release), transaction(reading))
        if code is None:
            found = read_json(answer)["entry"][0]["resource"]["subject"]["reference"]
            named = read_json(house.get(f"{base(release)}/{found}"))
            assert named["identifier"][0]["value"] == WREN.number
        else:
            assert problem(answer)[:2] == (412, code)
            assert house.counts() == before

    def test_any_other_condition(self, house: House, release: str) -> None:
        subject = {"reference": "Patient?name=Ashgrove"}
        reading = vitals(WREN, "08:00")[release] | {"subject": subject}
        answer = house.post(base(release), transaction(reading))
        assert problem(answer)[:2] == (412, "not-supported")
        assert b"Ashgrove" not in answer.content


class TestUpdatesInside:
    """A transaction updates by our id or by a condition, guarded by ifMatch in both forms."""

    @pytest.mark.parametrize("conditional", [False, True])
    def test_a_stale_if_match(self, house: House, release: str, conditional: bool) -> None:
        made = house.create(release, patient(release))
        query = f"Patient?identifier={HOSPITAL}/patient|{WREN.number}"
        where = query if conditional else f"Patient/{made['id']}"
        body = made | {"birthDate": "1961-04-13"}
        for version, status in (("7", 412), ("1", 200)):
            one = entry(body, "PUT", where, ifMatch=f'W/"{version}"')
            assert house.post(base(release), of("transaction", one)).status_code == status


class TestReadsInside:
    """What a transaction reads is what it has written; what it cannot read refuses it all."""

    def test_after_the_writes(self, house: House, release: str) -> None:
        read = {"request": {"method": "GET", "url": f"Patient?identifier={WREN.number}"}}
        bundle = of("transaction", read, entry(patient(release)))
        body = read_json(house.post(base(release), bundle))
        assert body["entry"][0]["resource"]["total"] == 1

    @pytest.mark.parametrize(
        ("url", "status"),
        [("Patient/nobody", 404), ("Unicorn", 404), ("Patient?_count=x", 400), ("a/b/c/d/e", 400)],
    )
    def test_that_nothing_is_stored(
        self, house: House, release: str, url: str, status: int
    ) -> None:
        read = {"request": {"method": "GET", "url": url}}
        before = house.counts()
        answer = house.post(base(release), of("transaction", entry(patient(release)), read))
        code, _, expression = problem(answer)
        assert code == status
        assert (expression or "").startswith("Bundle.entry[1]")
        assert house.counts() == before

    def test_a_version(self, house: House, release: str) -> None:
        made = house.create(release, patient(release))
        where = f"Patient/{made['id']}"
        changed = made | {"birthDate": "1961-04-13"}
        house.put(f"{base(release)}/{where}", changed, if_match='W/"1"')
        read = {"request": {"method": "GET", "url": f"{where}/_history/1"}}
        body = read_json(house.post(base(release), of("batch", read)))
        assert body["entry"][0]["resource"]["birthDate"] == WREN.born


class TestBatch:
    """FH-40: every entry stands alone, with a status of its own."""

    def test_that_a_bad_entry_harms_no_other(self, house: House, release: str) -> None:
        bad = entry(patient(release, gender="unknowable"))
        missing = {"request": {"method": "GET", "url": "Patient/nobody"}}
        other = entry(resources.patient(PIKE)[release])
        answer = house.post(base(release), of("batch", bad, other, missing))
        body = read_json(answer)
        assert (answer.status_code, body["type"]) == (200, "batch-response")
        statuses = [one["response"]["status"][:3] for one in body["entry"]]
        assert statuses == ["422", "201", "404"]
        refused = body["entry"][0]["response"]["outcome"]["issue"][0]
        assert refused["expression"] == ["Bundle.entry[0].resource.gender"]
        assert house.counts()["resource"] == 1

    def test_that_entries_do_not_refer_to_each_other(self, house: House, release: str) -> None:
        urn = "urn:uuid:0d6f5e0c-5a3e-4f5b-9c55-3a6a1c7d0002"
        first = entry(patient(release)) | {"fullUrl": urn}
        reading = vitals(WREN, "08:00")[release] | {"subject": {"reference": urn}}
        body = read_json(house.post(base(release), of("batch", first, entry(reading))))
        assert [one["response"]["status"][:3] for one in body["entry"]] == ["201", "422"]


class TestRefusedBundles:
    """FH-42, FH-43: no other type, no more than 500 entries, no more than 5 MB."""

    @pytest.mark.parametrize(
        "kind",
        ["collection", "document", "searchset", "history", "message", "transaction-response"],
    )
    def test_other_types(self, house: House, release: str, kind: str) -> None:
        answer = house.post(base(release), of(kind))
        assert problem(answer)[0] in (400, 422)

    def test_no_type(self, house: House, release: str) -> None:
        assert problem(house.post(base(release), {"resourceType": "Bundle"}))[0] == 400

    @pytest.mark.parametrize("content", [[], 1, "text", None, {"resourceType": "Patient"}, {}])
    def test_no_bundle(self, house: House, release: str, content: Any) -> None:
        body = json.dumps(content).encode()
        assert problem(house.post(base(release), body))[0] in (400, 422)

    @pytest.mark.parametrize(
        "broken",
        [
            {"resource": PATIENT},
            {"request": {"method": "POST", "url": "Patient"}},
            {"request": {"method": "PUT", "url": "Patient/1"}},
            {"request": {"method": "DELETE", "url": "Patient/1"}},
            {"request": {"method": "PATCH", "url": "Patient/1"}},
            {"request": {"method": "POST", "url": "Patient/1"}, "resource": PATIENT},
            {"request": {"method": "PUT", "url": "Patient"}, "resource": PATIENT},
            {"request": {"method": "POST", "url": "Observation"}, "resource": PATIENT},
            {"request": {"method": "POST", "url": ""}, "resource": PATIENT},
        ],
    )
    def test_entries_that_say_too_little(self, house: House, release: str, broken: Json) -> None:
        status, _, expression = problem(house.post(base(release), of("transaction", broken)))
        assert status in (400, 405)
        assert (expression or "").startswith("Bundle.entry[0]")
        body = read_json(house.post(base(release), of("batch", broken)))
        assert body.get("resourceType") == "OperationOutcome" or (
            body["entry"][0]["response"]["status"] in ("400", "405")
        )

    def test_too_many_entries(self, house: House, release: str) -> None:
        named = [{"system": "s:1", "value": str(n)} for n in range(501)]
        many = [entry({"resourceType": "Patient", "identifier": [one]}) for one in named]
        answer = house.post(base(release), of("transaction", *many))
        assert problem(answer) == (413, "too-costly", "Bundle.entry")
        assert house.counts()["resource"] == 0

    def test_too_many_bytes(self, house: House, release: str) -> None:
        """FUZ-05: whatever Content-Length says."""
        body = b'{"resourceType":"Bundle","type":"transaction"' + b" " * (5 * 1024 * 1024) + b"}"
        assert problem(house.post(base(release), body))[:2] == (413, "too-long")
        lied = house.post(base(release), body, content_length="10")
        assert problem(lied)[:2] == (413, "too-long")

    def test_one_resource_may_hold_less(self, house: House, release: str) -> None:
        body = b'{"resourceType":"Patient"' + b" " * (1024 * 1024) + b"}"
        assert problem(house.post(f"{base(release)}/Patient", body))[:2] == (413, "too-long")


class TestASafetyRefusal:
    """FH-44: what was done is stored and answered 2xx with the finding; refusing undoes nothing."""

    def test_that_a_start_with_the_wrong_band_is_stored(self, release: str) -> None:
        with opened(at="2027-06-08T09:20:00+00:00") as house:
            said = (*ready(), a_check(band=PIKE), a_start())
            *_, check, start = tell(house, said, release)
            assert [answered(check), answered(start)] == ["refuse", "refuse"]
            for one in (check, start):
                assert one["response"]["status"] == "201 Created"
                coded = one["response"]["outcome"]["issue"][0]["details"]["coding"]
                assert "refuse" in {coding["code"] for coding in coded}

    def test_that_it_is_answered_once_for_the_whole_transaction(self, release: str) -> None:
        """The check comes first and the patient last: it is judged on all of it."""
        with opened(at="2027-06-08T09:20:00+00:00") as house:
            first, *rest = tell(house, (a_check(), *reversed(ready())), release)
            assert answered(first) == "no-objection"
            assert not issues_of(first, "error")
            assert rest


def issues_of(one: Json, severity: str) -> list[Json]:
    found = one["response"]["outcome"]["issue"]
    return [issue for issue in found if issue["severity"] == severity]


class TestRefusedReadsSayWhy:
    """FH-21: a refusal in a batch is an OperationOutcome like any other."""

    def test_in_plain_words(self, house: House, release: str) -> None:
        read = {"request": {"method": "GET", "url": "Unicorn/1"}}
        body = read_json(house.post(base(release), of("batch", read)))
        (issue,) = body["entry"][0]["response"]["outcome"]["issue"]
        assert issue["details"]["text"]
        answer = house.get(f"{base(release)}/Unicorn/1")
        assert issues(answer)[0]["details"] == issue["details"]
