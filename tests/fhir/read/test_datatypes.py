"""FHIR data types, with the traps that published files and real senders show."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.read.datatypes import parse_moment, person_name

SECONDS = st.integers(-2 * 10**9, 7 * 10**9)
OFFSETS = st.integers(-14 * 60, 14 * 60)


class TestTimes:
    """FHIR dateTime: as exact as it was sent, never more exact, never without a zone."""

    @pytest.mark.parametrize("text", ["2024", "2024-05", "2024-05-06"])
    def test_a_partial_date_has_no_instant(self, text: str) -> None:
        assert parse_moment(text).instant is None
        assert parse_moment(text).text == text

    def test_a_bare_date_keeps_its_day(self) -> None:
        day = parse_moment("2024-05-06").day
        assert day is not None
        assert day.isoformat() == "2024-05-06"

    @pytest.mark.parametrize(
        "text",
        [
            "2024-05-06T10:00:00",
            "2024-05-06T10:00",
            "2024-05-06T10:00Z",
            "2024-05-06T24:00:00Z",
            "2024-05-06T10:00:00+15:00",
            "2024-05-06t10:00:00z",
            "2024-02-30",
            "2024-13",
            "06.05.2024",
            "",
        ],
    )
    def test_what_fhir_refuses_is_refused(self, text: str) -> None:
        with pytest.raises(ValueError, match=r".") as raised:
            parse_moment(text)
        assert not text or text not in str(raised.value)

    def test_a_time_without_a_zone_is_told_so(self) -> None:
        with pytest.raises(ValueError, match="time zone"):
            parse_moment("2024-05-06T10:00:00")

    def test_a_leap_second_is_the_second_after(self) -> None:
        moment = parse_moment("2016-12-31T23:59:60Z")
        assert moment.instant == datetime(2017, 1, 1, tzinfo=UTC)

    def test_minus_zero_and_long_fractions_are_read(self) -> None:
        moment = parse_moment("2024-05-06T10:00:00.123456789-00:00")
        assert moment.instant == datetime(2024, 5, 6, 10, 0, 0, 123456, tzinfo=UTC)
        assert moment.text.endswith("-00:00")

    @given(SECONDS, OFFSETS)
    def test_any_instant_comes_back(self, seconds: int, minutes: int) -> None:
        zone = timezone(timedelta(minutes=minutes))
        instant = datetime.fromtimestamp(seconds, zone) + timedelta(microseconds=123456)
        text = instant.isoformat(timespec="microseconds")
        assert parse_moment(text).instant == instant
        assert parse_moment(text).text == text


class TestNames:
    """Given names are joined; nothing else is touched."""

    def test_given_names_are_joined_by_one_space(self) -> None:
        name = person_name({"family": "O'Neil", "given": ["Wren", "Ash"]})
        assert (name.family, name.given) == ("O'Neil", "Wren Ash")

    def test_a_name_without_parts_has_none(self) -> None:
        assert person_name({"text": "Wren"}).family is None
