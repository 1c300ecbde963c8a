"""What a scenario must show whatever else its expectation comes to say.

An expectation is accepted as a whole; these few claims of each scenario are not, so that one that
is accepted in error does not take them along.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

import pytest

from service.assessment.desired import Event, Issue, Procedure, Request, Volume
from service.facts.finding import Finding, Remedy
from service.replay.played import Emission, Played
from tests.support.replays import played

BOTH = pytest.mark.parametrize("release", ["R4", "R5"])
ZERO = "label-drops-a-leading-zero-and-is-refused"
SAMPLE = "sample-too-old-is-refused-and-the-unit-returned"
LATE = "unit-not-hung-in-time-goes-back-and-is-discarded"
HIVES = "hives-alone-wait-for-the-ward-and-are-confirmed"
CHILD = "child-with-a-pressure-drop-is-stopped"
MISSED = "first-observation-is-missed-and-made-up"
ONE_SET = "one-set-carries-two-units-and-is-changed-for-the-third"
REFUSED = "advance-refusal-of-red-cells-is-not-overridden"
CARER = "unconscious-patient-is-confirmed-by-a-carer"
TWO_ORDERS = "two-orders-make-one-transfusion"
SHUFFLED = "messages-come-shuffled-and-twice"
POST_ONLY = "sender-that-can-only-post-corrects-itself"
REJECTED = "blood-bank-rejects-a-notice"


def finding(run: Played, step: str, rule: str) -> Finding:
    """The finding of a rule in the answer to a step."""
    (found,) = (
        finding
        for line in run.happened
        for given in line.given
        if given.step == step
        for finding in given.findings
        if finding.rule == rule
    )
    return found


def sent(run: Played, partner: str, kind: type[Any] | tuple[type[Any], ...]) -> list[Emission]:
    """What a partner was sent of one kind of content."""
    return [one for one in run.to(partner) if isinstance(one.content, kind)]


def tasks(run: Played, partner: str, code: str) -> list[tuple[str, str]]:
    """(local time, status) of every version of the Tasks with a code."""
    return [
        (clock(run, one.at), one.content.status)
        for one in sent(run, partner, Request)
        if isinstance(one.content, Request) and one.content.code == code
    ]


def clock(run: Played, at: datetime) -> str:
    """The time on the hospital's clock."""
    return f"{at.astimezone(run.scenario.zone):%H:%M}"


def near_misses(run: Played) -> list[Emission]:
    """Events that did not happen but might have."""
    return [
        one
        for partner in run.partners
        for one in sent(run, partner, Event)
        if isinstance(one.content, Event) and one.content.actuality == "potential"
    ]


def words(found: Iterable[Emission]) -> list[str]:
    """``version status`` of each."""
    return [f"{one.version} {one.content.status}" for one in found]


@BOTH
class TestBeforeTheStart:
    """Who the patient is, and whether the unit may be given."""

    def test_a_leading_zero_is_part_of_the_number(self, release: str) -> None:
        """rules.md 2.1, exact match from [S14][S15]: leading zeros are significant."""
        said = finding(played(ZERO, release), "check-unit ST-2001", "ID-05")
        assert said.remedy is Remedy.CALL_LABORATORY
        assert {value.rpartition("|")[2] for _, value in said.shown} == {"0051655", "51655"}
        assert len(near_misses(played(ZERO, release))) == 1

    def test_an_expired_sample_is_no_near_miss(self, release: str) -> None:
        """REC-19; ID-36: 72 h from the collection, POL-05."""
        said = finding(played(SAMPLE, release), "check-unit ST-2101", "ID-36")
        assert (said.reason, said.remedy) == ("sample-expired", Remedy.CALL_LABORATORY)
        assert near_misses(played(SAMPLE, release)) == []

    def test_a_good_temperature_does_not_make_up_for_the_time(self, release: str) -> None:
        """TIM-01: 30 min [S43][S44]; TIM-02: a temperature only ever discards."""
        said = finding(played(LATE, release), "return-unit ST-2202", "TIM-01")
        assert (said.reason, said.returned) == ("out-beyond-window", "discard")

    def test_a_refusal_is_shown_and_not_lifted_by_a_reason(self, release: str) -> None:
        """PRE-02 [S103]: an advance decision is shown in full, and never typed away."""
        for step in ("check-unit ST-3101", "check-unit ST-3103"):
            said = finding(played(REFUSED, release), step, "PRE-02")
            assert said.remedy is Remedy.CALL_PRESCRIBER
            assert ("refusal", "Advance decision: no red cells, also if life is at risk") in (
                said.shown
            )
        assert near_misses(played(REFUSED, release)) == []

    def test_unable_without_a_carer_counts_as_missing(self, release: str) -> None:
        """ID-04 [S14]: the reason and who confirmed."""
        said = finding(played(CARER, release), "check-unit ST-3201", "ID-04")
        assert (said.missing, said.remedy) == (
            ("spoken-unable", "confirmed-by"),
            Remedy.REPEAT_CHECK,
        )
        assert near_misses(played(CARER, release)) == []

    def test_what_the_first_order_requires_counts_for_the_second(self, release: str) -> None:
        """PRE-03: requirements are the union of linked orders; both are named in the record."""
        run = played(TWO_ORDERS, release)
        said = finding(run, "check-unit ST-3901", "PRE-03")
        assert "cmv-negative" in said.text
        record = sent(run, "record-system", Procedure)[-1].content
        assert isinstance(record, Procedure)
        named = {ref.identifier.value for ref in record.orders if ref.identifier}
        assert named == {"TO-4439", "TO-4449"}
        assert tasks(run, "record-system", "ask-before-next-unit") == []


