"""Procedure from senders without Task: status and period become start, interrupt and end."""

from decimal import Decimal
from typing import Any

import pytest

from service.facts.steps import Step, StepCode
from service.facts.unit import UNIT_SYSTEM, UnitKey, UnitRef
from tests.support.reading import (
    CROSS,
    SNOMED,
    Json,
    body,
    concept,
    extension,
    patient_ref,
    quantity,
    read_one,
)

BAG = {"reference": "BiologicallyDerivedProduct/u1", "type": "BiologicallyDerivedProduct"}
PUMP = {"reference": "Device/p", "type": "Device"}
PERIOD = {"start": "2025-06-02T10:05:00Z", "end": "2025-06-02T12:00:00Z"}


def in_r5(status: str = "completed", **more: Any) -> Json:
    held = {
        "resourceType": "Procedure",
        "status": status,
        "code": concept(SNOMED, "116863004"),
        "subject": patient_ref(),
        "occurrencePeriod": PERIOD,
        "used": [{"reference": PUMP}, {"reference": BAG}],
    }
    return {name: value for name, value in (held | more).items() if value is not None}


def in_r4(used: Any, status: str = "completed", **more: Any) -> Json:
    held = in_r5(status, occurrencePeriod=None, used=None)
    return held | {"performedPeriod": PERIOD, "usedReference": [PUMP, *used]} | more


def steps(resource: Json, release: str = "R5") -> list[Step]:
    reading = read_one(resource, release)
    assert reading.problems == ()
    return [found for found in reading.bodies if isinstance(found, Step)]


class TestStates:
    """One state of the Procedure, the steps it stands for."""

    @pytest.mark.parametrize(
        ("status", "codes"),
        [
            ("preparation", []),
            ("in-progress", [StepCode.START]),
            ("completed", [StepCode.START, StepCode.END]),
            ("stopped", [StepCode.START, StepCode.END]),
            ("on-hold", [StepCode.START, StepCode.INTERRUPT]),
            ("not-done", []),
        ],
    )
    def test_each(self, status: str, codes: list[StepCode]) -> None:
        assert [step.code for step in steps(in_r5(status))] == codes

    def test_times(self) -> None:
        start, end = steps(in_r5())
        assert start.start.text == PERIOD["start"]
        assert end.start.text == PERIOD["end"]

    def test_a_point_in_time_is_the_start_and_the_end_is_assumed(self) -> None:
        reading = read_one(in_r5(occurrencePeriod=None, occurrenceDateTime="2025-06-02T10:05:00Z"))
        start, end = reading.bodies
        assert isinstance(start, Step)
        assert isinstance(end, Step)
        assert end.start == start.start
        assert any("stands in" in warning.text for warning in reading.warnings)

    def test_without_a_start_it_states_nothing(self) -> None:
        reading = read_one(in_r5(occurrencePeriod=None))
        assert reading.bodies == ()
        assert reading.warnings

    def test_on_hold_is_timed_by_the_sender(self) -> None:
        resource = in_r5(
            "on-hold",
            occurrencePeriod={"start": PERIOD["start"]},
            meta={"lastUpdated": "2025-06-02T11:00:00.000Z"},
        )
        _, held = steps(resource)
        assert held.start.instant is not None
        assert held.start.instant.hour == 11

    def test_stopped_always_has_a_reason(self) -> None:
        assert steps(in_r5("stopped"))[1].reason
        assert steps(in_r5("stopped", statusReason={"text": "Rash"}))[1].reason == "Rash"
        assert steps(in_r5("completed"))[1].reason is None

    def test_entered_in_error_retracts(self) -> None:
        assert read_one(in_r5("entered-in-error")).retracted

    def test_a_procedure_of_another_kind_states_nothing(self) -> None:
        reading = read_one(in_r5(code=concept("http://www.ama-assn.org/go/cpt", "36430")))
        assert reading.bodies == ()
        assert reading.unmapped[0].code == "36430"


