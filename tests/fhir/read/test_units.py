"""The unit and its issue: every published place and spelling of a bag's identity and contents."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.identity import Identifier
from service.facts.records import BloodUnit, Issue
from service.facts.unit import UNIT_SYSTEM, Component, Group, LabelMessage, UnitKey, UnitRef
from service.fhir.read import Reading
from service.fhir.read.which_unit import full_division, unit_of_identifier, unit_of_text
from tests.support.reading import (
    CROSS,
    HOSPITAL,
    Json,
    body,
    concept,
    extension,
    own,
    patient_ref,
    quantity,
    read_one,
)

DIN_SYSTEM = "https://www.isbt128.org/uri/DonationIdentificationNumber"
MPHO_SYSTEM = "https://www.isbt128.org/uri/MPHOUniqueIdentifier"
PRODUCT = "https://www.isbt128.org/uri/productdescriptioncode"
GROUPS = "https://www.isbt128.org/uri/ABORhD"
PROPERTY = "http://hl7.org/fhir/biologicallyderived-product-property-type-codes"
ICSR = "http://hl7.org/fhir/us/icsr-ae-reporting/StructureDefinition/"
DIN = "A999926004711"


def unit_r5(**more: Any) -> Json:
    held = {
        "resourceType": "BiologicallyDerivedProduct",
        "productCode": concept(PRODUCT, "E0398"),
        "biologicalSourceEvent": {"system": DIN_SYSTEM, "value": DIN},
        "division": "000000",
    }
    return {name: value for name, value in (held | more).items() if value is not None}


def unit_r4(**more: Any) -> Json:
    held = {
        "resourceType": "BiologicallyDerivedProduct",
        "productCode": concept(PRODUCT, "E0398"),
    }
    return held | more


def crossed(element: str, **value: Any) -> Json:
    return {"url": f"{CROSS}BiologicallyDerivedProduct.{element}", **value}


def prop(type_code: Json, **value: Any) -> Json:
    return {"type": type_code, **value}


def of(resource: Json, release: str = "R5") -> BloodUnit:
    found: BloodUnit = body(resource, release)
    return found


class TestDonationNumber:
    """Biological source event, its cross-version extension, or the extension of the R4 guide."""

    def test_r5_and_both_r4_places(self) -> None:
        number = {"system": DIN_SYSTEM, "value": DIN}
        by_cross = unit_r4(extension=[crossed("biologicalSourceEvent", valueIdentifier=number)])
        held = {"url": f"{ICSR}icsr-ext-donationIdentificationNumber", "valueIdentifier": number}
        by_guide = unit_r4(collection={"extension": [held]})
        assert of(unit_r5()).unit.din == DIN
        assert of(by_cross, "R4").unit.din == DIN
        assert of(by_guide, "R4").unit.din == DIN

    def test_two_places_that_differ_refuse_the_unit(self) -> None:
        number = {"system": DIN_SYSTEM, "value": DIN}
        other = {"system": DIN_SYSTEM, "value": "A999926004712"}
        held = {"url": f"{ICSR}icsr-ext-donationIdentificationNumber", "valueIdentifier": other}
        unit = unit_r4(
            extension=[crossed("biologicalSourceEvent", valueIdentifier=number)],
            collection={"extension": [held]},
        )
        assert read_one(unit, "R4").status == 422

    def test_data_identifier_and_flags_are_not_part_of_it(self) -> None:
        unit = unit_r5(biologicalSourceEvent={"system": DIN_SYSTEM, "value": f"={DIN}00"})
        assert of(unit).unit.din == DIN

    def test_other_numbering_is_kept_and_warned_of(self) -> None:
        reading = read_one(unit_r5(biologicalSourceEvent={"system": "x", "value": "0412 77"}))
        assert reading.bodies[0].unit.din == "0412 77"
        assert reading.warnings


class TestUniqueIdentifier:
    """MPHO: FIN, product code, donation number, division; each must agree with its element."""

    def test_it_is_enough_by_itself(self) -> None:
        unit = unit_r5(
            productCode={"coding": [{"code": "E0398"}]},
            biologicalSourceEvent=None,
            division=None,
            identifier=[{"system": MPHO_SYSTEM, "value": f"A9999E0398{DIN}A00000"}],
        )
        assert of(unit).unit.key == UnitKey(DIN, "E0398", "A00000")

    @pytest.mark.parametrize(
        "unique",
        [f"A9999E0399{DIN}000000", "A9999E0398A999926004712000000", f"A9999E0398{DIN}A00000"],
    )
    def test_any_part_that_differs_refuses_the_unit(self, unique: str) -> None:
        unit = unit_r5(identifier=[{"system": MPHO_SYSTEM, "value": unique}])
        reading = read_one(unit)
        assert reading.status == 422
        assert reading.bodies == ()

    def test_the_facility_in_front_decides_nothing(self) -> None:
        unit = unit_r5(identifier=[{"system": MPHO_SYSTEM, "value": f"00000E0398{DIN}000000"}])
        assert of(unit).unit.key == UnitKey(DIN, "E0398")

    @given(st.text(alphabet="0123456789ABCDE", min_size=6, max_size=6))
    def test_our_own_form_and_theirs_name_the_same_unit(self, division: str) -> None:
        ours = Identifier(UNIT_SYSTEM, f"{DIN}/E0398/{division}")
        theirs = Identifier(MPHO_SYSTEM, f"A9999E0398{DIN}{division}")
        expected = UnitRef(din=DIN, product="E0398", division=division)
        assert unit_of_identifier(ours) == unit_of_identifier(theirs) == expected
        assert unit_of_text(theirs.value) == unit_of_text(ours.value) == expected


class TestDivision:
    """Undivided is 000000; Aa is Aa0000; an unknown division equals nothing."""

    @pytest.mark.parametrize(
        ("sent", "read"),
        [
            ("00", "000000"),
            ("000000", "000000"),
            ("Aa", "Aa0000"),
            ("A00000", "A00000"),
            ("x", None),
        ],
    )
    def test_spellings(self, sent: str, read: str | None) -> None:
        assert full_division(sent) == read

    def test_not_sent_is_unknown(self) -> None:
        assert of(unit_r5(division=None)).unit.key is None

    def test_an_eight_character_product_code_tells_it(self) -> None:
        unit = of(unit_r5(division=None, productCode=concept(PRODUCT, "E0398VAa")))
        assert unit.unit.key == UnitKey(DIN, "E0398", "Aa0000")
        assert unit.unit.collection == "V"


class TestProductCode:
    """Six spellings of the code system; without a system only beside a proof of ISBT 128."""

    @pytest.mark.parametrize(
        ("system", "code"),
        [
            ("https://www.isbt128.org/uri/productdescriptioncode", "E0398"),
            ("https://www.isbt128.org/uri/ProductDescriptionCode", "E0398"),
            ("https://www.isbt128/org/uri/ProductDescriptionCode", "E0398"),
            ("https://iccbba.org/standardterminology", "E0398"),
            ("http://hl7.org/fhir/biologicallyderived-productcodes", "e0398"),
            ("", "E0398"),
        ],
    )
    def test_spellings(self, system: str, code: str) -> None:
        assert of(unit_r5(productCode=concept(system, code))).unit.product == "E0398"

    def test_no_system_and_no_proof_is_no_code(self) -> None:
        unit = unit_r5(
            productCode=concept("", "E0398"), biologicalSourceEvent={"system": "x", "value": DIN}
        )
        assert of(unit).unit.product is None

    def test_a_code_not_in_the_table_leaves_component_and_attributes_unknown(self) -> None:
        unit = of(unit_r5(productCode=concept(PRODUCT, "E1234")))
        assert unit.component is None
        assert unit.attributes is None

    def test_attributes_are_never_guessed_from_the_text(self) -> None:
        code = {**concept(PRODUCT, "E1234"), "text": "Plasma, irradiated, leukoreduced"}
        unit = of(unit_r5(productCode=code))
        assert unit.attributes is None
        assert unit.product_text == "Plasma, irradiated, leukoreduced"


class TestGroup:
    """The type of the property comes in three systems; the value is the two characters gg."""

    @pytest.mark.parametrize("system", [PROPERTY, "https://www.isbt128.org/uri", ""])
    def test_three_forms_of_the_type(self, system: str) -> None:
        said = prop(concept(system, "ABORhD"), valueCodeableConcept=concept(GROUPS, "06"))
        assert of(unit_r5(property=[said])).group == Group(abo="A", rhd="negative")

    def test_r4_carries_it_in_a_nested_extension(self) -> None:
        parts = [
            {"url": "type", "valueCodeableConcept": concept(PROPERTY, "ABORhD")},
            {"url": "value", "valueCodeableConcept": concept(GROUPS, "51")},
        ]
        unit = unit_r4(extension=[crossed("property", extension=parts)])
        assert of(unit, "R4").group == Group(abo="O", rhd="positive")

    def test_a_special_message_is_no_group(self) -> None:
        said = prop(concept(PROPERTY, "ABORhD"), valueCodeableConcept=concept(GROUPS, "Mq"))
        group = of(unit_r5(property=[said])).group
        assert group is not None
        assert (group.abo, group.message) == (None, LabelMessage.QUARANTINE)

    def test_the_code_is_case_sensitive(self) -> None:
        said = prop(concept(PROPERTY, "ABORhD"), valueCodeableConcept=concept(GROUPS, "MQ"))
        reading = read_one(unit_r5(property=[said]))
        assert reading.bodies[0].group == Group()
        assert reading.unmapped[0].concept == "groups"

    def test_two_groups_leave_none(self) -> None:
        said = [
            prop(concept(PROPERTY, "ABORhD"), valueCodeableConcept=concept(GROUPS, code))
            for code in ("51", "62")
        ]
        assert read_one(unit_r5(property=said)).bodies[0].group == Group()


class TestContents:
    """Expiry, status, attributes, antigens, titre, volume, parents."""

    def test_r4_and_r5_say_the_same(self) -> None:
        expiry = "2025-06-30T23:59:00-04:00"
        r5 = unit_r5(
            expirationDate=expiry,
            productStatus={"code": "available"},
            extension=[extension("unit-status", valueCode="quarantined")],
        )
        r4 = unit_r4(
            status="available",
            extension=[
                crossed(
                    "biologicalSourceEvent", valueIdentifier={"system": DIN_SYSTEM, "value": DIN}
                ),
                crossed("division", valueString="000000"),
                crossed("expirationDate", valueDateTime=expiry),
                extension("unit-status", valueCode="quarantined"),
            ],
        )
        assert of(r4, "R4") == of(r5)
        assert of(r5).status == "quarantined"

    def test_a_bare_expiry_date_has_no_instant(self) -> None:
        expiry = of(unit_r5(expirationDate="2025-06-30")).expiry
        assert expiry is not None
        assert expiry.instant is None

    def test_an_expiry_without_a_zone_refuses_the_unit(self) -> None:
        reading = read_one(unit_r5(expirationDate="2025-06-30T23:59:00"))
        assert reading.status == 400
        assert reading.problems[0].expression == "BiologicallyDerivedProduct.expirationDate"

    def test_what_the_product_table_and_the_message_say_is_joined(self) -> None:
        said = prop(
            own("property-type", "attribute"), valueCodeableConcept=own("requirement", "washed")
        )
        unit = of(unit_r5(property=[said]))
        assert {"irradiated", "leukoreduced", "washed"} <= (unit.attributes or frozenset())
        assert unit.component is Component.RED_CELLS
        assert unit.additive_solution is True
        assert unit.product_text

    def test_typed_antigens(self) -> None:
        system = "https://www.isbt128.org/uri/RedCellAntigen"
        said = [
            prop(concept(PROPERTY, "RedCellAntigen"), valueCodeableConcept=concept(system, code))
            for code in ("0060010106", "0040050206")
        ]
        assert of(unit_r5(property=said)).antigens == (("K", False), ("e", True))

    def test_titre_solution_and_volume(self) -> None:
        said = [
            prop(own("property-type", "titre"), valueCodeableConcept=own("titre", "high")),
            prop(own("property-type", "additive-solution"), valueBoolean=True),
            prop(own("property-type", "volume"), valueQuantity=quantity("285", "mL")),
        ]
        unit = of(unit_r5(property=said))
        assert (unit.titre, unit.additive_solution, unit.volume) == ("high", True, Decimal(285))

    def test_parents_and_intended_recipient(self) -> None:
        parent = {"reference": "BiologicallyDerivedProduct/p"}
        unit = of(
            unit_r5(
                parent=[parent],
                extension=[extension("intended-recipient", valueReference=patient_ref())],
            )
        )
        assert unit.parents == (UnitRef(resource="BiologicallyDerivedProduct/p"),)
        assert unit.intended is not None
        assert unit.intended.local == "Patient/p1"


def issue_r5(**more: Any) -> Json:
    held = {
        "resourceType": "BiologicallyDerivedProductDispense",
        "identifier": [{"system": f"{HOSPITAL}/issue", "value": "I-1"}],
        "status": "issued",
        "product": {"reference": "BiologicallyDerivedProduct/u1"},
        "patient": patient_ref(),
        "whenHandedOver": "2025-06-02T09:50:00Z",
        "quantity": quantity("280", "mL"),
    }
    return {name: value for name, value in (held | more).items() if value is not None}


VALUES = {
    "status": "valueCode",
    "product": "valueReference",
    "patient": "valueReference",
    "whenHandedOver": "valueDateTime",
    "quantity": "valueQuantity",
    "matchStatus": "valueCodeableConcept",
}


def issue_r4(*, nested: bool = False, modifier: bool = False, **more: Any) -> Json:
    """The same issue as a Basic: one extension per element, or all inside one."""
    r5 = issue_r5(**more)
    whole = f"{CROSS}BiologicallyDerivedProductDispense"
    parts = [
        {"url": name if nested else f"{whole}.{name}", value: r5[name]}
        for name, value in VALUES.items()
        if name in r5
    ]
    basic: Json = {
        "resourceType": "Basic",
        "identifier": r5["identifier"],
        "code": concept("http://hl7.org/fhir/fhir-types", "BiologicallyDerivedProductDispense"),
        "extension": [{"url": whole, "extension": parts}] if nested else parts,
    }
    if modifier:
        status = [part for part in parts if part["url"].endswith(".status")]
        basic["extension"] = [part for part in parts if part not in status]
        basic["modifierExtension"] = status
    if "patient" in r5:
        basic["subject"] = r5["patient"]
    return basic


class TestIssue:
    """BiologicallyDerivedProductDispense, and every form of it in R4."""

    def issue(self, resource: Json, release: str = "R5") -> Issue:
        found: Issue = body(resource, release)
        return found

    def test_all_forms_are_one_issue(self) -> None:
        expected = self.issue(issue_r5())
        assert self.issue(issue_r4(), "R4") == expected
        assert self.issue(issue_r4(nested=True), "R4") == expected
        assert self.issue(issue_r4(modifier=True), "R4") == expected
        assert expected.unit == UnitRef(resource="BiologicallyDerivedProduct/u1")

    def test_a_profile_alone_makes_a_basic_an_issue(self) -> None:
        basic = issue_r4()
        profile = "http://hl7.org/fhir/5.0/StructureDefinition/"
        basic["code"] = {"text": "issue"}
        basic["extension"] = [*basic["extension"]]
        basic["meta"] = {"profile": [f"{profile}profile-BiologicallyDerivedProductDispense|0.1.0"]}
        assert self.issue(basic, "R4").status == "issued"

    def test_another_basic_states_nothing(self) -> None:
        basic = {"resourceType": "Basic", "code": {"text": "referral"}}
        assert read_one(basic, "R4").bodies == ()

    @pytest.mark.parametrize("missing", ["status", "product", "patient"])
    def test_what_r5_requires_is_required_of_a_basic(self, missing: str) -> None:
        reading = read_one(issue_r4(**{missing: None}), "R4")
        assert reading.status == 400
        assert missing in str(reading.problems[0].expression)
        assert "Basic" in str(reading.problems[0].expression)

    def test_two_patients_refuse_it(self) -> None:
        basic = issue_r4()
        basic["subject"] = {"reference": "Patient/other"}
        assert read_one(basic, "R4").status == 422

    def test_a_status_that_is_none_refuses_it(self) -> None:
        assert read_one(issue_r4(status="transfused"), "R4").status == 422

    @pytest.mark.parametrize("form", ["/CodeSystem", ""])
    def test_match_status_with_and_without_the_path_segment(self, form: str) -> None:
        system = f"http://hl7.org/fhir{form}/biologicallyderivedproductdispense-match-status"
        issue = self.issue(issue_r5(matchStatus=concept(system, "least-incompatible")))
        assert issue.match == "least-incompatible"

    def test_what_no_element_carries(self) -> None:
        said = [
            extension(
                "issue-container", valueCodeableConcept=own("container", "validated-container")
            ),
            extension("issue-valid-until", valueDateTime="2025-06-02T13:00:00Z"),
            extension("emergency-release", valueBoolean=True),
            extension("concession", valueString="C-77"),
            extension("d-switch", valueBoolean=True),
            extension("attested", valueCodeableConcept=own("requirement", "irradiated")),
        ]
        in_r4 = issue_r4()
        in_r4["extension"] = [*in_r4["extension"], *said]
        issue = self.issue(issue_r5(extension=said))
        assert self.issue(in_r4, "R4") == issue
        assert (issue.container, issue.concession) == ("validated-container", "C-77")
        assert issue.attested == {"irradiated"}
        assert issue.emergency_release
        assert issue.d_switch

    def test_a_contained_unit_goes_by_its_identifiers(self) -> None:
        held = {**unit_r5(), "id": "bag"}
        issue = self.issue(issue_r5(product={"reference": "#bag"}, contained=[held]))
        assert issue.unit.key == UnitKey(DIN, "E0398")

    def test_a_unit_by_identifier_only(self) -> None:
        named = {"system": UNIT_SYSTEM, "value": f"{DIN}/E0398/000000"}
        issue = self.issue(
            issue_r5(product={"type": "BiologicallyDerivedProduct", "identifier": named})
        )
        assert issue.unit.key == UnitKey(DIN, "E0398")

    def test_entered_in_error_is_retracted(self) -> None:
        reading: Reading = read_one(issue_r4(status="entered-in-error"), "R4")
        assert reading.retracted
        assert len(reading.bodies) == 1
