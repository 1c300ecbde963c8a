"""All preparation rules together: the check cases, what missing data gives, few prompts."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.finding import Finding, Remedy, Verdict, gravest
from service.facts.moment import Moment, at
from service.policy.policy import VERDICTS
from service.rules import preparation, timing
from service.rules.context import PreStart
from tests.support.cases import (
    BASELINE,
    PATIENT,
    a_bag,
    a_case,
    a_label,
    a_start,
    of_rule,
    pre_start,
    some_vitals,
)
from tests.support.catalogue import check_cases
from tests.support.policies import default_policy, profile, with_rows

LONDON = ZoneInfo("Europe/London")


def all_of(pre: PreStart) -> tuple[Finding, ...]:
    return tuple(finding for rule in preparation.RULES for finding in rule(pre))


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=LONDON).astimezone(UTC)


class TestTheCatalogue:
    """The preadmin cases of the rule catalogue's check cases, each with its source in its id."""

    @pytest.mark.parametrize(
        "case", [p for p in check_cases("preadmin") if p.values[0]["rule"] != "PRE-08"]
    )
    def test_case(self, case: dict[str, Any]) -> None:
        (found,) = of_rule(all_of(self.pre(case["rule"], case["given"])), case["rule"])
        expect = case["expect"]
        assert found.verdict is VERDICTS[expect["verdict"]]
        assert expect.get("reason") in (None, found.reason)
        assert expect.get("remedy") in (None, found.remedy)

    def pre(self, rule: str, given_: dict[str, Any]) -> PreStart:
        build = {"PRE-02": self.consent, "PRE-03": self.special, "PRE-04": self.expiry}
        return build.get(rule, self.baseline)(given_)

    def consent(self, given_: dict[str, Any]) -> PreStart:
        assert given_["consent"] == "none"
        return pre_start(a_case(consent=None), urgency=given_["urgency"])

    def special(self, given_: dict[str, Any]) -> PreStart:
        option = given_["policy"]["leukoreduced_counts_as_cmv_safe"]
        case = a_case(
            order={"requirements": frozenset(given_["order_special"])},
            unit={"attributes": frozenset(given_["unit_attributes"])},
        )
        policy = with_rows({"leukoreduced-counts-as-cmv-safe": option})
        return pre_start(case, policy=policy)

    def expiry(self, given_: dict[str, Any]) -> PreStart:
        start = local(given_["planned_start"])
        planned: dict[str, Any] = {}
        if "planned_end" in given_:  # 280 mL at the rate that ends there
            lasts = (local(given_["planned_end"]) - start) / timedelta(hours=1)
            planned = {"rate": Decimal(280) / Decimal(lasts)}
        case = a_case(
            order=planned,
            unit={"expiry": Moment(text=given_["expiry"])},
            check={"bag": a_bag(expiry=None), "label": a_label(expiry=None)},
        )
        return pre_start(case, at=start)

    def baseline(self, given_: dict[str, Any]) -> PreStart:
        start = local(given_["start"])
        taken = local(given_.get("baseline_at", given_["start"]))
        kept = {k: v for k, v in BASELINE.items() if k not in given_.get("baseline_missing", ())}
        case = a_case(
            baseline=some_vitals(taken, "Observation/v0", kept),
            start={"start": at(start)},
            check=None,
        )
        return pre_start(case, at=start)


# One fact or field taken away -> the rule that speaks of it, and what it says is missing.
TAKEN: list[Any] = [
    pytest.param("PRE-01", {"order": None}, "order", id="order"),
    pytest.param("PRE-01", {"order": {"quantity": None}}, "quantity", id="quantity"),
    pytest.param("PRE-02", {"consent": None}, "consent", id="consent"),
    pytest.param(
        "PRE-03",
        {
            "order": {"requirements": frozenset({"irradiated"})},
            "unit": {"attributes": None},
        },
        "irradiated",
        id="attributes",
    ),
    pytest.param(
        "PRE-04",
        {
            "unit": {"expiry": None},
            "check": {"bag": a_bag(expiry=None), "label": a_label(expiry=None)},
        },
        "expiry",
        id="expiry",
    ),
    pytest.param("PRE-05", {"issue": None}, "issue", id="issue"),
    pytest.param("PRE-05", {"issue": {"patient": None}}, "patient of the issue", id="patient"),
    pytest.param("PRE-05", {"issue": {"status": None}}, "status of the issue", id="status"),
    pytest.param("PRE-06", {"check": {"appearance": None}}, "appearance", id="appearance"),
    pytest.param("PRE-07", {"check": {"filter_um": None}}, "filter", id="filter"),
    pytest.param("PRE-08", {"check": {"fluid": None}}, "fluid", id="fluid"),
    pytest.param("PRE-09", {"check": {"access_gauge": None}}, "access-gauge", id="access"),
    pytest.param("PRE-11", {"baseline": None}, "temperature", id="baseline"),
    pytest.param("PRE-11", {"baseline": {"systolic": None}}, "systolic", id="systolic"),
    pytest.param("PRE-12", {"baseline": {"temperature": None}}, "temperature", id="temperature"),
    pytest.param(
        "PRE-13", {"order": {"premedication_ordered": True}}, "premedication", id="premedication"
    ),
    pytest.param("PRE-14", {}, "overload-checklist", id="checklist"),
    pytest.param("PRE-15", {}, "observable-here", id="place"),
    pytest.param("PRE-16", {}, "history", id="history"),
]


