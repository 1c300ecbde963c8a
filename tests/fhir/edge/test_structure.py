"""Resources against the published definitions of R4 4.0.1 and R5 5.0.0."""

import copy
import json
import random
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import Problem
from service.fhir.edge.models import opinion
from service.fhir.edge.strict_json import dump, parse
from service.fhir.edge.structure import Release, accepted, check, status_of

DATA = Path("tests/data")
OBSERVATION: dict[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"coding": [{"system": "http://loinc.org", "code": "85354-9"}]},
    "subject": {"reference": "Patient/1"},
    "effectiveDateTime": "2026-11-24T08:00:00-05:00",
    "component": [
        {"code": {"text": "systolic"}, "valueQuantity": {"value": Decimal("120"), "unit": "mmHg"}},
        {"code": {"text": "diastolic"}, "valueQuantity": {"value": Decimal("80"), "unit": "mmHg"}},
    ],
}
ISSUE: dict[str, Any] = {
    "resourceType": "BiologicallyDerivedProductDispense",
    "status": "issued",
    "product": {"reference": "BiologicallyDerivedProduct/1"},
    "patient": {"reference": "Patient/1"},
}


def observation(**changes: Any) -> dict[str, Any]:
    return {**copy.deepcopy(OBSERVATION), **changes}


def only(resource: Any, release: Release = "R4") -> Problem:
    (problem,) = check(resource, release)
    return problem


def told(resource: Any, release: Release = "R4") -> tuple[str, str | None]:
    problem = only(resource, release)
    return problem.code, problem.expression


def published(*folders: str) -> list[Any]:
    return [path for folder in folders for path in sorted((DATA / folder).glob("*.json"))]


class TestPublishedResources:
    """Examples published by HL7 and others (tests/data/examples/SOURCES.md)."""

    @pytest.mark.parametrize("path", published("examples/R4", "examples/R4B"), ids=lambda p: p.stem)
    def test_r4_examples_pass(self, path: Path) -> None:
        assert check(parse(path.read_bytes()), "R4") == ()

    @pytest.mark.parametrize("name", ["adverseevent-example", "bdp-example", "bdpdispense-example",
                                      "bdp-example-red-cell-antigen.downcast",
                                      "servicerequest-HCTcollection"])  # fmt: skip
    def test_r5_examples_pass(self, name: str) -> None:
        assert check(parse((DATA / f"examples/R5/{name}.json").read_bytes()), "R5") == ()

    @pytest.mark.parametrize("path", published("examples/R6"), ids=lambda p: p.stem)
    def test_r6_shapes_are_refused(self, path: Path) -> None:
        problems = check(parse(path.read_bytes()), "R5")
        assert status_of(problems) == 400
        assert problems[0].expression == "BiologicallyDerivedProduct.productCategory"

    def test_a_published_example_refers_to_the_wrong_type(self) -> None:
        path = DATA / "examples/R5/procedure-prbcunitssae1example.json"
        problems = check(parse(path.read_bytes()), "R5")
        places = [problem.expression for problem in problems]
        assert places == ["Procedure.subject", "Procedure.encounter"]
        assert status_of(problems) == 422

    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_a_whole_transaction_passes(self, release: Release) -> None:
        body = (DATA / f"contract/inbound-{release.lower()}.json").read_bytes()
        assert check(parse(body), release) == ()

    def test_a_resource_of_the_other_release_is_refused(self) -> None:
        r5 = parse((DATA / "examples/R5/bdp-example.json").read_bytes())
        problems = check(r5, "R4")
        assert status_of(problems) == 400
        assert any("it is one in R5" in problem.text for problem in problems)


