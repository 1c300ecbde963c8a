"""What machines write becomes what people read, and nothing else does."""

import json
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.finding import Stage, Verdict
from service.facts.moment import Moment, at
from service.facts.quantity import UNIT_OF, Vital
from service.fhir.write import wording
from service.fhir.write.times import when
from service.fhir.write.vocabulary import (
    CATEGORY_TEXT,
    WORDS,
    donation_text,
    item_text,
    policy_value,
    spoken,
)
from service.rules.reaction_categories import BY_NAME
from service.scan.keyed import read_typed_din
from tests.support.desired import a_finding

ROOT = Path(__file__).parents[3]
LONDON = ZoneInfo("Europe/London")
VECTORS = json.loads((ROOT / "tests/data/isbt128_vectors.json").read_text(encoding="utf-8"))
# Lists of words that the rules show: the rest of mappings/codes is never said to people.
SHOWN = (
    *("antigens", "consciousness", "containers", "crossmatch-results", "fluids"),
    *("lumens", "match-statuses", "requirements", "results", "settings", "signs", "unit-statuses"),
)


class TestTimes:
    """One format: the hospital's clock, with its offset, the month in words."""

    @pytest.mark.parametrize(
        "sent",
        [
            "2027-06-08T12:08:00Z",
            "2027-06-08T13:08:00+01:00",
            "2027-06-08T08:08:00.000-04:00",
            "2027-06-08 13:08 +0100",
            "2027-06-08T13:08+01:00",
        ],
    )
    def test_every_way_of_writing_one_instant_is_read_alike(self, sent: str) -> None:
        assert spoken(f"limit {sent}.", LONDON) == "limit 8 June 2027 13:08 UTC+01:00."

    def test_without_a_hospital_an_instant_keeps_its_own_clock(self) -> None:
        assert spoken("2027-06-08T12:08:00Z", None) == "8 June 2027 12:08 UTC"
        assert spoken("2027-06-08T13:08:00+01:00", None) == "8 June 2027 13:08 UTC+01:00"

    def test_seconds_only_where_there_are_any(self) -> None:
        assert spoken("2027-06-08T12:08:09Z", LONDON) == "8 June 2027 13:08:09 UTC+01:00"

    def test_a_day_is_a_day_in_every_zone(self) -> None:
        assert spoken("born 1955-01-14;", LONDON) == "born 14 January 1955;"

    @pytest.mark.parametrize(
        "text",
        ["2027-06-08T12:08", "2027-13-08", "2027-06-08T25:00:00Z", "1957-2-14", "12027-06-08"],
    )
    def test_what_is_no_time_stays_as_it_was_sent(self, text: str) -> None:
        assert spoken(text, LONDON) == text

    def test_a_coarse_time_is_not_made_finer(self) -> None:
        assert when(Moment(text="2027-06"), LONDON) == "2027-06"
        assert when(None, LONDON) == "not recorded"

    def test_for_ever_is_shown_on_its_own_clock(self) -> None:
        ever = at(datetime(9999, 12, 31, 23, 59, tzinfo=UTC))
        assert when(ever, ZoneInfo("Asia/Tokyo")).startswith("31 December 9999 23:59")


class TestDonationNumbers:
    """ST-001 structure 001: facility, year, serial, and a check character that guards them."""

    @pytest.mark.parametrize(
        ("din", "printed"),
        [
            ("A999921123456", "A9999 21 123456 3"),  # ST-001 figure 2
            ("A999917345628", "A9999 17 345628 *"),  # ST-001 p.170
            ("G123498654321", "G1234 98 654321 H"),  # Red Book annex 2
        ],
    )
    def test_published_numbers_with_their_published_check_character(
        self, din: str, printed: str
    ) -> None:
        assert donation_text(din) == printed

    def test_what_is_printed_is_read_back_as_the_same_checked_number(self) -> None:
        typed = read_typed_din(donation_text("A999927104107"))
        assert (typed.din, typed.checked) == ("A999927104107", True)

    @pytest.mark.parametrize("text", ["ISS-700412", "A99992710410", "=A99992710410733", ""])
    def test_another_number_is_not_dressed_up(self, text: str) -> None:
        assert donation_text(text) == text

    def test_a_unit_key_names_its_three_parts(self) -> None:
        said = spoken("Unit A999927104107/E0398/000000: suspect.", LONDON)
        assert said == "Unit A9999 27 104107 S, product E0398, undivided: suspect."
        assert spoken("A999927104107/E0398/Aa0000", None).endswith("division Aa0000")

    def test_a_patient_number_of_thirteen_digits_is_no_donation_number(self) -> None:
        assert spoken("ASHGROVE, Wren; 1234567890123", LONDON) == "ASHGROVE, Wren; 1234567890123"
        finding = a_finding(shown=(("identifier on the band", "1234567890123"),))
        assert "1234567890123" in wording.finding_text(finding)

    def test_two_donation_numbers_side_by_side_are_grouped_alike(self) -> None:
        pair = (("din on the bag", "A999927104107"), ("din on the label", "A999927104170"))
        said = wording.shown_text(a_finding(shown=pair))
        assert said == (
            f"Donation number on the bag: {donation_text('A999927104107')}; "
            f"donation number on the label: {donation_text('A999927104170')}"
        )


