"""Raw scans against ST-001 6.2.2 (ICCBBA, ISBT 128 Standard Technical Specification)."""

import json
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.unit import LabelMessage, Restriction
from service.scan import check_character, division_of, read_scan
from service.scan.groups import GROUPS
from service.scan.isbt128 import ALPHABET
from service.scan.structures import STRUCTURES
from service.scan.values import (
    BirthDate,
    Catalogue,
    Division,
    Donation,
    GroupLabel,
    LabelTime,
    Lot,
    PatientNumber,
    ProductLabel,
    RedCellAntigens,
    StaffNumber,
)

VECTORS: dict[str, Any] = json.loads(
    Path("tests/data/isbt128_vectors.json").read_text(encoding="utf-8")
)
FIRST = "ABCDEFGHIJKLMNPQRSTUVWXYZ123456789"
DINS = st.builds(
    lambda first, rest, digits: first + rest + digits,
    st.sampled_from(FIRST),
    st.text("ABCDEFGHIJKLMNPQRSTUVWXYZ0123456789", min_size=2, max_size=2),
    st.text("0123456789", min_size=10, max_size=10),
)


def din_of(raw: str) -> str | None:
    value = read_scan(raw).value
    return value.din if isinstance(value, Donation) else None


class TestDataIdentifierComesFirst:
    """2.2: analyse the data identifier, then length and format, before any data value."""

    def test_the_published_hazard_is_no_blood_group(self) -> None:
        """The antigens of an O RhD negative unit hold 6200, which is A RhD positive elsewhere."""
        trap = VECTORS["wrong_structure"][0]["code"]
        found = read_scan(trap)
        assert found.structure == "012"
        assert not isinstance(found.value, GroupLabel)

    def test_the_published_group_is_one(self) -> None:
        found = read_scan(VECTORS["blood_group"][0]["code"])
        assert isinstance(found.value, GroupLabel)
        assert found.value.group.text == "A RhD positive"
        assert found.value.antigens == ()

    @pytest.mark.parametrize(
        "raw", ["", "=", "&", "6200", "A999921123456", "a=%6200", "=a9999", "]C0=%6200"]
    )
    def test_a_string_without_identifier_is_no_scan(self, raw: str) -> None:
        found = read_scan(raw)
        assert (found.structure, found.value) == (None, None)
        assert found.fault

    @pytest.mark.parametrize(
        "raw",
        [
            "=%620",
            "=%62000",
            "=%6200\r",
            "=%6200 ",
            " =%6200",
            "=<E0398V0",
            "=<E0398V000",
            "=<e0398V00",
            "&>02121423590",
            "&>021214235",
            "=>02021",
            "=A9999211234560",
            "=A9999211234560000",
            "=A99992112345６00",
            "=A٣9992112345600",
            "=\\62000000000000000",
        ],
    )
    def test_wrong_length_or_characters_say_nothing(self, raw: str) -> None:
        found = read_scan(raw)
        assert found.fault
        assert found.value is None

    @given(st.text(max_size=60) | st.text("=&%<>\\+#(,A9012", max_size=60))
    def test_any_string_is_answered(self, raw: str) -> None:
        found = read_scan(raw)
        assert found.raw == raw
        assert (found.fault is None) or (found.value is None and not found.parts)

    @given(st.sampled_from(STRUCTURES), st.text(max_size=40))
    def test_any_content_is_answered(self, structure: Any, data: str) -> None:
        found = read_scan(structure.identifier + data)
        assert found.fault is None or found.value is None

    def test_no_identifier_hides_another(self) -> None:
        identifiers = [structure.identifier for structure in STRUCTURES]
        assert len(set(identifiers)) == len(identifiers)
        assert not any(len(one) == 3 and one[:2] in identifiers for one in identifiers)


