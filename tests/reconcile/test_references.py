"""References of all styles: ours, the bundle's, contained, by identifier, registered addresses."""

import json
from collections.abc import Iterator

import pytest

from tests.support.apps import BASE, FACILITY, House, Json, issues, problem, read_json
from tests.support.apps import house as opened
from tests.support.authoring import resources
from tests.support.authoring.words import named, number, of_person
from tests.support.worlds import WREN, a_start, ready, tell, token, vitals

WARD = "https://ward.harrow-vale.example/fhir/"


@pytest.fixture
def house() -> Iterator[House]:
    with opened(at="2027-06-08T09:30:00+00:00") as found:
        yield found


def base(release: str) -> str:
    return f"/fhir/{release.lower()}"


def about(release: str, subject: Json) -> Json:
    return vitals(WREN, "09:00")[release] | {"subject": subject}


def kinds(house: House, key: str) -> set[str]:
    return {fact.kind for fact in house.stored(key).facts}


class TestEveryStyle:
    """Each way of naming the patient leads to the same case."""

    @pytest.mark.parametrize("style", ["ours", "absolute", "identifier", "both", "contained"])
    def test_of_a_patient_we_hold(self, house: House, release: str, style: str) -> None:
        made = house.create(release, resources.patient(WREN)[release])
        own = f"Patient/{made['id']}"
        by_number = of_person(WREN)
        subject: dict[str, Json] = {
            "ours": {"reference": own},
            "absolute": {"reference": f"{BASE}{base(release)}/{own}"},
            "identifier": by_number,
            "both": by_number | {"reference": own},
            "contained": {"reference": "#p"},
        }
        sent = about(release, subject[style])
        if style == "contained":
            held = {k: v for k, v in resources.patient(WREN)[release].items() if k != "meta"}
            sent["contained"] = [held | {"id": "p"}]
        house.create(release, sent)
        assert kinds(house, token(WREN)) == {"patient", "vitals"}
        assert kinds(house, own) == {"patient", "vitals"}

    def test_of_the_same_bundle(self, house: House, release: str) -> None:
        urn = "urn:uuid:0d6f5e0c-5a3e-4f5b-9c55-3a6a1c7d0009"
        patient = resources.patient(WREN)[release] | {"id": urn}
        house.send(release, about(release, {"reference": urn}), patient)
        assert kinds(house, token(WREN)) == {"patient", "vitals"}

    def test_by_identifier_before_anybody_is_known(self, house: House, release: str) -> None:
        house.create(release, about(release, of_person(WREN)))
        assert kinds(house, token(WREN)) == {"vitals"}


class TestUnknown:
    """A reference that names nothing here is refused, and nothing is fetched."""

    @pytest.mark.parametrize(
        "literal",
        [
            "Patient/nobody",
            "urn:uuid:0d6f5e0c-5a3e-4f5b-9c55-3a6a1c7d0008",
            "https://elsewhere.example/fhir/Patient/1",
            "http://169.254.169.254/Patient/1",
            f"{BASE}/fhir/r4/Patient/nobody",
            "https://lab.harrow-vale.example/fhir/Patient/1",
            "https://ward.harrow-vale.example.evil.example/fhir/Patient/1",
        ],
    )
    def test_refused(self, house: House, release: str, literal: str) -> None:
        """The laboratory's addresses are registered for the laboratory, not for the ward."""
        before = house.counts()
        answer = house.post(f"{base(release)}/Observation", about(release, {"reference": literal}))
        assert problem(answer) == (422, "not-found", "Observation.subject.reference")
        assert house.counts() == before

    def test_a_contained_one_that_is_not_there(self, house: House, release: str) -> None:
        answer = house.post(f"{base(release)}/Observation", about(release, {"reference": "#p"}))
        assert 400 <= answer.status_code < 500

    def test_deep_inside(self, house: House, release: str) -> None:
        step = json.loads(json.dumps(a_start()[release]))
        place = next(n for n, one in enumerate(step["input"]) if "valueReference" in one)
        step["input"][place]["valueReference"] = {"reference": "Device/nobody"}
        answer = house.post(f"{base(release)}/Task", step)
        where = f"Task.input[{place}].valueReference.reference"
        assert problem(answer) == (422, "not-found", where)


