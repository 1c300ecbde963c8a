"""When a unit last left controlled storage (rules.md section 4, notation [S31]).

Clock times below are UTC on the invented day of tests.support.cases.
"""

from datetime import UTC, datetime
from typing import Any, ClassVar

import pytest

from service.facts.fact import Fact
from service.facts.identity import Identifier
from service.facts.moment import Moment, at
from service.facts.steps import StepCode
from service.rules.storage import Whereabouts, whereabouts
from tests.support.cases import SITE, a_case, a_step, the_unit

BOX = "validated-container"


def clock(text: str) -> datetime:
    hour, minute = text.split(":")
    return datetime(2025, 6, 2, int(hour), int(minute), tzinfo=UTC)


def step(code: StepCode, when: str, key: str = "", **said: Any) -> Fact[Any]:
    timed = {k: at(clock(v)) if k in ("out_since", "valid_until") else v for k, v in said.items()}
    return a_step(code, key or f"Task/{code.value}-{when}", clock(when), **timed)


def placed(
    *steps: Fact[Any], when: str = "10:30", issue: dict[str, Any] | None = None, **how: Any
) -> Whereabouts:
    """Where the unit stands; handed over at 09:50 unless the issue says otherwise."""
    case = a_case(check=None, issue=issue or {}, extra=steps)
    return whereabouts(the_unit(case), clock(when), SITE.zone, **how)


class TestTheHandOverStandsIn:
    """Without container data the hand-over stands in and is shown as assumed."""

    def test_it_is_assumed(self) -> None:
        place = placed()
        assert (place.out, place.assumed, place.stored) == (clock("09:50"), True, False)

    def test_an_uncontrolled_container_at_issue_makes_it_known(self) -> None:
        place = placed(issue={"container": "uncontrolled"})
        assert (place.out, place.assumed) == (clock("09:50"), False)

    def test_without_a_hand_over_nothing_is_known(self) -> None:
        assert placed(issue={"handed_over": None}) == Whereabouts()

    def test_one_too_coarse_for_minutes_is_none(self) -> None:
        assert placed(issue={"handed_over": Moment(text="2025-06-02")}).out is None

    def test_one_that_is_still_to_come_is_none(self) -> None:
        assert placed(when="09:40").out is None


class TestAStatedExit:
    """``out-since`` on check-unit and start, or remove-from-storage, gives the exit."""

    @pytest.mark.parametrize(
        "code",
        [StepCode.CHECK_UNIT, StepCode.REMOVE_FROM_STORAGE, StepCode.RECEIVE_UNIT, StepCode.START],
    )
    def test_out_since_is_the_exit(self, code: StepCode) -> None:
        place = placed(step(code, "10:20", out_since="10:10"))
        assert (place.out, place.assumed) == (clock("10:10"), False)

    def test_the_step_remove_from_storage_is_the_exit_itself(self) -> None:
        assert placed(step(StepCode.REMOVE_FROM_STORAGE, "10:05")).out == clock("10:05")

    def test_a_hand_over_does_not_put_it_back(self) -> None:
        assert placed(step(StepCode.REMOVE_FROM_STORAGE, "09:40")).out == clock("09:40")

    def test_the_last_exit_counts(self) -> None:
        place = placed(
            step(StepCode.REMOVE_FROM_STORAGE, "09:55"),
            step(StepCode.RECEIVE_UNIT, "10:00", container="monitored-refrigerator"),
            step(StepCode.REMOVE_FROM_STORAGE, "10:20"),
        )
        assert place.out == clock("10:20")

    def test_one_that_comes_after_its_own_step_cannot_be_right(self) -> None:
        assert placed(step(StepCode.CHECK_UNIT, "10:00", out_since="10:01")).assumed

    def test_a_check_says_it_at_its_end(self) -> None:
        check = step(StepCode.CHECK_UNIT, "10:00", out_since="10:02", end=at(clock("10:04")))
        assert placed(check).out == clock("10:02")

    def test_a_rate_says_nothing_of_storage(self) -> None:
        assert placed(step(StepCode.CHANGE_RATE, "10:10")).assumed

    def test_arriving_says_nothing_without_a_container(self) -> None:
        assert placed(step(StepCode.RECEIVE_UNIT, "10:10")).out == clock("09:50")

    def test_a_removal_to_the_day_only_says_nothing(self) -> None:
        coarse = step(StepCode.REMOVE_FROM_STORAGE, "10:05", start=Moment(text="2025-06-02"))
        assert placed(coarse).assumed

    def test_of_two_statements_at_once_the_exit_counts(self) -> None:
        place = placed(
            step(StepCode.REMOVE_FROM_STORAGE, "10:00", "Task/a"),
            step(StepCode.RECEIVE_UNIT, "10:00", "Task/z", container="monitored-refrigerator"),
        )
        assert place.out == clock("10:00")


