"""The administration of a unit: EHR-S FM CPS.6.3 and the shapes of both releases."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest

from service.facts.moment import Moment
from service.facts.quantity import Vital
from service.facts.unit import Component, Group, LabelMessage, Restriction
from service.fhir.write import render
from tests.support.desired import (
    a_context,
    a_nurse,
    a_procedure,
    a_reading,
    a_unit,
    a_volume,
    an_observed,
    desired,
)
from tests.support.validators import RELEASES, assert_valid

XVER = "http://hl7.org/fhir/5.0/StructureDefinition/extension-BiologicallyDerivedProduct."
ABORHD = "https://www.isbt128.org/uri/ABORhD"


REQUIRED = (
    a_reading(Vital.SYSTOLIC, "118"),
    a_reading(Vital.DIASTOLIC, "74"),
    a_reading(Vital.TEMPERATURE, "37.1"),
    a_reading(Vital.HEART_RATE, "88"),
    a_reading(Vital.RESPIRATORY_RATE, "16"),
)


def rendered(release: str, **changed: Any) -> dict[str, Any]:
    return render(desired(a_procedure(**changed)), release, a_context())


def unit_of(resource: dict[str, Any], release: str) -> dict[str, Any]:
    """The contained unit with its facts by name, read as each release carries them."""
    (unit,) = resource["contained"]
    found = {"unit": unit["identifier"][0]["value"], "code": unit["productCode"]["coding"][0]}
    if release == "R5":
        found |= {
            "din": unit["biologicalSourceEvent"],
            "division": unit["division"],
            "expiry": unit.get("expirationDate"),
            "properties": [
                (p["type"]["coding"][0]["code"], next(v for n, v in p.items() if n != "type"))
                for p in unit.get("property", ())
            ],
        }
        return found
    carried = {"properties": []}
    for extension in unit["extension"]:
        name = extension["url"].removeprefix(XVER)
        if name == "property":
            kind, value = extension["extension"]
            code = kind["valueCodeableConcept"]["coding"][0]["code"]
            carried["properties"].append((code, next(v for n, v in value.items() if n != "url")))
        else:
            carried[name] = next(v for n, v in extension.items() if n != "url")
    return found | {
        "din": carried["biologicalSourceEvent"],
        "division": carried["division"],
        "expiry": carried.get("expirationDate"),
        "properties": carried["properties"],
    }


def period_of(resource: dict[str, Any]) -> dict[str, str]:
    return resource.get("performedPeriod") or resource["occurrencePeriod"]


@pytest.mark.parametrize("release", RELEASES)
class TestPresentedAtAdministration:
    """CPS.6.3 #01: patient name, product number, amount, route, expiry, time. [S01]."""

    def test_patient_name(self, release: str) -> None:
        resource = rendered(release)
        assert resource["subject"]["display"] == "ASHGROVE, Wren"
        assert "ASHGROVE, Wren" in resource["text"]["div"]

    def test_product_number(self, release: str) -> None:
        unit = unit_of(rendered(release), release)
        assert unit["din"] == {
            "system": "https://www.isbt128.org/uri/DonationIdentificationNumber",
            "value": "A999925123456",
        }
        assert unit["code"] == {
            "system": "https://www.isbt128.org/uri/productdescriptioncode",
            "code": "E0398",
        }
        assert unit["unit"] == "A999925123456/E0398/000000"

    def test_amount(self, release: str) -> None:
        amount = rendered(release)["extension"][0]
        assert amount["url"].endswith("icsr-ext-usedproductamount")
        assert amount["valueQuantity"]["value"] == Decimal("276.50")
        assert amount["valueQuantity"]["code"] == "mL"

    def test_route(self, release: str) -> None:
        assert "intravenous route" in rendered(release)["code"]["text"]

    def test_expiry(self, release: str) -> None:
        assert unit_of(rendered(release), release)["expiry"] == "2025-06-20T23:59:00+01:00"

    def test_a_person_reads_all_six_on_one_page(self, release: str) -> None:
        told = rendered(release)["text"]["div"]
        rows = {
            "Patient": "ASHGROVE, Wren",
            "Donation number": "A9999 25 123456 ",
            "Product code": "E0398, undivided",
            "Amount given": "276.50 mL (measured)",
            "Route": "intravenous",
            "Expiry": "20 June 2025 23:59 UTC+01:00",
            "Start": "2 June 2025 11:05 UTC+01:00",
            "End": "2 June 2025 13:00 UTC+01:00",
        }
        missing = [row for row, said in rows.items() if f"<th>{row}</th><td>{said}" not in told]
        assert missing == []

    def test_time(self, release: str) -> None:
        assert period_of(rendered(release)) == {
            "start": "2025-06-02T11:05:00+01:00",
            "end": "2025-06-02T12:00:00Z",
        }