class TestRequiredBindings:
    """A required binding admits its codes and no other (R4 and R5, terminologies)."""

    @pytest.mark.parametrize("release", ["R4", "R5"])
    @pytest.mark.parametrize("status", ["bogus", "Final", "finished", "final "])
    def test_an_unknown_status(self, release: Release, status: str) -> None:
        problems = check(observation(status=status), release)
        assert [problem.expression for problem in problems] == ["Observation.status"]
        assert status_of(problems) == (400 if status == "final " else 422)

    @pytest.mark.parametrize("release", ["R4", "R5"])
    @pytest.mark.parametrize(
        "status", ["registered", "amended", "corrected", "cancelled", "entered-in-error", "unknown"]
    )
    def test_statuses_that_the_models_cut_short(self, release: Release, status: str) -> None:
        assert check(observation(status=status), release) == ()

    @pytest.mark.parametrize("release", ["R4", "R5"])
    @pytest.mark.parametrize(
        "status",
        ["draft", "requested", "received", "accepted", "rejected", "ready", "cancelled",
         "in-progress", "on-hold", "failed", "completed", "entered-in-error"],
    )  # fmt: skip
    def test_every_task_status(self, release: Release, status: str) -> None:
        task = {"resourceType": "Task", "status": status, "intent": "order"}
        assert check(task, release) == ()

    @pytest.mark.parametrize(
        ("status", "release", "passes"),
        [
            ("finished", "R4", True),
            ("finished", "R5", False),
            ("discharged", "R4", False),
            ("discharged", "R5", True),
        ],
    )
    def test_the_release_decides(self, status: str, release: Release, passes: bool) -> None:
        kind: dict[str, Any] = {"resourceType": "Encounter", "status": status}
        if release == "R4":
            kind["class"] = {"code": "IMP"}
        assert (check(kind, release) == ()) == passes

    def test_the_issue(self) -> None:
        assert told({**ISSUE, "status": "foo"}, "R5") == (
            "code-invalid",
            "BiologicallyDerivedProductDispense.status",
        )

    def test_codes_are_listed_and_the_sent_one_is_not_echoed(self) -> None:
        text = only({**ISSUE, "status": "Jane"}, "R5").text
        assert "entered-in-error" in text
        assert "Jane" not in text

    def test_codes_inside_elements(self) -> None:
        quantity = {"value": Decimal("1"), "comparator": "=>"}
        held = [{"code": {"text": "x"}, "valueQuantity": quantity}]
        place = "Observation.component[0].valueQuantity.comparator"
        assert told(observation(component=held)) == ("code-invalid", place)


class TestReferences:
    """A reference points at a type that the definition allows (R4 and R5, references)."""

    def test_product_and_patient_swapped(self) -> None:
        swapped = {**ISSUE, "product": ISSUE["patient"], "patient": ISSUE["product"]}
        problems = check(swapped, "R5")
        assert {problem.code for problem in problems} == {"invariant"}
        assert status_of(problems) == 422

    @pytest.mark.parametrize(
        "reference",
        [
            "Practitioner/1",
            "Practitioner/1/_history/2",
            "https://ehr.example/fhir/Practitioner/1",
            "Practitioner?identifier=x|1",
            "#p",
        ],
    )
    def test_wherever_the_type_can_be_told(self, reference: str) -> None:
        held = {"reference": reference}
        contained = [{"resourceType": "Practitioner", "id": "p"}]
        problem = only(observation(subject=held, contained=contained))
        assert (problem.code, problem.expression) == ("invariant", "Observation.subject")

    @pytest.mark.parametrize(
        "held",
        [
            {"reference": "Patient/1"},
            {"reference": "urn:uuid:9a9d6a3e-2a4f-4d57-a3f5-6b1d4f6ce0aa"},
            {"type": "Patient", "identifier": {"system": "urn:x", "value": "1"}},
            {"display": "somebody"},
            {"reference": "https://ehr.example/Patient/1", "type": "Patient"},
        ],
    )
    def test_other_ways_to_refer(self, held: dict[str, Any]) -> None:
        assert check(observation(subject=held), "R4") == ()

    def test_the_declared_type_counts(self) -> None:
        held = {"type": "Practitioner", "identifier": {"system": "urn:x", "value": "1"}}
        assert told(observation(subject=held)) == ("invariant", "Observation.subject")
        held = {"type": "Group", "reference": "Patient/1"}
        assert told(observation(subject=held)) == ("invariant", "Observation.subject")

    def test_a_contained_resource_must_be_there(self) -> None:
        """ref-1."""
        held = {"reference": "#nobody"}
        assert told(observation(subject=held)) == ("invariant", "Observation.subject")

    def test_an_entry_of_the_same_bundle_is_known(self) -> None:
        url = "urn:uuid:9a9d6a3e-2a4f-4d57-a3f5-6b1d4f6ce0aa"
        request = {"method": "POST", "url": "Practitioner"}
        entries = [
            {"fullUrl": url, "resource": {"resourceType": "Practitioner"}, "request": request},
            {"resource": observation(subject={"reference": url}), "request": request},
        ]
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
        assert told(bundle) == ("invariant", "Bundle.entry[1].resource.subject")

    def test_references_inside_codeable_references(self) -> None:
        procedure = {
            "resourceType": "Procedure",
            "status": "completed",
            "subject": {"reference": "Patient/1"},
            "used": [{"reference": {"reference": "Patient/1"}}],
        }
        assert told(procedure, "R5") == ("invariant", "Procedure.used[0].reference")