class TestDonationNumber:
    """2.4.1 and appendix A: 13 characters, two flags, check character modulo 37-2."""

    @pytest.mark.parametrize("vector", VECTORS["din_check_characters"], ids=lambda v: v["din"])
    def test_published_check_characters(self, vector: dict[str, str]) -> None:
        assert check_character(vector["din"]) == vector["check"]
        assert din_of(f"={vector['din']}{vector['type3_flags']}") == vector["din"]

    def test_the_worked_example_is_one_scan(self) -> None:
        assert din_of("=G12341765432170") == "G123417654321"

    @given(DINS)
    def test_only_the_right_checksum_flags_pass(self, din: str) -> None:
        passed = [flags for flags in range(60, 97) if din_of(f"={din}{flags}")]
        assert passed == [60 + ALPHABET.index(check_character(din))]

    @given(DINS, st.integers(0, 12), st.sampled_from(ALPHABET[:-1]))
    def test_one_wrong_character_never_keeps_the_check_character(
        self, din: str, place: int, other: str
    ) -> None:
        wrong = din[:place] + other + din[place + 1 :]
        assert (wrong == din) == (check_character(wrong) == check_character(din))

    @given(DINS, st.integers(0, 11))
    def test_two_neighbours_swapped_never_keep_the_check_character(
        self, din: str, place: int
    ) -> None:
        swapped = din[:place] + din[place + 1] + din[place] + din[place + 2 :]
        assert (swapped == din) == (check_character(swapped) == check_character(din))

    @pytest.mark.parametrize("flags", ["06", "07", "08", "09", "10", "11"])
    def test_a_tube_or_record_label_is_no_bag(self, flags: str) -> None:
        """Table 3: 06 to 10 are tubes, samples and the donor record, 11 a label to match."""
        found = read_scan(f"=A999921123456{flags}")
        assert found.structure == "001"
        assert found.value is None
        assert found.fault is not None
        assert "not a bag" in found.fault

    @pytest.mark.parametrize(
        ("flags", "container"),
        [("00", None), ("01", 1), ("04", 4), ("15", 5), ("19", 9), ("05", None), ("20", None),
         ("59", None), ("12", None), ("13", None)],
    )  # fmt: skip
    def test_flags_of_a_bag(self, flags: str, container: int | None) -> None:
        """Table 3: containers of a set, a second label, local flags that nobody else interprets."""
        expected = Donation(din="A999921123456", container=container)
        assert read_scan(f"=A999921123456{flags}").value == expected

    @pytest.mark.parametrize("flags", ["14", "97", "98", "99", "A0", "YY"])
    def test_flags_that_are_reserved_are_not_interpreted(self, flags: str) -> None:
        assert read_scan(f"=A999921123456{flags}").value is None

    def test_positions_two_and_three_may_become_letters(self) -> None:
        assert din_of("=ABC122112345600") == "ABC1221123456"

    @pytest.mark.parametrize("first", ["O", "0", "a", "%"])
    def test_a_first_character_outside_the_set_is_no_number(self, first: str) -> None:
        assert din_of(f"={first}99992112345600") is None


