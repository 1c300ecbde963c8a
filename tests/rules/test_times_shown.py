"""Times that findings show side by side are on one clock: the facility's, with its offset.

Common practice, no source: a limit in UTC beside an expiry on the hospital's clock is misread by an
hour half of the year.
"""

from datetime import UTC, date, datetime

import pytest

from service.facts.moment import Moment, at, local_text
from service.rules.preparation_unit import expiry
from service.rules.timing_limit import bag_down, completion_limit
from tests.support.cases import (
    SITE,
    a_bag,
    a_case,
    a_label,
    a_running,
    pre_start,
)

SUMMER = datetime(2025, 6, 2, 13, 50, tzinfo=UTC)


class TestOneClock:
    """The same instant is told in the same words, whoever sent it and in whatever zone."""

    @pytest.mark.parametrize(
        "sent", ["2025-06-02T13:50:00Z", "2025-06-02T14:50:00+01:00", "2025-06-02T15:50:00+02:00"]
    )
    def test_however_it_was_sent(self, sent: str) -> None:
        moment = Moment(text=sent, instant=SUMMER)
        assert local_text(moment, SITE.zone) == "2025-06-02T14:50+01:00"

    def test_seconds_only_where_there_are_any(self) -> None:
        assert local_text(at(SUMMER.replace(second=7)), SITE.zone) == "2025-06-02T14:50:07+01:00"

    def test_a_coarse_time_stays_as_it_was_sent(self) -> None:
        assert local_text(Moment(text="2025-06-02"), SITE.zone) == "2025-06-02"

    @pytest.mark.parametrize("year", [1, 9999])
    def test_the_ends_of_the_calendar(self, year: int) -> None:
        day = date(year, 1 if year == 1 else 12, 1 if year == 1 else 31)
        edge = datetime(day.year, day.month, day.day, tzinfo=UTC)
        assert local_text(Moment(text=edge.isoformat(), instant=edge), SITE.zone)


class TestPre04:
    """Expiries on bag, label and record, sent in three ways."""

    def test_all_on_one_clock(self) -> None:
        soon = Moment(text="2025-06-02T08:50:00Z", instant=datetime(2025, 6, 2, 8, 50, tzinfo=UTC))
        bare = {"bag": a_bag(expiry=soon), "label": a_label(expiry=at(SUMMER))}
        case = a_case(check=bare, unit={"expiry": Moment(text="2025-06-30")})
        (found,) = expiry(pre_start(case))
        assert dict(found.shown) == {
            "bag": "2025-06-02T09:50+01:00",
            "label": "2025-06-02T14:50+01:00",
            "record": "2025-06-30",
        }


class TestTim04:
    """The completion limit before the start, and while the unit runs."""

    def test_before_the_start(self) -> None:
        (found,) = completion_limit(pre_start(a_case()))
        assert dict(found.shown)["limit"].endswith("+01:00")

    def test_while_it_runs(self) -> None:
        running = a_running(a_case(start={}), now=SUMMER.replace(hour=23))
        findings, _ = bag_down(running)
        shown = [dict(found.shown)["limit"] for found in findings if found.shown]
        assert shown
        assert all(limit.endswith("+01:00") for limit in shown)
