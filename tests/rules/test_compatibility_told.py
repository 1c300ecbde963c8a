"""COMP-11 rests on what had been told by the start, beside what stands now (derived).

A result bears the time of its sample, so a correction of it, or its retraction, often lies before
the start by its clinical time and after it by the time at which it was made.
"""

import random
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.facts.case import Case, UnitView
from service.facts.clinical import changed_after
from service.facts.fact import Fact
from service.facts.finding import Advice, Finding
from service.facts.moment import Moment, at
from service.facts.records import AllowedGroups, Antibody, GroupResult, Order
from service.facts.unit import Component, UnitRef
from service.rules.compatibility import news
from tests.support.cases import (
    CHECK_AT,
    COLLECTED_AT,
    END_AT,
    ISSUED_AT,
    PATIENT,
    START_AT,
    STRANGER,
    UNIT,
    UNIT_KEY,
    a_bag,
    a_case,
    a_crossmatch,
    a_group,
    a_patient,
    a_running,
    a_unit,
    an_antibody_screen,
    an_issue,
    an_order,
    fact,
    group,
)

EARLIER = COLLECTED_AT + timedelta(hours=1)
DURING = START_AT + timedelta(minutes=20)
LONG_AFTER = END_AT + timedelta(hours=25)


def version(of: Fact[Any], number: int, told: datetime, **overrides: Any) -> Fact[Any]:
    """One version of a fact, stamped by its sender; the clinical time stays what it was."""
    return fact(
        of.body,
        of.key,
        version=number,
        stamp=told,
        digest=f"{of.key} v{number}",
        subject=of.subject,
        **overrides,
    )


def told(*versions: Fact[Any], **overrides: Any) -> tuple[Finding, ...]:
    """The news of the unit, with these versions of facts in place of the usual ones."""
    named = {fact.key for fact in versions}
    usual = {
        "group": "Observation/g1",
        "order": "ServiceRequest/o1",
        "issue": "Basic/i1",
        "unit": "BiologicallyDerivedProduct/u1",
    }
    left_out = {name: None for name, key in usual.items() if key in named}
    return news(a_running(a_case(**({"start": {}} | left_out | overrides), extra=versions)))


def reasons(*versions: Fact[Any], **overrides: Any) -> list[tuple[str, Advice | None]]:
    return [(f.reason, f.advice) for f in told(*versions, **overrides)]


