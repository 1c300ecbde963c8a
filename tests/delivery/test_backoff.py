"""Pauses: full jitter, caps, Retry-After, and one probe at a time."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.delivery.backoff import (
    CRITICAL_CAP,
    LONGEST_ASKED,
    ROUTINE_CAP,
    Backoff,
    retry_after,
)

NOW = datetime(2025, 6, 2, 10, 0, tzinfo=UTC)


def failing(times: int, share: float = 0.999) -> Backoff:
    backoff = Backoff(jitter=lambda: share)
    for _ in range(times):
        backoff.failed(NOW)
    return backoff


class TestFullJitter:
    """Uniform between nothing and the doubled base, at most 60 s for critical rows and
    300 s for the others."""

    @given(st.integers(1, 200), st.floats(0, 0.999999))
    def test_that_the_pause_stays_below_its_cap(self, times: int, share: float) -> None:
        backoff = failing(times, share)
        critical, routine = backoff.resumes(critical=True), backoff.resumes(critical=False)
        assert critical is not None
        assert routine is not None
        assert NOW <= critical <= NOW + CRITICAL_CAP
        assert critical <= routine <= NOW + ROUTINE_CAP

    @pytest.mark.parametrize(("times", "seconds"), [(1, 1), (2, 2), (4, 8), (7, 60), (50, 60)])
    def test_that_it_doubles_up_to_a_minute_for_critical_rows(
        self, times: int, seconds: int
    ) -> None:
        resumes = failing(times).resumes(critical=True)
        assert resumes is not None
        assert (resumes - NOW).total_seconds() == pytest.approx(seconds, rel=0.01)

    def test_that_an_answer_ends_it(self) -> None:
        backoff = failing(9)
        backoff.answered()
        assert backoff.resumes(critical=False) is None
        assert backoff.failures == 0


class TestCircuit:
    """While the partner fails, one stream at a time; afterwards 2, 4, 8 ..."""

    def test_that_it_widens_step_by_step(self) -> None:
        backoff = failing(5)
        widths = [backoff.width(20)]
        for _ in range(5):
            backoff.answered()
            widths.append(backoff.width(20))
        assert widths == [1, 2, 4, 8, 16, 20]


class TestRetryAfter:
    """Seconds or a date; past is zero; more than an hour is an hour; garbage is ignored."""

    @pytest.mark.parametrize(
        ("text", "seconds"),
        [
            ("0", 0),
            ("120", 120),
            (" 5 ", 5),
            ("Mon, 02 Jun 2025 10:00:30 GMT", 30),
            ("Monday, 02-Jun-25 10:00:30 GMT", 30),
            ("Mon, 02 Jun 2025 09:00:00 GMT", 0),
            ("7200", 3600),
            ("99999999999999999999", 3600),
            ("Tue, 03 Jun 2025 10:00:00 GMT", 3600),
        ],
    )
    def test_that_it_is_honoured(self, text: str, seconds: int) -> None:
        assert retry_after(text, NOW) == timedelta(seconds=seconds)

    @pytest.mark.parametrize("text", [None, "", "soon", "-5", "1.5", "١٢", "Mon, 99 Jun 2025", ";"])
    def test_that_garbage_is_not(self, text: str | None) -> None:
        assert retry_after(text, NOW) is None

    @given(st.text())
    def test_that_nothing_breaks_it(self, text: str) -> None:
        found = retry_after(text, NOW)
        assert found is None or timedelta() <= found <= LONGEST_ASKED

    @given(st.floats(0, 0.999), st.integers(0, 3000))
    def test_that_it_is_never_undercut(self, share: float, asked: int) -> None:
        """Full jitter alone can collapse to no pause at all against a throttle."""
        backoff = Backoff(jitter=lambda: share)
        backoff.failed(NOW, timedelta(seconds=asked))
        resumes = backoff.resumes(critical=True)
        assert resumes is not None
        assert resumes >= NOW + timedelta(seconds=max(asked, 1))
