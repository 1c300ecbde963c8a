"""Patient, Encounter, Location, Practitioner, PractitionerRole."""

from datetime import UTC, datetime
from typing import Any

import pytest

from service.facts.identity import Identifier, PersonName, Ref, Staff
from service.facts.records import EncounterRecord, StaffRecord
from tests.support.reading import (
    HOSPITAL,
    Json,
    body,
    concept,
    own,
    read_one,
    staff_known,
    step,
)

TYPES = "http://terminology.hl7.org/CodeSystem/v2-0203"
SPCU = "http://hl7.org/fhir/StructureDefinition/patient-sexParameterForClinicalUse"
SPCU_CODES = "http://terminology.hl7.org/CodeSystem/sex-parameter-for-clinical-use"


def a_patient(**more: Any) -> Json:
    number = {"system": f"{HOSPITAL}/patient", "value": "0043817"}
    return {"resourceType": "Patient", "identifier": [number], "gender": "male"} | more


class TestPatientNumbers:
    """Match on system and value, never on value alone; MRT is a temporary number."""

    def test_an_identifier_without_system_takes_no_part(self) -> None:
        reading = read_one(a_patient(identifier=[{"value": "0043817"}]))
        assert reading.bodies[0].identifiers == ()
        assert len(reading.warnings) == 1

    def test_a_number_typed_mrt_is_temporary(self) -> None:
        number = {"system": "x", "value": "T1", "type": concept(TYPES, "MRT")}
        assert body(a_patient(identifier=[number])).temporary == {"x|T1"}

    def test_a_number_in_a_system_of_temporary_numbers_is_temporary(self) -> None:
        patient = body(a_patient(), temporary_systems=frozenset({f"{HOSPITAL}/patient"}))
        assert patient.temporary == {f"{HOSPITAL}/patient|0043817"}

    def test_a_medical_record_number_is_not(self) -> None:
        number = {"system": "x", "value": "1", "type": concept(TYPES, "MR")}
        assert body(a_patient(identifier=[number])).temporary == frozenset()


class TestSexForClinicalUse:
    """Unknown, other, specified: none, so that the rules take the stricter row."""

    @pytest.mark.parametrize(
        ("gender", "sex"),
        [("male", "male"), ("female", "female"), ("other", None), ("unknown", None), (None, None)],
    )
    def test_gender_stands_in(self, gender: str | None, sex: str | None) -> None:
        assert body(a_patient(gender=gender)).sex == sex

    @pytest.mark.parametrize(
        ("code", "sex"),
        [
            ("female-typical", "female"),
            ("male-typical", "male"),
            ("specified", None),
            ("unknown", None),
        ],
    )
    def test_the_extension_wins(self, code: str, sex: str | None) -> None:
        value = {"url": "value", "valueCodeableConcept": concept(SPCU_CODES, code)}
        said = [{"url": SPCU, "extension": [value]}]
        assert body(a_patient(extension=said)).sex == sex


class TestPatientRecord:
    """Names, partial birth dates and links."""

    def test_old_names_do_not_count(self) -> None:
        names = [{"use": "old", "family": "Reed"}, {"family": "Ashgrove", "given": ["Wren"]}]
        assert body(a_patient(name=names)).names == (PersonName(family="Ashgrove", given="Wren"),)

    @pytest.mark.parametrize("born", ["1980", "1980-07", "1980-07-04"])
    def test_a_partial_birth_date_stays_partial(self, born: str) -> None:
        assert body(a_patient(birthDate=born)).birth_date == born

    def test_links_are_told_apart(self) -> None:
        links = [
            {"type": "replaced-by", "other": {"reference": "Patient/new"}},
            {"type": "seealso", "other": {"reference": "Patient/twin"}},
            {"type": "replaces", "other": {"reference": "Patient/old"}},
            {"type": "refer", "other": {"reference": "Patient/elsewhere"}},
            {"type": "seealso", "other": {"reference": "RelatedPerson/r"}},
        ]
        patient = body(a_patient(link=links, active=False))
        assert patient.replaced_by == (Ref(kind="Patient", id="new"),)
        assert [ref.id for ref in patient.same_as] == ["twin", "old"]
        assert patient.active is False


