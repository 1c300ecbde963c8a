"""One transaction in R4 and in R5 states the same facts (design: the version changes no fact).

tests/data/contract: a complete inbound transaction of an invented hospital, made for this project
in both releases (one red-cell unit from order to end). The known difference: R4 Consent has a
time where R5 has a date.
"""

from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from typing import Any

import pytest

from service.facts.identity import Identifier, PersonName, Ref
from service.facts.quantity import Vital
from service.facts.records import (
    AntibodyResult,
    BloodUnit,
    ConsentRecord,
    CrossmatchResult,
    GroupResult,
    Issue,
    Order,
    PatientRecord,
    Sample,
    Vitals,
)
from service.facts.steps import Step, StepCode
from service.facts.unit import Component, Group, UnitRef
from service.fhir.read import Reading, read
from tests.support.reading import context, load, stored

RELEASES = ("R4", "R5")
ENTRIES = 19
ISSUE_IN_R4, ISSUE_IN_R5 = "Basic/", "BiologicallyDerivedProductDispense/"


def readings(release: str) -> dict[int, Reading]:
    """Every resource of the transaction, by its place."""
    bundle = load(f"contract/inbound-{release.lower()}.json")
    return {
        number: read(resource, release, context())
        for number, (_, resource) in enumerate(stored(bundle))
    }


def facts(release: str, kind: type) -> list[Any]:
    """The facts of one kind, in order."""
    bodies = [body for reading in readings(release).values() for body in reading.bodies]
    return [body for body in bodies if isinstance(body, kind)]


def same_kind_of_issue(value: Any) -> Any:
    """A fact with the R4 resource type of an issue written as in R5."""
    if isinstance(value, str):
        return value.replace(ISSUE_IN_R4, ISSUE_IN_R5) if value.startswith(ISSUE_IN_R4) else value
    if isinstance(value, tuple):
        return tuple(same_kind_of_issue(inner) for inner in value)
    if is_dataclass(value) and not isinstance(value, type):
        changed = {f.name: same_kind_of_issue(getattr(value, f.name)) for f in fields(value)}
        return (
            type(value)(*changed.values())
            if isinstance(value, Identifier)
            else replace(value, **changed)
        )
    return value


class TestTheVersionChangesNoFact:
    """Facts are version-neutral statements (design 2)."""

    @pytest.mark.parametrize("place", range(ENTRIES))
    def test_each_resource_states_the_same(self, place: int) -> None:
        in_r4, in_r5 = readings("R4")[place], readings("R5")[place]
        first = tuple(same_kind_of_issue(body) for body in in_r4.bodies)
        second = in_r5.bodies
        if first and isinstance(first[0], ConsentRecord):
            (in_time,), (in_days,) = first, second
            assert in_time.at.instant is not None
            assert in_days.at.instant is None
            first, second = (replace(in_time, at=None),), (replace(in_days, at=None),)
        assert first == second
        assert in_r4.subject == in_r5.subject
        assert in_r4.identifiers == in_r5.identifiers
        assert in_r4.stamp == in_r5.stamp

    @pytest.mark.parametrize("release", RELEASES)
    def test_every_resource_is_read_without_a_complaint(self, release: str) -> None:
        read_all = readings(release)
        assert len(read_all) == ENTRIES
        for reading in read_all.values():
            assert reading.problems == ()
            assert reading.warnings == ()
            assert reading.unmapped == ()
            assert len(reading.bodies) == 1


