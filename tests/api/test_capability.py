"""What is declared is what is there, in both directions (FH-53, FH-54, FH-56)."""

import itertools
from typing import Any

import pytest
from fhir.resources.capabilitystatement import CapabilityStatement as R5
from fhir.resources.R4B.capabilitystatement import CapabilityStatement as R4

from service.api.registry import TYPES
from service.app import software_version
from tests.support.apps import House, Json, problem, read_json

ABSENT = {404, 405, 501}
# Every interaction a server may declare for a type, and how it is asked for.
ASKED: dict[str, tuple[str, str]] = {
    "read": ("GET", "{type}/x"),
    "vread": ("GET", "{type}/x/_history/1"),
    "update": ("PUT", "{type}/x"),
    "patch": ("PATCH", "{type}/x"),
    "delete": ("DELETE", "{type}/x"),
    "history-instance": ("GET", "{type}/x/_history"),
    "history-type": ("GET", "{type}/_history"),
    "create": ("POST", "{type}"),
    "search-type": ("GET", "{type}"),
}
KNOWN = frozenset(
    {"Account", "AdverseEvent", "DetectedIssue", "Provenance", "Bundle", "Medication", "AuditEvent"}
)


def base(release: str) -> str:
    return f"/fhir/{release.lower()}"


@pytest.fixture
def declared(house: House, release: str) -> Json:
    return read_json(house.get(f"{base(release)}/metadata", source=None))


def resources(declared: Json) -> dict[str, Json]:
    return {one["type"]: one for one in declared["rest"][0]["resource"]}


def codes(one: Json) -> set[str]:
    return {interaction["code"] for interaction in one["interaction"]}


def ask(house: House, release: str, method: str, path: str, content: Any = None) -> int:
    body = content if content is not None or method in ("GET", "DELETE") else {}
    return house.ask(method, f"{base(release)}/{path}", body).status_code


class TestTheStatement:
    """FH-53: no token needed; a valid resource that says which release and software this is."""

    def test_that_the_models_accept_it(self, declared: Json, release: str) -> None:
        ({"R4": R4, "R5": R5}[release]).model_validate(declared)

    def test_what_it_says_of_itself(self, declared: Json, release: str) -> None:
        assert declared["fhirVersion"] == {"R4": "4.0.1", "R5": "5.0.0"}[release]
        assert declared["kind"] == "instance"
        assert declared["software"]["version"] == software_version()
        assert "not a diagnosis" in declared["rest"][0]["documentation"]


class TestEverythingDeclaredIsThere:
    """FH-54: a call of anything declared is never 404, 405 or 501."""

    def test_interactions_of_every_type(self, house: House, declared: Json, release: str) -> None:
        for name, one in resources(declared).items():
            for code in codes(one) - {"read", "vread", "update"}:
                method, path = ASKED[code]
                status = ask(house, release, method, path.format(type=name))
                assert status not in ABSENT, (name, code)

    def test_read_vread_and_update_of_every_type(
        self, house: House, declared: Json, release: str
    ) -> None:
        """An id that nobody has is 404, so one of each type is made first."""
        made = {name: an_instance(house, name, release) for name in resources(declared)}
        for name, one in resources(declared).items():
            own_id = made[name]["id"]
            for code in codes(one) & {"read", "vread", "update"}:
                method, path = ASKED[code]
                where = path.format(type=name).replace("/x", f"/{own_id}")
                content = made[name] if method == "PUT" else None
                assert ask(house, release, method, where, content) == 200, (name, code)

    def test_every_search_parameter(self, house: House, declared: Json, release: str) -> None:
        values = {"token": "x", "date": "2027", "reference": "Patient/x"}
        for name, one in resources(declared).items():
            for parameter in one["searchParam"]:
                where = f"{base(release)}/{name}?{parameter['name']}={values[parameter['type']]}"
                answer = house.get(where, prefer="handling=strict")
                assert answer.status_code == 200, (name, parameter)
                assert f"{parameter['name']}=" in read_json(answer)["link"][0]["url"]

    def test_every_operation(self, house: House, declared: Json, release: str) -> None:
        for operation in declared["rest"][0]["operation"]:
            status = ask(house, release, "POST", f"${operation['name']}")
            assert status not in ABSENT, operation

    def test_transaction_and_batch(self, house: House, declared: Json, release: str) -> None:
        for one in declared["rest"][0]["interaction"]:
            bundle = {"resourceType": "Bundle", "type": one["code"]}
            assert house.post(base(release), bundle).status_code == 200


