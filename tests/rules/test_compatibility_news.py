"""No bad news while running (COMP-11): stop, or pause and ask for a revoked order (derived)."""

from datetime import timedelta
from typing import Any

import pytest

from service.facts.finding import Advice, Finding, Stage
from service.facts.moment import at
from service.facts.records import UNRECOGNISED, AllowedGroups
from service.facts.unit import Component, Group
from service.rules.compatibility import news
from tests.support.cases import (
    CHECK_AT,
    END_AT,
    START_AT,
    a_bag,
    a_case,
    a_crossmatch,
    a_group,
    a_running,
    a_unit,
    fact,
    group,
    unit_of,
)

LATER = at(START_AT + timedelta(minutes=20))


def told(**overrides: Any) -> tuple[Finding, ...]:
    return news(a_running(a_case(**({"start": {}} | overrides))))


def one(**overrides: Any) -> Finding:
    (finding,) = told(**overrides)
    return finding


class TestNoNews:
    def test_a_running_unit_without_news_says_nothing(self) -> None:
        assert told() == ()

    def test_a_unit_that_came_down_without_news_says_nothing(self) -> None:
        assert told(end={}) == ()


class TestWithdrawn:
    """Recall and quarantine: stop; both partners are told."""

    @pytest.mark.parametrize("status", ["recalled", "quarantined"])
    def test_it_advises_stop(self, status: str) -> None:
        finding = one(unit={"status": status})
        assert (finding.reason, finding.advice) == (f"unit-{status}", Advice.STOP)
        assert (finding.verdict, finding.stage) == (None, Stage.RUNNING)
        assert finding.facts == ("BiologicallyDerivedProduct/u1",)

    def test_after_the_end_it_advises_escalate(self) -> None:
        finding = one(unit={"status": "recalled"}, end={})
        assert (finding.advice, finding.stage) == (Advice.ESCALATE, Stage.ENDED)

    @pytest.mark.parametrize(("hours", "expected"), [(24, 1), (25, 0)])
    def test_after_the_end_it_counts_while_the_unit_is_a_suspect(
        self, hours: int, expected: int
    ) -> None:
        recall = fact(
            a_unit(status="recalled").body,
            "BiologicallyDerivedProduct/u1",
            stamp=END_AT + timedelta(hours=hours),
        )
        assert len(told(unit=recall, end={})) == expected

    def test_discarded_after_the_end_is_no_news(self) -> None:
        assert told(unit={"status": "discarded"}, end={}) == ()


class TestCrossmatch:
    """An incompatible retrospective crossmatch: stop."""

    def test_it_advises_stop(self) -> None:
        finding = one(crossmatch={"result": "incompatible", "at": LATER})
        assert (finding.reason, finding.advice) == ("crossmatch-incompatible", Advice.STOP)

    def test_an_undated_one_counts_by_its_receipt(self) -> None:
        assert one(crossmatch={"result": "incompatible", "at": None}).advice is Advice.STOP

    def test_a_compatible_one_is_no_news(self) -> None:
        assert told(crossmatch={"at": LATER}) == ()