class TestIdentity:
    """id: 1 to 64 of letters, digits, - and . (R4 and R5, data types)."""

    @pytest.mark.parametrize("identity", ["a" * 65, "", "a_b", "a\n", "a b", "é", "٣", "a/b"])
    def test_refused(self, identity: str) -> None:
        assert told(observation(id=identity)) == ("value", "Observation.id")

    @pytest.mark.parametrize("identity", ["a" * 64, "1", "A-b.9"])
    def test_accepted(self, identity: str) -> None:
        assert check(observation(id=identity), "R4") == ()


class TestNothingEmpty:
    """No null, no empty array, object or string (R4 and R5, JSON representation)."""

    @pytest.mark.parametrize(
        ("changes", "place"),
        [
            ({"category": []}, "Observation.category"),
            ({"method": None}, "Observation.method"),
            ({"method": {}}, "Observation.method"),
            ({"note": [None]}, "Observation.note[0]"),
            ({"note": [{}]}, "Observation.note[0]"),
            ({"status": None}, "Observation.status"),
            ({"_status": None}, "Observation._status"),
            ({"_status": {}}, "Observation._status"),
            ({"_status": [{"id": "x"}]}, "Observation._status"),
            ({"_status": "x"}, "Observation._status"),
            ({"contained": []}, "Observation.contained"),
        ],
    )
    def test_refused(self, changes: dict[str, Any], place: str) -> None:
        problems = check(observation(**changes), "R4")
        assert problems[0].code == "structure"
        assert problems[0].expression == place
        assert status_of(problems) == 400

    @pytest.mark.parametrize("text", ["", " ", "\n\t", "\u00a0"])
    def test_empty_text(self, text: str) -> None:
        assert told(observation(valueString=text)) == ("value", "Observation.valueString")

    def test_a_null_among_given_names_needs_something_beside_it(self) -> None:
        """Null is padding between the two arrays of a repeating primitive, and nothing else."""
        name: dict[str, Any] = {"given": ["Ada", None]}
        patient = {"resourceType": "Patient", "name": [name]}
        assert told(patient) == ("structure", "Patient.name[0].given[1]")
        name["_given"] = [None, {"extension": [{"url": "urn:x", "valueCode": "unknown"}]}]
        assert check(patient, "R4") == ()
        name["given"] = ["Ada"]
        assert check(patient, "R4") == ()
        for beside in ([None, None], [], {"id": "x"}, ["x"]):
            name["_given"] = beside
            assert {p.code for p in check(patient, "R4")} == {"structure"}

    def test_a_contained_resource_of_another_type_is_held_to_it_too(self) -> None:
        held = {"resourceType": "CareTeam", "id": "c", "participant": [{"role": []}]}
        place = "Observation.contained[0].participant[0].role"
        assert told(observation(contained=[held])) == ("structure", place)
        held = {"resourceType": "CareTeam", "id": "c", "name": "x"}
        assert check(observation(contained=[held]), "R4") == ()