class TestBloodGroup:
    """2.4.2 with tables 4, 5 and 6."""

    @pytest.mark.parametrize(
        ("code", "text", "restriction"),
        [
            ("95", "O RhD negative", Restriction.NONE),
            ("51", "O RhD positive", Restriction.NONE),
            ("06", "A RhD negative", Restriction.NONE),
            ("17", "B RhD negative", Restriction.NONE),
            ("73", "B RhD positive", Restriction.NONE),
            ("28", "AB RhD negative", Restriction.NONE),
            ("84", "AB RhD positive", Restriction.NONE),
            ("91", "O RhD negative", Restriction.DIRECTED),
            ("92", "O RhD negative", Restriction.EMERGENCY),
            ("61", "A RhD positive", Restriction.DIRECTED),
            ("63", "A RhD positive", Restriction.AUTOLOGOUS),
            ("53", "O RhD positive", Restriction.AUTOLOGOUS),
            ("55", "O RhD unknown", Restriction.NONE),
            ("88", "AB RhD unknown", Restriction.NONE),
            ("P8", "O RhD unknown", Restriction.AUTOLOGOUS),
            ("A2", "A RhD unknown", Restriction.DIRECTED),
            ("D0", "O RhD unknown", Restriction.NONE),
            ("I0", "A RhD unknown", Restriction.NONE),
            ("G6", "group unknown RhD negative", Restriction.NONE),
            ("K6", "group unknown RhD negative", Restriction.NONE),
        ],
    )
    def test_table_4(self, code: str, text: str, restriction: Restriction) -> None:
        group = GROUPS[code]
        assert (group.text, group.restriction, group.message) == (text, restriction, None)

    @pytest.mark.parametrize("code", ["93", "98", "60", "65"])
    def test_a_biohazard_column_is_a_message_as_well(self, code: str) -> None:
        assert GROUPS[code].message is LabelMessage.BIOHAZARD

    @pytest.mark.parametrize(
        ("code", "rhd"), [("E0", "positive"), ("F0", "negative"), ("G0", None), ("H0", None)]
    )
    def test_a_pool_of_several_groups_has_none(self, code: str, rhd: str | None) -> None:
        group = GROUPS[code]
        assert (group.abo, group.rhd, group.pooled) == (None, rhd, True)

    def test_the_table_has_every_published_code_once(self) -> None:
        """64 numbered codes, 16 lettered rows of 8 less the 4 whose default is a number, those
        4, 12 pooled and sub-group codes and 8 messages."""
        assert len(GROUPS) == 64 + 16 * 8 - 4 + 4 + 12 + 8
        assert len({code for code in GROUPS if code.isdigit()}) == 64 + 4 + 1

    @pytest.mark.parametrize(
        ("code", "message"),
        [
            ("00", LabelMessage.NO_INFORMATION),
            ("Ma", LabelMessage.AUTOLOGOUS),
            ("Mb", LabelMessage.BIOHAZARD),
            ("Md", LabelMessage.DISCARD),
            ("Mf", LabelMessage.FRACTIONATION_ONLY),
            ("Mq", LabelMessage.QUARANTINE),
            ("Mr", LabelMessage.RESEARCH),
            ("Mx", LabelMessage.NOT_FOR_TRANSFUSION),
        ],
    )
    def test_a_special_message_is_no_group(self, code: str, message: LabelMessage) -> None:
        """Table 5."""
        value = read_scan(f"=%{code}00").value
        assert isinstance(value, GroupLabel)
        assert (value.group.abo, value.group.rhd, value.group.message) == (None, None, message)

    @pytest.mark.parametrize("code", ["MD", "mq", "T1", "T4", "01", "10", "99", "P6", "R0"])
    def test_any_other_code_is_no_group(self, code: str) -> None:
        """Codes are case-sensitive; T1 to T6 are for tissue only (table 5)."""
        found = read_scan(f"=%{code}00")
        assert found.value is None
        assert found.fault

    def test_the_published_phenotype(self) -> None:
        """Table 6: r = E is K-, C-, c+, E+, e+."""
        value = read_scan("=%51E0").value
        assert isinstance(value, GroupLabel)
        expected = {"K": False, "C": False, "c": True, "E": True, "e": True}
        assert dict(value.antigens) == expected

    @pytest.mark.parametrize(
        ("code", "antigens"),
        [
            ("0", {}),
            ("S", {"K": False}),
            ("T", {"K": True}),
            ("1", {"C": False, "c": True, "E": False, "e": True}),
            ("R", {"K": True, "C": True, "c": False, "E": True, "e": False}),
            ("Y", {"K": False, "C": False, "E": False}),
            ("U", {"Mia": False}),
            ("W", {}),
        ],
    )
    def test_table_6(self, code: str, antigens: dict[str, bool]) -> None:
        value = read_scan(f"=%62{code}0").value
        assert isinstance(value, GroupLabel)
        assert dict(value.antigens) == antigens

    def test_the_reserved_character_must_be_zero(self) -> None:
        assert read_scan("=%6201").value is None