class TestWaiting:
    """A registered address not yet sent is stored, warned of, and joined when it comes."""

    URL = f"{WARD}Patient/77"

    def test_that_the_record_is_kept_with_a_warning(self, house: House, release: str) -> None:
        answer = house.post(
            f"{base(release)}/Observation",
            about(release, {"reference": self.URL}),
            prefer="return=OperationOutcome",
        )
        assert answer.status_code == 201
        (warned,) = [one for one in issues(answer) if one["severity"] == "warning"]
        assert warned["code"] == "not-found"
        waiting = house.rows("SELECT source, url, type, id FROM url")
        assert waiting == [("ward", self.URL, "Patient", None)]

    def test_that_it_is_joined_when_it_comes(self, house: House, release: str) -> None:
        house.create(release, about(release, {"reference": self.URL}))
        entry = {
            "fullUrl": self.URL,
            "resource": resources.patient(WREN)[release],
            "request": {"method": "POST", "url": "Patient"},
        }
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
        made = read_json(house.post(base(release), bundle))["entry"][0]["resource"]
        assert kinds(house, token(WREN)) == {"patient", "vitals"}
        assert house.rows("SELECT url, id FROM url") == [(self.URL, made["id"])]
        later = vitals(WREN, "09:10")[release] | {"subject": {"reference": self.URL}}
        stored = house.create(release, later)
        assert stored["subject"]["reference"] == f"Patient/{made['id']}"

    def test_that_an_alias_is_its_sources_own(self, house: House, release: str) -> None:
        house.create(release, about(release, {"reference": self.URL}), source="ward")
        answer = house.post(
            f"{base(release)}/Observation",
            about(release, {"reference": self.URL}),
            source="lab",
        )
        assert problem(answer)[0] == 422


class TestUnitsByReference:
    """A step names its unit by issue, unit or our identifier; a later issue binds by the key."""

    def test_an_issue_that_comes_after_the_start(self, house: House, release: str) -> None:
        late = [one for one in ready() if "Dispense" in one["R5"]["resourceType"]]
        early = [one for one in ready() if one not in late]
        tell(house, early, release)
        made = house.create(release, a_start()[release])
        unit = [one for one in ready() if one["R5"]["resourceType"] == "BiologicallyDerivedProduct"]
        tell(house, (*unit, *late), release)
        person = house.person(token(WREN))
        case, _ = house.app.reconciler.look(FACILITY, person)
        (view,) = [one for one in case.units.values() if one.steps]
        assert len(view.issues) == 1
        assert view.steps[0].key == f"Task/{made['id']}"

    def test_a_focus_on_a_stored_issue(self, house: House, release: str) -> None:
        entries = tell(house, ready(), release)
        kind = "Basic" if release == "R4" else "BiologicallyDerivedProductDispense"
        (issue,) = [one["resource"] for one in entries if one["resource"]["resourceType"] == kind]
        step = a_start()[release]
        plain = {k: v for k, v in step.items() if k != "input"}
        plain["focus"] = {"reference": f"{kind}/{issue['id']}", "type": kind}
        house.create(release, plain)
        case, _ = house.app.reconciler.look(FACILITY, house.person(token(WREN)))
        (view,) = [one for one in case.units.values() if one.steps]
        assert view.key is not None
        assert view.issues

    def test_staff_by_role(self, house: House, release: str) -> None:
        """A PractitionerRole stands for its person."""
        person = {
            "resourceType": "Practitioner",
            "identifier": [number("staff", "S-1")],
            "name": [{"text": "R. Sorrel"}],
        }
        who = house.create(release, person)
        role = house.create(
            release,
            {
                "resourceType": "PractitionerRole",
                "identifier": [number("role", "R-1")],
                "practitioner": {"reference": f"Practitioner/{who['id']}"},
            },
        )
        step = a_start()[release]
        owner = {"reference": f"PractitionerRole/{role['id']}", "type": "PractitionerRole"}
        house.create(release, step | {"owner": owner})
        case, _ = house.app.reconciler.look(FACILITY, house.person(token(WREN)))
        owner_seen = case.steps[0].body.owner
        assert owner_seen is not None
        by_number = named("Practitioner", number("staff", "S-1"))
        assert f"{by_number['identifier']['system']}|S-1" in owner_seen.keys
