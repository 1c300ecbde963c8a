"""The answer on a step, and OperationOutcomes (design.md 4: a bare 201 is not an approval)."""

from copy import deepcopy
from typing import Any

import pytest

from service.errors import Problem
from service.facts.finding import Advice, Finding, Verdict
from service.fhir.write import answer, operation_outcome
from tests.support.desired import HOSPITAL, PATIENT, a_finding
from tests.support.validators import RELEASES, assert_valid

MILD = a_finding(
    rule="PRE-11", reason="no-baseline", verdict=Verdict.CAUTION, text="No baseline.", facts=()
)
MET = a_finding(
    rule="COMP-01", reason="compatible", verdict=Verdict.NO_OBJECTION, text="Groups match.",
    remedy=None,
)  # fmt: skip


def a_step() -> dict[str, Any]:
    number = PATIENT.identifier.value if PATIENT.identifier else ""
    return {
        "resourceType": "Task",
        "id": "5a3e1b7c-2f6d-4c80-9a41-0b7f5d3c2e10",
        "identifier": [{"system": f"{HOSPITAL}/step", "value": "ST-1"}],
        "status": "completed",
        "intent": "order",
        "for": {"identifier": {"system": f"{HOSPITAL}/patient", "value": number}},
        "executionPeriod": {"start": "2025-06-02T10:00:00Z"},
        "output": [{"type": {"text": "Note of the sender"}, "valueString": "kept"}],
    }


def answered(word: str | None, *findings: Finding, release: str = "R4") -> dict[str, Any]:
    return answer(a_step(), word, findings, release)


@pytest.mark.parametrize("release", RELEASES)
class TestTheAnswer:
    """Our own businessStatus and output are on every representation of the step."""

    def test_it_is_valid(self, release: str) -> None:
        assert_valid(answered("refuse", a_finding(), MILD, release=release), release)

    def test_the_word_is_the_business_status(self, release: str) -> None:
        status = answered("refuse", a_finding(), release=release)["businessStatus"]
        assert status["coding"][0]["code"] == "refuse"
        assert status["text"] == "Do not start while these facts stand."

    def test_findings_are_outputs_gravest_first(self, release: str) -> None:
        output = answered("refuse", MET, MILD, a_finding(), release=release)["output"]
        coded = [o["valueCodeableConcept"] for o in output if "valueCodeableConcept" in o]
        assert [c["coding"][0]["code"] for c in coded] == ["ID-05", "PRE-11", "COMP-01"]
        assert "To resolve: call the laboratory." in coded[0]["text"]
        words = [o["type"]["coding"][1]["code"] for o in output if "valueCodeableConcept" in o]
        assert words == ["refuse", "caution", "no-objection"]

    def test_the_caution_goes_with_it(self, release: str) -> None:
        last = answered("no-objection", MET, release=release)["output"][-1]
        assert "Screening support, not a diagnosis." in last["valueString"]

    def test_the_senders_outputs_stay(self, release: str) -> None:
        first = answered("refuse", a_finding(), release=release)["output"][0]
        assert first["valueString"] == "kept"

    def test_answering_twice_doubles_nothing(self, release: str) -> None:
        once = answered("refuse", a_finding(), release=release)
        assert answer(once, "refuse", (a_finding(),), release) == once

    def test_a_changed_answer_replaces_the_former(self, release: str) -> None:
        once = answered("refuse", a_finding(), release=release)
        again = answer(once, "no-objection", (MET,), release)
        assert again == answered("no-objection", MET, release=release)

    def test_the_stored_step_is_left_as_it_is(self, release: str) -> None:
        step = a_step()
        answer(step, "refuse", (a_finding(),), release)
        assert step == a_step()

    def test_a_step_without_an_answer_claims_none(self, release: str) -> None:
        said = answer(a_step() | {"businessStatus": {"text": "fine"}}, None, (), release)
        assert "businessStatus" not in said
        assert said["output"] == a_step()["output"]


class TestWords:
    """A verdict, an advice, an answer to a return; nothing is ever called safe."""

    @pytest.mark.parametrize("word", [*(v.word for v in Verdict), *(a.word for a in Advice)])
    def test_each_has_a_sentence(self, word: str) -> None:
        text = answered(word)["businessStatus"]["text"]
        assert text != word
        assert "safe" not in text.lower()

    def test_an_advice_is_shown(self) -> None:
        finding = a_finding(verdict=None, advice=Advice.STOP)
        output = answered("stop", finding)["output"][1]
        assert output["type"]["text"] == "Finding: stop"

    def test_a_return_is_shown(self) -> None:
        finding = a_finding(verdict=None, returned="discard")
        assert answered("discard", finding)["output"][1]["type"]["text"] == "Finding: discard"

    def test_a_finding_that_only_informs(self) -> None:
        finding = a_finding(verdict=None)
        kind = answered("note", finding)["output"][1]["type"]
        assert [c["code"] for c in kind["coding"]] == ["finding"]

    def test_only_two_releases(self) -> None:
        with pytest.raises(ValueError, match="R4B"):
            answered("note", release="R4B")


class TestOperationOutcome:
    """To the caller: malformed input as errors, findings as what they are."""

    def valid(self, resource: dict[str, Any]) -> dict[str, Any]:
        for release in RELEASES:
            assert_valid(deepcopy(resource), release)
        return resource

    def test_a_problem_names_code_place_and_words(self) -> None:
        problem = Problem(code="required", text="The step names no patient.", expression="Task.for")
        (issue,) = self.valid(operation_outcome([problem]))["issue"]
        assert issue == {
            "severity": "error",
            "code": "required",
            "details": {"text": "The step names no patient."},
            "diagnostics": "The step names no patient.",
            "expression": ["Task.for"],
        }

    def test_a_finding_is_no_error(self) -> None:
        """design.md 4: what a rule refuses is stored and answered 2xx with the findings."""
        (issue,) = self.valid(operation_outcome([a_finding()]))["issue"]
        assert (issue["severity"], issue["code"]) == ("warning", "business-rule")
        assert [c["code"] for c in issue["details"]["coding"]] == ["ID-05", "refuse"]
        assert "To resolve: call the laboratory." in issue["diagnostics"]

    def test_a_rule_that_was_met_only_informs(self) -> None:
        (issue,) = self.valid(operation_outcome([MET]))["issue"]
        assert (issue["severity"], issue["code"]) == ("information", "informational")

    def test_a_finding_that_only_informs(self) -> None:
        (issue,) = self.valid(operation_outcome([a_finding(verdict=None)]))["issue"]
        assert issue["severity"] == "information"

    def test_nothing_to_report_says_so(self) -> None:
        (issue,) = self.valid(operation_outcome([]))["issue"]
        assert issue["details"]["text"] == "Accepted; nothing to report."
