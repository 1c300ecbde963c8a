"""Actions on a suspected reaction: clearance, resuming, samples, sisters, reports (rules.md 6)."""

from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.facts.acts import Act, NoticeRaised, NoticeWithdrawn
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.finding import Candidate, Grade, Remedy, Verdict
from service.facts.steps import StepCode
from service.facts.unit import UnitKey, UnitRef
from service.rules.reaction import RULES, holds_sisters
from service.rules.reaction_actions import (
    CULTURES,
    MILD_SAMPLES,
    SAMPLES,
    clearance,
    duties,
    held_categories,
    open_reaction,
    resume_allowed,
    samples,
)
from tests.support.bedside import after, report, step
from tests.support.cases import SITE, UNIT_KEY, a_case, pre_start
from tests.support.policies import default_policy, with_rows

OTHER = UnitKey("A999925000001", "E0398")
NOW = after(60)
LONDON = ZoneInfo("Europe/London")


def raised(minutes: float = 20, *, grade: str = "stop", unit: UnitKey = OTHER, n: int = 1) -> Act:
    """A notice raised on a unit."""
    body = NoticeRaised(
        notice=f"{unit.text}/{n}",
        unit=unit.text,
        origin=f"Observation/origin-{n}",
        grade=grade,
        onset=after(minutes),
    )
    return Act(key=f"notice-raised:{body.notice}", at=after(minutes + 1), body=body)


def withdrawn(n: int = 1) -> Act:
    """The same notice withdrawn."""
    body = NoticeWithdrawn(notice=f"{OTHER.text}/{n}", acknowledged=False, why="basis-gone")
    return Act(key=f"notice-withdrawn:{body.notice}", at=after(30), body=body)


def case(*facts: Fact[Any], acts: tuple[Act, ...] = (raised(),)) -> Case:
    """The invented patient whose other unit gave a reaction."""
    return a_case(extra=facts, acts=acts)


class TestAct20:
    """While a stop-grade reaction is open, starting any other unit for that patient = authorise
    until cleared (all units if identity is in doubt); not while life-threatening. (D)"""

    def verdict(self, held: Case, **pre: Any) -> tuple[Verdict | None, ...]:
        return tuple(f.verdict for f in open_reaction(pre_start(held, at=NOW, **pre)))

    def test_another_unit_needs_an_authorisation(self) -> None:
        (found,) = open_reaction(pre_start(case(), at=NOW))
        assert (found.rule, found.reason) == ("ACT-20", "reaction-open")
        assert (found.verdict, found.remedy) == (Verdict.AUTHORISE, Remedy.CALL_LABORATORY)
        assert found.facts == ("Observation/origin-1",)

    def test_it_is_a_rule_of_the_pre_start_judgement(self) -> None:
        assert (open_reaction,) == RULES

    def test_no_reaction_no_finding(self) -> None:
        assert self.verdict(case(acts=())) == ()

    def test_a_reported_reaction_counts_like_a_stop(self) -> None:
        assert self.verdict(case(acts=(raised(grade="reported"),))) == (Verdict.AUTHORISE,)

    def test_a_pause_grade_one_does_not(self) -> None:
        assert self.verdict(case(acts=(raised(grade="pause"),))) == ()

    def test_the_suspect_itself_is_not_another_unit(self) -> None:
        assert self.verdict(case(acts=(raised(unit=UNIT_KEY),))) == ()

    def test_a_unit_nobody_identified_may_be_another(self) -> None:
        held = clearance(case(acts=(raised(unit=UNIT_KEY),)), NOW)
        assert held.forbids(None)

    @pytest.mark.parametrize("code", [StepCode.CLEARED_TO_TRANSFUSE, StepCode.DISMISS_REACTION])
    def test_clearing_or_dismissing_ends_it(self, code: StepCode) -> None:
        assert self.verdict(case(step(code, 40))) == ()
        assert self.verdict(case(step(code, 60))) == ()
        assert self.verdict(case(step(code, 61))) == (Verdict.AUTHORISE,)

    def test_the_latest_clearance_counts(self) -> None:
        code = StepCode.CLEARED_TO_TRANSFUSE
        assert self.verdict(case(step(code, 10), step(code, 40))) == ()

    def test_confirming_does_not(self) -> None:
        held = case(step(StepCode.CONFIRM_REACTION, 40))
        assert self.verdict(held) == (Verdict.AUTHORISE,)

    def test_a_reaction_after_the_clearance_is_open_again(self) -> None:
        held = case(step(StepCode.CLEARED_TO_TRANSFUSE, 40), acts=(raised(), raised(50, n=2)))
        (found,) = open_reaction(pre_start(held, at=NOW))
        assert found.facts == ("Observation/origin-2",)

    def test_a_withdrawn_notice_is_not_open(self) -> None:
        assert self.verdict(case(acts=(raised(), withdrawn()))) == ()

    def test_a_check_before_the_onset_is_not_touched(self) -> None:
        assert open_reaction(pre_start(case(), at=after(19))) == ()
        assert open_reaction(pre_start(case(), at=after(20))) != ()

    def test_not_while_life_threatening(self) -> None:
        assert self.verdict(case(), urgency="life-threatening") == ()

    def test_identity_in_doubt_holds_every_unit(self) -> None:
        mismatch = report(25, identity_recheck="mismatch", unit=UnitRef())
        held = case(mismatch, acts=(raised(unit=UNIT_KEY),))
        (found,) = open_reaction(pre_start(held, at=NOW))
        assert (found.reason, found.verdict) == ("identity-in-doubt", Verdict.AUTHORISE)

    def test_a_clerical_error_is_a_doubt_until_the_laboratory_says_otherwise(self) -> None:
        error = step(StepCode.CLERICAL_ERROR, 30)
        assert clearance(case(error), NOW).in_doubt
        assert not clearance(case(error, step(StepCode.CLERICAL_OK, 40)), NOW).in_doubt

    @pytest.mark.parametrize("minutes", [20, 60])
    def test_a_doubt_from_the_onset_to_the_check_counts(self, minutes: float) -> None:
        assert clearance(case(step(StepCode.CLERICAL_ERROR, minutes)), NOW).in_doubt

    def test_a_reaction_at_the_moment_of_clearance_is_cleared(self) -> None:
        assert not clearance(case(step(StepCode.CLEARED_TO_TRANSFUSE, 20)), NOW).open

    @pytest.mark.parametrize("minutes", [10, 61])
    def test_a_doubt_of_another_time_is_none(self, minutes: float) -> None:
        assert not clearance(case(step(StepCode.CLERICAL_ERROR, minutes)), NOW).in_doubt


