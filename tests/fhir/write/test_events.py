"""Adverse events: suspected reactions, near misses, withdrawals (design.md 5, contract 2.2)."""

from typing import Any

import pytest

from service.assessment.desired import Key
from service.fhir.write import render, resource_id
from tests.support.desired import (
    ENDED,
    a_candidate,
    a_context,
    a_suspect,
    a_unit,
    an_event,
    desired,
)
from tests.support.validators import RELEASES, assert_valid

STATUS = "http://hl7.org/fhir/5.0/StructureDefinition/extension-AdverseEvent.status"


def rendered(release: str, **changed: Any) -> dict[str, Any]:
    return render(desired(an_event(**changed)), release, a_context())


def what(resource: dict[str, Any]) -> dict[str, Any]:
    return resource.get("event") or resource["code"]


def support(resource: dict[str, Any]) -> list[Any]:
    """Supporting information of either release, as its values."""
    if "supportingInfo" in resource:
        return [next(iter(item.values())) for item in resource["supportingInfo"]]
    items = (e["extension"][0] for e in resource.get("extension", ()))
    return [next(v for n, v in item.items() if n != "url") for item in items]


@pytest.mark.parametrize("release", RELEASES)
class TestASuspectedReaction:
    """Coded only as suspected blood transfusion reaction, with text (design.md 5)."""

    def test_the_code_is_the_parent_and_the_text_says_suspected(self, release: str) -> None:
        code = what(rendered(release))
        assert [c["code"] for c in code["coding"]] == ["82545002"]
        assert code["text"] == "Suspected blood transfusion reaction"

    def test_a_type_comes_from_a_person_only(self, release: str) -> None:
        """v2-0514 only from a person; anything else is no code."""
        coded = what(rendered(release, reaction_code="ALLERGIC1"))
        assert [c["code"] for c in coded["coding"]] == ["82545002", "ALLERGIC1"]
        assert len(what(rendered(release, reaction_code="allergic, I think"))["coding"]) == 1

    def test_a_wrong_unit_is_not_coded_as_a_reaction(self, release: str) -> None:
        """rules.md RXN-WBIT: an incident, not a reaction."""
        code = what(rendered(release, incident=True, title="Unit started for another patient"))
        assert code == {"text": "Unit started for another patient"}

    def test_neither_seriousness_nor_severity_nor_cause_is_graded(self, release: str) -> None:
        """rules.md 10: grade, severity and imputability belong to the physician."""
        resource = rendered(release)
        assert not {"seriousness", "severity"} & resource.keys()
        assert all("causality" not in suspect for suspect in resource["suspectEntity"])

    def test_its_suspects_are_the_units_records(self, release: str) -> None:
        (suspect,) = rendered(release)["suspectEntity"]
        target = suspect.get("instance") or suspect["instanceReference"]
        key = resource_id(Key("procedure", a_unit().key.text), a_context())
        assert target["reference"] == f"Procedure/{key}"
        assert "contained" not in rendered(release)

    def test_onset_and_detection(self, release: str) -> None:
        resource = rendered(release)
        began = resource.get("date") or resource["occurrenceDateTime"]
        assert (began, resource["detected"]) == ("2025-06-02T11:10:00Z", "2025-06-02T11:14:00Z")

    def test_the_service_stands_beside_the_person_who_recorded_it(self, release: str) -> None:
        resource = rendered(release)
        assert resource["recorder"]["identifier"]["value"] == "S-2207"
        others = resource.get("contributor") or [p["actor"] for p in resource["participant"]]
        assert [other["type"] for other in others] == ["Device"]


class TestScreening:
    """Candidates in supporting information; the same in both releases."""

    def test_both_releases_carry_the_same(self) -> None:
        assert support(rendered("R4")) == support(rendered("R5"))
        assert rendered("R4")["text"] == rendered("R5")["text"]
        assert what(rendered("R4")) == what(rendered("R5"))

    @pytest.mark.parametrize("release", RELEASES)
    def test_a_candidate_is_never_a_diagnosis(self, release: str) -> None:
        first = support(rendered(release))[0]
        assert first["coding"][0]["code"] == "FNHTR"
        assert first["text"].startswith(
            "Candidate for screening: febrile non-haemolytic transfusion reaction (FNHTR), possible"
        )
        assert "not met: rigors" in first["text"]
        assert "not known: cultures" in first["text"]
        assert first["text"].endswith("Not a diagnosis.")

    @pytest.mark.parametrize("release", RELEASES)
    def test_what_is_not_excluded_is_told_apart(self, release: str) -> None:
        texts = [s["text"] for s in support(rendered(release)) if "text" in s]
        assert "Not excluded: acute haemolytic transfusion reaction (AHTR)." in texts

    @pytest.mark.parametrize("release", RELEASES)
    def test_observations_sent_beside_it_are_referred_to(self, release: str) -> None:
        key = Key("observation", "n1", "baseline")
        literal = f"Observation/{resource_id(key, a_context())}"
        assert literal in [s.get("reference") for s in support(rendered(release))]

    def test_nothing_becomes_history(self) -> None:
        """A screen in subjectMedicalHistory would be read as the patient's history."""
        assert "subjectMedicalHistory" not in rendered("R4")


