"""Characters that deceive the eye (rules.md 2.1: "both strings displayed side by side").

Comparing is exact, so that nothing here makes two texts equal; what cannot be told apart by eye is
named. Which characters those are: common practice, no source; the classes are Unicode's own.
"""

from typing import Any
from unicodedata import normalize

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.identity import Identifier, PersonName
from service.rules.identity import RULES
from service.rules.identity_characters import deceptive, telling
from tests.support.cases import (
    MRN,
    PATIENT_SYSTEM,
    TEMPORARY_SYSTEM,
    a_band,
    a_case,
    a_label,
    of_rule,
    pre_start,
)

CYRILLIC_A = "\u0410"
ZERO_WIDTH = "\u200b"
RIGHT_TO_LEFT = "\u202e"


class TestNamed:
    """Invisible characters, stand-ins for plain ones, and letters of another script in a word."""

    @pytest.mark.parametrize(
        ("text", "letters"),
        [
            (f"Ash{ZERO_WIDTH}grove", ("U+200B ZERO WIDTH SPACE",)),
            (f"{RIGHT_TO_LEFT}Ashgrove", ("U+202E RIGHT-TO-LEFT OVERRIDE",)),
            ("Ash\u00a0grove", ("U+00A0 NO-BREAK SPACE",)),
            ("Ash\u00adgrove", ("U+00AD SOFT HYPHEN",)),
            ("Ash\tgrove", ("U+0009 without a name",)),
            ("Ash\u3164grove", ("U+3164 HANGUL FILLER",)),
            ("Ash\ufe0fgrove", ("U+FE0F VARIATION SELECTOR-16",)),
            (f"{CYRILLIC_A}shgrove", ("U+0410 CYRILLIC CAPITAL LETTER A",)),
            ("Ashgr\u03bfve", ("U+03BF GREEK SMALL LETTER OMICRON",)),
            ("\u0410\u0440", ()),
            ("A\u0430", ("U+0430 CYRILLIC SMALL LETTER A",)),
            ("\uff21shgrove", ("U+FF21 FULLWIDTH LATIN CAPITAL LETTER A",)),
            ("\U0001d400sh", ("U+1D400 MATHEMATICAL BOLD CAPITAL A",)),
            ("00438\u0661", ("U+0661 ARABIC-INDIC DIGIT ONE",)),
            ("004\uff13", ("U+FF13 FULLWIDTH DIGIT THREE",)),
        ],
    )
    def test_each(self, text: str, letters: tuple[str, ...]) -> None:
        assert deceptive(text) == letters

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "Ashgrove",
            "O'NEIL-Smith Jones",
            "Zo\u00eb",
            normalize("NFD", "Zo\u00eb"),
            "O\u2019Neil",
            "\u0410\u043d\u043d\u0430 Ashgrove",
            "\u5c71\u7530\u30a2\u304d",
            "HV27-30001",
        ],
    )
    def test_what_is_ordinary_is_not(self, text: str) -> None:
        assert deceptive(text) == ()

    @given(st.text(st.characters(codec="ascii", categories=["L", "N", "P", "S"]), max_size=20))
    def test_plain_characters_never_are(self, text: str) -> None:
        assert deceptive(text) == ()

    @given(st.text(max_size=20))
    def test_any_text_is_read(self, text: str) -> None:
        assert all(letter.startswith("U+") for letter in deceptive(text))

    @given(
        st.text("abcdefgh", min_size=1, max_size=9),
        st.integers(0, 9),
        st.sampled_from("\u200b\u202e\u2066\ufeff\u00ad"),
    )
    def test_an_unseen_one_is_found_wherever_it_stands(
        self, name: str, place: int, letter: str
    ) -> None:
        assert deceptive(name[:place] + letter + name[place:])


class TestTelling:
    """Of two unequal texts: what tells them apart."""

    def test_another_script_is_named(self) -> None:
        one, other = "\u0410\u0412\u0415", "ABE"
        assert telling(one, other) == (
            "U+0410 CYRILLIC CAPITAL LETTER A",
            "U+0412 CYRILLIC CAPITAL LETTER VE",
            "U+0415 CYRILLIC CAPITAL LETTER IE",
        )

    def test_an_unseen_character_of_either_is_named_once(self) -> None:
        assert telling(f"Ash{ZERO_WIDTH}", f"Ash{ZERO_WIDTH}x") == ("U+200B ZERO WIDTH SPACE",)

    @pytest.mark.parametrize(("one", "other"), [("Ashgrove", "Ashgrov"), ("Zo\u00eb", "Zoe")])
    def test_what_the_eye_can_tell_is_left_to_it(self, one: str, other: str) -> None:
        assert telling(one, other) == ()

    @given(st.text(max_size=9), st.text(max_size=9))
    def test_symmetric(self, one: str, other: str) -> None:
        assert set(telling(one, other)) == set(telling(other, one))


