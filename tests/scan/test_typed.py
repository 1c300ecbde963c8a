"""Typed numbers, groups and dates: exact vocabularies; what is not in them is unknown."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.unit import Group
from service.scan import (
    check_character,
    read_expiry_text,
    read_group_text,
    read_product,
    read_typed_din,
)

VECTORS: dict[str, Any] = json.loads(
    Path("tests/data/isbt128_vectors.json").read_text(encoding="utf-8")
)
LONDON = ZoneInfo("Europe/London")


class TestTypedDonationNumber:
    """ST-001 6.2.2, 7.5 and appendix A; UK Red Book annex 2 [S21]."""

    @pytest.mark.parametrize("vector", VECTORS["din_check_characters"], ids=lambda v: v["din"])
    def test_with_and_without_check_character(self, vector: dict[str, str]) -> None:
        din, check, flags = vector["din"], vector["check"], vector["type3_flags"]
        for text, checked in ((din, False), (din + check, True), (din + flags, True)):
            found = read_typed_din(text)
            assert (found.din, found.checked, found.fault) == (din, checked, None)

    def test_as_printed_in_groups(self) -> None:
        assert read_typed_din("G123 498 654 321 H").din == "G123498654321"

    def test_the_published_case_with_a_wrong_check_character(self) -> None:
        found = read_typed_din("G123498654321J")
        assert found.din is None
        assert found.fault

    @given(st.sampled_from(VECTORS["din_check_characters"]), st.characters(codec="ascii"))
    def test_only_the_right_check_character_passes(self, vector: Any, other: str) -> None:
        found = read_typed_din(vector["din"] + other)
        passes = other == check_character(vector["din"])
        printed = other in " -"
        assert (found.din is not None) == (passes or printed)
        assert found.checked == passes

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "A99992112345",
            "a999921123456",
            "O999921123456",
            "A99992112345X",
            "A9999211234560000",
            "A99992112345607",
            "A99992112345664",
            "A999921123456\n",
            "Ａ999921123456",
            "А999921123456",  # Cyrillic
            "=%6200",
            "&A99992112345600",
        ],
    )
    def test_anything_else_is_a_fault(self, text: str) -> None:
        found = read_typed_din(text)
        assert found.din is None
        assert found.fault

    def test_a_raw_scan_in_a_typed_field(self) -> None:
        assert read_typed_din("=A99992112345600").din == "A999921123456"
        assert read_typed_din("=A99992112345606").fault


class TestTypedProduct:
    """ST-001 6.2.2, 2.4.3."""

    def test_eight_and_five_characters(self) -> None:
        whole, short = read_product("E0398V00"), read_product("E0398")
        assert whole is not None
        assert short is not None
        assert (whole.product, whole.division, whole.collection) == ("E0398", "000000", "V")
        assert (short.product, short.division, short.collection) == ("E0398", None, None)
        assert read_product("=<E0398V00") == whole

    @pytest.mark.parametrize("text", ["", "e0398", "E039", "E0398V0", "red cells", "=%6200"])
    def test_anything_else_is_unknown(self, text: str) -> None:
        assert read_product(text) is None


class TestTypedGroup:
    """The trade's wordings; the published hazard of ST-001 2.2 is refused as a group."""

    @pytest.mark.parametrize(
        ("text", "abo", "rhd"),
        [
            ("A RhD positive", "A", "positive"),
            ("A RhD Positive", "A", "positive"),
            ("O Rh(D) positive", "O", "positive"),
            ("O Rh D negative", "O", "negative"),
            ("B Rh positive", "B", "positive"),
            ("O NEG", "O", "negative"),
            ("O RhD POS", "O", "positive"),
            ("ab pos", "AB", "positive"),
            ("AB+", "AB", "positive"),
            ("A -", "A", "negative"),
            ("O negative", "O", "negative"),
            ("B", "B", None),
            ("=%9500", "O", "negative"),
        ],
    )
    def test_vocabulary(self, text: str, abo: str, rhd: str | None) -> None:
        assert read_group_text(text) == Group(abo=abo, rhd=rhd)

    @pytest.mark.parametrize(
        "text",
        [
            VECTORS["wrong_structure"][0]["code"],
            "",
            "6200",
            "0 positive",
            "A or B",
            "C positive",
            "A positiv",
            "A positive negative",
            "A RhD",
            "ANEG",
            "positive",
            "A posıtıve",
            "А positive",  # Cyrillic
            "=%T100",
        ],
    )
    def test_anything_else_is_unknown(self, text: str) -> None:
        assert read_group_text(text) is None

    def test_a_scanned_message_is_a_message(self) -> None:
        group = read_group_text("=%Mq00")
        assert group is not None
        assert group.abo is None
        assert group.message is not None


class TestTypedExpiry:
    """ST-001 6.2.2, 2.4.5 and the label of p. 168: local time, 23:59 where no time is printed."""

    @pytest.mark.parametrize(
        ("text", "hour", "minute"),
        [
            ("31 MAY 2020 23:59", 23, 59),
            ("31 May 2020", 23, 59),
            ("31 MAY 2020 08:05", 8, 5),
            ("2020-05-31", 23, 59),
            ("2020-05-31T08:05", 8, 5),
            ("2020-05-31 08:05", 8, 5),
            ("&>0201522359", 23, 59),
        ],
    )
    def test_forms(self, text: str, hour: int, minute: int) -> None:
        found = read_expiry_text(text, LONDON)
        assert found is not None
        assert found.text == text
        local = datetime(2020, 5, 31, hour, minute, tzinfo=LONDON)
        assert found.instant == local.astimezone(UTC)

    @pytest.mark.parametrize(
        "text",
        ["", "31/05/2020", "05-31-2020", "31 MAY 20", "31 FEB 2020", "2020-13-01",
         "31 MAY 2020 24:00", "2020-05-31T08:05Z", "=*020152", "=%6200", "31 MAI 2020"],
    )  # fmt: skip
    def test_anything_else_is_unknown(self, text: str) -> None:
        assert read_expiry_text(text, LONDON) is None