@pytest.mark.parametrize("release", RELEASES)
class TestMatchValidation:
    """CPS.6.3 #02: capture validation of the correct matching of patient to product."""

    def test_the_check_and_both_checkers_are_named(self, release: str) -> None:
        resource = rendered(release)
        roles = {
            p["function"]["coding"][0]["code"]: p["actor"]["identifier"]["value"]
            for p in resource["performer"]
        }
        assert roles == {"PPRF": "S-2207", "VRF": "S-0311"}
        (note,) = resource["note"]
        assert "compared at the bedside 2 June 2025 11:04" in note["text"]
        assert "no-objection" in note["text"]

    def test_the_check_itself_is_referred_to(self, release: str) -> None:
        resource = rendered(release)
        held = resource.get("supportingInfo") or [
            e["valueReference"] for e in resource["extension"] if "supportingInfo" in e["url"]
        ]
        assert [(r["type"], r["identifier"]["value"]) for r in held] == [
            ("Task", "ST-1"),
            (
                "Basic" if release == "R4" else "BiologicallyDerivedProductDispense",
                "ISS-700412",
            ),
        ]

    def test_no_check_is_not_made_up(self, release: str) -> None:
        resource = rendered(release, check=None, checked_at=None, check_answer=None)
        assert "note" not in resource
        assert "Match of patient and unit</th><td>not recorded" in resource["text"]["div"]


@pytest.mark.parametrize("release", RELEASES)
class TestCaptured:
    """CPS.6.3 #03 and #04: product number, amount, route, time; and the vital signs. [S01]."""

    def test_the_product_that_was_used_is_the_contained_unit(self, release: str) -> None:
        procedure = rendered(release)
        if release == "R5":
            (target,) = (used["reference"] for used in procedure["used"])
        else:
            (used,) = procedure["usedReference"]
            target = used["extension"][0]["valueReference"]
        assert target["reference"] == f"#{procedure['contained'][0]['id']}"
        assert target["identifier"]["value"] == "A999925123456/E0398/000000"

    def test_it_was_done_and_the_codes_say_what(self, release: str) -> None:
        procedure = rendered(release)
        assert procedure["status"] == "completed"
        assert [code["code"] for code in procedure["code"]["coding"]] == ["71493000", "116859006"]

    def test_the_volume_is_an_observation_of_the_procedure(self, release: str) -> None:
        procedure = rendered(release)
        volume = render(desired(a_volume()), release, a_context())
        assert volume["partOf"][0]["reference"] == f"Procedure/{procedure['id']}"
        assert volume["valueQuantity"]["value"] == Decimal("276.50")
        assert volume["subject"]["identifier"]["value"] == "0043817"
        assert volume["focus"][0]["identifier"]["value"] == "A999925123456/E0398/000000"
        assert volume["code"]["text"] == "Volume of blood component given"
        assert volume["effectiveDateTime"] == "2025-06-02T12:00:00Z"
        assert volume["method"]["text"] == "Measured"

    def test_a_calculated_volume_says_so(self, release: str) -> None:
        volume = render(desired(a_volume(measured=False)), release, a_context())
        assert "not measured" in volume["method"]["text"]
        notes = [note["text"] for note in rendered(release, volume_measured=False)["note"]]
        assert "The amount given was calculated, not measured." in notes

    def test_vital_signs_are_part_of_the_procedure(self, release: str) -> None:
        procedure = rendered(release)
        vitals = render(desired(an_observed(readings=REQUIRED)), release, a_context())
        assert vitals["partOf"][0]["reference"] == f"Procedure/{procedure['id']}"
        assert vitals["subject"]["identifier"]["value"] == "0043817"
        assert vitals["effectiveDateTime"] == "2025-06-02T11:05:00+01:00"
        assert vitals["status"] == "final"

    def test_pressure_temperature_pulse_and_respiration_each_with_its_value(
        self, release: str
    ) -> None:
        """#04 names four; blood pressure is two of these."""
        vitals = render(desired(an_observed(readings=REQUIRED)), release, a_context())
        assert vitals["code"]["coding"][0]["code"] == "observation-set"
        found = {
            part["code"]["coding"][0]["code"]: (
                part["valueQuantity"]["value"],
                part["valueQuantity"]["code"],
            )
            for part in vitals["component"]
        }
        assert found == {
            "8480-6": (Decimal("118"), "mm[Hg]"),
            "8462-4": (Decimal("74"), "mm[Hg]"),
            "8310-5": (Decimal("37.1"), "Cel"),
            "8867-4": (Decimal("88"), "/min"),
            "9279-1": (Decimal("16"), "/min"),
        }