class TestJsonTypes:
    """A number is a JSON number, a boolean a JSON boolean: no lax reading."""

    @pytest.mark.parametrize(
        ("changes", "place"),
        [
            ({"valueQuantity": {"value": "37.1"}}, "Observation.valueQuantity.value"),
            ({"valueQuantity": {"value": True}}, "Observation.valueQuantity.value"),
            ({"valueBoolean": "true"}, "Observation.valueBoolean"),
            ({"valueBoolean": 1}, "Observation.valueBoolean"),
            ({"valueInteger": "5"}, "Observation.valueInteger"),
            ({"valueInteger": Decimal("5.0")}, "Observation.valueInteger"),
            ({"valueInteger": True}, "Observation.valueInteger"),
            ({"valueString": 5}, "Observation.valueString"),
            ({"status": ["final"]}, "Observation.status"),
            ({"code": [{"text": "x"}]}, "Observation.code"),
            ({"category": {"text": "x"}}, "Observation.category"),
            ({"component": "x"}, "Observation.component"),
            ({"subject": "Patient/1"}, "Observation.subject"),
            ({"note": ["x"]}, "Observation.note[0]"),
        ],
    )
    def test_refused(self, changes: dict[str, Any], place: str) -> None:
        assert told(observation(**changes)) == ("structure", place)

    @pytest.mark.parametrize("number", [2**31, -(2**31) - 1])
    def test_integers_have_32_bits(self, number: int) -> None:
        assert told(observation(valueInteger=number)) == ("value", "Observation.valueInteger")

    @pytest.mark.parametrize("number", [Decimal("37.10"), 37, Decimal("1E+2"), -1])
    def test_decimals(self, number: Any) -> None:
        assert check(observation(valueQuantity={"value": number}), "R5") == ()

    def test_integer64_is_text_in_r5(self) -> None:
        """R5: integer64 is a JSON string."""
        document = {"resourceType": "Patient", "photo": [{"contentType": "x/y", "size": "10"}]}
        assert check(document, "R5") == ()
        document["photo"] = [{"contentType": "x/y", "size": str(2**63)}]
        assert told(document, "R5") == ("value", "Patient.photo[0].size")
        document["photo"] = [{"contentType": "x/y", "size": 10}]
        assert told(document, "R5") == ("structure", "Patient.photo[0].size")


class TestUnknownElements:
    """What is no element of the type is refused, wherever it stands."""

    @pytest.mark.parametrize(
        ("changes", "place"),
        [
            ({"foo": 1}, "Observation.foo"),
            ({"Status": "final"}, "Observation.Status"),
            ({"fhir_comments": ["x"]}, "Observation.fhir_comments"),
            ({"_code": {"id": "x"}}, "Observation._code"),
            ({"__status": {"id": "x"}}, "Observation.__status"),
            ({"code": {"text": "x", "foo": 1}}, "Observation.code.foo"),
            ({"code": {"text": "x", "resourceType": "Patient"}}, "Observation.code.resourceType"),
            ({"code": {"text": "x", "fhir_comments": "x"}}, "Observation.code.fhir_comments"),
            ({"_status": {"value": "x"}}, "Observation._status.value"),
        ],
    )
    def test_refused(self, changes: dict[str, Any], place: str) -> None:
        assert told(observation(**changes)) == ("structure", place)

    def test_an_element_of_the_other_release_is_named_as_such(self) -> None:
        assert "it is one in R5" in only(observation(triggeredBy=[])).text

    def test_choice_is_made_once(self) -> None:
        two = observation(valueString="x", valueInteger=1)
        assert told(two) == ("structure", "Observation.value[x]")
        beside = observation(valueString="x", _valueInteger={"id": "x"})
        assert told(beside) == ("structure", "Observation.value[x]")
        same = observation(valueString="x", _valueString={"id": "x"})
        assert check(same, "R4") == ()


class TestRequiredElements:
    """1..1 elements are there, or an extension beside them says why not."""

    def test_missing(self) -> None:
        bare = {"resourceType": "Observation"}
        problems = check(bare, "R4")
        places = [(problem.code, problem.expression) for problem in problems]
        assert places == [("required", "Observation.status"), ("required", "Observation.code")]
        assert status_of(problems) == 400

    def test_a_choice(self) -> None:
        given_ = {
            "resourceType": "MedicationAdministration",
            "status": "completed",
            "medicationCodeableConcept": {"text": "x"},
            "subject": {"reference": "Patient/1"},
        }
        assert told(given_) == ("required", "MedicationAdministration.effective[x]")

    def test_the_r5_spelling_of_occurrence(self) -> None:
        """R5 spells it occurence[x] on MedicationAdministration."""
        given_: dict[str, Any] = {
            "resourceType": "MedicationAdministration",
            "status": "completed",
            "medication": {"concept": {"text": "x"}},
            "subject": {"reference": "Patient/1"},
            "occurenceDateTime": "2026-11-24",
        }
        assert check(given_, "R5") == ()

    def test_a_reason_for_absence_stands_for_the_value(self) -> None:
        held = observation()
        del held["status"]
        held["_status"] = {"extension": [{"url": "urn:absent", "valueCode": "unknown"}]}
        assert check(held, "R4") == ()

    def test_nested(self) -> None:
        held = [{"valueString": "x"}]
        place = "Observation.component[0].code"
        assert told(observation(component=held)) == ("required", place)