class TestChangedGroup:
    """A changed group of the patient: stop; one that becomes known only when it does not suit."""

    def later(self, text: str, **overrides: Any) -> Any:
        return a_group("Observation/g2", group=group(text), at=LATER, **overrides)

    @pytest.mark.parametrize("text", ["B+", "A-", "O-"])
    def test_another_group_advises_stop(self, text: str) -> None:
        finding = one(extra=(self.later(text),))
        assert (finding.reason, finding.advice) == ("recipient-group-changed", Advice.STOP)
        assert [label for label, _ in finding.shown] == ["group at the start", "group now"]
        assert finding.facts == ("Observation/g2",)

    def test_a_discrepancy_found_later_advises_stop(self) -> None:
        assert one(extra=(self.later("A+", discrepant=True),)).advice is Advice.STOP

    def test_the_same_group_again_is_no_news(self) -> None:
        assert told(extra=(self.later("A+"),)) == ()

    @pytest.mark.parametrize("before", ["A+", "A-"])
    def test_an_rhd_type_that_was_not_read_is_no_other_type(self, before: str) -> None:
        """Missing is off (COMP-11): what cannot be read is unknown, and no changed group."""
        unread = a_group("Observation/g2", group=Group(abo="A", rhd=UNRECOGNISED), at=LATER)
        held = a_group(group=group(before))
        assert told(group=held, bag_group=before, extra=(unread,)) == ()

    def test_an_rhd_type_that_is_read_at_last_is_no_other_type(self) -> None:
        unread = a_group(group=Group(abo="A", rhd=UNRECOGNISED))
        assert told(group=unread, bag_group="A-", extra=(self.later("A+"),)) == ()

    def test_another_abo_group_is_one_whatever_became_of_rhd(self) -> None:
        unread = a_group("Observation/g2", group=Group(abo="B", rhd=UNRECOGNISED), at=LATER)
        assert one(extra=(unread,)).reason == "recipient-group-changed"

    @pytest.mark.parametrize("text", ["O-", "A-", "B-", "AB-"])
    def test_a_group_found_during_emergency_o_cells_is_no_news(self, text: str) -> None:
        assert told(group=None, bag_group="O-", extra=(self.later(text),)) == ()

    @pytest.mark.parametrize(
        ("component", "bag", "text", "expected"),
        [
            (Component.RED_CELLS, "A-", "B-", 1),
            (Component.GRANULOCYTES, "A-", "O-", 1),
            (Component.PLASMA, "O-", "A-", 1),
            (Component.PLASMA, "A-", "O-", 0),
            (Component.PLATELETS, "A-", "O-", 0),
        ],
    )
    def test_a_group_found_that_does_not_suit_advises_stop(
        self, component: Component, bag: str, text: str, expected: int
    ) -> None:
        found = told(group=None, component=component, bag_group=bag, extra=(self.later(text),))
        assert [f.reason for f in found] == ["recipient-group-incompatible"] * expected

    @pytest.mark.parametrize("bag", ["O-", "A-"])
    def test_a_group_that_stays_unknown_is_no_news(self, bag: str) -> None:
        assert told(group=None, bag_group=bag) == ()

    def test_a_unit_nobody_described_cannot_be_judged(self) -> None:
        assert told(group=None, unit=None, extra=(self.later("B-"),)) == ()

    def test_the_laboratorys_list_takes_its_place(self) -> None:
        listed = AllowedGroups(component=Component.RED_CELLS, groups=frozenset({"A"}))
        assert told(extra=(self.later("B+"), fact(listed, "Observation/l1"))) == ()

    def test_a_list_for_another_component_does_not(self) -> None:
        listed = AllowedGroups(component=Component.PLASMA, groups=frozenset({"A"}))
        assert len(told(extra=(self.later("B+"), fact(listed, "Observation/l1")))) == 1


class TestCorrectedLabel:
    """A label corrected after the start: stop."""

    def corrected(self, version: int = 2, minutes: int = 20, **overrides: Any) -> Any:
        return fact(
            a_unit(**overrides).body,
            "BiologicallyDerivedProduct/u1",
            version=version,
            stamp=START_AT + timedelta(minutes=minutes),
        )

    def test_another_group_advises_stop_and_shows_both(self) -> None:
        finding = one(unit=self.corrected(group=group("B+")))
        assert (finding.reason, finding.advice) == ("label-corrected", Advice.STOP)
        assert ("group on the bag", "A RhD positive") in finding.shown
        assert ("group now", "B RhD positive") in finding.shown

    def test_another_expiry_advises_stop(self) -> None:
        assert one(unit=self.corrected(expiry=at(CHECK_AT))).advice is Advice.STOP

    @pytest.mark.parametrize(
        "correction",
        [
            {"volume": None},
            {"group": group("B+"), "version": 1},
            {"group": group("B+"), "minutes": -30},
            {"group": None, "expiry": None},
        ],
    )
    def test_a_correction_that_changes_nothing_shown_or_came_before_is_no_news(
        self, correction: dict[str, Any]
    ) -> None:
        assert told(unit=self.corrected(**correction)) == ()

    def test_a_bag_that_was_not_read_cannot_differ(self) -> None:
        bare = a_bag(group=None, expiry=None)
        found = told(
            unit=self.corrected(group=group("B+")), check={"bag": bare}, start={"bag": None}
        )
        assert found == ()


class TestRevokedOrder:
    """Order revoked: pause, ask; once the bag is down there is nothing to pause."""

    @pytest.mark.parametrize("order", [{"status": "revoked"}, {"do_not_perform": True}])
    def test_it_advises_pause(self, order: dict[str, Any]) -> None:
        finding = one(order=order)
        assert (finding.reason, finding.advice) == ("order-revoked", Advice.PAUSE)
        assert finding.facts == ("ServiceRequest/o1",)

    def test_after_the_end_it_is_no_news(self) -> None:
        assert told(order={"status": "revoked"}, end={}) == ()


def test_several_pieces_of_news_are_all_told() -> None:
    found = told(unit={"status": "recalled"}, order={"status": "revoked"})
    assert [f.reason for f in found] == ["unit-recalled", "order-revoked"]


def test_news_of_another_unit_is_not_this_units() -> None:
    other = a_crossmatch(
        "Observation/x9", unit=unit_of(Component.PLATELETS), result="incompatible", at=LATER
    )
    assert told(extra=(other,)) == ()
