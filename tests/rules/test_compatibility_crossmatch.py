"""The crossmatch (COMP-10), the emergency path (COMP-15) and massive transfusion (COMP-16)."""

from datetime import timedelta
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.moment import at
from service.facts.records import Antibody
from service.facts.unit import Component
from service.rules.compatibility import compatibility
from tests.support.cases import (
    CHECKED_AT,
    COLLECTED_AT,
    a_case,
    a_crossmatch,
    an_antibody_screen,
    of_rule,
    pre_start,
)
from tests.support.policies import with_rows

NEWBORN = {"birth_date": "2025-04-20"}


def crossmatch(
    *, urgency: str = "routine", rules: tuple[str, ...] = ("COMP-10", "COMP-15"), **overrides: Any
) -> Finding:
    found = compatibility(pre_start(a_case(**overrides), urgency=urgency))
    (finding,) = [f for rule in rules for f in of_rule(found, rule)]
    return finding


class TestMatchStatus:
    """COMP-10: crossmatched or selected; red cells and granulocytes need one [S93]."""

    @pytest.mark.parametrize("match", ["crossmatched", "selected"])
    @pytest.mark.parametrize(
        "component", [Component.RED_CELLS, Component.WHOLE_BLOOD, Component.GRANULOCYTES]
    )
    def test_a_matched_unit_passes(self, match: str, component: Component) -> None:
        finding = crossmatch(issue={"match": match}, component=component)
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_the_least_incompatible_unit_is_authorised_with_the_concession_shown(self) -> None:
        issue = {"match": "least-incompatible", "concession": "LC-9"}
        finding = crossmatch(issue=issue)
        assert (finding.reason, finding.verdict) == (
            "crossmatch-least-incompatible",
            Verdict.AUTHORISE,
        )
        assert finding.shown == (("concession", "LC-9"),)

    def test_an_unmatched_unit_is_refused_outside_an_emergency(self) -> None:
        for urgency in ("routine", "urgent"):
            finding = crossmatch(issue={"match": "unmatched"}, urgency=urgency)
            assert (finding.reason, finding.verdict) == ("unit-unmatched", Verdict.REFUSE)
            assert finding.remedy is Remedy.CALL_LABORATORY


class TestResults:
    """COMP-10: an incompatible result refuses, whatever the issue and the urgency say."""

    @pytest.mark.parametrize("urgency", ["routine", "life-threatening"])
    def test_incompatible_is_refused(self, urgency: str) -> None:
        finding = crossmatch(crossmatch={"result": "incompatible"}, urgency=urgency)
        assert (finding.reason, finding.verdict) == ("crossmatch-incompatible", Verdict.REFUSE)

    def test_a_compatible_result_overtakes_an_unmatched_issue(self) -> None:
        finding = crossmatch(crossmatch={}, issue={"match": "unmatched"})
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_a_compatible_result_suffices_without_a_match_status(self) -> None:
        assert crossmatch(crossmatch={}, issue={"match": None}).verdict is Verdict.NO_OBJECTION

    def test_the_newest_result_counts(self) -> None:
        later = a_crossmatch("Observation/x2", at=at(COLLECTED_AT + timedelta(hours=1)))
        finding = crossmatch(crossmatch={"result": "incompatible"}, extra=(later,))
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_an_undated_incompatible_result_is_never_overtaken(self) -> None:
        undated = a_crossmatch("Observation/x2", result="incompatible", at=None)
        finding = crossmatch(crossmatch={}, extra=(undated,))
        assert finding.verdict is Verdict.REFUSE

    def test_of_two_results_of_one_instant_the_worse_counts(self) -> None:
        other = a_crossmatch("Observation/x2", result="least-incompatible")
        assert crossmatch(crossmatch={}, extra=(other,)).verdict is Verdict.AUTHORISE

    def test_a_result_of_later_does_not_change_an_earlier_judgement(self) -> None:
        later = {"result": "incompatible", "at": at(CHECKED_AT + timedelta(minutes=1))}
        assert crossmatch(crossmatch=later).verdict is Verdict.NO_OBJECTION

    def test_a_result_nobody_can_read_says_nothing(self) -> None:
        finding = crossmatch(crossmatch={"result": None}, issue={"match": None})
        assert finding.reason == "crossmatch-missing"