class TestModifiers:
    """A modifierExtension or implicitRules that is not understood must not be ignored (R4, R5)."""

    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_anywhere(self, release: Release) -> None:
        extension = [{"url": "https://elsewhere.example/not", "valueBoolean": True}]
        held = copy.deepcopy(OBSERVATION["component"])
        held[1]["modifierExtension"] = extension
        cases = [
            (observation(modifierExtension=extension), "Observation.modifierExtension[0]"),
            (observation(component=held), "Observation.component[1].modifierExtension[0]"),
        ]
        for resource, place in cases:
            assert told(resource, release) == ("extension", place)
            assert status_of(check(resource, release)) == 422

    def test_in_a_contained_resource(self) -> None:
        extension = [{"url": "https://elsewhere.example/not", "valueBoolean": True}]
        held = [{"resourceType": "Patient", "id": "p", "modifierExtension": extension}]
        place = "Observation.contained[0].modifierExtension[0]"
        assert told(observation(contained=held)) == ("extension", place)

    def test_what_we_write_ourselves_is_understood_where_it_belongs(self) -> None:
        """R4 carries AdverseEvent.status of R5 as a modifier (cross-version extensions)."""
        url = "http://hl7.org/fhir/5.0/StructureDefinition/extension-AdverseEvent.status"
        extension = [{"url": url, "valueCode": "completed"}]
        event = {
            "resourceType": "AdverseEvent",
            "actuality": "actual",
            "subject": {"reference": "Patient/1"},
            "modifierExtension": extension,
        }
        assert check(event, "R4") == ()
        place = "Observation.modifierExtension[0]"
        assert told(observation(modifierExtension=extension)) == ("extension", place)

    def test_an_ordinary_extension_may_be_ignored(self) -> None:
        extension = [{"url": "https://elsewhere.example/x", "valueBoolean": True}]
        assert check(observation(extension=extension), "R4") == ()

    def test_implicit_rules(self) -> None:
        resource = observation(implicitRules="https://elsewhere.example/rules")
        assert told(resource) == ("not-supported", "Observation.implicitRules")
        assert status_of(check(resource, "R4")) == 422


class TestResourceType:
    """An unknown type, or one of the other release, is an answer and never an exception."""

    @pytest.mark.parametrize(
        ("resource", "code", "place"),
        [
            ({}, "structure", "Resource"),
            ([], "structure", "Resource"),
            (None, "structure", "Resource"),
            ("Observation", "structure", "Resource"),
            ({"resourceType": None}, "structure", "Resource"),
            ({"resourceType": ["Patient"]}, "structure", "Resource"),
            ({"resourceType": "FooType"}, "not-supported", "Resource.resourceType"),
            ({"resourceType": "observation"}, "not-supported", "Resource.resourceType"),
            ({"resourceType": "Quantity"}, "not-supported", "Resource.resourceType"),
            ({"resourceType": "Observation.component"}, "not-supported", "Resource.resourceType"),
            ({"resourceType": "Account"}, "not-supported", "Account.resourceType"),
            (ISSUE, "not-supported", "Resource.resourceType"),
        ],
    )
    def test_alone(self, resource: Any, code: str, place: str) -> None:
        assert told(resource) == (code, place)

    @pytest.mark.parametrize("kind", ["FooType", "BiologicallyDerivedProductDispense", "Account"])
    def test_in_a_bundle(self, kind: str) -> None:
        entry = {"resource": {"resourceType": kind}}
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": [entry]}
        place = "Bundle.entry[0].resource.resourceType"
        assert told(bundle) == ("not-supported", place)

    def test_the_other_release_is_named(self) -> None:
        assert "it is one in R5" in only(ISSUE).text

    def test_what_may_be_sent(self) -> None:
        only_r5 = {"BiologicallyDerivedProductDispense", "DeviceUsage"}
        assert accepted("R5") - accepted("R4") == only_r5
        assert accepted("R4") - accepted("R5") == {"DeviceUseStatement"}
        assert len(accepted("R4")) == 19