class TestCorrectedGroup:
    """A changed group of the patient: stop."""

    def corrected(self, text: str | None, when: datetime = DURING, **overrides: Any) -> Any:
        now = a_group(group=group(text), **overrides)
        return version(a_group(), 1, EARLIER), version(now, 2, when)

    @pytest.mark.parametrize("text", ["B+", "O+", "AB+", "A-", None])
    def test_a_correction_made_while_the_unit_runs_advises_stop(self, text: str | None) -> None:
        """Its clinical time is the sample's, long before the start."""
        assert reasons(*self.corrected(text)) == [("recipient-group-changed", Advice.STOP)]

    def test_both_groups_are_shown(self) -> None:
        (finding,) = told(*self.corrected("O+"))
        assert finding.facts == ("Observation/g1",)
        assert finding.shown == (
            ("group at the start", "group A, RhD positive"),
            ("group now", "group O, RhD positive"),
        )

    def test_a_retraction_leaves_no_group_and_advises_stop(self) -> None:
        gone = version(a_group(), 2, DURING, retracted=True)
        found = reasons(version(a_group(), 1, EARLIER), gone)
        assert found == [("recipient-group-changed", Advice.STOP)]

    def test_a_retraction_beside_another_result_of_the_same_group_is_no_news(self) -> None:
        gone = version(a_group(), 2, DURING, retracted=True)
        assert reasons(version(a_group(), 1, EARLIER), gone, a_group("Observation/g2")) == []

    def test_a_result_that_turns_out_to_be_another_patients_advises_stop(self) -> None:
        first = version(a_group(), 1, EARLIER)
        moved = fact(first.body, first.key, version=2, stamp=DURING, digest="x", subject=STRANGER)
        assert reasons(first, moved) == [("recipient-group-changed", Advice.STOP)]

    def test_a_correction_that_names_no_other_group_is_no_news(self) -> None:
        assert reasons(*self.corrected("A+", confirmed=None)) == []

    def test_a_correction_of_before_the_start_is_a_matter_for_the_check(self) -> None:
        assert reasons(*self.corrected("O+", START_AT - timedelta(minutes=1))) == []

    def test_a_result_of_an_earlier_sample_that_is_told_while_it_runs_advises_stop(self) -> None:
        """Results bear the time of their sample: it was not known at the start."""
        other = version(a_group("Observation/g2", group=group("O+")), 1, DURING)
        assert reasons(other) == [("recipient-group-changed", Advice.STOP)]

    def test_after_the_end_it_counts_while_the_unit_is_a_suspect(self) -> None:
        (reason, advice), *_ = reasons(*self.corrected("O+", END_AT + timedelta(hours=1)), end={})
        assert (reason, advice) == ("recipient-group-changed", Advice.ESCALATE)
        assert reasons(*self.corrected("O+", LONG_AFTER), end={}) == []

    def test_a_correction_under_the_old_time_counts_from_its_receipt(self) -> None:
        """A sender that leaves ``issued`` as it was says nothing of when it corrected."""
        first = version(a_group(), 1, EARLIER)
        same_time = EARLIER + timedelta(microseconds=1)
        gone = version(a_group(), 2, same_time, retracted=True, received=DURING)
        assert reasons(first, gone) == [("recipient-group-changed", Advice.STOP)]

    def test_a_group_that_is_first_known_by_a_correction_must_suit_the_unit(self) -> None:
        pending = version(a_group(group=group(None)), 1, EARLIER)
        found = reasons(pending, version(a_group(group=group("B+")), 2, DURING))
        assert found == [("recipient-group-incompatible", Advice.STOP)]
        assert reasons(pending, version(a_group(group=group("A+")), 2, DURING)) == []


class TestChangedList:
    """The laboratory's list of allowed groups stands in place of the group (COMP-12)."""

    def listed(self, *groups: str, **overrides: Any) -> Any:
        body = AllowedGroups(component=Component.RED_CELLS, groups=frozenset(groups))
        return fact(body, "Observation/l1", **overrides)

    def test_a_list_that_leaves_the_unit_out_advises_stop(self) -> None:
        first = version(self.listed("A", "O"), 1, EARLIER)
        (finding,) = told(first, version(self.listed("O"), 2, DURING))
        assert (finding.reason, finding.advice) == ("group-no-longer-allowed", Advice.STOP)
        assert finding.shown == (("unit", "A RhD positive"), ("allowed groups now", "O"))

    def test_a_first_list_of_while_it_runs_does_so_too(self) -> None:
        late = version(self.listed("O"), 1, DURING)
        assert reasons(late) == [("group-no-longer-allowed", Advice.STOP)]

    def test_a_list_that_still_holds_the_unit_is_no_news(self) -> None:
        first = version(self.listed("A", "O"), 1, EARLIER)
        assert reasons(first, version(self.listed("A positive"), 2, DURING)) == []

    def test_what_was_not_allowed_at_the_start_was_refused_there(self) -> None:
        first = version(self.listed("O"), 1, EARLIER)
        assert reasons(first, version(self.listed("B"), 2, DURING)) == []

    def test_a_unit_whose_group_nobody_described_cannot_be_compared(self) -> None:
        late = version(self.listed("O"), 1, DURING)
        assert reasons(late, unit={"group": None}) == []
        assert reasons(late, unit=None) == []


