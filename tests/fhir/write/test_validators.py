"""The validators find what they are there to find (else nothing they pass means anything)."""

from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from service.fhir.write import render
from tests.support import validators
from tests.support.desired import a_context, a_procedure, a_request, an_event, an_issue, desired
from tests.support.validators import RELEASES, DefinitionsMissing, definitions, problems

BUILT = {"Procedure": a_procedure, "Task": a_request, "AdverseEvent": an_event}


def rendered(kind: str, release: str) -> dict[str, Any]:
    return deepcopy(render(desired(BUILT[kind]()), release, a_context()))


@pytest.mark.parametrize("release", RELEASES)
class TestDefectsAreFound:
    """One defect of each class, put into a resource that is otherwise valid."""

    def test_a_code_outside_a_required_binding(self, release: str) -> None:
        resource = rendered("Procedure", release)
        resource["status"] = "done"
        assert problems(resource, release)

    def test_a_missing_required_element(self, release: str) -> None:
        resource = rendered("Procedure", release)
        del resource["subject"]
        assert problems(resource, release)

    def test_an_unknown_element(self, release: str) -> None:
        resource = rendered("Task", release)
        resource["urgency"] = "stat"
        assert problems(resource, release)

    def test_a_reference_to_the_wrong_type(self, release: str) -> None:
        resource = rendered("Procedure", release)
        resource["subject"] = {"reference": "Observation/1", "type": "Observation"}
        assert problems(resource, release)

    def test_a_contained_resource_that_nothing_points_at(self, release: str) -> None:
        """dom-3."""
        resource = rendered("Procedure", release)
        resource.pop("usedReference", None)
        resource.pop("used", None)
        assert problems(resource, release)

    def test_a_period_that_ends_before_it_starts(self, release: str) -> None:
        """per-1, on instants."""
        resource = rendered("Procedure", release)
        name = "performedPeriod" if release == "R4" else "occurrencePeriod"
        resource[name] = {"start": "2025-06-02T12:00:00Z", "end": "2025-06-02T12:30:00+01:00"}
        assert problems(resource, release)

    def test_an_extension_where_none_may_stand(self, release: str) -> None:
        resource = rendered("Task", release)
        resource["extension"] = [{"url": "https://harrow-vale.example/x", "valueString": "x"}]
        assert problems(resource, release)

    def test_empty_lists_and_texts(self, release: str) -> None:
        resource = rendered("Task", release)
        resource["description"] = ""
        assert problems(resource, release)

    def test_narrative_that_is_no_xhtml(self, release: str) -> None:
        resource = rendered("AdverseEvent", release)
        resource["text"]["div"] = "<p>Suspected reaction"
        assert problems(resource, release)

    def test_the_other_release(self, release: str) -> None:
        other = "R5" if release == "R4" else "R4"
        assert problems(rendered("AdverseEvent", release), other)


class TestTheReleasesOwnRules:
    """Invariants and bindings that only one release has."""

    def test_tsk_1_forbids_a_restriction(self) -> None:
        resource = rendered("Task", "R5")
        resource["restriction"] = {"period": resource.pop("requestedPeriod")}
        assert problems(resource, "R5")

    def test_r4_event_outcomes_are_coded(self) -> None:
        resource = rendered("AdverseEvent", "R4")
        resource["outcome"] = {"coding": [{"system": "https://harrow-vale.example", "code": "x"}]}
        assert problems(resource, "R4")

    def test_mitigated_is_no_status_of_r4(self) -> None:
        resource = deepcopy(render(desired(an_issue()), "R4", a_context()))
        resource["status"] = "mitigated"
        assert problems(resource, "R4")


class TestDefinitionsMustBeThere:
    """Validation that cannot run fails; it is never skipped."""

    def test_a_machine_without_them_says_what_to_run(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("FHIR_DEFINITIONS", str(tmp_path))
        with pytest.raises(DefinitionsMissing, match="fetch-definitions"):
            definitions("R4")

    def test_the_table_of_extensions_holds_no_wildcard(self) -> None:
        assert all("*" not in url for url in validators.EXTENSIONS)
