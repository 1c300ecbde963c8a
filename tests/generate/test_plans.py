"""Plans: clean by the published rules unless a defect is meant, and the same in every run."""

from datetime import UTC, date, datetime, timedelta
from itertools import islice
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.generate.draws import Draws
from service.generate.people import NAMES, Person, person
from service.generate.plans import EMERGENCY, ROUTINE, Plan, hung_at, plans
from service.generate.traffic import shipped
from service.rules.recipient import Recipient, Typed
from service.scan.isbt128 import read_scan
from tests.support.policies import default_policy

COUNT = 600
LIMIT = timedelta(hours=4)  # S17, S31: red cells end within 4 h of leaving controlled storage
MATRICES = {
    "red_cells": "red-cells",
    "platelets": "platelets",
    "plasma": "plasma",
    "cryoprecipitate": "cryoprecipitate",
}


def some(seed: int, *, routine: bool, count: int = COUNT) -> list[Plan]:
    """The first orders of a seed."""
    return list(islice(plans(seed, shipped(), routine=routine), count))


@pytest.fixture(scope="module")
def routine() -> list[Plan]:
    return some(1, routine=True)


@pytest.fixture(scope="module")
def ordinary() -> list[Plan]:
    return some(1, routine=False)


class TestTheSameInEveryRun:
    """Equal seeds give equal plans; the units are counted without a gap."""

    def test_that_plans_are_equal(self, ordinary: list[Plan]) -> None:
        assert some(1, routine=False, count=50) == ordinary[:50]

    def test_that_another_seed_gives_others(self, ordinary: list[Plan]) -> None:
        assert some(2, routine=False, count=50) != ordinary[:50]

    def test_that_units_are_numbered_one_by_one(self, ordinary: list[Plan]) -> None:
        numbers = [unit.index for plan in ordinary for unit in plan.units]
        assert numbers == list(range(len(numbers)))

    def test_that_no_two_bags_or_people_have_one_number(self, ordinary: list[Plan]) -> None:
        bags = [unit.bag.din for plan in ordinary for unit in plan.units]
        people = [plan.person.number for plan in ordinary]
        assert len(set(bags)) == len(bags)
        assert len(set(people)) == len(people)

    @given(st.integers(0, 10**7))
    def test_that_a_later_unit_is_hung_no_earlier(self, unit: int) -> None:
        assert hung_at(unit, shipped()) <= hung_at(unit + 1, shipped())

    def test_that_the_night_has_its_share(self) -> None:
        hours = [hung_at(unit, shipped()).hour for unit in range(137 * 20)]
        night = sum(hour < 8 or hour >= 20 for hour in hours) / len(hours)
        assert night == pytest.approx(0.285, abs=0.01), "Tinegate et al."


class TestPeople:
    """Invented, and exactly as old as they are said to be."""

    @given(st.integers(0, 5000), st.dates(date(2027, 1, 1), date(2031, 12, 31)))
    def test_that_the_birth_date_gives_the_age(self, index: int, day: date) -> None:
        who = person(Draws(9, "person", index), shipped(), index, "plasma", day)
        judged = Recipient(typed=Typed(), sex=None, born=who.born, today=day, weight=None)
        assert judged.months == who.months

    def test_that_names_are_put_together_from_parts(self, ordinary: list[Plan]) -> None:
        heads, tails = NAMES["family"]
        for plan in ordinary:
            family = plan.person.family
            assert any(family == head + tail for head in heads for tail in tails)

    def test_that_children_weigh_what_children_weigh(self, ordinary: list[Plan]) -> None:
        def bounds(who: Person) -> tuple[float, float]:
            return (2.5, 8) if who.newborn else (5, 80) if who.child else (45, 105)

        for plan in ordinary:
            low, high = bounds(plan.person)
            assert low <= plan.person.weight <= high