class TestProductCode:
    """2.4.3 and 2.4.32."""

    @pytest.mark.parametrize(
        ("raw", "expected"),
        [
            ("=<E4306V00", ("E4306", "000000", "V")),
            ("=<S12954A0", ("S1295", "A00000", "4")),
            ("=<E0398VAb", ("E0398", "Ab0000", "V")),
            ("=<E0398V99", ("E0398", None, "V")),
            ("=<X0123000", ("X0123", "000000", "0")),
            ("=<A1234V00", ("A1234", None, None)),
            ("=<T1295003", ("T1295", None, None)),
        ],
    )
    def test_what_the_last_three_characters_say(
        self, raw: str, expected: tuple[str, str | None, str | None]
    ) -> None:
        value = read_scan(raw).value
        assert isinstance(value, ProductLabel)
        assert (value.product, value.division, value.collection) == expected

    def test_a_wide_division(self) -> None:
        assert read_scan("=,A00000").value == Division(division="A00000")

    @pytest.mark.parametrize(
        ("code", "division"),
        [("00", "000000"), ("Aa", "Aa0000"), ("A0", "A00000"), ("99", None), ("0a", None)],
    )
    def test_divisions_become_six_characters(self, code: str, division: str | None) -> None:
        assert division_of(code) == division


class TestExpiry:
    """2.4.4 and 2.4.5: local label time; a day ends at 23:59."""

    @pytest.mark.parametrize("vector", VECTORS["expiry"], ids=lambda v: v["code"])
    def test_published_codes(self, vector: dict[str, str]) -> None:
        value = read_scan(vector["code"]).value
        assert isinstance(value, LabelTime)
        assert value.means == "expiry"
        local = datetime.fromisoformat(vector["means"].removesuffix(" local"))
        zone = ZoneInfo("Europe/London")
        assert value.instant(zone) == local.replace(tzinfo=zone).astimezone(UTC)

    def test_a_bare_date_means_the_end_of_that_day(self) -> None:
        value = read_scan("=>020152").value
        assert isinstance(value, LabelTime)
        assert value.instant(UTC) == datetime(2020, 5, 31, 23, 59, tzinfo=UTC)

    @pytest.mark.parametrize(
        "raw",
        [
            "&>0211460060",
            "&>0211462400",
            "&>0213660000",
            "&>0210000000",
            "&>1213650000",
            "=>021366",
        ],
    )
    def test_no_such_day_or_time(self, raw: str) -> None:
        found = read_scan(raw)
        assert found.value is None
        assert found.fault

    def test_leap_years(self) -> None:
        assert read_scan("=>020366").value == LabelTime(means="expiry", day=date(2020, 12, 31))
        assert read_scan("=>999365").value == LabelTime(means="expiry", day=date(1999, 12, 31))

    def test_a_time_that_the_clocks_show_twice_is_the_earlier_one(self) -> None:
        """From the fixed rule that a unit is not used longer than its label may mean."""
        value = LabelTime(means="expiry", day=date(2026, 10, 25), clock=time(1, 30))
        expected = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
        assert value.instant(ZoneInfo("Europe/London")) == expected

    def test_a_time_that_the_clocks_skip_is_the_earlier_one(self) -> None:
        value = LabelTime(means="expiry", day=date(2026, 3, 29), clock=time(1, 30))
        expected = datetime(2026, 3, 29, 0, 30, tzinfo=UTC)
        assert value.instant(ZoneInfo("Europe/London")) == expected

    def test_other_dates_are_no_expiry(self) -> None:
        for raw, means in (("=*021146", "collection"), ("&}0211461200", "production")):
            value = read_scan(raw).value
            assert isinstance(value, LabelTime)
            assert value.means == means


class TestAntigens:
    """2.4.12 with table 9; 2.4.30 with tables 22 and 23."""

    def test_an_rh_phenotype_with_single_results(self) -> None:
        value = read_scan("=\\640900000000000099").value
        assert value == RedCellAntigens(
            antigens=(
                ("C", True), ("c", False), ("E", False), ("e", True), ("K", False), ("k", False),
            )
        )  # fmt: skip

    def test_rh_antigens_given_singly(self) -> None:
        """Positions 14 to 16 hold C, c, E, e; the last of position 16 is no antigen."""
        value = read_scan("=\\999999999999914500").value
        assert value is not None
        assert isinstance(value, RedCellAntigens)
        assert dict(value.antigens) == {"C": False, "c": False, "E": False, "e": False}

    def test_rh_antigens_in_both_forms_are_refused(self) -> None:
        assert read_scan("=\\600000000000010000").value is None

    def test_the_published_antigen_numbers(self) -> None:
        """FHIR example red-cell-antigen: C+, c-, E-, e+, K-, one test each of another kind."""
        codes = "0040020206", "0040040106", "0040030106", "0040050206", "0060010106"
        value = read_scan("&%005" + "".join(codes)).value
        assert isinstance(value, RedCellAntigens)
        expected = {"C": True, "c": False, "E": False, "e": True, "K": False}
        assert dict(value.antigens) == expected

    def test_the_count_must_be_right(self) -> None:
        assert read_scan("&%0020060010106").fault

    def test_a_result_without_published_meaning_is_refused(self) -> None:
        assert read_scan("&%0010060010906").value is None