def a_candidate(category: str, severity: str | None = None) -> Candidate:
    return Candidate(rule="RXN", category=category, grade=Grade.POSSIBLE, severity=severity)


MILD = (a_candidate("allergic", "mild"),)


ALL_WELL: dict[str, Any] = {
    "identity_recheck": "match",
    "resolved": True,
    "prescriber_decides": True,
}


class TestAct08:
    """Resume only after a clean identity re-check and the prescriber's decision and mild and
    resolved; never for anything else [S38][S70]."""

    def reasons(self, candidates: tuple[Candidate, ...] = MILD, **changed: Any) -> tuple[str, ...]:
        answer = resume_allowed(candidates, **(ALL_WELL | changed))
        assert answer.allowed == (not answer.reasons)
        return answer.reasons

    @pytest.mark.parametrize("category", ["allergic", "FNHTR"])
    def test_a_mild_resolved_reaction_may(self, category: str) -> None:
        assert self.reasons((a_candidate(category, "mild"),)) == ()

    @pytest.mark.parametrize(
        ("changed", "reason"),
        [
            ({"identity_recheck": "mismatch"}, "identity-mismatch"),
            ({"identity_recheck": "not-done"}, "identity-not-rechecked"),
            ({"identity_recheck": None}, "identity-not-rechecked"),
            ({"resolved": False}, "not-resolved"),
            ({"resolved": None}, "not-resolved"),
            ({"prescriber_decides": False}, "no-prescriber-decision"),
            ({"prescriber_decides": None}, "no-prescriber-decision"),
        ],
    )
    def test_each_condition_blocks_and_so_does_not_knowing(
        self, changed: dict[str, Any], reason: str
    ) -> None:
        assert self.reasons(**changed) == (reason,)

    @pytest.mark.parametrize(
        "candidates",
        [
            (),
            (a_candidate("FNHTR", "moderate"),),
            (a_candidate("AHTR"),),
            (*MILD, a_candidate("hypotensive")),
        ],
    )
    def test_anything_else_is_not_mild(self, candidates: tuple[Candidate, ...]) -> None:
        assert self.reasons(candidates) == ("not-mild",)


class TestAct09:
    """Resumption cannot extend the TIM-04 deadline (D)."""

    def test_the_deadline_comes_back_as_it_was(self) -> None:
        limit = datetime(2025, 6, 2, 14, 0, tzinfo=UTC)
        answer = resume_allowed(MILD, **ALL_WELL, deadline=limit)
        assert (answer.allowed, answer.deadline) == (True, limit)


