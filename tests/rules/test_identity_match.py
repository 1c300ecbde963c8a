"""Exact-match semantics (rules.md 2.1, from "exact match" in [S14][S15])."""

from dataclasses import replace
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
    scan_parts,
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

    @pytest.mark.parametrize("value", ["12", "13"])
    @pytest.mark.parametrize(
        ("band", "label", "lacking"),
        [
            ("room", "room", ("identifier on the band", "identifier on the label")),
            ("room", "both", ("identifier on the band",)),
            ("both", "room", ("identifier on the label",)),
            ("none", "none", ("identifier on the band", "identifier on the label")),
            ("none", "both", ("identifier on the band",)),
        ],
    )
    def test_a_number_that_is_not_the_patients_identifies_nobody(
        self, band: str, label: str, lacking: tuple[str, ...], value: str
    ) -> None:
        room = Identifier(ROOM, value)
        numbers = {"room": (room,), "both": (MRN, room), "none": ()}
        sides = a_band(identifiers=numbers[band]), a_label(identifiers=numbers[label])
        found = compare_label(band_side(sides[0]), label_side(sides[1]), SYSTEMS)
        assert found.missing == lacking

    def test_a_room_on_both_that_differs_is_a_difference_too(self) -> None:
        band = {"identifiers": (MRN, Identifier(ROOM, "12"))}
        label = {"identifiers": (MRN, Identifier(ROOM, "13"))}
        assert differs(band, label) == ("identifier",)

    def test_two_numbers_of_the_patient_in_no_common_system_differ(self) -> None:
        assert differs({}, {"identifiers": (Identifier(OTHER, "1"),)}) == ("identifier",)


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

    def test_a_number_that_no_record_holds_differs(self) -> None:
        """From "exact match on every identifier": also where the record has no such number."""
        read = band_side(a_band(identifiers=(MRN, Identifier(OTHER, "1"))))
        for held in ((MRN,), (MRN, Identifier(OTHER, "2"))):
            found = compare_records(read, record_sides(self.record(identifiers=held)), SYSTEMS)
            assert found.differs == ("identifier",)
            assert ("identifier on the band", f"{OTHER}|1") in found.shown

    def test_a_number_may_be_on_another_of_the_patients_records(self) -> None:
        bare = PatientRecord(identifiers=(Identifier(OTHER, "1"),))
        read = band_side(a_band(identifiers=(MRN, Identifier(OTHER, "1"))))
        sides = (*record_sides(self.record()), *record_sides(bare))
        assert compare_records(read, sides, SYSTEMS).differs == ()

    def test_numbers_of_two_records_are_not_mixed(self) -> None:
        one = self.record(identifiers=(MRN, Identifier(OTHER, "1")))
        two = self.record(identifiers=(Identifier(PATIENT_SYSTEM, "77"), Identifier(OTHER, "2")))
        read = band_side(a_band(identifiers=(MRN, Identifier(OTHER, "2"))))
        sides = (*record_sides(one), *record_sides(two))
        assert compare_records(read, sides, SYSTEMS).differs == ("identifier",)

    def test_a_record_without_the_patients_numbers_leaves_them_missing(self) -> None:
        for held in ((), (Identifier(ROOM, "12"),)):
            found = self.compared(self.record(identifiers=held))
            assert (found.differs, found.missing) == ((), ("identifier on the patient record",))

    def test_numbers_in_no_common_system_differ(self) -> None:
        assert self.compared(self.record(identifiers=(Identifier(OTHER, "1"),))).differs == (
            "identifier",
        )

    def test_a_bare_record_alone_leaves_fields_missing(self) -> None:
        assert self.compared(PatientRecord(identifiers=(MRN,))).missing == (
            "family on the patient record",
            "given on the patient record",
            "birth date on the patient record",
        )