@pytest.mark.parametrize("release", RELEASES)
class TestWhatTheTransactionSays:
    """Each fact of the transaction, value by value."""

    def test_the_patient(self, release: str) -> None:
        (patient,) = facts(release, PatientRecord)
        assert patient.identifiers[0] == Identifier(
            "https://alder-point.example/id/mrn", "00427719"
        )
        assert patient.names == (PersonName(family="Tefft", given="Marisol"),)
        assert (patient.birth_date, patient.sex, patient.temporary) == (
            "1968-03-09",
            "female",
            frozenset(),
        )

    def test_the_order(self, release: str) -> None:
        (order,) = facts(release, Order)
        assert order.component is Component.RED_CELLS
        assert (order.quantity, order.quantity_unit) == (Decimal(2), "{unit}")
        assert order.requirements == {"irradiated", "leukoreduced"}
        assert (order.rate, order.urgency) == (Decimal(50), "urgent")
        assert order.reason == "Symptomatic anaemia"
        assert order.start.instant.isoformat() == "2026-11-24T13:00:00+00:00"
        assert order.end.instant.isoformat() == "2026-11-25T13:00:00+00:00"
        assert order.specimens == (Ref(kind="Specimen", id="2"),)
        assert order.requester.identifier == Identifier(
            "https://alder-point.example/id/staff", "S-0412"
        )

    def test_the_sample_and_the_consent(self, release: str) -> None:
        (sample,) = facts(release, Sample)
        assert [number.value for number in sample.numbers] == ["BB-26-119034"]
        assert sample.collected.instant.isoformat() == "2026-11-23T12:40:00+00:00"
        (consent,) = facts(release, ConsentRecord)
        assert (consent.in_force, consent.decision, consent.components) == (
            True,
            "given",
            frozenset(),
        )

    def test_the_unit_and_its_issue(self, release: str) -> None:
        (unit,) = facts(release, BloodUnit)
        assert unit.unit == UnitRef(
            din="A999926004711", product="E0398", division="000000", collection="V"
        )
        assert unit.group == Group(abo="A", rhd="positive")
        assert unit.expiry.instant.isoformat() == "2026-12-09T04:59:00+00:00"
        assert (unit.status, unit.component) == ("available", Component.RED_CELLS)
        assert {"irradiated", "leukoreduced"} <= (unit.attributes or set())
        (issue,) = facts(release, Issue)
        assert issue.unit.resource == "BiologicallyDerivedProduct/4"
        assert (issue.status, issue.match, issue.quantity) == (
            "issued",
            "crossmatched",
            Decimal(280),
        )
        assert issue.issued_by.identifier.value == "L-0031"
        assert issue.patient.identifier.value == "00427719"
        assert issue.handed_over.instant.isoformat() == "2026-11-24T14:12:00+00:00"
        assert issue.destination.display == "Ward 6B"

    def test_the_laboratory_results(self, release: str) -> None:
        (group,) = facts(release, GroupResult)
        assert (group.group, group.confirmed) == (Group(abo="A", rhd="positive"), None)
        (screen,) = facts(release, AntibodyResult)
        assert (screen.screen, screen.antibodies) == ("negative", ())
        (match,) = facts(release, CrossmatchResult)
        assert match.result == "compatible"
        assert match.unit == UnitRef(resource="BiologicallyDerivedProduct/4")

    def test_the_vitals_in_three_shapes(self, release: str) -> None:
        panel, *singles = facts(release, Vitals)
        values = {reading.vital: reading.value for reading in panel.readings}
        assert values == {
            Vital.TEMPERATURE: Decimal("36.8"),
            Vital.HEART_RATE: Decimal(84),
            Vital.RESPIRATORY_RATE: Decimal(16),
            Vital.SYSTOLIC: Decimal(118),
            Vital.DIASTOLIC: Decimal(72),
        }
        assert [len(vitals.readings) for vitals in singles] == [1, 1, 1, 2, 0]
        assert len(singles[-1].members) == 4
        assert all(not reading.device for v in (panel, *singles) for reading in v.readings)

    def test_the_bedside_steps(self, release: str) -> None:
        check, start, rate, end = facts(release, Step)
        assert [step.code for step in (check, start, rate, end)] == [
            StepCode.CHECK_UNIT,
            StepCode.START,
            StepCode.CHANGE_RATE,
            StepCode.END,
        ]
        assert check.bag.scanned
        assert check.unit.key.text == "A999926004711/E0398/000000"
        assert check.band.birth_date == check.label.birth_date == "1968-03-09"
        assert (check.label.din, check.label.product) == ("A999926004711", "E0398")
        assert check.bag.expiry.instant == check.label.expiry.instant
        assert (check.spoken, check.appearance, check.interrupted) == ("matches", "normal", False)
        assert (check.access_gauge, check.filter_um) == (18, Decimal(200))
        assert check.fluid == "sodium-chloride-0.9"
        assert check.second_checker.identifier.value == "S-1185"
        assert check.focus.resource.endswith("/5")
        assert start.set.identifier.value == "SET-55-90117"
        assert not start.bag.scanned
        assert start.unit.din == "A999926004711"
        assert rate.rate == Decimal(180)
        assert end.volume_given == Decimal(268)
