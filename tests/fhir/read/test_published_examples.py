"""Files that HL7 and others publish, read as they are. Origins: tests/data/examples/SOURCES.md.

Their traps are kept on purpose: missing systems, a mistyped host, a unit of measure without a
code, a code system that was retired, references of the wrong type.
"""

import json
from pathlib import Path

import pytest

from service.facts.quantity import Vital
from service.facts.records import BloodUnit, Issue, Premedication, Vitals
from service.facts.steps import Step, StepCode
from service.facts.unit import Group, UnitKey
from service.fhir.read import Reading
from tests.support.reading import DATA, load, read_one

EXAMPLES = DATA / "examples"
FILES = sorted(
    str(path.relative_to(DATA))
    for release in ("R4", "R4B", "R5")
    for path in (EXAMPLES / release).glob("*.json")
)
WRONG_TYPE = "examples/R5/procedure-prbcunitssae1example.json"


def read_file(path: str) -> Reading:
    release = Path(path).parts[1]
    return read_one(load(path), release)


class TestEveryFile:
    """What the sources page says is accepted is read, and what it says is refused is refused."""

    def test_the_folder_is_the_one_described(self) -> None:
        assert len(FILES) == 25
        described = (EXAMPLES / "SOURCES.md").read_text(encoding="utf-8")
        for path in FILES:
            stem = Path(path).stem
            assert stem in described or stem.startswith(("uscore", "icsr"))

    @pytest.mark.parametrize("path", [path for path in FILES if path != WRONG_TYPE])
    def test_it_is_read_without_a_problem(self, path: str) -> None:
        assert read_file(path).problems == ()

    def test_references_of_the_wrong_type_refuse(self) -> None:
        reading = read_file(WRONG_TYPE)
        assert reading.problems[0].expression == "Procedure.subject"
        assert reading.bodies == ()

    @pytest.mark.parametrize("path", FILES)
    def test_reading_changes_nothing(self, path: str) -> None:
        resource = load(path)
        before = json.dumps(resource, default=str)
        read_one(resource, Path(path).parts[1])
        assert json.dumps(resource, default=str) == before


class TestUnits:
    """Units as HL7 and the R4 adverse-event guide publish them."""

    def unit(self, path: str) -> BloodUnit:
        (found,) = read_file(path).bodies
        assert isinstance(found, BloodUnit)
        return found

    def test_the_r5_unit(self) -> None:
        unit = self.unit("examples/R5/bdp-example.json")
        assert unit.unit.key == UnitKey("A999921123456", "E0398", "A00000")
        assert unit.unit.collection == "V"
        assert unit.group == Group(abo="A", rhd="positive")
        assert unit.status == "available"

    def test_the_unit_with_typed_antigens_and_a_mistyped_host(self) -> None:
        unit = self.unit("examples/R5/bdp-example-red-cell-antigen.downcast.json")
        assert unit.unit.product == "E0398"
        assert dict(unit.antigens) == {"C": True, "c": False, "E": False, "e": True, "K": False}

    def test_the_r4_units_have_a_donation_number_but_no_division(self) -> None:
        unit = self.unit("examples/R4/icsr-bdp-TransfusionBloodProduct.json")
        assert (unit.unit.din, unit.unit.product) == ("G101610840386", "E7003")
        assert unit.unit.key is None
        assert unit.expiry is None
        assert unit.group is None

    def test_an_issue_without_a_hand_over(self) -> None:
        (issue,) = read_file("examples/R5/bdpdispense-example.json").bodies
        assert isinstance(issue, Issue)
        assert (issue.status, issue.handed_over) == ("allocated", None)

    def test_units_contained_in_a_dispatch_are_stored_only(self) -> None:
        assert read_file("examples/R5/supplydelivery-example-ISBT128.json").bodies == ()


class TestTransfusions:
    """Transfusion Procedures of three HL7 guides."""

    def test_a_period(self) -> None:
        start, end = read_file(
            "examples/R4/bfdr-procedure-blood-transfusion-jada-ann-quinn.json"
        ).bodies
        assert isinstance(start, Step)
        assert isinstance(end, Step)
        assert (start.code, end.code) == (StepCode.START, StepCode.END)
        assert start.unit.key is None

    def test_a_point_in_time(self) -> None:
        reading = read_file("examples/R4/nhsn-procedure-example-ach-ach-pass3-transfusion.json")
        assert len(reading.bodies) == 2
        assert reading.warnings

    def test_a_procedure_coded_only_in_a_licensed_system_is_listed(self) -> None:
        reading = read_file("examples/R4/icsr-procedure-TransfusionExampleTransfusion.json")
        assert reading.bodies == ()
        assert reading.unmapped[0].code == "36430"

    def test_medicines(self) -> None:
        (given,) = read_file(
            "examples/R4/icsr-medicationadministration-TransfusionDiphenhydramine.json"
        ).bodies
        assert isinstance(given, Premedication)
        assert given.text == "Diphenhydramine"
        assert given.at is not None
        assert given.at.instant is None


class TestVitals:
    """Vital signs of the US Core guide: unit texts differ from the codes, which are read."""

    def vitals(self, path: str) -> Vitals:
        (found,) = read_file(path).bodies
        assert isinstance(found, Vitals)
        return found

    def test_blood_pressure(self) -> None:
        vitals = self.vitals("examples/R4/uscore-blood-pressure.json")
        assert {r.vital: int(r.value) for r in vitals.readings} == {
            Vital.SYSTOLIC: 109,
            Vital.DIASTOLIC: 44,
        }
        assert all(reading.at.instant is None for reading in vitals.readings)

    @pytest.mark.parametrize(
        ("name", "vital"),
        [("heart-rate", Vital.HEART_RATE), ("respiratory-rate", Vital.RESPIRATORY_RATE)],
    )
    def test_rates(self, name: str, vital: Vital) -> None:
        assert self.vitals(f"examples/R4/uscore-{name}.json").readings[0].vital is vital

    def test_a_panel_with_members(self) -> None:
        vitals = self.vitals("examples/R4B/observation-example-vitals-panel.json")
        assert len(vitals.members) == 4


class TestOrders:
    """Orders that are no transfusion orders: no published one could be found."""

    @pytest.mark.parametrize(
        "path",
        [
            "examples/R4/uscore-servicerequest-cbc.json",
            "examples/R5/servicerequest-HCTcollection.json",
        ],
    )
    def test_they_state_nothing(self, path: str) -> None:
        assert read_file(path).bodies == ()