class TestAct07:
    """Samples (moderate or severe); cultures if ΔT ≥ 2 or T ≥ 39 or rigors or shock [S68][S67];
    EDTA sample even for mild [S38]."""

    def test_a_mild_one_asks_for_one_tube(self) -> None:
        assert samples(MILD, culture=False) == MILD_SAMPLES

    def test_more_than_mild_asks_for_the_work_up(self) -> None:
        assert samples((a_candidate("AHTR"),), culture=False) == (*MILD_SAMPLES, *SAMPLES)

    def test_a_suspicion_without_a_category_is_not_taken_to_be_mild(self) -> None:
        assert samples((), culture=False) == (*MILD_SAMPLES, *SAMPLES)

    def test_heat_or_shock_adds_cultures(self) -> None:
        assert samples(MILD, culture=True) == (*MILD_SAMPLES, *CULTURES)


class TestAct10:
    """Hold sister components: sepsis, TRALI or respiratory-undetermined, unexplained haemolysis,
    severe allergic per policy; never mild allergic, mild febrile, TACO [S101]."""

    @pytest.mark.parametrize(
        "category",
        [
            "sepsis-suspected",
            "TRALI-I",
            "TRALI-II",
            "TRALI/TACO",
            "respiratory-undetermined",
            "AHTR",
            "anaphylaxis",
        ],
    )
    def test_held(self, category: str) -> None:
        assert holds_sisters((category,), default_policy(), NOW)

    @pytest.mark.parametrize(
        "category",
        ["allergic", "FNHTR", "TACO", "TAD", "hypotensive", "wrong-blood", "DHTR", "PTP"],
    )
    def test_never_held(self, category: str) -> None:
        assert not holds_sisters((category,), default_policy(), NOW)

    def test_haemolysis_that_wrong_blood_explains_holds_nothing(self) -> None:
        assert held_categories(("wrong-blood", "AHTR"), default_policy(), NOW) == ()

    def test_only_the_categories_that_call_for_it_are_named(self) -> None:
        found = held_categories(("AHTR", "FNHTR", "anaphylaxis"), default_policy(), NOW)
        assert found == ("AHTR", "anaphylaxis")

    def test_severe_allergic_is_a_policy_option(self) -> None:
        """POL-34."""
        off = with_rows({"hold-sister-severe-allergic": False})
        assert not holds_sisters(("anaphylaxis",), off, NOW)


class TestReports:
    """ACT-12 to ACT-17: who is owed a report, and by when."""

    DIED = datetime(2025, 6, 2, 23, 30, tzinfo=UTC)

    def owed(self, *where: str, **events: Any) -> dict[str, date | None]:
        found = duties(frozenset(where), LONDON, **events)
        return {f"{one.duty.rule} {one.duty.what}": one.due for one in found}

    def test_a_fatality_in_the_united_states(self) -> None:
        """As soon as possible; a written report within 7 days after the fatality [S05][S83]."""
        found = self.owed("us", fatal_at=self.DIED)
        assert found["ACT-12 notice of the fatality"] is None
        # the day is the calendar's where the site is: 3 June there
        written = "ACT-12 written report of the investigation"
        assert found[written] == date(2025, 6, 10)

    def test_no_24_h_telephone_deadline_was_read(self) -> None:
        found = duties(frozenset({"us"}), SITE.zone, fatal_at=self.DIED)
        assert all(one.duty.within is None or one.duty.within.days == 7 for one in found)

    def test_a_product_at_fault_is_told_to_its_maker_everywhere(self) -> None:
        """606.170(a) [S06]."""
        assert "ACT-13 copy of the investigation report" in self.owed("au", product_fault=True)
        assert self.owed("au") == {}

    def test_serious_reactions_in_the_united_kingdom(self) -> None:
        """From memory: BSQR 2005 regulation 12B."""
        assert list(self.owed("uk", serious_at=self.DIED)) == [
            "ACT-15 serious adverse reaction or event"
        ]

    def test_a_fatality_is_serious(self) -> None:
        assert "ACT-15 serious adverse reaction or event" in self.owed("uk", fatal_at=self.DIED)

    def test_new_york_within_seven_calendar_days(self) -> None:
        """[S11]"""
        found = self.owed("us", "us-ny", serious_at=self.DIED)
        assert found["ACT-16 serious unexpected reaction"] == date(2025, 6, 10)
        assert "ACT-16 serious unexpected reaction" not in self.owed("us", serious_at=self.DIED)

    def test_canada_tells_the_supplier(self) -> None:
        found = self.owed("ca", product_fault=True)
        assert [name[:6] for name in found] == ["ACT-13", "ACT-17"]

    def test_surveillance_in_the_united_states_is_voluntary(self) -> None:
        """From memory: NHSN."""
        (one,) = duties(frozenset({"us"}), LONDON)
        assert (one.duty.rule, one.duty.voluntary) == ("ACT-14", True)