class TestStates:
    """R4 has no status; only entered-in-error is worth a modifier extension."""

    @pytest.mark.parametrize("status", ["in-progress", "completed", "entered-in-error"])
    def test_r5_has_the_status(self, status: str) -> None:
        assert rendered("R5", status=status)["status"] == status

    @pytest.mark.parametrize("status", ["in-progress", "completed"])
    def test_r4_receivers_are_not_made_to_reject(self, status: str) -> None:
        """fhir-contract 7.6: an R4 receiver must reject a modifier it does not know."""
        resource = rendered("R4", status=status)
        assert "modifierExtension" not in resource
        assert f"State</th><td>{status.replace('-', ' ')}" in resource["text"]["div"]

    def test_r4_entered_in_error_must_not_be_misread(self) -> None:
        resource = rendered("R4", status="entered-in-error")
        assert resource["modifierExtension"] == [{"url": STATUS, "valueCode": "entered-in-error"}]
        assert "Entered in error" in resource["text"]["div"]
        assert_valid(resource, "R4")

    @pytest.mark.parametrize("release", RELEASES)
    def test_an_outcome_without_a_code_is_told_in_words(self, release: str) -> None:
        resource = rendered(release, outcome="Dismissed by the ward: cold blanket")
        assert "outcome" not in resource
        assert "Dismissed by the ward: cold blanket" in resource["text"]["div"]

    @pytest.mark.parametrize("release", RELEASES)
    def test_a_coded_outcome_is_coded(self, release: str) -> None:
        outcome = rendered(release, outcome="resolved")["outcome"]
        coded = outcome if release == "R4" else outcome[0]
        assert coded["coding"][0]["code"] == "resolved"

    @pytest.mark.parametrize("release", RELEASES)
    def test_a_correction_names_what_it_replaces(self, release: str) -> None:
        """Create-only partners get a new resource naming the old one."""
        old = Key("event", "n0", "reaction")
        told = rendered(release, replaces=old)["text"]["div"]
        assert f"Replaces notice {resource_id(old, a_context())}." in told


@pytest.mark.parametrize("release", RELEASES)
class TestANearMiss:
    """rules.md REC-19: potential; the unit was never started, so it has no record."""

    def near_miss(self, release: str) -> dict[str, Any]:
        return rendered(
            release,
            actuality="potential",
            status="completed",
            title="Wrong patient shown at the bedside check",
            suspects=(a_suspect(start=None, end=None), a_suspect(start=None, end=None)),
            candidates=(),
        )

    def test_it_is_no_reaction(self, release: str) -> None:
        resource = self.near_miss(release)
        assert resource["actuality"] == "potential"
        assert what(resource) == {"text": "Wrong patient shown at the bedside check"}

    def test_it_points_at_the_units_themselves(self, release: str) -> None:
        resource = self.near_miss(release)
        assert [unit["id"] for unit in resource["contained"]] == ["unit-1", "unit-2"]
        targets = []
        for suspect in resource["suspectEntity"]:
            held = suspect.get("instance") or suspect["instanceReference"]
            for extension in held.get("extension", ()):
                held = extension["valueReference"]
            targets.append(held["reference"])
        assert targets == ["#unit-1", "#unit-2"]
        assert_valid(resource, release)


@pytest.mark.parametrize("release", RELEASES)
class TestTheNarrativeIsComplete:
    """design.md 5: it carries what a laboratory needs to start."""

    def test_the_content_list_in_order(self, release: str) -> None:
        told = rendered(release)["text"]["div"]
        places = [told.index(text) for text in ("ASHGROVE", "A9999 25 123456", "Call back", "4417")]
        assert places == sorted(places)

    def test_units_with_group_number_product_start_and_stop(self, release: str) -> None:
        told = rendered(release)["text"]["div"]
        for text in ("A RhD positive", "E0398", "2 June 2025 11:05", "2 June 2025 13:00"):
            assert text in told

    def test_stop_grade_says_telephone_now(self, release: str) -> None:
        assert "Telephone the laboratory now." in rendered(release)["text"]["div"]
        quiet = rendered(release, telephone_now=False)["text"]["div"]
        assert "Telephone the laboratory now." not in quiet

    def test_another_patient_at_risk_is_said(self, release: str) -> None:
        told = rendered(release, another_patient=True)["text"]["div"]
        assert "Another patient may be at risk." in told
        assert "Another patient" not in rendered(release)["text"]["div"]

    def test_a_running_unit_has_no_end(self, release: str) -> None:
        told = rendered(release, suspects=(a_suspect(end=None),), detected=ENDED)["text"]["div"]
        assert "no end recorded" in told

    def test_candidates_are_listed(self, release: str) -> None:
        told = rendered(release, candidates=(a_candidate(category="TACO"),))["text"]["div"]
        assert "transfusion-associated circulatory overload" in told