class TestCorrectedLabel:
    """A corrected label: stop. What the record said at the start counts beside the bag as read."""

    def corrected(self, before: dict[str, Any] | None = None, **now: Any) -> Any:
        first = version(a_unit(**(before or {})), 1, EARLIER)
        return first, version(a_unit(**((before or {}) | now)), 2, DURING)

    def shown(self, *versions: Any, **overrides: Any) -> tuple[tuple[str, str], ...]:
        unread = {"check": {"bag": a_bag(group=None, expiry=None)}, "start": {"bag": None}}
        (finding,) = told(*versions, **(unread | overrides))
        assert (finding.reason, finding.advice) == ("label-corrected", Advice.STOP)
        return finding.shown

    def test_another_group_than_at_the_start_though_nobody_read_the_bags(self) -> None:
        assert self.shown(*self.corrected(group=group("O+"))) == (
            ("group at the start", "A RhD positive"),
            ("group now", "O RhD positive"),
        )

    def test_another_expiry(self) -> None:
        (said, _), (now, _) = self.shown(*self.corrected(expiry=at(CHECK_AT)))
        assert (said, now) == ("expiry at the start", "expiry now")

    def test_another_day_of_expiry(self) -> None:
        days = {"expiry": Moment(text="2025-06-09")}
        assert self.shown(*self.corrected(days, expiry=Moment(text="2025-06-02"))) == (
            ("expiry at the start", "2025-06-09"),
            ("expiry now", "2025-06-02"),
        )

    def test_another_component(self) -> None:
        assert self.shown(*self.corrected(component=Component.WHOLE_BLOOD)) == (
            ("component at the start", "red cells"),
            ("component now", "whole blood"),
        )

    def test_another_unit_number(self) -> None:
        other = UnitRef(din="A999925999999", product=UNIT.product, division=UNIT.division)
        found = told(*self.corrected(unit=other))
        assert [f.reason for f in found] == ["label-corrected"]
        assert found[0].shown == (
            ("unit at the start", UNIT_KEY.text),
            ("unit now", "A999925999999/E0398/000000"),
        )

    def test_a_unit_number_that_is_no_longer_whole(self) -> None:
        found = told(*self.corrected(unit=UnitRef(din=UNIT.din)))
        assert found[0].shown[1] == ("unit now", "not known")

    def test_a_description_that_is_withdrawn_is_missed_where_it_was_the_only_one(self) -> None:
        first, _ = self.corrected()
        gone = version(a_unit(), 2, DURING, retracted=True)
        assert told(first, gone)[0].shown[1] == ("unit now", "withdrawn")
        other = a_unit("BiologicallyDerivedProduct/u2")
        assert reasons(first, gone, other) == []

    def test_a_lost_attribute_that_the_order_asks_for(self) -> None:
        irradiated = {"attributes": frozenset({"irradiated", "leukoreduced"})}
        now = self.corrected(irradiated, attributes=frozenset({"leukoreduced"}))
        asked = an_order(requirements=frozenset({"irradiated"}))
        assert self.shown(*now, asked) == (
            ("irradiated at the start", "yes"),
            ("irradiated now", "no"),
        )
        assert reasons(*now) == []

    def test_attributes_that_nobody_said_are_not_lost(self) -> None:
        asked = an_order(requirements=frozenset({"irradiated"}))
        assert reasons(*self.corrected(attributes=None), asked) == []
        assert reasons(*self.corrected({"attributes": None}, attributes=frozenset()), asked) == []

    def test_an_antigen_that_the_order_or_an_antibody_speaks_against(self) -> None:
        now = self.corrected(antigens=(("K", True), ("E", True)))
        asked = an_order(antigens_negative=frozenset({"K"}))
        shown = (("K at the start", "not positive"), ("K now", "positive"))
        assert self.shown(*now, asked) == shown
        own = (Antibody(antigen="K"), Antibody(antigen="E", passive=True))
        assert self.shown(*now, antibodies={"antibodies": own}) == shown
        assert reasons(*now) == []

    def test_an_attribute_that_is_added_is_no_news(self) -> None:
        both = frozenset({"irradiated", "leukoreduced"})
        asked = an_order(requirements=frozenset({"irradiated"}))
        assert reasons(*self.corrected(attributes=both), asked) == []

    def test_whichever_version_came_first_to_us(self) -> None:
        """The one stamped later corrects the other, though it came first and is our version 1."""
        first, second = self.corrected(group=group("O+"))
        late = fact(first.body, first.key, version=2, stamp=EARLIER, digest="b", subject=None)
        early = fact(second.body, first.key, version=1, stamp=DURING, digest="a", subject=None)
        assert reasons(early, late) == [("label-corrected", Advice.STOP)]

    def test_a_unit_that_only_a_correction_describes_is_compared_with_the_bag(self) -> None:
        other = UnitRef(din="A999925999999", product=UNIT.product, division=UNIT.division)
        first = version(a_unit(unit=other), 1, EARLIER)
        now = version(a_unit(group=group("B+")), 2, DURING)
        assert told(first, now)[0].shown[0] == ("group on the bag", "A RhD positive")


