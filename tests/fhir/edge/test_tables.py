"""The generated tables: what they hold, and that they are what the definitions say."""

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

from service.fhir.edge.primitives import CHECKS
from service.fhir.edge.tables import tables
from tests.support.validators import definitions

EDGE = Path("service/fhir/edge")


def table(name: str) -> Any:
    return json.loads((EDGE / name).read_bytes())


class TestGeneratedTables:
    """R4 4.0.1 (hl7.fhir.r4.core) and R5 5.0.0 StructureDefinitions, both CC0."""

    def test_they_are_what_the_published_definitions_say(self) -> None:
        assert definitions("R4").parent == definitions("R5").parent
        done = subprocess.run([".ci/edge-tables", "--check"], capture_output=True, text=True)
        assert (done.returncode, done.stderr) == (0, "")

    @pytest.mark.parametrize("release", ["r4", "r5"])
    def test_every_binding_names_its_source_and_repeats_no_code(self, release: str) -> None:
        for name, row in table(f"bindings_{release}.json").items():
            assert row["source"], name
            assert len(set(row["codes"])) == len(row["codes"]) > 0, name
            assert "+" not in row["codes"], name

    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_every_element_has_a_form(self, release: str) -> None:
        for name, held in tables(release).types.items():
            for element in held.elements.values():
                forms = (element.check, element.type, element.kind == "Resource")
                assert sum(bool(form) for form in forms) == 1, f"{name}.{element.name}"

    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_every_reference_target_is_a_resource_type(self, release: str) -> None:
        held = tables(release)
        targets = {
            target
            for found in held.types.values()
            for element in found.elements.values()
            for target in element.to or ()
        }
        assert targets <= held.resources

    def test_lists_that_changed_between_the_releases(self) -> None:
        """Observation.status did not; Encounter.status and Consent.status did (R5 history)."""
        r4, r5 = table("bindings_r4.json"), table("bindings_r5.json")

        def differ(name: str) -> bool:
            return set(r4[name]["codes"]) != set(r5[name]["codes"])

        assert not differ("observation-status")
        assert not differ("task-status")
        assert differ("encounter-status")
        assert differ("consent-state-codes")

    def test_every_primitive_has_a_check_that_refuses_the_wrong_json(self) -> None:
        for name, wrong in CHECKS.items():
            assert wrong({}) is not None, name
            assert wrong(None) is not None, name