class TestPlaces:
    """Both releases say the same of an Encounter and a Location."""

    PLACES = (
        {"location": {"reference": "Location/a"}, "status": "completed"},
        {"location": {"reference": "Location/b"}, "status": "active"},
        {"location": {"reference": "Location/c"}, "status": "planned"},
    )

    def test_an_encounter(self) -> None:
        shared = {
            "resourceType": "Encounter",
            "subject": {"reference": "Patient/p1"},
            "location": list(self.PLACES),
        }
        setting = own("setting", "theatre")
        period = {"start": "2025-06-02T08:00:00Z"}
        in_r4 = shared | {"status": "in-progress", "class": setting["coding"][0], "period": period}
        in_r5 = shared | {"status": "in-progress", "class": [setting], "actualPeriod": period}
        assert body(in_r4, "R4") == body(in_r5, "R5")
        assert body(in_r5).location == Ref(kind="Location", id="b")
        assert body(in_r5).setting == "theatre"

    def stay(self, *places: Json, status: str = "in-progress") -> EncounterRecord:
        encounter = {
            "resourceType": "Encounter",
            "status": status,
            "subject": {"reference": "Patient/p1"},
            "location": list(places),
        }
        read = body(encounter, "R4")
        assert isinstance(read, EncounterRecord)
        return read

    def test_a_place_says_since_when(self) -> None:
        since = datetime(2025, 6, 2, 9, 40, tzinfo=UTC)
        said = self.stay(self.PLACES[1] | {"period": {"start": since.isoformat()}})
        assert said.placed is not None
        assert said.placed.instant == since
        assert self.stay(self.PLACES[1]).placed is None

    def test_a_place_that_is_only_planned_is_not_where_the_patient_is(self) -> None:
        done, _, planned = self.PLACES
        assert self.stay(done, planned).location == Ref(kind="Location", id="a")
        assert self.stay(planned).location is None

    @pytest.mark.parametrize("status", ["planned", "finished", "discharged", "completed"])
    def test_nor_is_that_of_an_encounter_to_come_or_over(self, status: str) -> None:
        assert self.stay(self.PLACES[1], status=status).location is None

    def test_a_location_gives_its_telephone(self) -> None:
        telecom = [{"system": "email", "value": "x"}, {"system": "phone", "value": "4455"}]
        shared = {"resourceType": "Location", "name": "Larch"}
        in_r5 = shared | {"contact": [{"telecom": telecom}]}
        assert body(shared | {"telecom": telecom}, "R4") == body(in_r5)
        assert body(in_r5).contact == "4455"


