"""Whom a unit is for, by group code and collection type (ST-001 6.2.2, tables 4 and 7; PRE-18)."""

from dataclasses import replace

import pytest

from service.facts.finding import Finding, Verdict
from service.facts.identity import Ref
from service.facts.unit import Group, Restriction
from service.rules.preparation_unit import own_blood, status
from tests.support.cases import PATIENT, UNIT, a_bag, a_case, a_unit, an_issue, pre_start

SOMEBODY = Ref(kind="Patient", id="p2")
POSITIVE = Group(abo="A", rhd="positive")


def one(findings: tuple[Finding, ...]) -> Finding:
    (found,) = findings
    return found


class TestOwnPatient:
    """PRE-18: autologous and directed units go to their own patient only."""

    @pytest.mark.parametrize("kind", ["A", "1", "X", "D", "2", "4", "5", "E"])
    def test_a_collection_type_restricts_the_recipient(self, kind: str) -> None:
        unit = {"unit": replace(UNIT, collection=kind)}
        mine = one(own_blood(pre_start(a_case(unit=unit | {"intended": PATIENT}))))
        assert (mine.verdict, mine.reason) == (Verdict.NO_OBJECTION, "own-unit")
        other = one(own_blood(pre_start(a_case(unit=unit | {"intended": SOMEBODY}))))
        assert other.verdict is Verdict.REFUSE
        unsaid = one(own_blood(pre_start(a_case(unit=unit))))
        assert (unsaid.known, unsaid.missing) == (False, ("intended patient",))

    @pytest.mark.parametrize("restriction", [Restriction.AUTOLOGOUS, Restriction.DIRECTED])
    def test_so_does_a_group_code(self, restriction: Restriction) -> None:
        group = replace(POSITIVE, restriction=restriction)
        case = a_case(unit={"group": group, "intended": SOMEBODY})
        assert one(own_blood(pre_start(case))).verdict is Verdict.REFUSE

    def test_the_scanned_bag_says_it_too(self) -> None:
        bag = a_bag(unit=replace(UNIT, collection="1"))
        found = one(own_blood(pre_start(a_case(check={"bag": bag}))))
        assert found.reason == "intended-patient-not-sent"

    def test_a_volunteers_unit_is_for_anybody(self) -> None:
        assert own_blood(pre_start(a_case())) == ()

    def test_own_blood_on_hand_by_its_collection_type(self) -> None:
        own = replace(UNIT, din="A999925000555", collection="1")
        extra = (
            a_unit(key="BiologicallyDerivedProduct/u2", unit=own),
            an_issue(key="Basic/i2", unit=own),
        )
        found = one(own_blood(pre_start(a_case(extra=extra))))
        assert (found.verdict, found.reason) == (Verdict.NOTE, "autologous-on-hand")


class TestEmergencyOnly:
    """PRE-05: a unit for emergency use only is none for a routine transfusion (derived)."""

    @pytest.mark.parametrize(
        "unit",
        [
            {"unit": replace(UNIT, collection="G")},
            {"group": replace(POSITIVE, restriction=Restriction.EMERGENCY)},
        ],
    )
    def test_outside_an_emergency(self, unit: dict[str, object]) -> None:
        for urgency, verdict in (
            ("routine", Verdict.REFUSE),
            ("urgent", Verdict.REFUSE),
            ("life-threatening", Verdict.NO_OBJECTION),
        ):
            found = one(status(pre_start(a_case(unit=unit), urgency=urgency)))
            assert found.verdict is verdict

    def test_a_biohazardous_unit_is_refused(self) -> None:
        case = a_case(unit={"unit": replace(UNIT, collection="X"), "intended": PATIENT})
        found = one(status(pre_start(case)))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "label-forbids-use")