class TestNothingElseIsThere:
    """FH-54: a call of anything that is not declared is refused."""

    def test_interactions_of_every_type(self, house: House, declared: Json, release: str) -> None:
        for name, one in resources(declared).items():
            for code in ASKED.keys() - codes(one):
                method, path = ASKED[code]
                assert ask(house, release, method, path.format(type=name)) in ABSENT, (name, code)

    def test_types_of_the_other_release_and_of_none(
        self, house: House, declared: Json, release: str
    ) -> None:
        other = TYPES["R5" if release == "R4" else "R4"]
        for name in (KNOWN | {*other, "Unicorn"}) - resources(declared).keys():
            for method, path in ASKED.values():
                status = ask(house, release, method, path.format(type=name))
                assert status in {*ABSENT, 400}, (name, method, path)
                assert method == "PUT" or status in ABSENT

    def test_search_parameters(self, house: House, declared: Json, release: str) -> None:
        every = {p["name"] for one in resources(declared).values() for p in one["searchParam"]}
        for name, one in resources(declared).items():
            for parameter in every - {p["name"] for p in one["searchParam"]}:
                where = f"{base(release)}/{name}?{parameter}=x"
                answer = house.get(where, prefer="handling=strict")
                assert problem(answer)[:2] == (400, "not-supported"), (name, parameter)

    @pytest.mark.parametrize(
        "path", ["$trace", "$process-message", "$validate", "Patient/$everything", "Patient/x/$x"]
    )
    def test_operations(self, house: House, release: str, path: str) -> None:
        assert ask(house, release, "POST", path) in ABSENT

    def test_other_bundles(self, house: House, release: str) -> None:
        bundle = {"resourceType": "Bundle", "type": "message"}
        assert house.post(base(release), bundle).status_code == 422


class TestWhatATypePromises:
    """FH-56: each flag is true only where it holds; the interactions' tests show that it does."""

    def test_flags(self, declared: Json) -> None:
        for one in resources(declared).values():
            assert one["versioning"] == "versioned"
            assert one["updateCreate"] is False
            assert one["conditionalCreate"] is True
            assert one["conditionalUpdate"] is True
            assert one["conditionalDelete"] == "not-supported"

    def test_that_both_bases_differ_only_where_the_releases_do(self, house: House) -> None:
        told = [
            resources(read_json(house.get(f"/fhir/{release}/metadata"))) for release in ("r4", "r5")
        ]
        only = [sorted(a.keys() - b.keys()) for a, b in itertools.permutations(told)]
        assert only == [
            ["Basic", "DeviceUseStatement"],
            ["BiologicallyDerivedProductDispense", "DeviceUsage"],
        ]


SUBJECT = {"type": "Patient", "identifier": {"system": "s:1", "value": "1"}}
CODE = {"text": "anything"}
R5_CODE = {"concept": CODE}
PERIOD = {"start": "2027-06-08T06:00:00Z"}
DEVICE = {"type": "Device", "identifier": {"system": "s:1", "value": "d"}}
PRODUCT = {"type": "BiologicallyDerivedProduct", "identifier": {"system": "s:1", "value": "u"}}
CROSS = "http://hl7.org/fhir/5.0/StructureDefinition/extension-BiologicallyDerivedProductDispense"
STEPS = "https://transfusion-events.example/fhir/CodeSystem/bedside-step"

# The least that each type may hold; where the releases differ, the release's own beside it.
LEAST: dict[str, Json] = {
    "BiologicallyDerivedProduct": {},
    "BiologicallyDerivedProductDispense": {
        "status": "issued",
        "product": PRODUCT,
        "patient": SUBJECT,
    },
    "Basic": {
        "code": {
            "coding": [
                {
                    "system": "http://hl7.org/fhir/fhir-types",
                    "code": "BiologicallyDerivedProductDispense",
                }
            ]
        },
        "subject": SUBJECT,
        "extension": [
            {"url": f"{CROSS}.status", "valueCode": "issued"},
            {"url": f"{CROSS}.product", "valueReference": PRODUCT},
            {"url": f"{CROSS}.patient", "valueReference": SUBJECT},
        ],
    },
    "Consent": {"status": "active", "category": [CODE]},
    "Device": {},
    "DeviceUsage": {"status": "active", "patient": SUBJECT, "device": {"reference": DEVICE}},
    "DeviceUseStatement": {"status": "active", "subject": SUBJECT, "device": DEVICE},
    "Encounter": {"status": "in-progress", "subject": SUBJECT},
    "Location": {"name": "Larch"},
    "MedicationAdministration": {"status": "completed", "subject": SUBJECT},
    "Observation": {"status": "final", "code": CODE, "subject": SUBJECT},
    "Patient": {},
    "Practitioner": {},
    "PractitionerRole": {},
    "Procedure": {"status": "completed", "subject": SUBJECT},
    "ServiceRequest": {"status": "active", "intent": "order", "subject": SUBJECT},
    "Specimen": {"subject": SUBJECT},
    "Task": {
        "status": "completed",
        "intent": "order",
        "code": {"coding": [{"system": STEPS, "code": "declare-emergency"}]},
        "for": SUBJECT,
        "executionPeriod": PERIOD,
    },
}
OF_RELEASE: dict[tuple[str, str], Json] = {
    ("Consent", "R4"): {
        "scope": CODE,
        "patient": SUBJECT,
        "policyRule": CODE,
        "dateTime": "2027-06-08T06:00:00Z",
    },
    ("Consent", "R5"): {"subject": SUBJECT},
    ("Encounter", "R4"): {
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}
    },
    ("MedicationAdministration", "R4"): {
        "medicationCodeableConcept": CODE,
        "effectiveDateTime": "2027-06-08T06:00:00Z",
    },
    ("MedicationAdministration", "R5"): {
        "medication": R5_CODE,
        "occurenceDateTime": "2027-06-08T06:00:00Z",
    },
}


def an_instance(house: House, name: str, release: str) -> Json:
    """A resource of the type, made just now."""
    number = [{"system": "s:1", "value": f"{name}-1"}]
    least = LEAST[name] | OF_RELEASE.get((name, release), {})
    return house.create(release, {"resourceType": name, "identifier": number, **least})
