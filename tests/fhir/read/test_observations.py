"""Observation: vitals in three shapes, signs, groups, antibodies, crossmatches, other results."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.identity import Ref
from service.facts.quantity import Vital
from service.facts.records import (
    UNRECOGNISED,
    AllowedGroups,
    Antibody,
    AntibodyResult,
    CrossmatchResult,
    GroupResult,
    LabResult,
    Sign,
    Vitals,
)
from service.facts.unit import Component, Group, UnitKey, UnitRef
from tests.support.reading import (
    LOINC,
    SNOMED,
    Json,
    body,
    concept,
    extension,
    observation,
    own,
    quantity,
    read_one,
)

POLARITY = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
TEMPERATURE = concept(LOINC, "8310-5")
SATURATION = concept(LOINC, "59408-5")


def temperature(value: str = "38.2", code: str = "Cel", **more: Any) -> Json:
    return observation(TEMPERATURE, valueQuantity=quantity(value, code), **more)


def part(code: Json, **value: Any) -> Json:
    return {"code": code, **value}


class TestThreeShapes:
    """Panel with components, panel with members, single: all three are accepted."""

    def test_a_single_reading(self) -> None:
        vitals: Vitals = body(temperature())
        (reading,) = vitals.readings
        assert (reading.vital, reading.value) == (Vital.TEMPERATURE, Decimal("38.2"))
        assert reading.at.text == "2025-06-02T10:00:00Z"

    def test_a_panel_with_members_keeps_them(self) -> None:
        members = [{"reference": "Observation/t"}, {"reference": "Observation/h"}]
        vitals: Vitals = body(observation(concept(LOINC, "85353-1"), hasMember=members))
        assert vitals.readings == ()
        assert [ref.id for ref in vitals.members] == ["t", "h"]

    @pytest.mark.parametrize("panel", ["85353-1", "8716-3", "85354-9", "55284-4", "0000-0"])
    def test_any_panel_code_with_vital_components(self, panel: str) -> None:
        parts = [
            part(concept(LOINC, "8480-6"), valueQuantity=quantity("118", "mm[Hg]")),
            part(concept(LOINC, "8462-4"), valueQuantity=quantity("72", "mm[Hg]")),
        ]
        vitals: Vitals = body(observation(concept(LOINC, panel), component=parts))
        assert [reading.vital for reading in vitals.readings] == [Vital.SYSTOLIC, Vital.DIASTOLIC]

    @pytest.mark.parametrize(
        "category",
        [
            None,
            [concept("http://hl7.org/fhir/observation-category", "vital-signs")],
            [concept(CATEGORY, "vital-signs"), concept(CATEGORY, "laboratory")],
            [concept("local", "obs")],
        ],
    )
    def test_the_category_decides_nothing(self, category: Any) -> None:
        more = {} if category is None else {"category": category}
        assert body(temperature(**more)) == body(temperature())

    @pytest.mark.parametrize("code", ["2708-6", "59408-5"])
    def test_saturation_in_either_code(self, code: str) -> None:
        both = {"coding": [{"system": LOINC, "code": code}, {"system": LOINC, "code": "2708-6"}]}
        vitals: Vitals = body(observation(both, valueQuantity=quantity("96", "%")))
        assert vitals.readings[0].vital is Vital.SATURATION


class TestWhatIsNoReading:
    """Comparators, absent values, uncoded units, no time, no final status: no number."""

    def unusable(self, resource: Json) -> str:
        vitals: Vitals = read_one(resource).bodies[0]  # type: ignore[assignment]
        assert vitals.readings == ()
        (held,) = vitals.unusable
        return held.reason

    def test_a_bound(self) -> None:
        said = quantity("35", "Cel", comparator="<")
        assert "bound" in self.unusable(observation(TEMPERATURE, valueQuantity=said))

    def test_absent_data(self) -> None:
        absent = {"text": "Not taken"}
        assert "Not taken" in self.unusable(observation(TEMPERATURE, dataAbsentReason=absent))

    def test_a_unit_text_without_a_code(self) -> None:
        said = {"value": 38, "unit": "degrees C", "system": "http://unitsofmeasure.org"}
        resource = observation(TEMPERATURE, valueQuantity=said)
        assert "UCUM" in self.unusable(resource)
        assert read_one(resource).warnings

    def test_a_code_of_another_system(self) -> None:
        said = {"value": 38, "code": "Cel", "system": "local"}
        assert "UCUM" in self.unusable(observation(TEMPERATURE, valueQuantity=said))

    def test_a_unit_of_something_else(self) -> None:
        assert "Cel" in self.unusable(temperature(code="kg"))

    def test_no_value(self) -> None:
        assert self.unusable(observation(TEMPERATURE))

    @pytest.mark.parametrize("effective", [{}, {"effectiveTiming": {"event": []}}])
    def test_no_clinical_time(self, effective: Json) -> None:
        """The value is kept for the panel that may hold it, and is no reading by itself."""
        resource = temperature(issued="2025-06-02T10:00:00.000Z") | effective
        del resource["effectiveDateTime"]
        reading = read_one(resource)
        (vitals,) = reading.bodies
        assert isinstance(vitals, Vitals)
        assert (vitals.readings, vitals.unusable, vitals.at) == ((), (), None)
        (kept,) = vitals.untimed
        assert (kept.value, kept.at.instant) == (Decimal("38.2"), None)
        assert "time" in reading.warnings[0].text

    @pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
    def test_in_error_and_cancelled_are_retracted(self, status: str) -> None:
        assert read_one(temperature(status=status)).retracted

    @pytest.mark.parametrize("status", ["registered", "unknown"])
    def test_no_result_yet(self, status: str) -> None:
        reading = read_one(temperature(status=status))
        assert reading.bodies == ()
        assert reading.warnings[0].expression == "Observation.status"

    def test_of_unknown_status_a_sign_counts_where_it_is_present(self) -> None:
        """A dangerous statement is not dropped for want of a status; a reassuring one is."""
        rigors = observation(own("sign", "rigors"), status="unknown")
        assert [b.sign for b in read_one(rigors).bodies if isinstance(b, Sign)] == ["rigors"]
        denied = rigors | {"valueBoolean": False}
        assert read_one(denied).bodies == ()

    def test_a_component_that_nobody_knows_is_listed(self) -> None:
        parts = [part(concept("local", "BT"), valueQuantity=quantity("39.4", "Cel"))]
        reading = read_one(observation(concept(LOINC, "85353-1"), component=parts))
        assert reading.unmapped[0].code == "BT"
        assert reading.warnings[0].expression == "Observation.component.code"

    def test_one_bad_component_leaves_the_others(self) -> None:
        parts = [
            part(concept(LOINC, "8867-4"), valueQuantity=quantity("84", "/min")),
            part(TEMPERATURE, dataAbsentReason={"text": "refused"}),
        ]
        vitals: Vitals = body(observation(concept(LOINC, "85353-1"), component=parts))
        assert len(vitals.readings) == 1
        assert vitals.unusable[0].vital is Vital.TEMPERATURE

    def test_a_time_without_a_zone_refuses(self) -> None:
        assert read_one(temperature(effectiveDateTime="2025-06-02T10:00:00")).status == 400


class TestHowItWasMeasured:
    """Unit, time, site, device and oxygen belong to the reading."""

    def test_fahrenheit_is_kept_as_sent(self) -> None:
        (reading,) = body(temperature("100.4", "[degF]")).readings
        assert reading.value == Decimal(38)
        assert (reading.sent_value, reading.sent_unit) == (Decimal("100.4"), "[degF]")

    def test_a_period_counts_at_its_end(self) -> None:
        period = {"start": "2025-06-02T09:00:00Z", "end": "2025-06-02T09:05:00Z"}
        resource = temperature(effectivePeriod=period)
        del resource["effectiveDateTime"]
        assert body(resource).readings[0].at.text == period["end"]

    def test_a_bare_date_has_no_instant(self) -> None:
        assert body(temperature(effectiveDateTime="2025-06-02")).readings[0].at.instant is None

    def test_a_body_site_is_kept(self) -> None:
        assert body(temperature(bodySite=concept("s", "ear"))).readings[0].site == "ear"
        assert body(temperature(bodySite={"text": "Oral"})).readings[0].site == "Oral"

    def test_a_monitor_alone_is_a_device(self) -> None:
        vitals: Vitals = body(temperature(device={"reference": "Device/m"}))
        assert vitals.readings[0].device
        assert not vitals.clinician_reported

    def test_a_person_vouches_for_a_device(self) -> None:
        by = [{"reference": "Practitioner/1"}]
        vitals: Vitals = body(temperature(device={"reference": "Device/m"}, performer=by))
        assert not vitals.readings[0].device

    @pytest.mark.parametrize(
        ("beside", "room_air"),
        [
            ([], None),
            ([part(concept(LOINC, "3151-8"), valueQuantity=quantity("2", "L/min"))], False),
            ([part(concept(LOINC, "3151-8"), valueQuantity=quantity("0", "L/min"))], True),
            ([part(concept(LOINC, "3150-6"), valueQuantity=quantity("21", "%"))], True),
            ([part(concept(LOINC, "3150-6"), valueQuantity=quantity("40", "%"))], False),
        ],
    )
    def test_air_or_oxygen(self, beside: list[Json], room_air: bool | None) -> None:
        said = observation(SATURATION, valueQuantity=quantity("89", "%"), component=beside)
        vitals: Vitals = body(said)
        assert vitals.readings[0].room_air is room_air

    def test_room_air_said_by_extension(self) -> None:
        said = [extension("room-air", valueBoolean=True)]
        resource = observation(SATURATION, valueQuantity=quantity("89", "%"), extension=said)
        assert body(resource).readings[0].room_air is True

    def test_consciousness(self) -> None:
        code = own("vital", "consciousness")
        for level, score in (("alert", 0), ("voice", 3)):
            value = own("consciousness", level)
            (reading,) = body(observation(code, valueCodeableConcept=value)).readings
            assert reading.value == score

    def test_part_of_and_focus_are_kept(self) -> None:
        procedure = {"reference": "Procedure/1"}
        unit = {"reference": "BiologicallyDerivedProduct/u1"}
        vitals: Vitals = body(temperature(partOf=[procedure], focus=[unit]))
        assert vitals.part_of == (
            Ref(kind="Procedure", id="1"),
            Ref(kind="BiologicallyDerivedProduct", id="u1"),
        )

    @given(st.decimals(min_value=30, max_value=45, places=2))
    def test_digits_are_kept(self, value: Decimal) -> None:
        (reading,) = body(temperature(str(value))).readings
        assert str(reading.value) == str(value)


class TestSigns:
    """A sign is its code, or the value of a general code; a denial is a fact too."""

    def sign(self, **more: Any) -> Sign:
        code = more.pop("code", concept(SNOMED, "126485001"))
        found: Sign = read_one(observation(code, **more)).bodies[0]  # type: ignore[assignment]
        return found

    def test_a_code_without_a_value_is_present(self) -> None:
        assert (self.sign().sign, self.sign().present) == ("urticaria", True)

    @pytest.mark.parametrize(
        ("value", "present"),
        [
            ({"valueBoolean": True}, True),
            ({"valueBoolean": False}, False),
            ({"valueCodeableConcept": {"text": "Absent"}}, False),
            ({"valueCodeableConcept": {"text": "Present"}}, True),
            ({"valueString": "No"}, False),
            ({"interpretation": [concept(POLARITY, "NEG")]}, False),
            ({"valueCodeableConcept": {"text": "all over"}}, True),
        ],
    )
    def test_present_or_denied(self, value: Json, present: bool) -> None:
        assert self.sign(**value).present is present

    def test_the_value_of_a_general_code(self) -> None:
        value = own("sign", "infusion-site-pain")
        sign = self.sign(code={"text": "Symptom"}, valueCodeableConcept=value)
        assert sign.sign == "infusion-site-pain"

    def test_severity(self) -> None:
        assert self.sign(valueCodeableConcept={"text": "Severe"}).severity == "severe"
        said = [extension("sign-severity", valueCode="moderate")]
        assert self.sign(extension=said).severity == "moderate"

    def test_several_signs_in_one_observation(self) -> None:
        parts = [
            part(concept(SNOMED, "43724002"), valueBoolean=True),
            part(concept(SNOMED, "29857009"), valueBoolean=False),
        ]
        reading = read_one(observation({"text": "Asked about"}, component=parts))
        found = [(b.sign, b.present) for b in reading.bodies if isinstance(b, Sign)]
        assert found == [("chills", True), ("chest-pain", False)]

    def test_an_unknown_symptom_is_listed(self) -> None:
        code = concept("local", "T7", "Tingling")
        resource = observation(code, category=[concept(CATEGORY, "symptom")])
        reading = read_one(resource)
        assert reading.bodies == ()
        assert reading.unmapped[0].concept == "signs"
        assert reading.warnings

    def test_not_observed_is_neither(self) -> None:
        reading = read_one(
            observation(concept(SNOMED, "126485001"), dataAbsentReason={"text": "asleep"})
        )
        assert reading.bodies == ()


class TestGroups:
    """Trust the code, flag a display that contradicts it (public files label codes wrongly)."""

    CODE = concept(LOINC, "882-1")

    def group(self, **more: Any) -> GroupResult:
        code = more.pop("code", self.CODE)
        found: GroupResult = read_one(observation(code, **more)).bodies[0]  # type: ignore[assignment]
        return found

    @pytest.mark.parametrize(
        ("value", "group"),
        [
            (concept(SNOMED, "278147001"), Group(abo="O", rhd="positive")),
            (concept(SNOMED, "278154007"), Group(abo="AB", rhd="negative")),
            (concept(SNOMED, "58460004"), Group(abo="O")),
            (concept("https://www.isbt128.org/uri/ABORhD", "73"), Group(abo="B", rhd="positive")),
            ({"text": "A RhD positive"}, Group(abo="A", rhd="positive")),
            ({"text": "Blood group O Rh(D) negative"}, Group(abo="O", rhd="negative")),
        ],
    )
    def test_values(self, value: Json, group: Group) -> None:
        assert self.group(valueCodeableConcept=value).group == group

    @pytest.mark.parametrize("display", ["O", "Blood group O Rh(D) positive", "O Rh(D) positive"])
    def test_a_display_that_agrees(self, display: str) -> None:
        value = concept(SNOMED, "278147001", display)
        assert read_one(observation(self.CODE, valueCodeableConcept=value)).warnings == ()

    @pytest.mark.parametrize("display", ["A+", "O Rh(D) negative"])
    def test_a_display_that_contradicts_is_flagged(self, display: str) -> None:
        value = concept(SNOMED, "278147001", display)
        reading = read_one(observation(self.CODE, valueCodeableConcept=value))
        assert reading.bodies[0].group == Group(abo="O", rhd="positive")  # type: ignore[union-attr]
        assert "display" in reading.warnings[0].text

    def test_codes_that_contradict_leave_a_discrepant_group(self) -> None:
        value = {
            "coding": [
                {"system": SNOMED, "code": "278147001"},
                {"system": SNOMED, "code": "278149003"},
            ]
        }
        result = self.group(valueCodeableConcept=value)
        assert (result.group, result.discrepant) == (Group(), True)

    def test_two_tests_in_one_observation(self) -> None:
        parts = [
            part(concept(LOINC, "883-9"), valueCodeableConcept=concept(SNOMED, "112144000")),
            part(concept(LOINC, "10331-7"), valueCodeableConcept={"text": "Negative"}),
        ]
        result = self.group(code=concept(LOINC, "34530-6"), component=parts)
        assert result.group == Group(abo="A", rhd="negative")

    def test_abo_and_rhd_apart(self) -> None:
        abo = self.group(
            code=concept(LOINC, "883-9"), valueCodeableConcept=concept(SNOMED, "112149005")
        )
        rhd = self.group(code=concept(LOINC, "10331-7"), valueCodeableConcept={"text": "Weak D"})
        assert abo.group == Group(abo="B")
        assert rhd.group == Group(rhd="weak")

    def test_an_rhd_type_that_cannot_be_read_is_not_passed_over(self) -> None:
        """It counts as negative, the stricter, and leaves no earlier positive one standing."""
        code = concept(LOINC, "10331-7")
        told = self.group(code=code, valueCodeableConcept=concept("local", "D7"))
        assert told.group == Group(rhd=UNRECOGNISED)
        flagged = self.group(
            code=code, valueString="Positive", interpretation=[concept(POLARITY, "IND")]
        )
        assert flagged.group == Group(rhd=UNRECOGNISED)

    @pytest.mark.parametrize(
        ("abo", "rhd", "group", "discrepant"),
        [
            ("local-1", "positive", Group(), True),
            ("112144000", "local-2", Group(abo="A", rhd=UNRECOGNISED), False),
        ],
    )
    def test_a_part_that_cannot_be_read_is_not_passed_over(
        self, abo: str, rhd: str, group: Group, discrepant: bool
    ) -> None:
        parts = [
            part(concept(LOINC, "883-9"), valueCodeableConcept=concept(SNOMED, abo)),
            part(concept(LOINC, "10331-7"), valueCodeableConcept=own("rhd-type", rhd)),
        ]
        found = self.group(code=concept(LOINC, "34530-6"), component=parts)
        assert (found.group, found.discrepant) == (group, discrepant)

    @pytest.mark.parametrize("code", ["IND", "A"])
    def test_an_interpretation_that_doubts_the_group_makes_it_discrepant(self, code: str) -> None:
        found = self.group(valueString="A RhD positive", interpretation=[concept(POLARITY, code)])
        assert found.discrepant
        plain = self.group(valueString="A RhD positive", interpretation=[concept(POLARITY, "N")])
        assert not plain.discrepant

    def test_a_group_of_unknown_status_is_discrepant(self) -> None:
        assert self.group(valueString="A RhD positive", status="unknown").discrepant

    def test_what_no_element_carries(self) -> None:
        said = [
            extension("group-confirmed", valueBoolean=True),
            extension("rhd-transfuse-as", valueCode="negative"),
            extension("group-discrepant", valueBoolean=True),
        ]
        value = concept(SNOMED, "278149003")
        result = self.group(valueCodeableConcept=value, extension=said)
        assert (result.confirmed, result.rhd_transfuse_as, result.discrepant) == (
            True,
            "negative",
            True,
        )

    def test_a_preliminary_group_is_not_confirmed(self) -> None:
        value = concept(SNOMED, "278149003")
        said = [extension("group-confirmed", valueBoolean=True)]
        result = self.group(valueCodeableConcept=value, status="preliminary", extension=said)
        assert result.confirmed is False

    def test_the_typing_of_a_bag_is_not_the_patients_group(self) -> None:
        value = concept(SNOMED, "278149003")
        bag = {"reference": "BiologicallyDerivedProduct/u1"}
        as_focus = observation(self.CODE, valueCodeableConcept=value, focus=[bag])
        as_subject = observation(self.CODE, valueCodeableConcept=value, subject=bag)
        for resource in (as_focus, as_subject):
            reading = read_one(resource)
            assert reading.bodies == ()
            assert reading.warnings


class TestAntibodies:
    """Screens by value and interpretation; antibodies now or ever."""

    SCREEN = concept(LOINC, "890-4")

    def screen(self, **more: Any) -> AntibodyResult:
        found: AntibodyResult = read_one(observation(self.SCREEN, **more)).bodies[0]  # type: ignore[assignment]
        return found

    @pytest.mark.parametrize(
        ("said", "screen"),
        [
            ({"valueCodeableConcept": {"text": "Negative"}}, "negative"),
            ({"valueString": "POSITIVE"}, "positive"),
            ({"interpretation": [concept(POLARITY, "POS")]}, "positive"),
            ({"valueCodeableConcept": {"text": "See report"}}, UNRECOGNISED),
            ({"valueQuantity": quantity("1", "{score}")}, UNRECOGNISED),
            ({"interpretation": [concept(POLARITY, "IND")]}, UNRECOGNISED),
            (
                {
                    "valueCodeableConcept": {"text": "Negative"},
                    "interpretation": [concept(POLARITY, "IND")],
                },
                UNRECOGNISED,
            ),
            ({"valueString": "Negative", "status": "preliminary"}, None),
            ({"valueString": "Negative", "status": "unknown"}, None),
            ({"valueString": "Positive", "status": "preliminary"}, "positive"),
            ({}, None),
            (
                {
                    "valueCodeableConcept": {"text": "Negative"},
                    "interpretation": [concept(POLARITY, "POS")],
                },
                UNRECOGNISED,
            ),
        ],
    )
    def test_screens(self, said: Json, screen: str | None) -> None:
        assert self.screen(**said).screen == screen

    def test_named_antibodies(self) -> None:
        parts = [
            part(own("antigen", "D"), valueCodeableConcept=own("antigen", "D")),
            part(
                {"text": "second"},
                valueString="anti-K",
                extension=[extension("antibody-historical", valueBoolean=True)],
            ),
        ]
        code = own("laboratory-test", "antibody-identification")
        result: AntibodyResult = body(observation(code, component=parts))
        assert result.antibodies == (
            Antibody(antigen="D"),
            Antibody(antigen="K", historical=True),
        )

    def test_passive_and_maternal(self) -> None:
        said = [
            extension("antibody-passive", valueBoolean=True),
            extension("maternal", valueBoolean=True),
        ]
        code = own("laboratory-test", "antibody-identification")
        value = own("antigen", "D")
        result: AntibodyResult = body(observation(code, valueCodeableConcept=value, extension=said))
        assert result.antibodies == (Antibody(antigen="D", passive=True),)
        assert result.maternal

    def test_an_antibody_nobody_knows_is_kept_and_listed(self) -> None:
        """No unit is typed against it: COMP-03 asks for authorisation, as for one not typed."""
        code = own("laboratory-test", "antibody-identification")
        value = concept("local", "AB9", "anti-Xyz")
        reading = read_one(observation(code, valueCodeableConcept=value))
        (found,) = reading.bodies
        assert isinstance(found, AntibodyResult)
        assert [one.antigen for one in found.antibodies] == ["unrecognised: anti-Xyz"]
        assert reading.unmapped[0].code == "AB9"

    def test_an_unknown_antibody_among_the_components_is_kept(self) -> None:
        code = own("laboratory-test", "antibody-identification")
        parts = [
            part(own("antigen", "K"), valueString="anti-K"),
            part(concept("local", "x"), valueString="anti-Xyz"),
            part(concept("local", "method"), valueString="by tube"),
        ]
        (found,) = read_one(observation(code, component=parts)).bodies
        assert isinstance(found, AntibodyResult)
        assert [one.antigen for one in found.antibodies] == ["K", "unrecognised: anti-Xyz"]

    def test_none_found_is_no_unknown_antibody(self) -> None:
        code = own("laboratory-test", "antibody-identification")
        assert read_one(observation(code, valueString="Not detected")).bodies == ()


class TestCrossmatch:
    """A crossmatch must name its unit: by focus, or by a unit identifier among its components."""

    CODE = concept(LOINC, "1250-0")

    def match(self, **more: Any) -> CrossmatchResult:
        found: CrossmatchResult = read_one(observation(self.CODE, **more)).bodies[0]  # type: ignore[assignment]
        return found

    UNIT = ({"reference": "BiologicallyDerivedProduct/u1"},)

    @pytest.mark.parametrize(
        ("value", "result"),
        [
            ({"text": "Compatible"}, "compatible"),
            (own("crossmatch-result", "least-incompatible"), "least-incompatible"),
            ({"text": "incompatible"}, "incompatible"),
            ({"text": "probably fine"}, UNRECOGNISED),
            (concept("local", "XM-OK", "Compatible"), UNRECOGNISED),
            ({}, None),
        ],
    )
    def test_results(self, value: Json, result: str | None) -> None:
        match = self.match(valueCodeableConcept=value, focus=list(self.UNIT))
        assert match.result == result
        assert match.unit == UnitRef(resource="BiologicallyDerivedProduct/u1")

    @pytest.mark.parametrize(
        ("said", "result"),
        [
            ({"interpretation": [concept(POLARITY, "NEG")]}, "compatible"),
            ({"interpretation": [concept(POLARITY, "POS")]}, UNRECOGNISED),
            ({"interpretation": [concept(POLARITY, "IND")]}, UNRECOGNISED),
            ({"interpretation": [{"text": "ask us"}]}, UNRECOGNISED),
            ({"status": "preliminary"}, None),
            ({"status": "unknown"}, UNRECOGNISED),
            ({"status": "corrected"}, "compatible"),
        ],
    )
    def test_what_stands_beside_a_compatible_result(self, said: Json, result: str | None) -> None:
        match = self.match(valueString="Compatible", focus=list(self.UNIT), **said)
        assert match.result == result

    @pytest.mark.parametrize("status", ["preliminary", "unknown"])
    def test_an_incompatible_one_counts_before_it_is_final(self, status: str) -> None:
        match = self.match(valueString="Incompatible", focus=list(self.UNIT), status=status)
        assert match.result == "incompatible"

    @pytest.mark.parametrize(
        "text", ["A999926004711/E0398/000000", "A9999E0398A999926004711000000"]
    )
    def test_a_unit_among_the_components(self, text: str) -> None:
        parts = [part(concept(LOINC, "936-5"), valueString=text)]
        match = self.match(valueCodeableConcept={"text": "Compatible"}, component=parts)
        assert match.unit.key == UnitKey("A999926004711", "E0398")

    def test_without_a_unit_it_states_nothing(self) -> None:
        reading = read_one(observation(self.CODE, valueCodeableConcept={"text": "Compatible"}))
        assert reading.bodies == ()
        assert reading.warnings

    def test_how_long_it_holds(self) -> None:
        said = [extension("crossmatch-valid-until", valueDateTime="2025-06-04T10:00:00Z")]
        match = self.match(
            valueCodeableConcept={"text": "Compatible"}, focus=list(self.UNIT), extension=said
        )
        assert match.valid_until is not None


class TestAllowedGroups:
    """The laboratory's list per component; a group that cannot be read is not allowed."""

    def test_per_component(self) -> None:
        parts = [
            part(own("component", name), valueCodeableConcept=concept(SNOMED, code))
            for name, code in (
                ("red-cells", "278148006"),
                ("red-cells", "58460004"),
                ("plasma", "165743006"),
                ("plasma", "999"),
            )
        ]
        code = own("laboratory-test", "allowed-groups")
        reading = read_one(observation(code, component=parts))
        held = {b.component: b.groups for b in reading.bodies if isinstance(b, AllowedGroups)}
        assert held == {
            Component.RED_CELLS: {"O negative", "O"},
            Component.PLASMA: {"AB", UNRECOGNISED},
        }


class TestOtherResults:
    """Results used in screening, by the site's own map."""

    def test_a_number(self) -> None:
        said = observation(own("result", "haemoglobin"), valueQuantity=quantity("71", "g/L"))
        result: LabResult = body(said)
        assert (result.analyte, result.value, result.unit) == ("haemoglobin", Decimal(71), "g/L")

    @pytest.mark.parametrize(
        ("value", "word"),
        [
            ({"valueCodeableConcept": {"text": "Positive"}}, "positive"),
            ({"interpretation": [concept(POLARITY, "NEG")]}, "negative"),
            ({"valueBoolean": True}, "yes"),
            ({"valueBoolean": False}, "no"),
        ],
    )
    def test_a_word(self, value: Json, word: str) -> None:
        result: LabResult = body(observation(own("result", "dat"), **value))
        assert result.word == word

    def test_a_bound_is_no_value(self) -> None:
        said = quantity("0.1", "g/L", comparator="<")
        reading = read_one(observation(own("result", "haptoglobin"), valueQuantity=said))
        assert reading.bodies == ()
        assert reading.warnings