class TestStaff:
    """Persons are compared as Practitioner, after resolving roles and identifiers."""

    NUMBER = Identifier(f"{HOSPITAL}/staff", "N-1")
    PERSON = StaffRecord(identifiers=(NUMBER,), name="R. Vale")
    ROLE = StaffRecord(
        practitioner=Ref(kind="Practitioner", id="1"), roles=frozenset({"registered-nurse"})
    )

    def owner(self, reference: Json, **more: Any) -> Staff | None:
        look_up = staff_known(Practitioner_1=self.PERSON, PractitionerRole_7=self.ROLE)
        owner: Staff | None = body(step("end", owner=reference, **more), staff_record=look_up).owner
        return owner

    def test_a_role_resolves_to_its_person(self) -> None:
        by_role = self.owner({"reference": "PractitionerRole/7"})
        by_person = self.owner({"reference": "Practitioner/1"})
        assert by_role is not None
        assert by_role.same_as(by_person)
        assert by_role.roles == {"registered-nurse"}
        assert "PractitionerRole/7" not in by_role.keys

    def test_an_identifier_and_an_id_are_one_person(self) -> None:
        by_number = self.owner(
            {"type": "Practitioner", "identifier": {"system": self.NUMBER.system, "value": "N-1"}}
        )
        assert by_number is not None
        assert by_number.same_as(self.owner({"reference": "Practitioner/1"}))

    def test_a_contained_person_goes_by_identifier(self) -> None:
        held = {
            "resourceType": "Practitioner",
            "id": "n",
            "identifier": [{"system": self.NUMBER.system, "value": "N-1"}],
            "name": [{"family": "Vale"}],
        }
        staff = self.owner({"reference": "#n"}, contained=[held])
        assert staff is not None
        assert staff.keys == {self.NUMBER.token}
        assert staff.display == "Vale"

    def contained(self, *, about: Json, **more: Any) -> Json:
        """A role contained in the step, and the person contained beside it."""
        role = {"resourceType": "PractitionerRole", "id": "r", "practitioner": about}
        return {"contained": [role, {"resourceType": "Practitioner", "id": "p", **more}]}

    def numbers(self, *values: str) -> list[Json]:
        return [{"system": self.NUMBER.system, "value": value} for value in values]

    @pytest.mark.parametrize(
        "reference",
        [
            {"reference": "PractitionerRole/9"},
            {"type": "PractitionerRole", "identifier": {"system": "r", "value": "R-9"}},
            {
                "reference": "PractitionerRole/9",
                "type": "Practitioner",
                "identifier": {"system": "s", "value": "R-9"},
            },
            {"reference": "https://ward.example/fhir/PractitionerRole/9", "type": "Practitioner"},
            {"reference": "https://ward.example/fhir/PractitionerRole/9/_history/2"},
        ],
    )
    def test_a_role_that_is_not_known_is_nobody(self, reference: Json) -> None:
        """What bears the role's number may be anybody, the first checker too."""
        owner = self.owner(reference)
        assert owner is not None
        assert (owner.keys, owner.identifier) == (frozenset(), None)

    @pytest.mark.parametrize(
        "role",
        [
            StaffRecord(identifiers=(NUMBER,), roles=frozenset({"registered-nurse"})),
            StaffRecord(practitioner=Ref(kind="Organization", id="o1")),
            StaffRecord(practitioner=Ref(kind="PractitionerRole", id="7")),
            StaffRecord(practitioner=Ref(kind="Practitioner", display="R. Vale")),
        ],
    )
    def test_a_role_of_nobody_is_nobody(self, role: StaffRecord) -> None:
        look_up = staff_known(PractitionerRole_8=role)
        task = step("end", owner={"reference": "PractitionerRole/8"})
        owner = body(task, staff_record=look_up).owner
        assert owner.keys == frozenset()
        assert owner.roles == role.roles

    def test_a_contained_role_resolves_to_its_contained_person_with_every_number(self) -> None:
        held = self.contained(about={"reference": "#p"}, identifier=self.numbers("N-1", "N-7"))
        owner = self.owner({"reference": "#r"}, **held)
        assert owner is not None
        assert owner.keys == {f"{self.NUMBER.system}|{value}" for value in ("N-1", "N-7")}

    def test_a_contained_role_of_a_contained_person_without_number_is_nobody(self) -> None:
        held = self.contained(about={"reference": "#p"}, name=[{"family": "Vale"}])
        owner = self.owner({"reference": "#r"}, **held)
        assert owner is not None
        assert (owner.keys, owner.display) == (frozenset(), "Vale")

    def test_a_contained_role_resolves_to_a_person_that_is_known(self) -> None:
        held = self.contained(about={"reference": "Practitioner/1"})
        owner = self.owner({"reference": "#r"}, **held)
        assert owner is not None
        assert owner.same_as(self.owner({"reference": "Practitioner/1"}))

    def test_two_contained_persons_with_one_number_are_one(self) -> None:
        held = [
            {"resourceType": "Practitioner", "id": "a", "identifier": self.numbers("N-3", "N-1")},
            {"resourceType": "Practitioner", "id": "b", "identifier": self.numbers("N-1")},
        ]
        first = self.owner({"reference": "#a"}, contained=held)
        assert first is not None
        assert first.same_as(self.owner({"reference": "#b"}, contained=held))
        assert first.same_as(self.owner({"reference": "Practitioner/1"}))

    def test_a_number_that_contradicts_the_person_pointed_at_is_not_theirs(self) -> None:
        (other,) = self.numbers("N-2")
        owner = self.owner({"reference": "Practitioner/1", "identifier": other})
        assert owner is not None
        assert owner.keys == {"Practitioner/1", self.NUMBER.token}
        more = {"system": "licence", "value": "L-1"}
        owner = self.owner({"reference": "Practitioner/1", "identifier": more})
        assert owner is not None
        assert owner.keys == {"Practitioner/1", self.NUMBER.token, "licence|L-1"}

    @pytest.mark.parametrize(
        "kind", ["Patient", "RelatedPerson", "Device", "Organization", "CareTeam"]
    )
    def test_who_is_not_staff_checks_nothing(self, kind: str) -> None:
        number = {"system": self.NUMBER.system, "value": "N-1"}
        held = {"resourceType": kind, "id": "x", "identifier": [number]}
        for reference in (
            {"reference": f"{kind}/1"},
            {"type": kind, "identifier": number},
            {"reference": f"https://ward.example/fhir/{kind}/1", "type": "Practitioner"},
        ):
            assert self.owner(reference) is None
        assert self.owner({"reference": "#x"}, contained=[held]) is None

    def test_a_name_alone_is_nobody(self) -> None:
        first = self.owner({"type": "Practitioner", "display": "A nurse"})
        assert first is not None
        assert not first.same_as(first)

    def test_an_organisation_is_no_person(self) -> None:
        assert self.owner({"reference": "Organization/9"}) is None

    def test_role_codes_are_kept_as_sent(self) -> None:
        role = {
            "resourceType": "PractitionerRole",
            "practitioner": {"reference": "Practitioner/1"},
            "code": [concept(f"{HOSPITAL}/role", "student-nurse")],
        }
        record = body(role)
        assert record.roles == {"student-nurse"}
        assert record.practitioner == Ref(kind="Practitioner", id="1")