class TestWords:
    """Code words are for machines."""

    @pytest.mark.parametrize(
        ("raw", "said"),
        [
            ("sodium-chloride-0.9", "0.9 % sodium chloride"),
            ("heart_rate", "heart rate"),
            ("systolic", "systolic pressure"),
            ("cmv-safe", "CMV risk reduced"),
            ("hourly-2", "hourly observation set 2"),
            ("end", "observation set at the end"),
            ("out-since", "when the unit left controlled storage"),
        ],
    )
    def test_an_item_of_a_list(self, raw: str, said: str) -> None:
        assert item_text(raw) == said

    @pytest.mark.parametrize(
        ("raw", "said"),
        [
            ("Observation hourly-2 was not taken", "The hourly observation set 2 was not taken"),
            ("Observation obs-1 of the unit.", "The first observation set of the unit."),
            ("Observation end of the unit.", "The observation set at the end of the unit."),
            ("in the end", "in the end"),
            ("requirement: cmv-negative.", "requirement: CMV negative."),
            ("heart rate 82 /min", "heart rate 82/min"),
        ],
    )
    def test_within_a_sentence(self, raw: str, said: str) -> None:
        assert spoken(raw, LONDON) == said

    def test_a_number_with_its_system_shows_the_number_first(self) -> None:
        token = "https://harrow-vale.example/id/patient|0051120"
        assert spoken(token, None) == "0051120 (https://harrow-vale.example/id/patient)"

    @pytest.mark.parametrize(
        ("value", "said"),
        [
            ("38.0 Cel", "38.0 °C"),
            ("20 /min", "20/min"),
            ("30 mm[Hg]", "30 mmHg"),
            ("50 a", "50 years"),
            ("20 {gauge}", "20 gauge"),
            ("240 min", "240 min"),
            ("t_out", "leaving controlled storage"),
            ("temperature, heart_rate, systolic", "temperature, heart rate, systolic pressure"),
            ("refuse", "refuse"),
        ],
    )
    def test_the_value_of_a_policy_row(self, value: str, said: str) -> None:
        assert policy_value(value) == said

    @pytest.mark.parametrize("name", SHOWN)
    def test_no_word_of_a_code_map_is_shown_raw(self, name: str) -> None:
        found = list(_words(ROOT / f"mappings/codes/{name}.toml"))
        assert found
        for word in found:
            said = item_text(word)
            assert "_" not in said, word
            assert word not in WORDS or said != word, word
            assert "-" not in said or word == "nt-probnp", word

    @pytest.mark.parametrize("word", sorted(WORDS))
    def test_every_word_of_the_table_is_found_within_a_sentence(self, word: str) -> None:
        assert spoken(f"Not sent: {word}.", LONDON) == f"Not sent: {WORDS[word]}."

    @pytest.mark.parametrize("text", ["re-check", "four-hour limit", "stop-grade", "follow-up"])
    def test_hyphens_of_english_stay(self, text: str) -> None:
        assert spoken(text, LONDON) == text

    def test_every_reaction_category_has_words(self) -> None:
        assert set(CATEGORY_TEXT) == set(BY_NAME)

    def test_every_vital_sign_has_words_and_a_unit(self) -> None:
        assert set(wording.VITAL_TEXT) == set(Vital) == set(UNIT_OF)

    def test_every_verdict_and_stage_has_words(self) -> None:
        assert {verdict.word for verdict in Verdict} <= set(wording.WORD_TEXT)
        assert set(wording.STAGE_TEXT) == set(Stage)

    @given(st.text())
    def test_whatever_the_text_it_can_be_said(self, text: str) -> None:
        assert isinstance(spoken(text, LONDON), str)

    @given(st.from_regex(r"[A-Z][a-z]+( [a-z]+){0,5}\.", fullmatch=True))
    def test_plain_sentences_stay_as_they_are(self, text: str) -> None:
        assert spoken(text, LONDON) == text or any(w in text for w in WORDS)


class TestHeadlines:
    """Nobody is told not to start a unit that hangs."""

    def test_before_the_start(self) -> None:
        said = wording.heading_of(a_finding())
        assert said == "Refuse: do not start while these facts stand."

    def test_after_the_start(self) -> None:
        said = wording.heading_of(a_finding(stage=Stage.START))
        assert said == "Refuse: started although these facts stand against it."

    def test_without_a_verdict(self) -> None:
        said = wording.heading_of(a_finding(verdict=None, returned=None))
        assert said == "For information"


def _words(path: Path) -> Iterator[str]:
    """The words that the rows of a code map give."""
    rows = tomllib.loads(path.read_text(encoding="utf-8"))
    for row in (one for found in rows.values() if isinstance(found, list) for one in found):
        word = row.get("word") if isinstance(row, dict) else None
        if isinstance(word, str):
            yield word