class TestTimes:
    """dateTime, date, instant and time as R4 and R5 write them."""

    @pytest.mark.parametrize(
        "text",
        [
            "2026",
            "2026-11",
            "2026-11-24",
            "2024-02-29",
            "2026-11-24T08:00:00Z",
            "2026-11-24T08:00:00.5Z",
            "2026-11-24T08:00:00.123456789Z",
            "2026-11-24T08:00:00-05:00",
            "2026-11-24T08:00:00+14:00",
            "2026-11-24T08:00:00-12:00",
            "2026-11-24T08:00:00-00:00",
            "2026-11-24T23:59:60Z",
            "0001-01-01T00:00:00Z",
        ],
    )
    def test_accepted(self, text: str) -> None:
        assert check(observation(effectiveDateTime=text), "R4") == ()

    @pytest.mark.parametrize(
        "text",
        [
            "26",
            "0000",
            "2026-1",
            "2026-13",
            "2026-00",
            "2026-02-29",
            "2026-04-31",
            "2026-11-24T08:00Z",
            "2026-11-24T08Z",
            "2026-11-24T24:00:00Z",
            "2026-11-24T08:60:00Z",
            "2026-11-24T08:00:61Z",
            "2026-02-30T08:00:00Z",
            "2026-11-24t08:00:00Z",
            "2026-11-24T08:00:00z",
            "2026-11-24 08:00:00Z",
            "2026-11-24T08:00:00+15:00",
            "2026-11-24T08:00:00+14:30",
            "2026-11-24T08:00:00+0500",
            "20261124T080000Z",
            "2026-W48-2",
            "2026-328",
            "2026-11-24T08:00:00.Z",
            "2026-11-24\n",
            "٢٠٢٦-11-24",
            " 2026",
            "now",
            "2026-11-24T08:00:00." + "1" * 10_000 + "Z",
        ],
    )
    def test_refused(self, text: str) -> None:
        problems = check(observation(effectiveDateTime=text), "R4")
        assert [problem.expression for problem in problems] == ["Observation.effectiveDateTime"]
        assert status_of(problems) == 400

    def test_a_missing_offset_is_said_in_plain_words(self) -> None:
        problem = only(observation(effectiveDateTime="2026-11-24T08:00:00"))
        assert "offset from UTC" in problem.text
        assert "2026-11-24T08:00:00-05:00" in problem.text

    @pytest.mark.parametrize("text", ["2026-11-24", "2026-11-24T08:00Z", "2026-11-24T08:00:00"])
    def test_an_instant_is_complete(self, text: str) -> None:
        assert told(observation(issued=text)) == ("value", "Observation.issued")

    @pytest.mark.parametrize("text", ["1968-03-09T00:00:00Z", "1968-3-9", "09.03.1968"])
    def test_a_date_is_no_time(self, text: str) -> None:
        patient = {"resourceType": "Patient", "birthDate": text}
        assert told(patient) == ("value", "Patient.birthDate")

    @pytest.mark.parametrize(("text", "passes"), [("08:00:00", True), ("08:00", False)])
    def test_time_of_day(self, text: str, passes: bool) -> None:
        assert (check(observation(valueTime=text), "R4") == ()) == passes

    @pytest.mark.parametrize(
        ("start", "end", "passes"),
        [
            ("2026-11-24T08:00:00Z", "2026-11-24T09:00:00Z", True),
            ("2026-11-24T08:00:00-05:00", "2026-11-24T12:59:00Z", False),
            ("2026-11-24T08:00:00-05:00", "2026-11-24T13:00:00Z", True),
            ("2026-11-25", "2026-11-24", False),
            ("2026-11-24T08:00:00Z", "2026-11-24", True),
            ("2026-12", "2026-11", True),
        ],
    )
    def test_a_period_does_not_end_before_it_starts(
        self, start: str, end: str, passes: bool
    ) -> None:
        """per-1; times of unequal precision are let be."""
        resource = observation(effectivePeriod={"start": start, "end": end})
        del resource["effectiveDateTime"]
        assert (check(resource, "R4") == ()) == passes