@BOTH
class TestWhileItRuns:
    """What is due, and what is seen in the patient."""

    def test_hives_alone_are_the_wards_to_confirm(self, release: str) -> None:
        """VIT-13 [S38][S53], ACT-05, ACT-10: never a hold for a mild allergic reaction."""
        run = played(HIVES, release)
        told = [one for one in run.to("blood-bank") if isinstance(one.content, Event)]
        assert [clock(run, one.at) for one in told][:1] == ["09:58"]
        for one in told:
            assert isinstance(one.content, Event)
            assert not one.content.telephone_now
            assert [c.category for c in one.content.candidates] == ["allergic"]
        assert tasks(run, "blood-bank", "hold-sister-components") == []
        assert tasks(run, "record-system", "telephone-laboratory") == []

    def test_a_child_is_stopped_where_an_adult_would_be_paused(self, release: str) -> None:
        """VIT-07 [S56]; VIT-14: a fall in pressure alone leaves anaphylaxis not excluded."""
        run = played(CHILD, release)
        content = sent(run, "blood-bank", Event)[0].content
        assert isinstance(content, Event)
        assert clock(run, sent(run, "blood-bank", Event)[0].at) == "09:39"
        assert content.telephone_now
        assert [c.category for c in content.candidates] == ["hypotensive"]
        assert "anaphylaxis" in content.not_excluded

    def test_what_was_not_observed_is_the_wards_only(self, release: str) -> None:
        """TIM-11 [S16][S32], VIT-17: overdue at 20 minutes, unknown, and no issue of it."""
        run = played(MISSED, release)
        assert ("09:44", "requested") in tasks(run, "record-system", "next-observation")
        assert finding(run, "change-rate ST-2703", "VIT-17").known is False
        assert sent(run, "record-system", Issue) == []
        assert words(run.to("blood-bank")) == ["1 in-progress"]

    def test_the_third_unit_asks_for_a_new_set_and_the_second_does_not(self, release: str) -> None:
        """TIM-15: the count includes the unit being hung; common practice, no source."""
        run = played(ONE_SET, release)
        asked, gone = tasks(run, "record-system", "set-change")
        assert asked == ("11:32", "requested")
        assert gone[0] == "11:38"
        assert gone[1] in ("completed", "cancelled")
        asks = tasks(run, "record-system", "ask-before-next-unit")
        assert [status for _, status in asks].count("requested") == 2

    def test_a_rejected_notice_is_telephoned_at_once(self, release: str) -> None:
        """ACT-05: not after the ten minutes that an unanswered one waits."""
        run = played(REJECTED, release)
        asked, closed = tasks(run, "record-system", "telephone-laboratory")
        assert asked == ("09:42", "requested")
        assert closed == ("09:50", "completed")
        statuses = {one.content.status for one in sent(run, "blood-bank", Event)}
        assert "entered-in-error" not in statuses


@BOTH
class TestHowMessagesArrive:
    """Order of arrival, repetition and correction."""

    def test_a_backlog_tells_the_partners_nothing_but_the_run(self, release: str) -> None:
        """ID-07: the check comes within the two minutes of grace."""
        run = played(SHUFFLED, release)
        assert [one for p in run.partners for one in sent(run, p, (Issue, Event))] == []
        assert words(run.to("blood-bank")) == ["1 in-progress", "2 in-progress"]

    def test_a_posted_correction_moves_the_one_record(self, release: str) -> None:
        """REC-11: one unit, one record, one volume; the retried observation is nothing new."""
        run = played(POST_ONLY, release)
        volumes = sent(run, "blood-bank", Volume)
        assert len({one.key for one in volumes}) == 1
        assert [str(getattr(one.content, "value", "")) for one in volumes] == ["28", "278"]
        assert words(sent(run, "record-system", Issue)) == ["1 final", "2 entered-in-error"]
