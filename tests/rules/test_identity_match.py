"""Exact-match semantics (rules.md 2.1, from "exact match" in [S14][S15])."""

from typing import Any
from unicodedata import normalize

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.facts.identity import Identifier, PersonName
from service.facts.records import PatientRecord
from service.rules.identity_match import (
    band_side,
    compare_label,
    compare_records,
    label_side,
    record_sides,
    same_birth_date,
    same_name,
    scan_differs,
    scanned,
)
from tests.support.cases import MRN, PATIENT_SYSTEM, a_band, a_label

OTHER = "https://harrow-vale.example/id/national"
ROOM = "https://harrow-vale.example/id/room"
SYSTEMS = frozenset({PATIENT_SYSTEM, OTHER})


def differs(band: dict[str, Any], label: dict[str, Any], *rendering: str) -> tuple[str, ...]:
    sides = band_side(a_band(**band)), label_side(a_label(**label))
    return compare_label(*sides, SYSTEMS, rendering).differs


class TestNames:
    """Case-insensitive; NFC; leading and trailing space trimmed; nothing else is folded."""

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ("ASHGROVE", "Ashgrove"),
            (" Ashgrove\t", "Ashgrove"),
            ("Zoë", normalize("NFD", "Zoë")),
            ("ŁUKASZ", "łukasz"),
        ],
    )
    def test_equal(self, one: str, other: str) -> None:
        assert same_name(one, other)

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ("O'NEIL", "ONEIL"),
            ("O'NEIL", "O’NEIL"),
            ("Smith-Jones", "Smith Jones"),
            ("Zoë", "Zoe"),
            ("Jon", "John"),
            ("Bob", "Robert"),
            ("Ash grove", "Ash  grove"),
            ("Wren", "Wren Iris"),
            ("Weiß", "Weiss"),
        ],
    )
    def test_different(self, one: str, other: str) -> None:
        assert not same_name(one, other)

    @given(st.text(max_size=12), st.text(max_size=12))
    def test_symmetric(self, one: str, other: str) -> None:
        assert same_name(one, other) == same_name(other, one)

    @given(st.text(min_size=1, max_size=12), st.characters(categories=["L", "N"]))
    def test_one_more_letter_is_another_name(self, name: str, letter: str) -> None:
        longer = normalize("NFC", name + letter)
        assume(len(longer.strip().lower()) != len(normalize("NFC", name).strip().lower()))
        assert not same_name(name, longer)


class TestBirthDates:
    """Compared as full dates; a partial date matches nothing."""

    def test_equal_full_dates(self) -> None:
        assert same_birth_date("1961-04-12", " 1961-04-12 ")

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ("1961-04-12", "1961-12-04"),
            ("1961", "1961"),
            ("1961-04", "1961-04"),
            ("1961-04-12", "1961-04"),
            ("19610412", "19610412"),
            ("1961-02-30", "1961-02-30"),
        ],
    )
    def test_different_or_partial(self, one: str, other: str) -> None:
        assert not same_birth_date(one, other)


class TestIdentifiers:
    """With the system, byte for byte: leading zeros, case and inner space are significant."""

    @pytest.mark.parametrize("value", ["43817", "0043817X", "004 3817", "0043871", "OO43817"])
    def test_another_value(self, value: str) -> None:
        assert differs({}, {"identifiers": (Identifier(PATIENT_SYSTEM, value),)}) == ("identifier",)

    def test_letters_are_not_folded(self) -> None:
        band = {"identifiers": (Identifier(PATIENT_SYSTEM, "a7"),)}
        label = {"identifiers": (Identifier(PATIENT_SYSTEM, "A7"),)}
        assert differs(band, label) == ("identifier",)

    def test_the_same_value_in_another_system_is_another_identifier(self) -> None:
        label = label_side(a_label(identifiers=(Identifier(OTHER, MRN.value),)))
        found = compare_label(band_side(a_band()), label, SYSTEMS)
        assert found.differs == ("identifier",)
        assert found.shown == (
            ("identifier on the band", MRN.token),
            ("identifier on the label", f"{OTHER}|{MRN.value}"),
        )

    def test_a_third_that_differs_is_never_outvoted(self) -> None:
        mine = (MRN, Identifier(OTHER, "1"))
        theirs = (MRN, Identifier(OTHER, "2"))
        found = compare_label(
            band_side(a_band(identifiers=mine)), label_side(a_label(identifiers=theirs)), SYSTEMS
        )
        assert found.differs == ("identifier",)
        assert [value for _, value in found.shown] == [f"{OTHER}|1", f"{OTHER}|2"]

    def test_one_side_may_carry_a_number_more(self) -> None:
        assert differs({"identifiers": (MRN, Identifier(OTHER, "1"))}, {}) == ()

    def test_two_values_of_one_system_on_the_label_leave_it_open_whose_it_is(self) -> None:
        both = (MRN, Identifier(PATIENT_SYSTEM, "0099102"))
        assert differs({}, {"identifiers": both}) == ("identifier",)
        assert differs({"identifiers": both}, {}) == ("identifier",)

    def test_a_room_that_agrees_does_not_stand_in_for_the_patients_number(self) -> None:
        room = Identifier(ROOM, "12")
        mine = {"identifiers": (MRN, room)}
        assert differs(mine, {"identifiers": (room,)}) == ("identifier",)

    def test_a_band_that_carries_only_a_room_compares_nothing(self) -> None:
        assert differs({"identifiers": (Identifier(ROOM, "12"),)}, {}) == ()


