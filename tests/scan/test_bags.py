"""The bag's own label: scans first, typed values where there are none, contradictions refused."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.moment import Moment
from service.facts.unit import Group, UnitRef
from service.scan import Typed, read_bag

ZONE = ZoneInfo("America/New_York")
VECTORS: dict[str, Any] = json.loads(
    Path("tests/data/isbt128_vectors.json").read_text(encoding="utf-8")
)
DIN, GROUP, PRODUCT, EXPIRY = "=A99992112345600", "=%6200", "=<E0398V00", "&>0212142359"
UNIT = UnitRef(din="A999921123456", product="E0398", division="000000", collection="V")


class TestScannedBag:
    """ST-001 6.2.2, 2.2 to 2.4: what the four symbols of a blood label say."""

    def test_four_symbols(self) -> None:
        bag = read_bag([DIN, GROUP, PRODUCT, EXPIRY], zone=ZONE)
        assert bag.unit == UNIT
        assert bag.group == Group(abo="A", rhd="positive")
        assert bag.expiry is not None
        assert bag.expiry.instant == datetime(2021, 8, 3, 3, 59, tzinfo=UTC)
        assert (bag.scanned, bag.faults) == (True, ())

    def test_one_compound_symbol_says_the_same(self) -> None:
        """The compound message and its parts are all listed."""
        whole = VECTORS["compound"][0]["code"]
        singly = read_bag([DIN, GROUP, PRODUCT, EXPIRY], zone=ZONE)
        bag = read_bag([whole], zone=ZONE)
        assert (bag.unit, bag.group, bag.expiry) == (singly.unit, singly.group, singly.expiry)
        assert [scan.structure for scan in bag.scans] == ["023", "001", "002", "003", "005"]
        assert bag.scanned

    @given(st.permutations([DIN, GROUP, PRODUCT, EXPIRY, DIN, PRODUCT]))
    def test_neither_order_nor_repetition_matters(self, raws: list[str]) -> None:
        bag = read_bag(raws, zone=ZONE)
        assert (bag.unit, bag.scanned, bag.faults) == (UNIT, True, ())

    def test_nothing_scanned_is_nothing_known(self) -> None:
        bag = read_bag([], zone=ZONE)
        assert (bag.unit, bag.group, bag.expiry, bag.scanned) == (UnitRef(), None, None, False)

    @pytest.mark.parametrize("raws", [[DIN], [PRODUCT], [DIN, GROUP, EXPIRY]])
    def test_a_number_without_product_does_not_identify_a_bag(self, raws: list[str]) -> None:
        """Every component of one donation carries the same donation number (2.4.1, 2.4.3)."""
        bag = read_bag(raws, zone=ZONE)
        assert not bag.scanned
        assert bag.unit.key is None

    def test_antigens_at_a_group_prompt_are_no_group(self) -> None:
        """2.2, the published hazard."""
        bag = read_bag([VECTORS["wrong_structure"][0]["code"]], zone=ZONE)
        assert bag.group is None
        assert ("c", False) in bag.antigens


class TestDivision:
    """2.4.32: structure 032 holds the division where the product code says 99; it wins."""

    def test_wide_division(self) -> None:
        bag = read_bag([DIN, "=<E0398V99", "=,AABB00"], zone=ZONE)
        assert (bag.unit.division, bag.faults) == ("AABB00", ())

    def test_wide_division_beside_an_undivided_code(self) -> None:
        bag = read_bag([DIN, PRODUCT, "=,A00000"], zone=ZONE)
        assert (bag.unit.division, bag.faults) == ("A00000", ())

    def test_a_missing_division_is_unknown_and_equals_nothing(self) -> None:
        bag = read_bag([DIN, "=<E0398V99"], zone=ZONE)
        assert bag.unit.division is None
        assert bag.unit.key is None

    def test_two_divisions_contradict_each_other(self) -> None:
        assert read_bag([DIN, "=<E0398VAa", "=,Ab0000"], zone=ZONE).faults
        bag = read_bag([DIN, PRODUCT, "=,A00000", "=,B00000"], zone=ZONE)
        assert bag.unit.division is None
        assert bag.faults


class TestContradiction:
    """Scans that contradict each other are a fault and are not used."""

    @pytest.mark.parametrize(
        ("raws", "lost"),
        [
            ([DIN, "=A99992112345700", PRODUCT], "din"),
            ([DIN, PRODUCT, "=<E0398V0a"], None),
            ([DIN, PRODUCT, "=<E4306V00"], "product"),
        ],
    )
    def test_two_values_of_one_kind(self, raws: list[str], lost: str | None) -> None:
        bag = read_bag(raws, zone=ZONE)
        assert bag.faults
        assert not bag.scanned
        if lost:
            assert getattr(bag.unit, lost) is None

    def test_a_flexible_date_is_an_expiry_where_it_says_so(self) -> None:
        """2.4.31: kind 01 is an expiry, 02 a collection."""
        bag = read_bag([DIN, PRODUCT, "=(2001202605311530"], zone=ZONE)
        assert bag.expiry is not None
        assert bag.expiry.instant == datetime(2026, 5, 31, 15, 30, tzinfo=UTC)
        assert read_bag([DIN, PRODUCT, "=(2002202605311530"], zone=ZONE).expiry is None
        assert read_bag([EXPIRY, "=(2001202605311530"], zone=ZONE).faults

    def test_two_groups_or_two_expiries(self) -> None:
        bag = read_bag([GROUP, "=%9500", EXPIRY, "&>0212152359"], zone=ZONE)
        assert (bag.group, bag.expiry) == (None, None)
        assert len(bag.faults) == 2

    def test_two_results_for_one_antigen(self) -> None:
        bag = read_bag(["=%51S0", "=%51T0"], zone=ZONE)
        assert bag.antigens == ()
        assert bag.faults

    @pytest.mark.parametrize(
        "raw", ["='A999900395A", "=-XX00027QzE", "&-00001234rZ", "&#0106M41927", "=#0119680309"]
    )
    def test_what_is_printed_on_people_and_supplies_is_no_bag(self, raw: str) -> None:
        bag = read_bag([DIN, PRODUCT, raw], zone=ZONE)
        assert bag.faults
        assert bag.scans[-1].fault

    def test_a_tube_label_identifies_no_bag(self) -> None:
        """Table 3, flags 07."""
        bag = read_bag(["=A99992112345607", PRODUCT], zone=ZONE)
        assert bag.unit.din is None
        assert not bag.scanned
        assert bag.faults

    def test_the_same_fault_is_said_once(self) -> None:
        assert len(read_bag(["xx", "yy"], zone=ZONE).faults) == 1


class TestTypedValues:
    """Typed values count where nothing was scanned, and must agree where something was."""

    def test_typed_alone(self) -> None:
        until = Moment(text="2021-08-02")
        typed = Typed(
            donation_number="A9999 21 123456 3",
            product_code="E0398V00",
            group=Group(abo="A", rhd="positive"),
            expiry=until,
        )
        bag = read_bag([], zone=ZONE, typed=typed)
        assert bag.unit == UNIT
        assert (bag.group, bag.expiry) == (typed.group, until)
        assert (bag.scanned, bag.faults) == (False, ())
        assert bag.donation_text == "A9999 21 123456 3"

    def test_typing_is_never_machine_identification(self) -> None:
        bag = read_bag([PRODUCT], zone=ZONE, typed=Typed(donation_number="A999921123456"))
        assert bag.unit.key is not None
        assert not bag.scanned

    def test_a_wrong_check_character_is_not_used(self) -> None:
        """Red Book annex 2 [S21]: G123498654321 has H."""
        bag = read_bag([], zone=ZONE, typed=Typed(donation_number="G123498654321J"))
        assert bag.unit.din is None
        assert bag.faults

    def test_five_characters_leave_the_division_unknown(self) -> None:
        bag = read_bag([DIN], zone=ZONE, typed=Typed(product_code="E0398"))
        assert (bag.unit.product, bag.unit.division, bag.unit.key) == ("E0398", None, None)

    @pytest.mark.parametrize(
        "typed",
        [
            Typed(donation_number="A999921123457"),
            Typed(product_code="E4306"),
            Typed(product_code="E0398VAa"),
            Typed(group=Group(abo="O", rhd="positive")),
            Typed(expiry=Moment(text="", instant=datetime(2021, 8, 4, tzinfo=UTC))),
        ],
    )
    def test_a_typed_value_that_differs_is_a_fault(self, typed: Typed) -> None:
        bag = read_bag([DIN, GROUP, PRODUCT, EXPIRY], zone=ZONE, typed=typed)
        assert len(bag.faults) == 1
        assert bag.unit == UNIT

    def test_a_typed_value_that_agrees_is_none(self) -> None:
        typed = Typed(donation_number="A9999211234563", product_code="E0398")
        assert read_bag([DIN, PRODUCT], zone=ZONE, typed=typed).faults == ()

    def test_a_typed_number_does_not_decide_between_two_scans(self) -> None:
        raws = [DIN, "=A99992112345700", PRODUCT]
        bag = read_bag(raws, zone=ZONE, typed=Typed(donation_number="A999921123456"))
        assert bag.unit.din is None