class TestOtherPrimitives:
    """base64Binary, uri, code, positiveInt, uuid and text."""

    @pytest.mark.parametrize(
        ("data", "passes"),
        [("AAAA", True), ("AAA=", True), ("AA AA", True), ("AAAA !", False), ("AAA", False),
         ("é===", False), ("A" * 100_001, False), ("=" * 100_000, False)],
    )  # fmt: skip
    def test_base64(self, data: str, passes: bool) -> None:
        patient = {"resourceType": "Patient", "photo": [{"data": data}]}
        assert (check(patient, "R4") == ()) == passes

    def test_a_string_has_an_end(self) -> None:
        """R4 and R5: a string holds no more than 1 MB."""
        text = "\n" + "x" * 1024 * 1024
        assert told(observation(valueString=text)) == ("value", "Observation.valueString")

    @pytest.mark.parametrize("text", ["a\x00b", "a\x07b", "\x1b[31m"])
    def test_control_characters(self, text: str) -> None:
        assert told(observation(valueString=text)) == ("value", "Observation.valueString")

    def test_text_in_any_language(self) -> None:
        assert check(observation(valueString="Ünïcödé – 中文\n\ttab"), "R4") == ()

    def test_spaces_in_uris_and_codes(self) -> None:
        coding = {"coding": [{"system": "http://a b", "code": " x"}]}
        places = [p.expression for p in check(observation(code=coding), "R4")]
        assert places == ["Observation.code.coding[0].system", "Observation.code.coding[0].code"]

    def test_narrative_is_a_div(self) -> None:
        text = {"status": "generated", "div": "<p>x</p>"}
        assert told(observation(text=text)) == ("value", "Observation.text.div")

    def test_extension_has_value_or_extensions(self) -> None:
        """ext-1."""
        for extension in (
            {"url": "urn:x"},
            {"url": "urn:x", "valueString": "a", "extension": [{"url": "y", "valueCode": "z"}]},
        ):
            place = "Observation.extension[0]"
            assert told(observation(extension=[extension])) == ("invariant", place)

    def test_absent_data_has_no_value(self) -> None:
        """obs-6."""
        resource = observation(valueString="x", dataAbsentReason={"text": "unknown"})
        assert told(resource) == ("invariant", "Observation.dataAbsentReason")


class TestStatus:
    """One HTTP status for what was found: malformed before unacceptable."""

    @pytest.mark.parametrize(
        ("codes", "status"),
        [
            ((), 200),
            (("structure",), 400),
            (("required",), 400),
            (("value",), 400),
            (("code-invalid",), 422),
            (("extension",), 422),
            (("not-supported",), 422),
            (("invariant",), 422),
            (("code-invalid", "required"), 400),
        ],
    )
    def test_by_code(self, codes: tuple[str, ...], status: int) -> None:
        assert status_of(Problem(code=code, text="") for code in codes) == status

    def test_warnings_do_not_refuse(self) -> None:
        assert status_of([Problem(code="structure", text="", severity="warning")]) == 200


class TestEveryProblem:
    """All problems at once, in document order, without what was sent."""

    def test_all_at_once(self) -> None:
        resource = observation(status="bogus", id="a" * 65, foo=1)
        places = [problem.expression for problem in check(resource, "R4")]
        assert places == ["Observation.status", "Observation.id", "Observation.foo"]

    def test_not_without_end(self) -> None:
        resource = observation(note=[{}] * 1000)
        assert 1 < len(check(resource, "R4")) <= 50

    def test_no_value_is_echoed(self) -> None:
        secret = "Zxqv"
        resource = observation(
            status=secret,
            effectiveDateTime=secret,
            subject={"reference": f"Practitioner/{secret}"},
            valueString={"x": secret},
            language=f"{secret} {secret} ",
        )
        problems = check(resource, "R4")
        assert len(problems) == 5
        assert not any(secret in problem.text for problem in problems)

    def test_the_resource_is_left_as_it_was(self) -> None:
        body = (DATA / "contract/inbound-r5.json").read_bytes()
        resource = parse(body)
        before = dump(resource)
        check(resource, "R5")
        assert dump(resource) == before