class TestMissing:
    """COMP-10, when missing: authorise; not asked for under ID-38 [S94]."""

    @pytest.mark.parametrize("issue", [None, {"match": None}, {"match": "unheard-of"}])
    def test_no_crossmatch_is_authorised(self, issue: Any) -> None:
        finding = crossmatch(issue=issue)
        assert (finding.reason, finding.verdict, finding.known) == (
            "crossmatch-missing",
            Verdict.AUTHORISE,
            False,
        )

    def test_a_newborn_without_maternal_antibody_needs_none(self) -> None:
        finding = crossmatch(issue={"match": None}, patient=NEWBORN, antibodies={"maternal": True})
        assert (finding.reason, finding.verdict) == ("crossmatch-not-asked", Verdict.NO_OBJECTION)

    def test_a_maternal_antibody_off_the_sites_list_does_not_count(self) -> None:
        mother = {
            "maternal": True,
            "screen": "positive",
            "antibodies": (Antibody(antigen="Lea"),),
        }
        case = a_case(issue={"match": None}, patient=NEWBORN, antibodies=mother)
        policy = with_rows({"antibody-significance": ("K",)})
        (finding,) = of_rule(compatibility(pre_start(case, policy=policy)), "COMP-10")
        assert finding.reason == "crossmatch-not-asked"

    @pytest.mark.parametrize(
        "mother",
        [
            None,
            {"screen": "positive"},
            {"screen": "positive", "antibodies": (Antibody(antigen="K"),)},
            {"screen": None},
        ],
    )
    def test_a_newborn_whose_mother_may_have_one_does(self, mother: Any) -> None:
        told = (an_antibody_screen("Observation/ab2", **mother, maternal=True),) if mother else ()
        finding = crossmatch(issue={"match": None}, patient=NEWBORN, extra=told)
        assert finding.verdict is Verdict.AUTHORISE

    @pytest.mark.parametrize(
        "component", [Component.PLASMA, Component.CRYOPRECIPITATE, Component.PLATELETS]
    )
    def test_other_components_need_none(self, component: Component) -> None:
        """[S93]: not for platelets, plasma and cryoprecipitate."""
        findings = compatibility(pre_start(a_case(component=component, issue=None)))
        assert not of_rule(findings, "COMP-10")


class TestEmergency:
    """COMP-15: uncrossmatched in a life-threatening emergency is authorised, with a statement
    ([S02] 21 CFR 606.151(e))."""

    @pytest.mark.parametrize(
        ("issue", "known"),
        [({"match": "unmatched"}, True), ({"match": None}, False), (None, False)],
    )
    def test_it_is_authorised_by_name(self, issue: Any, known: bool) -> None:
        finding = crossmatch(issue=issue, urgency="life-threatening")
        assert (finding.rule, finding.reason, finding.verdict) == (
            "COMP-15",
            "emergency-uncrossmatched",
            Verdict.AUTHORISE,
        )
        assert finding.known == known
        assert [cited.row for cited in finding.cited] == ["COMP-15", "COMP-10"]

    def test_a_crossmatched_unit_needs_no_such_path(self) -> None:
        finding = crossmatch(urgency="life-threatening")
        assert (finding.rule, finding.verdict) == ("COMP-10", Verdict.NO_OBJECTION)


class TestMassiveTransfusion:
    """COMP-16 (UK teaching note): an abbreviated crossmatch counts as one; ABO still holds."""

    def test_the_laboratorys_crossmatched_counts_and_abo_is_judged(self) -> None:
        findings = compatibility(
            pre_start(a_case(bag_group="B+", issue={"match": "crossmatched"}), urgency="urgent")
        )
        (abo,), (match,) = of_rule(findings, "COMP-01"), of_rule(findings, "COMP-10")
        assert (abo.verdict, match.verdict) == (Verdict.REFUSE, Verdict.NO_OBJECTION)
