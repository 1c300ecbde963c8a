"""Readings and signs sent beside a notice."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from service.facts.moment import at
from service.facts.quantity import UNIT_OF, Vital
from service.fhir.write import render
from tests.support.desired import a_context, a_reading, an_observed, desired
from tests.support.validators import RELEASES, assert_valid

CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"


def rendered(**changed: Any) -> dict[str, Any]:
    resource = render(desired(an_observed(**changed)), "R4", a_context())
    for release in RELEASES:
        other = render(desired(an_observed(**changed)), release, a_context())
        assert other == resource  # one shape in both releases
        assert_valid(other, release)
    return resource


def categories(resource: dict[str, Any]) -> list[str]:
    return [c["coding"][0]["code"] for c in resource["category"]]


class TestVitalSigns:
    """LOINC codes and UCUM units (fhir-contract 3.1 and 3.2)."""

    @pytest.mark.parametrize(
        ("vital", "code"),
        [
            (Vital.TEMPERATURE, "8310-5"),
            (Vital.HEART_RATE, "8867-4"),
            (Vital.RESPIRATORY_RATE, "9279-1"),
            (Vital.SATURATION, "2708-6"),
            (Vital.WEIGHT, "29463-7"),
        ],
    )
    def test_one_reading_is_one_value(self, vital: Vital, code: str) -> None:
        resource = rendered(readings=(a_reading(vital, "40"),), label="")
        assert resource["code"]["coding"][0] == resource["code"]["coding"][0] | {
            "system": "http://loinc.org",
            "code": code,
        }
        assert resource["valueQuantity"]["code"] == UNIT_OF[vital]
        assert resource["valueQuantity"]["value"] == Decimal("40")
        assert categories(resource) == ["vital-signs"]

    def test_pressure_is_a_panel_of_two(self) -> None:
        """The R4 pressure profile wants both slices; one that was not read says so."""
        resource = rendered(readings=(a_reading(Vital.SYSTOLIC, "84"),))
        assert resource["code"]["coding"][0]["code"] == "85354-9"
        systolic, diastolic = resource["component"]
        assert systolic["valueQuantity"]["value"] == Decimal("84")
        assert diastolic["code"]["coding"][0]["code"] == "8462-4"
        assert diastolic["dataAbsentReason"]["coding"][0]["code"] == "unknown"

    def test_several_readings_are_a_set_of_our_own(self) -> None:
        """The panel code 85353-1 wants members (R4 vitalspanel); these are components."""
        resource = rendered()
        assert resource["code"]["coding"][0]["code"] == "observation-set"
        assert resource["code"]["text"] == "Observation set, worst since the start"
        assert len(resource["component"]) == 2

    def test_what_was_sent_in_fahrenheit_is_noted(self) -> None:
        reading = a_reading(value="38.33", sent_value=Decimal("101.0"), sent_unit="[degF]")
        (note,) = rendered(readings=(reading,))["note"]
        assert note["text"] == "Body temperature: sent as 101.0 [degF]."

    def test_readings_at_different_times_keep_them(self) -> None:
        late = at(datetime(2025, 6, 2, 10, 40, tzinfo=UTC))
        resource = rendered(readings=(a_reading(Vital.HEART_RATE, "118", at=late), a_reading()))
        assert resource["effectivePeriod"] == {
            "start": "2025-06-02T11:05:00+01:00",
            "end": "2025-06-02T10:40:00Z",
        }
        assert [note["text"] for note in resource["note"]] == [
            "Heart rate: at 2 June 2025 11:40 UTC+01:00.",
            "Body temperature: at 2 June 2025 11:05 UTC+01:00.",
        ]

    def test_devices_and_room_air_are_noted(self) -> None:
        reading = a_reading(Vital.SATURATION, "88", device=True, room_air=True)
        (note,) = rendered(readings=(reading,))["note"]
        assert note["text"].endswith("from a device, on room air.")


class TestSigns:
    """Standard code where the free set has one, own word always, text for the rest."""

    def test_a_sign_alone(self) -> None:
        resource = rendered(readings=(), signs=("chills",))
        assert resource["valueBoolean"] is True
        assert [c["code"] for c in resource["code"]["coding"]] == ["chills"]
        assert categories(resource) == ["exam"]

    def test_with_its_standard_code(self) -> None:
        """SNOMED CT Global Patient Set: 43724002 Chill."""
        chill = ("http://snomed.info/sct", "43724002", "Chill")
        context = a_context(sign_codes={"chills": chill})
        code = render(desired(an_observed(readings=(), signs=("chills",))), "R5", context)["code"]
        assert [c["code"] for c in code["coding"]] == ["43724002", "chills"]

    def test_an_unmapped_sign_is_text(self) -> None:
        assert rendered(readings=(), signs=("Felt odd",))["code"] == {"text": "Felt odd"}

    def test_signs_beside_readings(self) -> None:
        resource = rendered(signs=("rigors",))
        assert resource["component"][-1] == {
            "code": {
                "coding": [
                    {
                        "system": "https://transfusion-events.example/fhir/CodeSystem/sign",
                        "code": "rigors",
                    }
                ],
                "text": "rigors",
            },
            "valueBoolean": True,
        }
        assert categories(resource) == ["vital-signs", "exam"]

    def test_nothing_read_says_so(self) -> None:
        resource = rendered(readings=())
        assert resource["dataAbsentReason"]["coding"][0]["code"] == "unknown"