class TestFields:
    """Every field on the band must be on the label, and equal."""

    @pytest.mark.parametrize(
        ("field", "value"),
        [
            ("birth date", {"birth_date": "1961-04-13"}),
            ("family", {"name": PersonName(family="Ashgrov", given="Wren")}),
            ("given", {"name": PersonName(family="Ashgrove", given="Wrenn")}),
            ("sample number", {"sample_number": "S250601-18"}),
        ],
    )
    def test_both_strings_are_shown(self, field: str, value: dict[str, Any]) -> None:
        found = compare_label(band_side(a_band()), label_side(a_label(**value)), SYSTEMS)
        assert found.differs == (field,)
        assert [label for label, _ in found.shown] == [
            f"{field} on the band",
            f"{field} on the label",
        ]

    @pytest.mark.parametrize(
        ("lacking", "value"),
        [
            ("birth date on the label", {"birth_date": None}),
            ("family on the label", {"name": PersonName(given="Wren")}),
            ("given on the label", {"name": PersonName(family="Ashgrove", given="  ")}),
            ("identifier on the label", {"identifiers": ()}),
        ],
    )
    def test_a_field_not_on_the_label_is_missing(self, lacking: str, value: dict[str, Any]) -> None:
        found = compare_label(band_side(a_band()), label_side(a_label(**value)), SYSTEMS)
        assert (found.differs, found.missing) == ((), (lacking,))

    def test_a_sample_number_on_one_side_only_is_not_compared(self) -> None:
        for band, label in (({"sample_number": None}, {}), ({}, {"sample_number": None})):
            sides = band_side(a_band(**band)), label_side(a_label(**label))
            assert compare_label(*sides, SYSTEMS).missing == ()


class TestRendering:
    """POL-31: a printer that truncates gets a row; none by default."""

    LONG = PersonName(family="Ashgrove-Thistlewood", given="Wren")
    CUT = PersonName(family="ASHGROVE-THIST", given="WREN")

    def test_without_a_row_a_cut_name_differs(self) -> None:
        assert differs({"name": self.LONG}, {"name": self.CUT}) == ("family",)

    def test_with_a_row_the_cut_name_matches(self) -> None:
        assert differs({"name": self.LONG}, {"name": self.CUT}, "family:14") == ()

    def test_a_row_for_another_field_or_length_changes_nothing(self) -> None:
        assert differs({"name": self.LONG}, {"name": self.CUT}, "given:14") == ("family",)
        assert differs({"name": self.LONG}, {"name": self.CUT}, "family:13", "note") == ("family",)


class TestRecords:
    """Whole band against whole record; never one field from each of two records."""

    def record(self, **overrides: Any) -> PatientRecord:
        given = {
            "identifiers": (MRN,),
            "names": (PersonName(family="Ashgrove", given="Wren"),),
            "birth_date": "1961-04-12",
        }
        return PatientRecord(**(given | overrides))

    def compared(self, *records: PatientRecord) -> Any:
        sides = tuple(side for record in records for side in record_sides(record))
        return compare_records(band_side(a_band()), sides, SYSTEMS)

    def test_a_record_after_a_join_may_hold_several_numbers(self) -> None:
        joined = self.record(identifiers=(MRN, Identifier(PATIENT_SYSTEM, "0077777")))
        assert self.compared(joined).differs == ()

    def test_any_of_a_records_names_may_fit_as_a_whole(self) -> None:
        names = (PersonName(family="Holm", given="Wren"), PersonName(family="Ashgrove", given="W"))
        assert self.compared(self.record(names=names)).differs == ("family",)
        fitting = (*names, PersonName(family="Ashgrove", given="Wren"))
        assert self.compared(self.record(names=fitting)).differs == ()

    def test_two_records_never_complete_each_other(self) -> None:
        wrong_name = self.record(names=(PersonName(family="Holm", given="Wren"),))
        wrong_date = self.record(birth_date="1961-04-13")
        assert self.compared(wrong_name, wrong_date).differs != ()

    def test_a_bare_record_hides_no_difference(self) -> None:
        bare = PatientRecord(identifiers=(MRN,))
        wrong = self.record(birth_date="1961-04-13")
        assert self.compared(bare, wrong).differs == ("birth date",)

    def test_a_bare_record_alone_leaves_fields_missing(self) -> None:
        assert self.compared(PatientRecord(identifiers=(MRN,))).missing == (
            "family on the patient record",
            "given on the patient record",
            "birth date on the patient record",
        )


class TestScans:
    """ID-20: machine identification is derived from the raw scans, never from a flag."""

    def test_a_scan_equal_to_a_number_of_the_band_identifies(self) -> None:
        assert scanned(a_band())

    @pytest.mark.parametrize("scans", [(), ("43817",), ("prefix0043817",), ("0099102",)])
    def test_any_other_scan_does_not(self, scans: tuple[str, ...]) -> None:
        assert not scanned(a_band(scans=scans))

    def test_a_scan_that_holds_none_of_the_numbers_differs(self) -> None:
        assert scan_differs(a_band(scans=("0099102",))).differs == ("band scan",)

    @pytest.mark.parametrize(
        "band",
        [
            {"scans": ()},
            {"identifiers": ()},
            {"scans": ("prefix0043817",)},
            {"scans": ("12-B", "0043817")},
        ],
    )
    def test_a_scan_that_holds_one_or_cannot_be_compared_does_not(
        self, band: dict[str, Any]
    ) -> None:
        assert scan_differs(a_band(**band)).differs == ()
