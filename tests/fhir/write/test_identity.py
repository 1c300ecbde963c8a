"""Identity and references of emitted resources (design.md 5, delivery-probe.md 0)."""

from collections.abc import Iterator
from typing import Any
from uuid import UUID, uuid5

import pytest
from hypothesis import given, settings

from service.assessment.desired import Content, Key
from service.fhir.own import EMITTED_SYSTEM
from service.fhir.write import render, resource_id
from tests.support import contents
from tests.support.desired import (
    HOSPITAL,
    KEYS,
    NAMESPACE,
    PATIENT,
    PROCEDURE,
    RECORDED,
    a_context,
    a_nurse,
    a_procedure,
    a_request,
    a_volume,
    an_event,
    desired,
    one_of_each,
)
from tests.support.validators import RELEASES


def references(node: Any, inside: str = "") -> Iterator[dict[str, Any]]:
    """Every Reference in a resource: an object that has a display and an identifier or literal."""
    if isinstance(node, list):
        for item in node:
            yield from references(item, inside)
    elif isinstance(node, dict):
        if "display" in node and ("reference" in node or "identifier" in node):
            yield node
        for name, value in node.items():
            yield from references(value, name)


@pytest.mark.parametrize("release", RELEASES)
@pytest.mark.parametrize("content", one_of_each(), ids=lambda c: type(c).__name__)
class TestThreeKeys:
    """delivery-probe 0.3: id, identifier and tag carry the same lower-case uuid."""

    def test_all_the_same(self, content: Content, release: str) -> None:
        resource = render(desired(content), release, a_context())
        held = resource["identifier"]
        held = held[0] if isinstance(held, list) else held
        key = str(uuid5(NAMESPACE, KEYS[type(content)].text))
        assert resource["id"] == key == key.lower()
        assert held == {"system": EMITTED_SYSTEM, "value": key}
        assert resource["meta"]["tag"] == [{"system": EMITTED_SYSTEM, "code": key}]

    def test_the_r4_event_has_no_other_identifier(self, content: Content, release: str) -> None:
        """R4 AdverseEvent.identifier is 0..1."""
        resource = render(desired(content), release, a_context())
        single = resource["resourceType"] == "AdverseEvent" and release == "R4"
        assert isinstance(resource["identifier"], dict) == single


class TestIds:
    """design.md 5: stable, the same for every partner and release, telling nothing."""

    def test_the_same_in_both_releases_and_for_every_partner(self) -> None:
        knowing = a_context(known={"x|y": "Patient/1"})
        ids = {render(desired(a_volume()), r, c)["id"] for r in RELEASES
               for c in (a_context(), knowing)}  # fmt: skip
        assert len(ids) == 1

    def test_another_installation_gives_other_ids(self) -> None:
        other = a_context(namespace=UUID(int=7))
        assert resource_id(PROCEDURE, other) != resource_id(PROCEDURE, a_context())

    def test_an_id_emitted_before_a_join_is_kept(self) -> None:
        kept = "0f4bb1b1-9a14-5b8e-8a8e-4a8a7be1f0aa"
        context = a_context(ids={PROCEDURE.text: kept})
        assert render(desired(a_procedure()), "R4", context)["id"] == kept
        part = render(desired(a_volume()), "R5", context)["partOf"][0]
        assert part["reference"] == f"Procedure/{kept}"

    def test_nothing_of_the_patient_is_in_a_task_group(self) -> None:
        group = render(desired(a_request(group="0043817/n1")), "R4", a_context())["groupIdentifier"]
        assert "0043817" not in group["value"]

    def test_a_commit_has_a_zone(self) -> None:
        with pytest.raises(ValueError, match="zone"):
            a_context(recorded=RECORDED.replace(tzinfo=None))


class TestReferences:
    """design.md 5: type, identifier and display always; a literal only where it is known."""

    @settings(max_examples=60, deadline=None)
    @given(contents.ANY)
    def test_partners_resources_are_never_guessed(self, content: Content) -> None:
        for release in RELEASES:
            resource = render(desired(content), release, a_context())
            for found in references(resource):
                literal = found.get("reference", "#")
                own = found.get("identifier", {}).get("system") == EMITTED_SYSTEM
                assert literal.startswith("#") or own

    @pytest.mark.parametrize("release", RELEASES)
    @pytest.mark.parametrize("content", one_of_each(), ids=lambda c: type(c).__name__)
    def test_each_has_type_identifier_and_display(self, content: Content, release: str) -> None:
        for found in references(render(desired(content), release, a_context())):
            pointing = any("alternate-reference" in e["url"] for e in found.get("extension", ()))
            assert found["identifier"]
            assert found["display"]
            assert "type" in found or pointing

    def test_a_known_patient_is_literal(self) -> None:
        token = PATIENT.identifier.token if PATIENT.identifier else ""
        context = a_context(known={token: "Patient/4711"})
        subject = render(desired(a_procedure()), "R4", context)["subject"]
        assert subject["reference"] == "Patient/4711"
        assert subject["identifier"]["value"] == "0043817"
        assert subject["display"] == "ASHGROVE, Wren"

    def test_our_own_copy_may_be_what_is_known(self) -> None:
        context = a_context(known={f"Patient/{PATIENT.id}": "Patient/4711"})
        assert (
            render(desired(a_procedure()), "R5", context)["subject"]["reference"] == "Patient/4711"
        )

    def test_a_known_id_of_another_type_is_not_used(self) -> None:
        token = PATIENT.identifier.token if PATIENT.identifier else ""
        context = a_context(known={token: "Encounter/9"})
        assert "reference" not in render(desired(a_procedure()), "R4", context)["subject"]

    def test_known_staff_are_literal(self) -> None:
        context = a_context(known={f"{HOSPITAL}/staff|S-2207": "Practitioner/77"})
        actors = [p["actor"] for p in render(desired(a_procedure()), "R4", context)["performer"]]
        assert actors[0]["reference"] == "Practitioner/77"
        assert "reference" not in actors[1]

    @pytest.mark.parametrize("release", RELEASES)
    def test_our_own_are_literal_by_uuid(self, release: str) -> None:
        event = Key("event", "n1", "reaction")
        context = a_context()
        focus = render(desired(a_request(focus=event)), release, context)["focus"]
        assert focus["reference"] == f"AdverseEvent/{resource_id(event, context)}"

    @pytest.mark.parametrize("release", RELEASES)
    def test_the_id_a_partner_gave_one_of_ours_is_used(self, release: str) -> None:
        token = f"{EMITTED_SYSTEM}|{resource_id(PROCEDURE, a_context())}"
        context = a_context(known={token: "Procedure/555"})
        part = render(desired(a_volume()), release, context)["partOf"][0]
        assert part["reference"] == "Procedure/555"

    def test_staff_without_an_identifier_are_named(self) -> None:
        nurse = a_nurse()
        nameless = type(nurse)(keys=frozenset({"Practitioner/abc"}))
        recorder = render(desired(an_event(recorder=nameless)), "R4", a_context())["recorder"]
        assert recorder["identifier"]["value"] == "abc"
        assert recorder["display"] == "Member of staff abc"