class TestBothReleasesSayTheSame:
    """One content, two shapes."""

    @pytest.mark.parametrize(
        "group",
        [
            Group(abo="O", rhd="negative"),
            Group(abo="AB"),
            Group(message=LabelMessage.QUARANTINE),
            Group(abo="B", rhd="positive", restriction=Restriction.DIRECTED),
            None,
        ],
    )
    def test_of_the_unit(self, group: Group | None) -> None:
        shown = a_unit(group=group)
        assert unit_of(rendered("R4", unit=shown), "R4") == unit_of(
            rendered("R5", unit=shown), "R5"
        )

    def test_of_the_administration(self) -> None:
        r4, r5 = rendered("R4"), rendered("R5")
        assert period_of(r4) == period_of(r5)
        shared = ("status", "code", "subject", "basedOn", "performer", "location", "outcome")
        assert [r4[name] for name in shared] == [r5[name] for name in shared]
        assert r4["text"] == r5["text"]


class TestTheUnitInItsPlace:
    """fhir-contract 2.1: where each release may point at a unit."""

    def test_r4_points_through_extensions(self) -> None:
        (used,) = rendered("R4")["usedReference"]
        assert "reference" not in used  # R4 allows no unit here
        targets = {e["url"].rpartition("/")[2]: e["valueReference"] for e in used["extension"]}
        assert set(targets) == {"alternate-reference", "icsr-ext-usedproduct"}
        assert {t["reference"] for t in targets.values()} == {"#unit"}
        assert used["identifier"]["value"] == "A999925123456/E0398/000000"

    def test_r5_points_at_it_and_says_the_type(self) -> None:
        """R5 ``used`` holds units and devices: the type tells them apart."""
        (used,) = rendered("R5")["used"]
        assert used["reference"]["reference"] == "#unit"
        assert used["reference"]["type"] == "BiologicallyDerivedProduct"

    def test_a_division_is_told(self) -> None:
        split = a_unit(key=replace(a_unit().key, division="Aa0000"))
        for release in RELEASES:
            assert unit_of(rendered(release, unit=split), release)["division"] == "Aa0000"


class TestGroups:
    """ST-001 6.2.2 tables 4 and 5; contract: never collapse 53 to O RhD positive."""

    def code(self, group: Group) -> dict[str, Any]:
        unit = unit_of(rendered("R5", unit=a_unit(group=group)), "R5")
        return dict(unit["properties"])["ABORhD"]

    @pytest.mark.parametrize(
        ("abo", "rhd", "code"),
        [
            ("O", "negative", "95"),
            ("O", "positive", "51"),
            ("A", "negative", "06"),
            ("A", "positive", "62"),
            ("B", "negative", "17"),
            ("B", "positive", "73"),
            ("AB", "negative", "28"),
            ("AB", "positive", "84"),
        ],
    )
    def test_default_values(self, abo: str, rhd: str, code: str) -> None:
        said = self.code(Group(abo=abo, rhd=rhd))
        assert said["coding"] == [{"system": ABORHD, "code": code, "display": f"{abo} RhD {rhd}"}]
        assert said["text"] == f"{abo} RhD {rhd}"

    @pytest.mark.parametrize("restriction", set(Restriction) - {Restriction.NONE})
    def test_a_restricted_unit_gets_no_unrestricted_code(self, restriction: Restriction) -> None:
        said = self.code(Group(abo="O", rhd="positive", restriction=restriction))
        assert "coding" not in said
        assert said["text"] == f"O RhD positive, {restriction.value}"

    def test_an_unknown_group_gets_no_code(self) -> None:
        assert "coding" not in self.code(Group(rhd="positive"))

    def test_a_label_message_keeps_its_code(self) -> None:
        said = self.code(Group(message=LabelMessage.QUARANTINE))
        assert said["coding"][0]["code"] == "Mq"