def judged(**check: Any) -> tuple[Finding, ...]:
    pre = pre_start(a_case(check=check))
    return of_rule([finding for rule in RULES for finding in rule(pre)], "ID-05")


class TestAtTheCheck:
    """ID-05: exact; a difference is a mismatch, with both strings displayed side by side."""

    @pytest.mark.parametrize(
        ("family", "letter"),
        [
            (f"{CYRILLIC_A}shgrove", "U+0410 CYRILLIC CAPITAL LETTER A"),
            (f"Ash{ZERO_WIDTH}grove", "U+200B ZERO WIDTH SPACE"),
            (f"Ashgrove{RIGHT_TO_LEFT}", "U+202E RIGHT-TO-LEFT OVERRIDE"),
        ],
    )
    def test_a_name_that_only_looks_equal_is_refused_and_the_character_named(
        self, family: str, letter: str
    ) -> None:
        name = PersonName(family=family, given="Wren")
        mismatch, note = judged(label=a_label(name=name))
        assert (mismatch.reason, mismatch.verdict) == ("identifier-mismatch", Verdict.REFUSE)
        assert ("characters to look at", letter) in mismatch.shown
        assert (note.reason, note.verdict) == ("look-alike-characters", Verdict.NOTE)
        assert note.shown == (("family on the label", letter),)

    def test_a_number_that_only_looks_equal_is_refused(self) -> None:
        number = Identifier(PATIENT_SYSTEM, f"{MRN.value}{ZERO_WIDTH}")
        mismatch, unreadable = judged(label=a_label(identifiers=(number,)))
        assert mismatch.verdict is Verdict.REFUSE
        assert ("characters to look at", "U+200B ZERO WIDTH SPACE") in mismatch.shown
        assert (unreadable.reason, unreadable.verdict) == ("number-unreadable", Verdict.REFUSE)

    def test_a_number_with_such_a_character_is_refused_even_where_all_agree(self) -> None:
        number = Identifier(PATIENT_SYSTEM, f"00438{ZERO_WIDTH}17")
        pre = pre_start(
            a_case(
                patient={"identifiers": (number,)},
                check={
                    "band": a_band(identifiers=(number,), scans=(number.value,)),
                    "label": a_label(identifiers=(number,)),
                },
            )
        )
        same, unreadable = of_rule([f for rule in RULES for f in rule(pre)], "ID-05")
        assert same.verdict is Verdict.NO_OBJECTION
        assert (unreadable.verdict, unreadable.known) == (Verdict.REFUSE, False)
        assert unreadable.missing == ("identifier on the band", "identifier on the label")
        assert unreadable.remedy is Remedy.RESCAN

    def test_a_name_so_spelt_everywhere_is_a_note(self) -> None:
        name = PersonName(family="Ash\u200cgrove", given="Wren")
        pre = pre_start(
            a_case(
                patient={"names": (name,)},
                check={"band": a_band(name=name), "label": a_label(name=name)},
            )
        )
        same, note = of_rule([f for rule in RULES for f in rule(pre)], "ID-05")
        assert (same.verdict, note.verdict) == (Verdict.NO_OBJECTION, Verdict.NOTE)

    def test_a_number_that_identifies_nobody_is_not_looked_at(self) -> None:
        room = Identifier("https://harrow-vale.example/id/room", f"12{ZERO_WIDTH}")
        (finding,) = judged(band=a_band(identifiers=(MRN, room)))
        assert finding.verdict is Verdict.NO_OBJECTION

    @given(st.text(min_size=1, max_size=12))
    def test_no_other_text_ever_passes_for_the_name(self, family: str) -> None:
        assume(normalize("NFC", family).strip().lower() != "ashgrove")
        found = judged(label=a_label(name=PersonName(family=family, given="Wren")))
        assert found[0].verdict is Verdict.REFUSE

    @given(st.text(min_size=1, max_size=9), st.sampled_from([PATIENT_SYSTEM, TEMPORARY_SYSTEM]))
    def test_no_other_text_ever_passes_for_the_number(self, value: str, system: str) -> None:
        assume(normalize("NFC", value).strip() != MRN.value)
        found = judged(band=a_band(identifiers=(Identifier(system, value),)))
        assert found[0].verdict is Verdict.REFUSE