def samples() -> list[tuple[Release, dict[str, Any]]]:
    found: list[tuple[Release, dict[str, Any]]] = []
    releases: tuple[tuple[Release, str], ...] = (("R4", "R4"), ("R4", "R4B"), ("R5", "R5"))
    for release, folder in releases:
        for path in published(f"examples/{folder}"):
            found.append((release, parse(path.read_bytes())))
    for release in ("R4", "R5"):
        bundle = parse((DATA / f"contract/inbound-{release.lower()}.json").read_bytes())
        found += [(release, entry["resource"]) for entry in bundle["entry"]]
    return [(release, held) for release, held in found if not check(held, release, models=False)]


SAMPLES = samples()
STRANGE: list[Any] = [
    None, [], {}, "", " ", "x", 0, -1, Decimal("1.50"), True, ["x"], [None], {"x": 1}, [{}],
    "2026-02-30", "2026-11-24T08:00:00", "2026-11-24T08:00:00Z", "a b", "\x01", "a" * 70, "AAA",
    {"reference": "Patient/1"}, {"coding": []}, [[]], [{"url": "http://x", "valueString": "a"}],
]  # fmt: skip
NAMES = ["foo", "valueString", "valueBoolean", "extension", "modifierExtension", "id", "_id",
         "resourceType", "contained", "_status"]  # fmt: skip


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    found = []
    for key, held in inner:
        found.append((*path, key))
        if isinstance(held, (dict, list)):
            found += places(held, (*path, key))
    return found


def spoiled(resource: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    """A copy with one thing changed, removed or added somewhere."""
    held = copy.deepcopy(resource)
    path = chance.choice(places(held))
    parent: Any = held
    for step in path[:-1]:
        parent = parent[step]
    key, value = path[-1], parent[path[-1]]
    changes: list[Callable[[], Any]] = [
        lambda: parent.pop(key),
        lambda: parent.__setitem__(key, chance.choice(STRANGE)),
        lambda: parent.__setitem__(key, [value]),
    ]
    if isinstance(value, str):
        changes.append(lambda: parent.__setitem__(key, value[:-1]))
        changes.append(lambda: parent.__setitem__(key, value + chance.choice(" \nxZ")))
    if isinstance(parent, dict):
        changes.append(lambda: parent.__setitem__(chance.choice(NAMES), chance.choice(STRANGE)))
    chance.choice(changes)()
    return held


class TestSecondOpinion:
    """The tables and the models of fhir.resources were written independently of each other."""

    @settings(max_examples=300, deadline=None)
    @given(st.sampled_from(SAMPLES), st.randoms(use_true_random=False))
    def test_what_the_models_refuse_the_tables_refuse(
        self, sample: tuple[Release, dict[str, Any]], chance: random.Random
    ) -> None:
        release, resource = sample
        changed = spoiled(resource, chance)
        if not check(changed, release, models=False):
            assert opinion(changed, release) == ()

    @settings(max_examples=300, deadline=None)
    @given(st.sampled_from(SAMPLES), st.randoms(use_true_random=False))
    def test_any_content_is_answered(
        self, sample: tuple[Release, dict[str, Any]], chance: random.Random
    ) -> None:
        release, resource = sample
        for problem in check(spoiled(spoiled(resource, chance), chance), release):
            assert problem.expression
            assert problem.text.endswith(".")
            assert json.dumps(problem.expression)

    def test_a_model_that_objects_is_heard(self) -> None:
        problems = opinion({"resourceType": "Observation", "status": "final", "foo": 1}, "R5")
        places_ = {(problem.code, problem.expression) for problem in problems}
        assert places_ == {("required", "Observation.code"), ("structure", "Observation.foo")}

    def test_a_model_that_breaks_is_heard(self) -> None:
        """An entry of an unknown type makes the model raise KeyError."""
        entry = {"resource": {"resourceType": "FooType"}}
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": [entry]}
        (problem,) = opinion(bundle, "R4")
        assert problem.code == "structure"