class TestOtherStructures:
    """2.4.17 to 2.4.25 and 2.4.31."""

    @pytest.mark.parametrize(
        ("raw", "value"),
        [
            ("=)2XX00AB123", Catalogue(manufacturer="XX", number="00AB123", container="2")),
            ("&)00001234rZ", Lot(number="00001234rZ")),
            ("='A999900395A", StaffNumber(facility="A9999", number="00395A")),
            ("=-XX00027QzE", Catalogue(manufacturer="XX", number="00027QzE")),
            ("&-00001234rZ", Lot(number="00001234rZ")),
            ("&#0106M41927", PatientNumber(place="01", number="M41927")),
            ("=#0119680309", BirthDate(place="01", day=date(1968, 3, 9))),
            (
                "=(2001202605311530",
                LabelTime(means="expiry", day=date(2026, 5, 31), clock=time(15, 30), utc=True),
            ),
        ],
    )
    def test_values(self, raw: str, value: object) -> None:
        assert read_scan(raw).value == value

    @pytest.mark.parametrize(
        "raw", ["&#0107M41927", "&#0105M41927", "=#0119681301", "=(3001202605311530"]
    )
    def test_what_does_not_fit(self, raw: str) -> None:
        assert read_scan(raw).value is None

    def test_a_utc_label_ignores_the_zone(self) -> None:
        value = read_scan("=(2001202605311530").value
        assert isinstance(value, LabelTime)
        expected = datetime(2026, 5, 31, 15, 30, tzinfo=UTC)
        assert value.instant(ZoneInfo("Asia/Kathmandu")) == expected


class TestCompoundMessage:
    """2.4.23: count, no separators, known structures; nothing is read unless all of it is whole."""

    def test_the_constructed_example(self) -> None:
        found = read_scan(VECTORS["compound"][0]["code"])
        assert found.fault is None
        assert [part.structure for part in found.parts] == ["001", "002", "003", "005"]
        assert "".join(part.raw for part in found.parts) == found.raw[len("=+04000") :]

    @pytest.mark.parametrize(
        "raw",
        [
            "=+03000=A99992112345600=%6200=<E0398V00&>0212142359",
            "=+05000=A99992112345600=%6200=<E0398V00&>0212142359",
            "=+04000=A99992112345600=%6200=<E0398V00&>02121423",
            "=+04000=A99992112345600=%6200=<E0398V00&>0212142359 ",
            "=+04000=A99992112345600,=%6200=<E0398V00&>0212142359",
            "=+02000=A99992112345607=%6200",
            "=+02000=A99992112345664=%6200",
            "=+02000=%6200=+01000=%6200",
            "=+01000",
            "=+01000&a123",
        ],
    )
    def test_a_message_that_is_not_whole_says_nothing(self, raw: str) -> None:
        found = read_scan(raw)
        assert found.structure == "023"
        assert found.fault
        assert found.parts == ()

    def test_variable_lengths_split_by_their_own_count(self) -> None:
        found = read_scan("=+03000&#0106M41927&%0010060010106=%5100")
        assert [part.structure for part in found.parts] == ["025", "030", "002"]

    @given(st.lists(st.sampled_from(["=%6200", "=<E0398V00", "=A99992112345600", "&#0102ab"]),
                    min_size=1, max_size=20))  # fmt: skip
    def test_split_and_join_are_inverse(self, parts: list[str]) -> None:
        found = read_scan(f"=+{len(parts):02}000" + "".join(parts))
        assert [part.raw for part in found.parts] == parts