class TestScans:
    """ID-20: machine identification is derived from the raw scans, never from a flag. ID-01: the
    policy row band-pattern; what its first group captures is the number (derived)."""

    PATTERN = (r"W-(\d{7})",)

    def scanned(self, *patterns: str, **band: Any) -> bool:
        return scanned(a_band(**band), SYSTEMS, patterns)

    def strange(self, *patterns: str, **band: Any) -> tuple[str, ...]:
        found = scan_differs(a_band(**band), patterns)
        assert found.differs == (("band scan",) if found.shown else ())
        return tuple(text for place, text in found.shown if place == "scan of the band")

    def test_a_scan_equal_to_a_number_of_the_band_identifies(self) -> None:
        assert self.scanned()
        assert self.strange() == ()

    @pytest.mark.parametrize(
        "scan",
        [
            "43817",
            "prefix0043817",
            "0043817X",
            "00438171",
            "0099102",
            "]C00043817",
            "   ",
            "\u200b0043817",
            "\uff10043817",
        ],
    )
    def test_any_other_scan_is_of_something_else(self, scan: str) -> None:
        for scans in ((scan,), (MRN.value, scan), (scan, MRN.value)):
            assert not self.scanned(scans=scans)
            assert self.strange(scans=scans) == (scan,)

    def test_no_scan_identifies_nobody_and_differs_from_nothing(self) -> None:
        assert not self.scanned(scans=())
        assert self.strange(scans=()) == ()

    def test_space_around_a_scan_is_trimmed(self) -> None:
        assert self.scanned(scans=(f" {MRN.value}\r",))

    def test_a_pattern_says_which_part_is_the_number(self) -> None:
        assert self.scanned(*self.PATTERN, scans=("W-0043817",))
        assert self.strange(*self.PATTERN, scans=("W-0043817",)) == ()

    def test_the_part_must_be_the_whole_number(self) -> None:
        assert not self.scanned(*self.PATTERN, scans=("W-0099102",))
        assert self.strange(*self.PATTERN, scans=("W-0099102",)) == ("W-0099102",)
        assert self.strange(r"W-00(\d{5})", scans=("W-0043817",)) == ("W-0043817",)

    def test_a_scan_of_a_chart_sticker_identifies_nobody(self) -> None:
        """It fits no pattern; that it is refused is ID-01's to say."""
        for scans in ((MRN.value,), ("W-0043817", MRN.value)):
            assert not self.scanned(*self.PATTERN, scans=scans)
            assert self.strange(*self.PATTERN, scans=scans) == ()

    def test_a_pattern_without_a_group_takes_the_whole_scan(self) -> None:
        assert self.scanned(r"\d{7}")
        assert self.strange(r"W-\d{7}", scans=("W-0043817",)) == ("W-0043817",)

    def test_one_of_several_patterns_is_enough(self) -> None:
        assert self.scanned(r"X-(\d+)", *self.PATTERN, scans=("W-0043817",))

    @pytest.mark.parametrize("pattern", ["(", r"W-(x)?\d{7}"])
    def test_a_pattern_that_says_nothing_lets_no_scan_pass(self, pattern: str) -> None:
        assert scan_parts("W-0043817", (pattern,)) == frozenset()

    def test_a_scan_of_a_room_on_the_band_is_not_the_patient(self) -> None:
        room = Identifier(ROOM, "12")
        both = {"identifiers": (MRN, room)}
        assert not self.scanned(scans=("12",), **both)
        assert self.scanned(scans=("12", MRN.value), **both)
        assert self.strange(scans=("12", MRN.value), **both) == ()

    def test_a_scan_of_the_bands_sample_number_is_of_the_band_and_not_of_the_patient(self) -> None:
        number = a_band().sample_number or ""
        assert self.strange(scans=(number,)) == ()
        assert not self.scanned(scans=(number,))

    def test_without_a_number_read_from_the_band_nothing_can_be_compared(self) -> None:
        assert self.strange(identifiers=()) == ()
        assert not self.scanned(identifiers=())


class TestRenderingOfTheRecord:
    """POL-31: what the label's printer cuts is cut in the record too, never on the label."""

    def compared(self, label: str, cuts: tuple[str, ...]) -> tuple[str, ...]:
        record = PatientRecord(
            identifiers=(MRN,),
            names=(PersonName(family="Ashgrove-Thistlewood", given="Wren"),),
            birth_date="1961-04-12",
        )
        read = label_side(a_label(name=PersonName(family=label, given="Wren")))
        sides = tuple(replace(side, cuts=cuts) for side in record_sides(record))
        return compare_records(read, sides, SYSTEMS).differs

    def test_a_cut_name(self) -> None:
        assert self.compared("ASHGROVE-THIST", ("family:14",)) == ()
        assert self.compared("ASHGROVE-THIST", ()) == ("family",)

    def test_a_longer_name_on_the_label_is_another(self) -> None:
        assert self.compared("ASHGROVE-THISTLE", ("family:14",)) == ("family",)

    def test_a_row_that_gives_no_length_cuts_nothing(self) -> None:
        assert self.compared("ASHGROVE-THIST", ("family:all",)) == ("family",)