class TestProcedureCodes:
    """fhir-contract 3.3: only codes of the free set; what it lacks has the parent and text."""

    @pytest.mark.parametrize(
        ("component", "codes"),
        [
            (Component.RED_CELLS, ["71493000", "116859006"]),
            (Component.WHOLE_BLOOD, ["33389009", "116859006"]),
            (Component.PLATELETS, ["116859006"]),
            (Component.PLASMA, ["116859006"]),
            (Component.CRYOPRECIPITATE, ["116859006"]),
            (Component.GRANULOCYTES, ["116859006"]),
            (None, ["116859006"]),
        ],
    )
    def test_by_component(self, component: Component | None, codes: list[str]) -> None:
        for release in RELEASES:
            code = rendered(release, unit=a_unit(component=component))["code"]
            assert [c["code"] for c in code["coding"]] == codes
            assert {c["system"] for c in code["coding"]} == {"http://snomed.info/sct"}


@pytest.mark.parametrize("release", RELEASES)
class TestHowItEnded:
    """HL7 table 0513 in ``outcome``: our own convention, and the text says so."""

    @pytest.mark.parametrize("code", ["TS", "TI", "TX", "TR", "RA", "RL", "WA"])
    def test_disposition(self, code: str, release: str) -> None:
        outcome = rendered(release, disposition=code)["outcome"]
        assert outcome["coding"] == [
            {"system": "http://terminology.hl7.org/CodeSystem/v2-0513", "code": code}
        ]
        assert "own convention" in outcome["text"]

    def test_a_reason_is_told(self, release: str) -> None:
        resource = rendered(release, status="stopped", status_reason="Line lost")
        assert resource["status"] == "stopped"
        assert resource["statusReason"] == {"text": "Line lost"}

    def test_a_confirmed_complication_is_told(self, release: str) -> None:
        (said,) = rendered(release, complication="Reaction confirmed")["complication"]
        assert (said if release == "R4" else said["concept"]) == {"text": "Reaction confirmed"}

    def test_none_is_told_while_nobody_confirmed(self, release: str) -> None:
        assert "complication" not in rendered(release)

    def test_entered_in_error_says_so_to_people(self, release: str) -> None:
        resource = rendered(release, status="entered-in-error")
        assert resource["status"] == "entered-in-error"
        assert "withdrawn" in resource["text"]["div"]


@pytest.mark.parametrize("release", RELEASES)
class TestTimes:
    """per-1 holds whatever was sent; the narrative shows both times as sent."""

    def test_unlike_precision_is_cut_to_the_coarser(self, release: str) -> None:
        resource = rendered(release, start=Moment(text="2025-06-02"))
        assert period_of(resource) == {"start": "2025-06-02", "end": "2025-06-02"}
        assert "2 June 2025 13:00" in resource["text"]["div"]

    def test_an_end_before_the_start_is_left_out(self, release: str) -> None:
        content = a_procedure()
        resource = rendered(release, start=content.end, end=content.start)
        assert period_of(resource) == {"start": "2025-06-02T12:00:00Z"}
        assert "2 June 2025 11:05" in resource["text"]["div"]
        assert_valid(resource, release)

    def test_a_far_expiry_is_shown(self, release: str) -> None:
        """9999-12-31 stands for never in some systems, and has no later zone."""
        far = Moment(
            text="9999-12-31T23:59:00Z",
            instant=datetime(9999, 12, 31, 23, 59, tzinfo=UTC),
        )
        east = a_context(zone=timezone(timedelta(hours=2)))
        resource = render(desired(a_procedure(unit=a_unit(expiry=far))), release, east)
        assert "31 December 9999" in resource["text"]["div"]


class TestStaff:
    """Two performers, each once."""

    def test_one_person_and_a_machine(self) -> None:
        for release in RELEASES:
            resource = rendered(release, performers=(("PPRF", a_nurse()),))
            assert len(resource["performer"]) == 1
