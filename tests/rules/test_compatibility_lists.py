"""The laboratory's lists of allowed groups take the tables' place (COMP-12, COMP-13)."""

from datetime import timedelta
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict, gravest
from service.facts.moment import Moment, at
from service.facts.records import AllowedGroups, Antibody
from service.facts.unit import Component
from service.rules.compatibility import compatibility
from tests.support.cases import CHECKED_AT, COLLECTED_AT, a_case, fact, of_rule, pre_start

NEWBORN = {"birth_date": "2025-04-20", "sex": "male"}


def allowed(*groups: str, key: str = "Observation/list1", **overrides: Any) -> Any:
    given = {"component": Component.RED_CELLS, "at": at(COLLECTED_AT), **overrides}
    return fact(AllowedGroups(groups=frozenset(groups), **given), key)


def judged(*lists: Any, **overrides: Any) -> tuple[Finding, ...]:
    return compatibility(pre_start(a_case(extra=lists, **overrides)))


class TestTransplant:
    """COMP-12 (from memory: BSH and AABB guidance on transplants): never from the typed group."""

    def test_a_listed_group_passes_though_the_table_refuses(self) -> None:
        findings = judged(allowed("B positive"), bag_group="B+")
        assert gravest(findings) is Verdict.NO_OBJECTION
        assert not of_rule(findings, "COMP-01")

    def test_a_group_listed_without_rhd_fits_both(self) -> None:
        for bag in ("O+", "O-"):
            findings = judged(allowed("O"), recipient="A-", bag_group=bag)
            assert gravest(findings) is Verdict.NO_OBJECTION

    @pytest.mark.parametrize("bag", ["A+", "A-", "O+"])
    def test_a_group_not_listed_is_refused_though_the_table_passes(self, bag: str) -> None:
        (finding,) = of_rule(judged(allowed("O negative"), bag_group=bag), "COMP-12")
        assert (finding.reason, finding.verdict) == ("group-not-allowed", Verdict.REFUSE)
        assert finding.remedy is Remedy.CALL_LABORATORY
        assert finding.shown == (("allowed groups", "O negative"),)

    def test_the_newest_list_counts(self) -> None:
        newer = allowed("O", key="Observation/list2", at=at(COLLECTED_AT + timedelta(hours=1)))
        assert gravest(judged(allowed("A"), newer)) is Verdict.REFUSE

    def test_of_two_lists_of_one_time_only_what_both_allow_passes(self) -> None:
        findings = judged(allowed("A", "O"), allowed("O", key="Observation/list2"))
        assert gravest(findings) is Verdict.REFUSE

    def test_a_list_of_later_is_not_yet_known(self) -> None:
        later = allowed("O", at=at(CHECKED_AT + timedelta(hours=1)))
        assert gravest(judged(later)) is Verdict.NO_OBJECTION

    @pytest.mark.parametrize("when", [None, Moment(text="2025-05-30")])
    def test_an_undated_or_coarse_list_counts(self, when: Moment | None) -> None:
        (finding,) = of_rule(judged(allowed("O", at=when)), "COMP-12")
        assert finding.verdict is Verdict.REFUSE

    def test_a_list_for_every_component_fits_this_one(self) -> None:
        (finding,) = of_rule(judged(allowed("O", component=None)), "COMP-12")
        assert finding.verdict is Verdict.REFUSE

    def test_a_list_for_another_component_alone_is_missing_data(self) -> None:
        findings = judged(allowed("A", component=Component.PLASMA))
        (finding,) = of_rule(findings, "COMP-12")
        assert (finding.reason, finding.verdict, finding.known) == (
            "allowed-groups-missing",
            Verdict.AUTHORISE,
            False,
        )
        assert of_rule(findings, "COMP-01")

    def test_a_bag_without_a_group_is_refused(self) -> None:
        findings = judged(allowed("O"), unit={"group": None}, check={"bag": None, "label": None})
        (finding,) = of_rule(findings, "COMP-12")
        assert (finding.verdict, finding.remedy) == (Verdict.REFUSE, Remedy.RESCAN)

    def test_anti_d_still_refuses_a_positive_unit(self) -> None:
        findings = judged(
            allowed("A"),
            recipient="A-",
            bag_group="A+",
            antibodies={"antibodies": (Antibody(antigen="D"),)},
        )
        (finding,) = of_rule(findings, "COMP-02")
        assert finding.verdict is Verdict.REFUSE

    def test_a_positive_patients_anti_d_is_comp_03s_to_say(self) -> None:
        findings = judged(allowed("A"), antibodies={"antibodies": (Antibody(antigen="D"),)})
        assert not of_rule(findings, "COMP-02")
        assert gravest(of_rule(findings, "COMP-03")) is Verdict.REFUSE

    @pytest.mark.parametrize("component", list(Component))
    def test_no_table_speaks_beside_a_list(self, component: Component) -> None:
        findings = judged(
            allowed("O", "A", component=None),
            component=component,
            bag_group="A-",
            recipient="O-",
            group={"discrepant": True},
            unit={"attributes": frozenset({"irradiated"})},
        )
        tables = {"COMP-01", "COMP-04", "COMP-05", "COMP-06", "COMP-07", "COMP-08", "COMP-09"}
        assert not {f.rule for f in findings} & (tables | {"COMP-14"})


class TestUnderFourMonths:
    """COMP-13 (from memory: AABB 5.16, BSH 2016; [S94]): the laboratory's list, else authorise."""

    def test_no_list_is_authorised(self) -> None:
        (finding,) = of_rule(judged(patient=NEWBORN), "COMP-13")
        assert (finding.reason, finding.verdict) == ("allowed-groups-missing", Verdict.AUTHORISE)

    def test_the_table_still_judges_beside_it(self) -> None:
        findings = judged(patient=NEWBORN, bag_group="B+")
        assert gravest(of_rule(findings, "COMP-01")) is Verdict.REFUSE

    def test_a_list_decides(self) -> None:
        (listed,) = of_rule(judged(allowed("A"), patient=NEWBORN), "COMP-13")
        (unlisted,) = of_rule(judged(allowed("O"), patient=NEWBORN), "COMP-13")
        assert (listed.verdict, unlisted.verdict) == (Verdict.NO_OBJECTION, Verdict.REFUSE)

    @pytest.mark.parametrize("component", [Component.PLASMA, Component.PLATELETS])
    def test_components_without_red_cells_have_infant_tables_of_their_own(
        self, component: Component
    ) -> None:
        assert not of_rule(judged(patient=NEWBORN, component=component), "COMP-13")

    def test_an_older_child_needs_no_list(self) -> None:
        findings = judged(patient={"birth_date": "2025-02-02"})
        assert not of_rule(findings, "COMP-13") + of_rule(findings, "COMP-12")