class TestWhenMissing:
    """Section 0: every row says what missing data gives; otherwise missing is never
    no-objection."""

    @pytest.mark.parametrize(("rule", "facts", "missing"), TAKEN)
    @given(name=st.sampled_from(["default", "us", "us-nj", "uk", "au", "nz", "ca"]))
    def test_a_single_missing_field_gives_exactly_the_rows_verdict(
        self, rule: str, facts: dict[str, Any], missing: str, name: str
    ) -> None:
        pre = pre_start(a_case(**facts), policy=profile(name))
        (found,) = of_rule(all_of(pre), rule)
        word = profile(name).rule(rule, pre.at).when_missing
        assert found.verdict is VERDICTS.get(word)
        assert not found.known
        assert missing in found.missing

    @pytest.mark.parametrize(("rule", "facts", "missing"), TAKEN)
    def test_it_never_reads_as_no_objection(
        self, rule: str, facts: dict[str, Any], missing: str
    ) -> None:
        for urgency in ("routine", "urgent", "life-threatening"):
            found = of_rule(all_of(pre_start(a_case(**facts), urgency=urgency)), rule)
            assert all(f.verdict is not Verdict.NO_OBJECTION for f in found)

    @pytest.mark.parametrize(("rule", "facts", "missing"), TAKEN)
    def test_expiry_and_status_refuse_in_an_emergency_too(
        self, rule: str, facts: dict[str, Any], missing: str
    ) -> None:
        (found, *_) = of_rule(all_of(pre_start(a_case(**facts), urgency="life-threatening")), rule)
        assert (found.verdict is Verdict.REFUSE) is (rule in ("PRE-04", "PRE-05"))


class TestNeverLoosened:
    """Section 0: expired, quarantined or another patient's, and abnormal appearance are never
    overridable; their findings say so."""

    @pytest.mark.parametrize("rule", ["PRE-04", "PRE-05", "PRE-06", "PRE-18"])
    def test_the_row_and_the_finding(self, rule: str) -> None:
        pre = pre_start(a_case(unit={"intended": PATIENT}))
        assert default_policy().rule(rule, pre.at).never_loosen
        (found,) = of_rule(all_of(pre), rule)
        assert found.critical


class TestFewPrompts:
    """Section 10: a clean routine unit 0 prompts."""

    @pytest.mark.parametrize("name", ["default", "us", "uk", "au", "nz", "ca"])
    def test_a_clean_unit_raises_none_at_check_and_start(self, name: str) -> None:
        start = {"rate": Decimal(50)}
        for case in (a_case(), a_case(start=start)):
            pre = pre_start(case, policy=profile(name))
            found = [f for rule in (*preparation.RULES, *timing.RULES) for f in rule(pre)]
            assert gravest(found) is Verdict.NO_OBJECTION
            assert all(f.remedy is None for f in found)

    def test_every_refusal_carries_a_remedy(self) -> None:
        """Section 0: every refusal carries a remedy."""
        for case in (a_case(order={"status": "revoked"}), a_case(unit={"status": "recalled"})):
            refused = [f for f in all_of(pre_start(case)) if f.verdict is Verdict.REFUSE]
            assert refused
            assert all(isinstance(f.remedy, Remedy) for f in refused)

    def test_every_finding_cites_its_row_and_names_its_unit(self) -> None:
        pre = pre_start(a_case(start=a_start()))
        for finding in all_of(pre):
            assert finding.cited[0].row == finding.rule
            assert finding.unit == pre.unit.key