class TestWithdrawnIssue:
    """An issue entered in error, or never carried out, is no longer this patient's unit: stop."""

    def first(self, **overrides: Any) -> Fact[Any]:
        return version(an_issue(**overrides), 1, ISSUED_AT)

    def gone(self, when: datetime = DURING) -> Fact[Any]:
        return version(an_issue(), 2, when, retracted=True)

    def test_a_retraction_advises_stop(self) -> None:
        (finding,) = told(self.first(), self.gone())
        assert (finding.reason, finding.advice) == ("issue-withdrawn", Advice.STOP)
        assert finding.facts == ("Basic/i1",)

    def test_an_unfulfilled_issue_advises_stop(self) -> None:
        now = version(an_issue(status="unfulfilled"), 2, DURING)
        assert reasons(self.first(), now) == [("issue-withdrawn", Advice.STOP)]

    def test_after_the_end_it_counts_while_the_unit_is_a_suspect(self) -> None:
        found = reasons(self.first(), self.gone(END_AT + timedelta(hours=1)), end={})
        assert found == [("issue-withdrawn", Advice.ESCALATE)]
        assert reasons(self.first(), self.gone(LONG_AFTER), end={}) == []

    def test_another_issue_of_the_unit_to_the_patient_makes_it_no_news(self) -> None:
        assert reasons(self.first(), self.gone(), an_issue("Basic/i2")) == []

    def test_what_was_withdrawn_before_the_start_or_never_issued_is_no_news(self) -> None:
        assert reasons(self.first(), self.gone(START_AT - timedelta(minutes=2))) == []
        waiting = version(an_issue(status="preparation"), 1, ISSUED_AT)
        assert reasons(waiting, self.gone()) == []

    def test_an_issue_that_lost_its_unit_by_a_correction_is_withdrawn(self) -> None:
        """The issue stands unchanged and means another unit, since its unit has another number."""
        named = UnitRef(resource="BiologicallyDerivedProduct/u1")
        other = UnitRef(din="A999925999999", product=UNIT.product, division=UNIT.division)
        unit = version(a_unit(), 1, EARLIER), version(a_unit(unit=other), 2, DURING)
        found = reasons(*unit, issue={"unit": named})
        assert found == [("issue-withdrawn", Advice.STOP), ("label-corrected", Advice.STOP)]

    def test_a_unit_that_was_not_identified_has_no_issue(self) -> None:
        running = a_running(a_case(start={}))
        bare = UnitView(key=None, steps=running.unit.steps)
        assert news(replace(running, unit=bare)) == ()


