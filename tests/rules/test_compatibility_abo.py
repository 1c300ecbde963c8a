"""What the ABO rules say beside their tables: samples, titres, irradiation, unknown kinds."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict, gravest
from service.facts.moment import at
from service.facts.steps import StepCode
from service.facts.unit import Component, Group
from service.rules.compatibility import compatibility
from tests.support.cases import (
    CHECK_AT,
    CHECKED_AT,
    COLLECTED_AT,
    THIRD,
    UNIT,
    a_bag,
    a_case,
    a_group,
    a_label,
    a_step,
    a_unit,
    group,
    of_rule,
    pre_start,
    unit_of,
)
from tests.support.policies import with_rows

OTHER_UNIT = unit_of(Component.PLATELETS)
ONE_SAMPLE = {"confirmed": False}


def found(rule: str, **overrides: Any) -> tuple[Finding, ...]:
    return of_rule(compatibility(pre_start(a_case(**overrides))), rule)


class TestOneSample:
    """1.2: a group on one sample carries O units; a non-O unit that the table allows is authorised
    with remedy second-sample, unless the site takes one sample [S98]; [S19] for the second."""

    def test_a_group_specific_unit_asks_for_a_second_sample(self) -> None:
        (finding,) = found("COMP-01", group=ONE_SAMPLE)
        assert (finding.reason, finding.verdict) == ("group-on-one-sample", Verdict.AUTHORISE)
        assert finding.remedy is Remedy.SECOND_SAMPLE

    def test_an_o_unit_is_judged_as_for_the_group_on_file(self) -> None:
        (finding,) = found("COMP-01", group=ONE_SAMPLE, bag_group="O+")
        assert (finding.reason, finding.verdict) == ("abo-compatible", Verdict.NO_OBJECTION)

    def test_a_unit_that_the_table_refuses_stays_refused(self) -> None:
        (finding,) = found("COMP-01", group=ONE_SAMPLE, bag_group="B+")
        assert (finding.reason, finding.verdict) == ("abo-red-cell-incompatible", Verdict.REFUSE)

    @pytest.mark.parametrize(
        ("component", "rule"),
        [(Component.WHOLE_BLOOD, "COMP-08"), (Component.GRANULOCYTES, "COMP-09")],
    )
    def test_the_same_holds_for_whole_blood_and_granulocytes(
        self, component: Component, rule: str
    ) -> None:
        unit = {"attributes": frozenset({"irradiated"})}
        (finding,) = found(rule, group=ONE_SAMPLE, component=component, unit=unit)
        assert finding.reason == "group-on-one-sample"

    def test_a_site_may_take_one_sample(self) -> None:
        pre = pre_start(a_case(group=ONE_SAMPLE), policy=with_rows({"single-sample-ok": True}))
        (finding,) = of_rule(compatibility(pre), "COMP-01")
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_a_site_may_switch_the_answer_off(self) -> None:
        pre = pre_start(a_case(group=ONE_SAMPLE), policy=with_rows({"single-sample-as": "off"}))
        (finding,) = of_rule(compatibility(pre), "COMP-01")
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_a_laboratory_that_says_nothing_of_a_second_sample_is_not_taken_to_deny_it(
        self,
    ) -> None:
        (finding,) = found("COMP-01", group={"confirmed": None})
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_an_agreeing_confirmed_result_confirms(self) -> None:
        second = a_group("Observation/g2", confirmed=True, at=at(COLLECTED_AT))
        (finding,) = found("COMP-01", group=ONE_SAMPLE, extra=(second,))
        assert finding.verdict is Verdict.NO_OBJECTION


class TestUnknownRecipient:
    """1.2: unknown or discrepant is the emergency release path for O, refused for others [S23]."""

    def test_o_red_cells_are_authorised_with_what_is_missing_named(self) -> None:
        (finding,) = found("COMP-01", recipient="unknown-", bag_group="O-")
        assert (finding.verdict, finding.known) == (Verdict.AUTHORISE, False)
        assert (finding.reason, finding.missing) == (
            "recipient-group-unknown",
            ("recipient ABO group",),
        )
        assert finding.remedy is Remedy.CALL_LABORATORY

    def test_a_refused_unit_goes_back(self) -> None:
        (finding,) = found("COMP-01", recipient="unknown-", bag_group="A-")
        assert (finding.verdict, finding.remedy) == (Verdict.REFUSE, Remedy.RETURN_UNIT)

    def test_a_group_printed_on_the_label_does_not_stand_in_for_the_laboratorys(self) -> None:
        (finding,) = found("COMP-01", group=None)
        assert finding.verdict is Verdict.REFUSE


class TestDiscrepantGroup:
    """COMP-14 (memory): the group counts as unknown until the laboratory says otherwise."""

    def test_the_laboratorys_word_makes_it_unknown(self) -> None:
        findings = compatibility(pre_start(a_case(group={"discrepant": True})))
        (shown,) = of_rule(findings, "COMP-14")
        (judged,) = of_rule(findings, "COMP-01")
        assert (shown.reason, shown.verdict) == ("recipient-group-discrepant", Verdict.NOTE)
        assert (judged.reason, judged.verdict) == ("recipient-group-discrepant", Verdict.REFUSE)

    def test_a_discrepancy_needs_no_group_beside_it(self) -> None:
        (finding,) = found("COMP-01", group={"group": Group(), "discrepant": True})
        assert finding.reason == "recipient-group-discrepant"

    def test_a_label_printed_for_another_group_makes_it_unknown(self) -> None:
        label = a_label(patient_group=group("B+"), unit_group=group("O+"))
        (finding,) = found("COMP-01", bag_group="O+", check={"label": label})
        assert (finding.reason, finding.verdict) == (
            "recipient-group-discrepant",
            Verdict.AUTHORISE,
        )

    @pytest.mark.parametrize(
        ("earlier", "later", "expected"),
        [
            ({"group": group("B+"), "confirmed": None}, {"confirmed": True}, "abo-identical"),
            ({"group": group("B+"), "confirmed": True}, {}, "recipient-group-discrepant"),
            ({"group": group("B+")}, {"confirmed": None}, "recipient-group-discrepant"),
            ({"discrepant": True, "confirmed": None}, {"confirmed": True}, "abo-identical"),
            ({"discrepant": True}, {"confirmed": None}, "recipient-group-discrepant"),
        ],
    )
    def test_only_a_confirmed_result_settles_an_earlier_unconfirmed_one(
        self, earlier: dict[str, Any], later: dict[str, Any], expected: str
    ) -> None:
        old = a_group("Observation/g0", at=at(COLLECTED_AT - timedelta(days=9)), **earlier)
        (finding,) = found("COMP-01", group=later, extra=(old,))
        assert finding.reason == expected

    def test_two_results_of_one_instant_that_differ_are_discrepant(self) -> None:
        other = a_group("Observation/g2", group=group("B+"))
        (finding,) = found("COMP-01", extra=(other,))
        assert finding.reason == "recipient-group-discrepant"

    def test_a_result_of_later_does_not_change_an_earlier_judgement(self) -> None:
        later = a_group("Observation/g2", group=group("B+"), at=at(CHECKED_AT + timedelta(hours=1)))
        (finding,) = found("COMP-01", extra=(later,))
        assert finding.reason == "abo-identical"


class TestPlasmaTitre:
    """1.4: every authorise shows the titre; flagged high-titre is refused (derived) [S28]."""

    def plasma(self, **overrides: Any) -> Finding:
        (finding,) = found(
            "COMP-04", component=Component.PLASMA, recipient="A-", bag_group="B-", **overrides
        )
        return finding

    @pytest.mark.parametrize(
        ("titre", "verdict", "reason", "said"),
        [
            ("high", Verdict.REFUSE, "high-titre-plasma", "titre high"),
            ("low", Verdict.AUTHORISE, "abo-plasma-second-choice", "titre low"),
            (None, Verdict.AUTHORISE, "abo-plasma-second-choice", "titre not tested"),
        ],
    )
    def test_the_titre_decides_and_is_shown(
        self, titre: str | None, verdict: Verdict, reason: str, said: str
    ) -> None:
        finding = self.plasma(unit={"titre": titre})
        assert (finding.verdict, finding.reason) == (verdict, reason)
        assert said in finding.text

    def test_plasma_that_the_table_passes_needs_no_titre(self) -> None:
        (finding,) = found(
            "COMP-04",
            component=Component.PLASMA,
            recipient="A-",
            bag_group="AB-",
            unit={"titre": "high"},
        )
        assert finding.verdict is Verdict.NO_OBJECTION


class TestPlasmaOncePerEpisode:
    """1.4, POL-16: group A plasma for an unknown recipient is authorised once per episode."""

    def plasma(self, *earlier: Any) -> Finding:
        (finding,) = found(
            "COMP-04",
            component=Component.PLASMA,
            recipient="unknown-",
            bag_group="A-",
            extra=earlier,
        )
        return finding

    def accepted(self, hours: int = 1, **overrides: Any) -> Any:
        inputs = {"owner": THIRD, "rules": ("COMP-04",), "unit": OTHER_UNIT, **overrides}
        when = CHECK_AT - timedelta(hours=hours)
        return a_step(StepCode.AUTHORISE, "Task/authorise", when, **inputs)

    def test_the_first_unit_is_authorised(self) -> None:
        assert self.plasma().verdict is Verdict.AUTHORISE

    def test_the_next_one_is_a_note(self) -> None:
        assert self.plasma(self.accepted()).verdict is Verdict.NOTE

    @pytest.mark.parametrize(("bag", "verdict"), [("B-", "refuse"), ("AB-", "no-objection")])
    def test_it_softens_no_other_group(self, bag: str, verdict: str) -> None:
        (finding,) = found(
            "COMP-04",
            component=Component.PLASMA,
            recipient="unknown-",
            bag_group=bag,
            extra=(self.accepted(),),
        )
        assert finding.verdict is not None
        assert finding.verdict.word == verdict

    @pytest.mark.parametrize(
        "earlier",
        [
            {"rules": ("COMP-02",)},
            {"owner": None},
            {"unit": unit_of(Component.PLASMA)},
            {"hours": 25},
        ],
    )
    def test_another_authorisation_does_not_count(self, earlier: dict[str, Any]) -> None:
        assert self.plasma(self.accepted(**earlier)).verdict is Verdict.AUTHORISE

    def test_a_known_recipient_is_authorised_each_time(self) -> None:
        (finding,) = found(
            "COMP-04",
            component=Component.PLASMA,
            recipient="B-",
            bag_group="A-",
            extra=(self.accepted(),),
        )
        assert finding.verdict is Verdict.AUTHORISE


class TestCryoprecipitatePool:
    """1.5, POL-18: with cryo-any-abo a mixed pool is a caution for adults; else a unit unread."""

    def pool(self, *, any_abo: bool, born: str) -> Finding:
        mixed = replace(group("unknown+"), pooled=True)
        case = a_case(
            component=Component.CRYOPRECIPITATE,
            unit={"group": mixed},
            check={"bag": a_bag(unit=unit_of(Component.CRYOPRECIPITATE), group=mixed)},
            patient={"birth_date": born},
        )
        policy = with_rows({"cryo-any-abo": any_abo})
        (finding,) = of_rule(compatibility(pre_start(case, policy=policy)), "COMP-05")
        return finding

    def test_an_adult_gets_a_caution(self) -> None:
        finding = self.pool(any_abo=True, born="1961-04-12")
        assert (finding.reason, finding.verdict) == ("cryoprecipitate-mixed-pool", Verdict.CAUTION)

    @pytest.mark.parametrize(
        ("any_abo", "born"), [(False, "1961-04-12"), (True, "2025-04-20"), (False, "2025-04-20")]
    )
    def test_an_infant_or_another_site_gets_a_refusal(self, any_abo: bool, born: str) -> None:
        assert self.pool(any_abo=any_abo, born=born).verdict is Verdict.REFUSE

    def test_a_group_nobody_read_is_no_pool(self) -> None:
        case = a_case(
            component=Component.CRYOPRECIPITATE,
            unit={"group": None},
            check={"bag": None, "label": None},
        )
        policy = with_rows({"cryo-any-abo": True})
        (finding,) = of_rule(compatibility(pre_start(case, policy=policy)), "COMP-05")
        assert (finding.reason, finding.verdict) == ("unit-group-unknown", Verdict.REFUSE)


class TestGranulocytes:
    """COMP-09, 1.8: irradiated is mandatory [S80]; incompatible plasma is a caution."""

    def granulocytes(self, **overrides: Any) -> tuple[Finding, ...]:
        return found("COMP-09", component=Component.GRANULOCYTES, **overrides)

    def test_not_irradiated_is_refused_and_the_laboratory_called(self) -> None:
        (finding,) = [f for f in self.granulocytes() if f.reason == "irradiation-missing"]
        assert (finding.verdict, finding.remedy) == (Verdict.REFUSE, Remedy.CALL_LABORATORY)
        assert not finding.critical

    def test_irradiation_not_sent_is_authorised(self) -> None:
        (finding,) = [
            f
            for f in self.granulocytes(unit={"attributes": None})
            if f.reason == "irradiation-unknown"
        ]
        assert (finding.verdict, finding.missing) == (Verdict.AUTHORISE, ("irradiated",))

    def test_a_site_may_leave_irradiation_not_sent_out(self) -> None:
        policy = with_rows({"granulocyte-irradiation-unknown-as": "off"})
        case = a_case(component=Component.GRANULOCYTES, unit={"attributes": None})
        findings = of_rule(compatibility(pre_start(case, policy=policy)), "COMP-09")
        assert [f.reason for f in findings] == ["abo-identical"]

    @pytest.mark.parametrize("attributes", [None, frozenset({"leukoreduced"})])
    def test_an_attestation_at_issue_counts(self, attributes: frozenset[str] | None) -> None:
        findings = self.granulocytes(
            unit={"attributes": attributes}, issue={"attested": frozenset({"irradiated"})}
        )
        assert [f.reason for f in findings] == ["abo-identical"]

    @pytest.mark.parametrize(("counts", "expected"), [(True, 0), (False, 1)])
    def test_pathogen_reduction_counts_where_the_policy_says(
        self, counts: bool, expected: int
    ) -> None:
        policy = with_rows({"pathogen-reduced-counts-as-irradiated": counts})
        unit = {"attributes": frozenset({"pathogen-reduced"})}
        case = a_case(component=Component.GRANULOCYTES, unit=unit)
        findings = compatibility(pre_start(case, policy=policy))
        assert sum(f.reason == "irradiation-missing" for f in findings) == expected

    def test_plasma_that_reacts_is_a_caution(self) -> None:
        findings = self.granulocytes(bag_group="O+", unit={"attributes": frozenset({"irradiated"})})
        assert [(f.reason, f.verdict) for f in findings] == [
            ("abo-compatible", Verdict.NO_OBJECTION),
            ("granulocyte-plasma-incompatible", Verdict.CAUTION),
        ]

    def test_a_site_may_switch_the_caution_off(self) -> None:
        policy = with_rows({"granulocyte-plasma-as": "off"})
        unit = {"attributes": frozenset({"irradiated"})}
        case = a_case(component=Component.GRANULOCYTES, bag_group="O+", unit=unit)
        findings = of_rule(compatibility(pre_start(case, policy=policy)), "COMP-09")
        assert gravest(findings) is Verdict.NO_OBJECTION

    def test_incompatible_red_cells_are_never_overridable(self) -> None:
        unit = {"attributes": frozenset({"irradiated"})}
        refused = [
            f for f in self.granulocytes(bag_group="B+", unit=unit) if f.verdict is Verdict.REFUSE
        ]
        assert [(f.reason, f.critical) for f in refused] == [("abo-red-cell-incompatible", True)]


class TestComponentUnknown:
    """No table can be chosen: refused as unknown, remedy rescan (design 2: ABO gives refuse)."""

    def test_a_unit_nobody_described_is_refused(self) -> None:
        (finding,) = compatibility(pre_start(a_case(unit=None)))
        assert (finding.reason, finding.verdict) == ("component-unknown", Verdict.REFUSE)
        assert (finding.known, finding.remedy) == (False, Remedy.RESCAN)

    def test_two_descriptions_that_contradict_each_other_are_refused(self) -> None:
        other = a_unit("BiologicallyDerivedProduct/u2", component=Component.PLASMA, unit=UNIT)
        (finding,) = compatibility(pre_start(a_case(extra=(other,))))
        assert (finding.reason, finding.verdict) == ("component-contradicted", Verdict.REFUSE)


class TestWhatAFindingSays:
    """Design rule 12: a finding names its facts, its policy row and the table's cell."""

    def test_it_quotes_the_cell_and_the_facts_of_both_sides(self) -> None:
        (finding,) = found("COMP-01", bag_group="B+")
        assert [cited.row for cited in finding.cited] == ["COMP-01", "red-cells[A, B]"]
        assert set(finding.facts) >= {"Observation/g1", "BiologicallyDerivedProduct/u1"}

    def test_nothing_is_called_safe(self) -> None:
        texts = [
            f.text
            for component in Component
            for f in compatibility(pre_start(a_case(component=component)))
        ]
        assert texts
        assert not any("safe" in text.lower() for text in texts)

    def test_urgency_never_softens_abo(self) -> None:
        for urgency in ("routine", "urgent", "life-threatening"):
            pre = pre_start(a_case(bag_group="B+"), urgency=urgency)
            (finding,) = of_rule(compatibility(pre), "COMP-01")
            assert (finding.verdict, finding.critical) == (Verdict.REFUSE, True)