class TestTheUnit:
    """R5 names it in used; R4 in three published ways; devices lie beside it."""

    def test_every_form_names_the_same_unit(self) -> None:
        expected = steps(in_r5())
        assert expected[0].unit == UnitRef(resource="BiologicallyDerivedProduct/u1")
        by_alternate = {"extension": [extension("alternate-reference", valueReference=BAG)]}
        by_guide = {"extension": [extension("icsr-used-product", valueReference=BAG)]}
        for used in (by_alternate, by_guide, BAG):
            assert steps(in_r4([used]), "R4") == expected

    @pytest.mark.parametrize("nested", [True, False])
    def test_by_cross_version_extension(self, nested: bool) -> None:
        url = f"{CROSS}Procedure.used"
        said: Json = {"url": url, "valueReference": BAG}
        if nested:
            said = {"url": url, "extension": [{"url": "reference", "valueReference": BAG}]}
        assert steps(in_r4([], extension=[said]), "R4") == steps(in_r5())

    def test_by_our_logical_identifier(self) -> None:
        named = {"system": UNIT_SYSTEM, "value": "A999926004711/E0398/000000"}
        used = [{"reference": {"type": "BiologicallyDerivedProduct", "identifier": named}}]
        assert steps(in_r5(used=used))[0].unit.key == UnitKey("A999926004711", "E0398")


class TestWhoAndHowMuch:
    """Two performers, the order, the amount."""

    def test_performers(self) -> None:
        kind = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
        performers = [
            {"function": concept(kind, code), "actor": {"reference": f"Practitioner/{number}"}}
            for number, code in enumerate(("VRF", "PPRF"))
        ]
        start, end = steps(in_r5(performer=performers))
        assert start.owner is not None
        assert start.owner.keys == {"Practitioner/1"}
        assert start.second_checker is not None
        assert start.second_checker.keys == {"Practitioner/0"}
        assert end.second_checker is None

    def test_an_amount_in_millilitres(self) -> None:
        amount = extension("icsr-used-amount", valueQuantity=quantity("250", "mL"))
        assert steps(in_r5(extension=[amount]))[1].volume_given == Decimal(250)

    def test_a_count_of_units_is_no_volume(self) -> None:
        amount = extension("icsr-used-amount", valueQuantity=quantity("1", "{unit}"))
        assert steps(in_r5(extension=[amount]))[1].volume_given is None

    def test_a_refusal_points_at_the_senders_own_element(self) -> None:
        broken = in_r4([BAG]) | {"performedPeriod": {"start": "2025-06-02T10:05:00"}}
        problem = read_one(broken, "R4").problems[0]
        assert problem.expression == "Procedure.performedPeriod.start"


class TestTreatmentBeside:
    """Premedication and devices, in both releases."""

    def test_premedication(self) -> None:
        shared = {
            "resourceType": "MedicationAdministration",
            "status": "completed",
            "subject": patient_ref(),
        }
        medicine = concept("rx", "1", "Chlorphenamine")
        when = "2025-06-02T09:30:00Z"
        r4 = shared | {"medicationCodeableConcept": medicine, "effectiveDateTime": when}
        r5 = shared | {"medication": {"concept": medicine}, "occurenceDateTime": when}
        assert body(r4, "R4") == body(r5)
        assert body(r5).text == "Chlorphenamine"
        assert body(r5 | {"status": "not-done"}).given is False

    def test_a_contained_medication_is_named(self) -> None:
        held = {"resourceType": "Medication", "id": "m", "code": {"text": "Hydrocortisone"}}
        given = {
            "resourceType": "MedicationAdministration",
            "status": "completed",
            "subject": patient_ref(),
            "contained": [held],
            "medication": {"reference": {"reference": "#m"}},
        }
        assert body(given).text == "Hydrocortisone"

    def test_a_device(self) -> None:
        said = [
            extension("filter-pore", valueQuantity=quantity("200", "um")),
            extension("set-unit-limit", valueInteger=2),
            extension("device-approved", valueBoolean=True),
            extension("warmer-temperature", valueQuantity=quantity("40", "Cel")),
        ]
        kind = concept("https://transfusion-events.example/fhir/CodeSystem/device", "set")
        shared = {"resourceType": "Device", "lotNumber": "L7", "extension": said}
        r4, r5 = body(shared | {"type": kind}, "R4"), body(shared | {"type": [kind]})
        assert r4 == r5
        assert (r5.device, r5.lot, r5.filter_um, r5.unit_limit, r5.approved) == (
            "set",
            "L7",
            Decimal(200),
            2,
            True,
        )
        assert r5.set_temperature == Decimal(40)

    def test_a_use_over_a_time(self) -> None:
        period = {"start": "2025-06-02T10:00:00Z"}
        r4 = {
            "resourceType": "DeviceUseStatement",
            "status": "active",
            "subject": patient_ref(),
            "device": PUMP,
            "timingPeriod": period,
        }
        r5 = {
            "resourceType": "DeviceUsage",
            "status": "active",
            "patient": patient_ref(),
            "device": {"reference": PUMP},
            "timingPeriod": period,
        }
        assert body(r4, "R4") == body(r5)
        assert body(r5).device.local == "Device/p"