class TestWithdrawnOrder:
    """An order that no longer stands while its unit runs: pause, ask (row order-revoked-as)."""

    def first(self, **overrides: Any) -> Fact[Any]:
        return version(an_order(**overrides), 1, EARLIER)

    def gone(self, when: datetime = DURING, **overrides: Any) -> Fact[Any]:
        return version(an_order(**overrides), 2, when, retracted=True)

    def test_an_order_entered_in_error_advises_pause(self) -> None:
        (finding,) = told(self.first(), self.gone())
        assert (finding.reason, finding.advice) == ("order-withdrawn", Advice.PAUSE)
        assert finding.facts == ("ServiceRequest/o1",)

    def test_one_that_the_unit_does_not_name_and_was_given_under_does_too(self) -> None:
        unnamed = {"issue": {"based_on": ()}, "check": {"based_on": ()}}
        assert reasons(self.first(), self.gone(), **unnamed) == [("order-withdrawn", Advice.PAUSE)]

    def test_one_that_is_made_out_to_another_patient_now(self) -> None:
        first = self.first()
        moved = fact(first.body, first.key, version=2, stamp=DURING, digest="x", subject=STRANGER)
        assert reasons(first, moved) == [("order-withdrawn", Advice.PAUSE)]

    def test_after_the_end_there_is_nothing_to_pause(self) -> None:
        assert reasons(self.first(), self.gone(), end={}) == []

    def test_what_was_retracted_before_the_start_is_a_matter_for_the_check(self) -> None:
        assert reasons(self.first(), self.gone(START_AT - timedelta(minutes=2))) == []

    def test_another_units_order_is_no_news(self) -> None:
        other = {"component": Component.PLATELETS, "identifiers": ()}
        first = version(an_order("ServiceRequest/o9", **other), 1, EARLIER)
        gone = version(an_order("ServiceRequest/o9", **other), 2, DURING, retracted=True)
        assert reasons(first, gone) == []

    def test_an_order_on_hold_advises_pause_unless_another_is_active(self) -> None:
        held = version(an_order(status="on-hold"), 2, DURING)
        assert reasons(self.first(), held) == [("order-on-hold", Advice.PAUSE)]
        other = an_order("ServiceRequest/o2", identifiers=an_order().body.identifiers)
        assert reasons(self.first(), held, other) == []


class TestForbiddingOrder:
    """An order in force that this component is not to be given: pause, ask."""

    def ban(self, **overrides: Any) -> Fact[Order]:
        told = {"do_not_perform": True, "identifiers": (), "start": at(DURING)}
        return an_order("ServiceRequest/o9", **(told | overrides))

    def test_one_that_comes_into_force_while_it_runs(self) -> None:
        assert reasons(self.ban()) == [("order-forbids", Advice.PAUSE)]

    @pytest.mark.parametrize("overrides", [{"component": None}, {"start": None}])
    def test_one_for_every_component_or_without_a_date(self, overrides: dict[str, Any]) -> None:
        assert reasons(self.ban(**overrides)) == [("order-forbids", Advice.PAUSE)]

    @pytest.mark.parametrize(
        "overrides",
        [
            {"component": Component.PLATELETS},
            {"status": "completed"},
            {"start": at(START_AT + timedelta(hours=9))},
            {"start": None, "end": at(EARLIER)},
        ],
    )
    def test_others_are_no_news(self, overrides: dict[str, Any]) -> None:
        assert reasons(self.ban(**overrides)) == []


class TestCrossmatch:
    """An incompatible retrospective crossmatch: stop."""

    def test_a_result_corrected_to_incompatible_advises_stop(self) -> None:
        first = version(a_crossmatch(), 1, EARLIER)
        now = version(a_crossmatch(result="incompatible"), 2, DURING)
        assert reasons(first, now) == [("crossmatch-incompatible", Advice.STOP)]

    def test_though_a_newer_one_of_before_the_start_was_compatible(self) -> None:
        newer = a_crossmatch("Observation/x2", at=at(EARLIER))
        now = version(a_crossmatch(result="incompatible"), 2, DURING)
        assert reasons(version(a_crossmatch(), 1, EARLIER), now, newer) == [
            ("crossmatch-incompatible", Advice.STOP)
        ]

    def test_one_that_was_settled_before_the_start_is_no_news(self) -> None:
        """COMP-10 lets the newest result count, and nothing has come to light since."""
        old = a_crossmatch(result="incompatible")
        assert reasons(old, a_crossmatch("Observation/x2", at=at(EARLIER))) == []

    @pytest.mark.parametrize(
        "newer",
        [
            {"at": at(DURING)},
            {"at": None},
            {"at": at(COLLECTED_AT)},
            {"at": at(EARLIER), "result": "unrecognised"},
            {"at": at(EARLIER), "result": None},
        ],
    )
    def test_nothing_else_settles_it(self, newer: dict[str, Any]) -> None:
        old = a_crossmatch(result="incompatible")
        found = reasons(old, a_crossmatch("Observation/x2", **newer))
        assert found == [("crossmatch-incompatible", Advice.STOP)]