class TestAContainer:
    """CTS: monitored refrigerator or validated container [S31]; the issue carries valid-until."""

    ISSUE: ClassVar[dict[str, Any]] = {"container": BOX, "valid_until": at(clock("12:00"))}

    def test_a_unit_in_a_valid_container_has_not_left_storage(self) -> None:
        place = placed(issue=self.ISSUE)
        assert (place.stored, place.out) == (True, None)

    def test_past_its_validity_the_unit_is_out_since_then(self) -> None:
        place = placed(issue=self.ISSUE, when="12:01")
        assert (place.out, place.assumed, place.stored) == (clock("12:00"), False, False)

    def test_at_its_last_minute_it_still_holds(self) -> None:
        assert placed(issue=self.ISSUE, when="12:00").stored

    def test_a_day_holds_to_its_end_at_the_facility(self) -> None:
        issue = {"container": BOX, "valid_until": Moment(text="2025-06-02")}
        assert placed(issue=issue, when="22:59").stored  # 23:59 in London
        assert not placed(issue=issue, when="23:00").stored

    def test_valid_until_alone_is_container_data(self) -> None:
        assert placed(issue={"valid_until": at(clock("12:00"))}).stored

    def test_a_start_without_a_removal_on_record_took_it_out_by_then(self) -> None:
        place = placed(issue=self.ISSUE, started=True)
        assert (place.out, place.assumed) == (clock("10:30"), True)

    def test_a_removal_from_it_is_the_exit(self) -> None:
        place = placed(step(StepCode.REMOVE_FROM_STORAGE, "10:15"), issue=self.ISSUE)
        assert (place.out, place.assumed) == (clock("10:15"), False)

    def test_a_container_without_validity_is_none(self) -> None:
        assert placed(issue={"container": BOX}).assumed

    def test_a_porter_may_move_it_into_one(self) -> None:
        moved = step(StepCode.REMOVE_FROM_STORAGE, "09:45", container=BOX, valid_until="13:00")
        assert placed(moved).stored

    def test_an_uncontrolled_one_keeps_nothing(self) -> None:
        moved = step(StepCode.RECEIVE_UNIT, "10:00", container="uncontrolled", valid_until="13:00")
        assert placed(moved).out == clock("09:50")

    def test_a_ward_refrigerator_keeps_it(self) -> None:
        assert placed(
            step(StepCode.RECEIVE_UNIT, "10:00", container="monitored-refrigerator")
        ).stored


class TestAReturn:
    """What came back is in storage; the clock of the next issue is its own."""

    def test_a_returned_unit_is_in_storage(self) -> None:
        place = placed(
            step(StepCode.CHECK_UNIT, "10:00", out_since="09:55"),
            step(StepCode.RETURN_UNIT, "10:10", identifiers=(Identifier("s", "1"),)),
        )
        assert place.stored

    def test_the_next_hand_over_starts_anew(self) -> None:
        place = placed(
            step(StepCode.REMOVE_FROM_STORAGE, "08:00"), step(StepCode.RETURN_UNIT, "08:20")
        )
        assert (place.out, place.assumed) == (clock("09:50"), True)

    def test_the_return_that_is_judged_is_not_storage_itself(self) -> None:
        back = step(StepCode.RETURN_UNIT, "10:30", out_since="10:05")
        assert placed(back, returning=True).out == clock("10:05")
        assert placed(step(StepCode.RETURN_UNIT, "10:30"), returning=True).out == clock("09:50")
