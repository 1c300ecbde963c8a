"""Findings as DetectedIssues (design.md 5, fhir-contract 2.3)."""

from typing import Any

import pytest

from service.facts.finding import Remedy, Verdict
from service.fhir.write import render
from tests.support.desired import (
    CHECKED,
    a_context,
    a_finding,
    a_nurse,
    an_issue,
    desired,
)
from tests.support.validators import RELEASES

ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
RULE = "https://transfusion-events.example/fhir/CodeSystem/rule"


def rendered(release: str, **changed: Any) -> dict[str, Any]:
    return render(desired(an_issue(**changed)), release, a_context())


def codes(resource: dict[str, Any]) -> list[tuple[str, str]]:
    return [(c["system"], c["code"]) for c in resource["code"].get("coding", ())]


@pytest.mark.parametrize("release", RELEASES)
class TestCodes:
    """A v3-ActCode plus the rule's own code; none of the first names a fault of blood."""

    @pytest.mark.parametrize(
        ("rule", "code"),
        [
            ("ID-05", "KEY206"),
            ("ID-36", "TIME"),
            ("ID-20", "BUS"),
            ("COMP-01", "LAB"),
            ("PRE-01", "FULFIL"),
            ("PRE-02", "PATPREF"),
            ("PRE-04", "TIME"),
            ("PRE-06", "BUS"),
            ("TIM-04", "TIME"),
            ("VIT-03", "OBSA"),
            ("RXN-TACO", "REACT"),
            ("ACT-20", "BUS"),
            ("VOL-01", "DOSE"),
            ("REC-19", "VALIDAT"),
        ],
    )
    def test_by_rule(self, rule: str, code: str, release: str) -> None:
        resource = rendered(release, findings=(a_finding(rule=rule),))
        assert codes(resource) == [(ACT_CODE, code), (RULE, rule)]

    def test_missing_data_is_a_validation_issue(self, release: str) -> None:
        finding = a_finding(known=False, missing=("the band's identifier",))
        assert codes(rendered(release, findings=(finding,)))[0] == (ACT_CODE, "VALIDAT")

    def test_cautions_together_name_each_rule_as_evidence(self, release: str) -> None:
        two = (
            a_finding(rule="PRE-11", verdict=Verdict.CAUTION, text="No baseline."),
            a_finding(rule="PRE-14", verdict=Verdict.CAUTION, text="No risk checklist."),
        )
        resource = rendered(release, findings=two, severity="low")
        assert codes(resource) == []
        assert resource["code"]["text"] == "Several findings"
        named = [e["code"][0]["coding"][0]["code"] for e in resource["evidence"]]
        assert named == ["PRE-11", "PRE-14"]

    def test_cautions_of_one_kind_share_its_code(self, release: str) -> None:
        two = (a_finding(rule="TIM-03"), a_finding(rule="TIM-09"))
        assert codes(rendered(release, findings=two)) == [(ACT_CODE, "TIME")]

    def test_an_issue_whose_findings_are_gone(self, release: str) -> None:
        resource = rendered(release, findings=(), status="entered-in-error")
        assert resource["code"] == {"text": "Finding"}
        assert "evidence" not in resource


@pytest.mark.parametrize("release", RELEASES)
class TestEveryDecisionExplainsItself:
    """design.md 3 rule 12: the facts, the policy row and the published source."""

    def test_the_text_holds_remedy_sources_and_caution(self, release: str) -> None:
        told = rendered(release)["detail"]
        assert "The compatibility label and the band name different patients." in told
        assert "Band: 0043817; label: 0099102." in told
        assert "To resolve: call the laboratory." in told
        assert "ID-05 = refuse, since 1 January 2020, [S14]" in told
        assert "the laboratory's label and crossmatch govern" in told

    @pytest.mark.parametrize("remedy", Remedy)
    def test_every_remedy_has_words(self, remedy: Remedy, release: str) -> None:
        told = rendered(release, findings=(a_finding(remedy=remedy),))["detail"]
        assert "To resolve: " in told

    def test_what_is_missing_is_named(self, release: str) -> None:
        finding = a_finding(known=False, missing=("sample expiry", "collection time"))
        told = rendered(release, findings=(finding,))["detail"]
        assert "Not known: sample expiry, collection time." in told

    def test_the_facts_are_evidence_each_once(self, release: str) -> None:
        finding = a_finding(facts=("Task/1#1", "Task/1#2", "Observation/9"))
        (evidence,) = rendered(release, findings=(finding,))["evidence"]
        named = [(e["type"], e["identifier"]["value"]) for e in evidence["detail"]]
        assert named == [("Observation", "9"), ("Task", "1")]

    def test_a_fact_the_partner_holds_is_literal(self, release: str) -> None:
        context = a_context(known={"Observation/7c1d": "Observation/88"})
        (evidence,) = render(desired(an_issue()), release, context)["evidence"]
        assert "Observation/88" in [e.get("reference") for e in evidence["detail"]]

    def test_it_implicates_unit_record_and_step(self, release: str) -> None:
        types = [found["type"] for found in rendered(release)["implicated"]]
        assert types == ["BiologicallyDerivedProduct", "Procedure", "Task"]

    def test_the_gravest_comes_first(self, release: str) -> None:
        mild = a_finding(rule="PRE-11", verdict=Verdict.CAUTION, text="No baseline.")
        resource = rendered(release, findings=(mild, a_finding()))
        assert [e["code"][0]["coding"][0]["code"] for e in resource["evidence"]] == [
            "ID-05",
            "PRE-11",
        ]


class TestMitigation:
    """Mitigated only where somebody acted; R4 has no such status."""

    @pytest.mark.parametrize(("release", "status"), [("R4", "final"), ("R5", "mitigated")])
    def test_an_act_closes_it(self, release: str, status: str) -> None:
        resource = rendered(
            release,
            status="mitigated",
            mitigation=("Authorised: life-threatening bleeding",),
            mitigated_by=a_nurse("S-0090", "Dr Hazel Fenn"),
            mitigated_at=CHECKED,
        )
        assert resource["status"] == status
        (act,) = resource["mitigation"]
        assert act["action"]["text"] == "Authorised: life-threatening bleeding"
        assert act["author"]["identifier"]["value"] == "S-0090"
        assert act["date"] == "2025-06-02T10:04:00Z"

    @pytest.mark.parametrize("release", RELEASES)
    def test_none_is_made_up(self, release: str) -> None:
        assert "mitigation" not in rendered(release)

    @pytest.mark.parametrize("release", RELEASES)
    def test_a_finding_nobody_reported_is_the_services_own(self, release: str) -> None:
        author = rendered(release, author=None)["author"]
        assert (author["type"], author["display"]) == ("Device", "Transfusion event service")

    def test_the_patient_is_named_as_each_release_calls_it(self) -> None:
        assert rendered("R4")["patient"] == rendered("R5")["subject"]
