"""Tasks that ask somebody to do something (design.md 5)."""

from typing import Any

import pytest

from service.fhir.write import render
from tests.support.desired import a_context, a_request, desired
from tests.support.validators import RELEASES, assert_valid

REQUEST = "https://transfusion-events.example/fhir/CodeSystem/request"


def rendered(release: str, **changed: Any) -> dict[str, Any]:
    return render(desired(a_request(**changed)), release, a_context())


class TestDue:
    """tsk-1: R5 forbids restriction for our codes; R4 has nothing else."""

    def test_r4_says_it_in_the_restriction(self) -> None:
        assert rendered("R4")["restriction"] == {"period": {"end": "2025-06-02T13:00:00Z"}}

    def test_r5_says_it_in_the_requested_period(self) -> None:
        resource = rendered("R5")
        assert resource["requestedPeriod"] == {"end": "2025-06-02T13:00:00Z"}
        assert "restriction" not in resource

    def test_the_rest_is_the_same(self) -> None:
        only = {"restriction", "requestedPeriod", "contained"}
        r4, r5 = rendered("R4"), rendered("R5")
        assert {n: v for n, v in r4.items() if n not in only} == {
            n: v for n, v in r5.items() if n not in only
        }


@pytest.mark.parametrize("release", RELEASES)
class TestWhoAndWhat:
    """Code, group, priority, focus, patient, requester, owner."""

    def test_code_and_priority(self, release: str) -> None:
        resource = rendered(release)
        assert resource["code"]["coding"] == [{"system": REQUEST, "code": "investigate-reaction"}]
        assert (resource["intent"], resource["priority"]) == ("order", "stat")

    def test_tasks_of_one_notice_share_a_group(self, release: str) -> None:
        first, second = rendered(release), rendered(release, code="keep-bag-and-set")
        assert first["groupIdentifier"] == second["groupIdentifier"]
        assert rendered(release, group="n2")["groupIdentifier"] != first["groupIdentifier"]
        assert "groupIdentifier" not in rendered(release, group=None)

    def test_the_blood_bank_by_identifier(self, release: str) -> None:
        owner = rendered(release)["owner"]
        assert owner["type"] == "Organization"
        assert owner["identifier"]["value"] == "harrow-vale-blood-bank"

    def test_the_ward_by_name_at_its_hospital(self, release: str) -> None:
        """Task.owner may be no Location: the hospital owns it, location says where."""
        resource = rendered(release, owner="ward")
        assert resource["owner"]["identifier"]["value"] == "harrow-vale"
        assert resource["owner"]["display"] == "Larch, Harrow Vale Hospital"
        assert resource["location"]["identifier"]["value"] == "larch"

    def test_a_ward_that_is_not_known(self, release: str) -> None:
        owner = rendered(release, owner="ward", location=None)["owner"]
        assert owner["display"] == "Harrow Vale Hospital"

    def test_the_service_asks_where_no_person_does(self, release: str) -> None:
        assert rendered(release, requester=None)["requester"]["type"] == "Device"

    def test_the_unit_is_the_focus_where_nothing_else_is(self, release: str) -> None:
        resource = rendered(release, focus=None)
        assert resource["focus"]["reference"] == "#unit"
        assert resource["focus"]["type"] == "BiologicallyDerivedProduct"
        assert_valid(resource, release)

    def test_beside_another_focus_the_unit_is_an_input(self, release: str) -> None:
        first = rendered(release)["input"][0]
        assert first["type"]["coding"][0]["code"] == "unit"
        assert first["valueReference"]["reference"] == "#unit"

    def test_details_are_inputs_in_order(self, release: str) -> None:
        told = [(i["type"]["text"], i["valueString"]) for i in rendered(release)["input"][1:]]
        assert told == [("Ward", "Larch"), ("More blood needed", "now")]

    def test_no_patient_is_no_patient(self, release: str) -> None:
        assert "for" not in rendered(release, patient=None)

    def test_when_it_last_changed(self, release: str) -> None:
        """delivery-probe 3: polling by ``modified`` finds nothing without it."""
        assert rendered(release)["lastModified"] == "2025-06-02T12:30:00Z"

    def test_why_it_was_cancelled(self, release: str) -> None:
        resource = rendered(release, status="cancelled", status_reason="Order revoked")
        assert resource["status"] == "cancelled"
        reason = resource["statusReason"]
        assert (reason if release == "R4" else reason["concept"]) == {"text": "Order revoked"}