class TestAsTold:
    """``Case.as_told``: what a case had been told by an instant."""

    def test_a_case_without_corrections_is_the_same_case(self) -> None:
        case = a_case()
        assert case.as_told(START_AT, (GroupResult,)) is case

    def test_corrections_of_other_kinds_do_not_count(self) -> None:
        order = version(an_order(), 1, EARLIER), version(an_order(status="draft"), 2, DURING)
        case = a_case(order=None, extra=order)
        assert case.as_told(START_AT, (GroupResult,)) is case

    def test_each_fact_stands_in_the_version_told_by_then(self) -> None:
        told = [(EARLIER, "A+"), (ISSUED_AT, "B+"), (DURING, "O+")]
        versions = [
            version(a_group(group=group(text)), number, when)
            for number, (when, text) in enumerate(told, start=1)
        ]
        case = a_case(group=None, extra=versions)
        for when, text in told:
            (then,) = case.as_told(when, (GroupResult,)).of(GroupResult)
            assert then.body.group == group(text)
        (first,) = case.as_told(EARLIER - timedelta(days=1), (GroupResult,)).of(GroupResult)
        assert first.body.group == group("A+")

    def test_what_was_only_ever_retracted_never_stood(self) -> None:
        case = a_case(group=version(a_group(), 1, DURING, retracted=True))
        assert case.as_told(START_AT, (GroupResult,)).of(GroupResult) == ()
        assert case.of(GroupResult) == ()

    @settings(max_examples=150, deadline=None)
    @given(
        st.lists(
            st.tuples(st.integers(0, 5), st.sampled_from("ABO"), st.booleans()),
            min_size=1,
            max_size=6,
            unique_by=lambda told: told[0],
        ),
        st.randoms(use_true_random=False),
        st.integers(-1, 6),
    )
    def test_the_order_of_arrival_changes_nothing(
        self, said: list[tuple[int, str, bool]], chance: random.Random, hour: int
    ) -> None:
        """The same stamped versions in any order, some of them twice."""
        when = EARLIER + timedelta(hours=hour)
        arrivals = [said, [*said, *said[:2]]]
        chance.shuffle(arrivals[1])
        seen = []
        for arrival in arrivals:
            facts = [
                fact(
                    a_group(group=group(f"{abo}+")).body,
                    "Observation/g1",
                    version=place,
                    stamp=EARLIER + timedelta(hours=hours),
                    digest=f"{hours} {abo}",
                    retracted=retracted,
                    received=END_AT,
                )
                for place, (hours, abo, retracted) in enumerate(arrival, start=1)
            ]
            case = Case("p", [a_patient(), *facts], (), PATIENT.tokens)
            then = case.as_told(when, (GroupResult,))
            seen.append(
                (
                    [f.body for f in case.of(GroupResult)],
                    [f.version for f in case.of(GroupResult)],
                    [f.body for f in then.of(GroupResult)],
                    [changed_after(f, when) for f in case.of(GroupResult)],
                )
            )
        assert seen[0] == seen[1]


def test_an_antibody_is_no_news_of_the_label() -> None:
    screen = an_antibody_screen("Observation/ab2", antibodies=(Antibody(antigen="K"),))
    assert reasons(screen, unit={"antigens": (("K", True),)}) == []