class TestACleanUnit:
    """A routine unit meets the rules by construction: each clause is checked on its own."""

    def test_that_nothing_is_left_out_and_nobody_reacts(self, routine: list[Plan]) -> None:
        assert {plan.urgency for plan in routine} == {ROUTINE}
        assert not any(unit.defects or unit.reaction for plan in routine for unit in plan.units)

    def test_that_groups_suit_by_the_tables(self, ordinary: list[Plan]) -> None:
        """COMP-01, COMP-04 to COMP-06: S23, S25, S28, S26; routine or not."""
        for plan in ordinary:
            table = default_policy().matrix(MATRICES[plan.component], plan.ordered)
            abo, rhd = plan.person.group.split(maxsplit=1)
            for unit in plan.units:
                theirs, its = unit.bag.group.split(maxsplit=1)
                assert table.cell(abo, theirs) in ("no-objection", "note")
                assert its == rhd or "negative" in its

    def test_that_units_are_within_their_limits(self, routine: list[Plan]) -> None:
        """TIM-04 (S17, S31) and PRE-04 (S15, S47)."""
        for plan in routine:
            for unit in plan.units:
                assert unit.issued < unit.checked < unit.start < unit.ends
                assert unit.ends - unit.issued < LIMIT
                assert unit.ends < unit.bag.expires
                assert unit.start - plan.sampled < timedelta(hours=72)

    def test_that_one_unit_follows_another(self, routine: list[Plan]) -> None:
        several = [plan for plan in routine if len(plan.units) > 1]
        assert several
        for plan in several:
            for before, after in zip(plan.units, plan.units[1:], strict=False):
                assert before.ends < after.checked

    def test_that_the_rate_empties_the_bag(self, routine: list[Plan]) -> None:
        for plan in routine:
            for unit in plan.units:
                assert unit.bag.volume * 0.8 <= unit.given <= unit.bag.volume

    def test_that_a_child_runs_slower_than_what_must_be_warmed(self, routine: list[Plan]) -> None:
        """PRE-10 (S35): 15 mL/kg/h."""
        children = [plan for plan in routine if plan.person.child]
        assert children
        for plan in children:
            assert plan.units[0].rates[1] <= 15 * plan.person.weight


class TestTheBag:
    """Its printed and scanned marks are ISBT 128 (ST-001), on the facility of the examples."""

    def test_that_a_scanner_reads_what_was_planned(self, ordinary: list[Plan]) -> None:
        for unit in (unit for plan in ordinary[:100] for unit in plan.units):
            scans = [read_scan(scan) for scan in unit.bag.scans]
            assert [scan.fault for scan in scans] == [None] * 4
            values: list[Any] = [scan.value for scan in scans]
            assert values[0].din == unit.bag.din
            assert values[0].din.startswith("A9999")
            assert values[1].product == unit.bag.product


class TestWhatGoesWrong:
    """Ordinary traffic has each kind of trouble."""

    def test_that_every_defect_occurs(self) -> None:
        found = {
            defect
            for plan in some(4, routine=False, count=2500)
            for unit in plan.units
            for defect in unit.defects
        }
        assert found == set(shipped().of("defect"))

    def test_that_reactions_end_the_order(self) -> None:
        reacted = [
            plan
            for plan in some(4, routine=False, count=2500)
            if any(unit.reaction for unit in plan.units)
        ]
        assert reacted
        for plan in reacted:
            assert [bool(unit.reaction) for unit in plan.units][:-1] == [False] * (
                len(plan.units) - 1
            )
            last = plan.units[-1]
            assert last.reaction is not None
            assert last.start < last.reaction.onset
            assert last.stopped == (last.reaction.onset < last.ends)

    def test_that_emergencies_start_before_the_crossmatch(self) -> None:
        found = [plan for plan in some(4, routine=False, count=2500) if plan.urgency == EMERGENCY]
        assert {plan.crossmatched for plan in found} == {True, False}
        for plan in found:
            assert plan.units[0].start - plan.ordered < timedelta(hours=1)
            if not plan.crossmatched and plan.component == "red_cells":
                assert plan.units[0].bag.group.startswith("O ")


def test_that_the_first_day_is_the_fourth_of_january() -> None:
    assert hung_at(0, shipped()) >= datetime(2027, 1, 4, tzinfo=UTC)
