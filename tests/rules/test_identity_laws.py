"""Laws over identity, compatibility and sample: what missing data and more facts may do.

Sources: rules.md section 0 (a unit's verdict is its gravest finding; *when missing*; never
overridable) and design 9 (missing data never gives a verdict weaker than its rule says).
"""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.facts.finding import Finding, Verdict, gravest
from service.facts.identity import PersonName, Ref
from service.facts.moment import at
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.policy.policy import VERDICTS
from service.rules import compatibility, identity, sample
from service.rules.context import PreStart
from tests.support.cases import (
    CHECK_AT,
    COLLECTED_AT,
    NAME,
    STRANGER,
    THIRD,
    UNIT,
    a_bag,
    a_band,
    a_case,
    a_consent,
    a_crossmatch,
    a_group,
    a_label,
    a_sample,
    a_step,
    an_antibody_screen,
    an_issue,
    an_order,
    group,
    of_rule,
    pre_start,
    some_vitals,
    unit_of,
)
from tests.support.policies import default_policy

RULES = (*identity.RULES, *compatibility.RULES, *sample.RULES)


def judged(pre: PreStart) -> tuple[Finding, ...]:
    return tuple(finding for rule in RULES for finding in rule(pre))


def row_word(rule: str) -> str:
    return default_policy().rule(rule, CHECK_AT).when_missing


# one field left out of a case in which all is in order, and the rule whose row says what follows
LEFT_OUT: list[tuple[str, dict[str, Any]]] = [
    ("ID-01", {"check": {"band": None}}),
    ("ID-03", {"check": {"band": a_band(name=PersonName(), birth_date=None)}}),
    ("ID-04", {"check": {"spoken": None}}),
    ("ID-05", {"check": {"label": None}}),
    ("ID-05", {"check": {"label": a_label(identifiers=())}}),
    ("ID-05", {"check": {"label": a_label(birth_date=None)}}),
    ("ID-05", {"check": {"label": a_label(name=replace(NAME, family=None))}}),
    ("ID-05", {"check": {"label": a_label(name=replace(NAME, given=None))}}),
    ("ID-05", {"issue": None}),
    ("ID-05", {"issue": {"patient": None}}),
    ("ID-05", {"patient": None}),
    ("ID-05", {"patient": {"birth_date": None}}),
    ("ID-05", {"patient": {"names": ()}}),
    ("ID-05", {"patient": {"identifiers": ()}}),
    ("ID-06", {"check": {"bag": None}}),
    ("ID-06", {"check": {"bag": a_bag(unit=replace(UNIT, din=None))}}),
    ("ID-06", {"check": {"bag": a_bag(unit=replace(UNIT, product=None))}}),
    ("ID-06", {"check": {"bag": a_bag(group=None)}}),
    ("ID-06", {"check": {"label": a_label(din=None)}}),
    ("ID-06", {"check": {"label": a_label(unit_group=None)}}),
    ("ID-07", {"check": None, "start": {}}),
    ("ID-08", {"check": {"interrupted": None}}),
    ("ID-12", {"check": {"bag": a_bag(scanned=False)}}),
    ("ID-20", {"check": {"owner": None}}),
    ("ID-20", {"check": {"band": a_band(scans=())}}),
    ("ID-20", {"check": {"band": a_band(read_aloud=None)}}),
    ("ID-20", {"check": {"second_checker": None, "bag": a_bag(scanned=False)}}),
    ("ID-21", {"start": {"owner": None}}),
    ("ID-22", {"check": {"second_checked_at": None}}),
    ("ID-36", {"sample": None}),
    ("ID-36", {"sample": {"collected": None}}),
    ("COMP-01", {"unit": None}),
    ("COMP-01", {"unit": {"group": None}, "check": {"bag": a_bag(group=None)}}),
    ("COMP-02", {"bag_group": "A"}),
    ("COMP-03", {"antibodies": None}),
    ("COMP-10", {"issue": None}),
    ("COMP-10", {"issue": {"match": None}}),
]


class TestMissing:
    """Every rule's *when missing* column: one field left out gives exactly that verdict."""

    @pytest.mark.parametrize(("rule", "left_out"), LEFT_OUT)
    def test_the_rules_row_says_what_follows(self, rule: str, left_out: dict[str, Any]) -> None:
        findings = [f for f in of_rule(judged(pre_start(a_case(**left_out))), rule) if not f.known]
        word = row_word(rule)
        expected = None if word == "off" else VERDICTS[word]
        assert [f.verdict for f in findings] == [expected]
        assert findings[0].missing

    @pytest.mark.parametrize(("rule", "left_out"), LEFT_OUT)
    def test_nothing_else_gets_milder(self, rule: str, left_out: dict[str, Any]) -> None:
        whole = gravest(judged(pre_start(a_case(**left_out))))
        assert whole >= VERDICTS.get(row_word(rule), Verdict.NO_OBJECTION)

    @settings(max_examples=60)
    @given(st.lists(st.sampled_from([extra for _, extra in LEFT_OUT]), min_size=2, max_size=3))
    def test_more_left_out_is_never_milder_than_each_alone(
        self, left_out: list[dict[str, Any]]
    ) -> None:
        merged: dict[str, Any] = {"start": {}}
        for part in left_out:
            merged |= part
        alone = [{"start": {}, key: merged[key]} for key in merged]
        together = gravest(judged(pre_start(a_case(**merged))))
        assert together >= max(gravest(judged(pre_start(a_case(**part)))) for part in alone)


MISMATCHES: list[tuple[str, dict[str, Any]]] = [
    ("ID-05", {"check": {"label": a_label(identifiers=(STRANGER.identifier,))}}),
    ("ID-05", {"check": {"label": a_label(name=PersonName(family="Ashgrov", given="Wren"))}}),
    ("ID-05", {"check": {"label": a_label(birth_date="1961-04-21")}}),
    ("ID-05", {"issue": {"patient": STRANGER}}),
    ("ID-06", {"check": {"label": a_label(din="A999925123457")}}),
    ("ID-06", {"check": {"label": a_label(unit_group=group("B+"))}}),
    ("ID-06", {"check": {"focus": UNIT.__class__(din="A999925123457")}}),
    ("ID-04", {"check": {"spoken": "differs"}}),
    ("COMP-01", {"bag_group": "B+"}),
    ("COMP-10", {"crossmatch": {"result": "incompatible", "at": None}}),
]

MORE_FACTS: list[Any] = [
    a_consent("Consent/c2"),
    an_order("ServiceRequest/o9", urgency="life-threatening"),
    an_issue("Basic/i0", handed_over=at(CHECK_AT - timedelta(hours=4)), concession="LC-1"),
    a_crossmatch("Observation/x8", result="compatible"),
    a_group("Observation/g8", confirmed=True),
    an_antibody_screen("Observation/ab8"),
    a_sample("Specimen/s8", valid_until=at(CHECK_AT + timedelta(days=3))),
    some_vitals(COLLECTED_AT, "Observation/v8", {"temperature": "36.9", "weight": "71"}),
    a_step(StepCode.DECLARE_EMERGENCY, "Task/e8", CHECK_AT - timedelta(minutes=9)),
    a_step(
        StepCode.AUTHORISE,
        "Task/a8",
        CHECK_AT + timedelta(minutes=1),
        owner=THIRD,
        rules=("ID-05", "ID-06", "COMP-01", "COMP-10", "ID-04"),
    ),
    a_step(StepCode.ACKNOWLEDGE_CAUTION, "Task/k8", CHECK_AT + timedelta(minutes=2)),
    a_step(
        StepCode.START,
        "Task/s8",
        CHECK_AT - timedelta(days=2),
        unit=unit_of(Component.PLATELETS),
        based_on=(Ref(kind="ServiceRequest", id="o1"),),
    ),
]


class TestMismatch:
    """A shown mismatch is refused; more facts, urgency or a typed reason never make it milder."""

    @pytest.mark.parametrize(("rule", "mismatch"), MISMATCHES)
    def test_it_is_refused(self, rule: str, mismatch: dict[str, Any]) -> None:
        found = of_rule(judged(pre_start(a_case(**mismatch))), rule)
        assert [(f.verdict, f.known) for f in found if f.verdict is Verdict.REFUSE] == [
            (Verdict.REFUSE, True)
        ]

    @settings(max_examples=150)
    @given(
        st.sampled_from(MISMATCHES),
        st.lists(st.sampled_from(MORE_FACTS), max_size=6, unique_by=lambda f: f.key),
        st.sampled_from([None, "urgent", "life-threatening"]),
    )
    def test_more_facts_never_make_it_milder(
        self, mismatch: tuple[str, dict[str, Any]], more: list[Any], urgency: str | None
    ) -> None:
        rule, overrides = mismatch
        found = judged(pre_start(a_case(extra=more, **overrides), urgency=urgency))
        assert gravest(of_rule(found, rule)) is Verdict.REFUSE

    @settings(max_examples=100)
    @given(st.permutations(MORE_FACTS))
    def test_the_order_of_the_facts_changes_nothing(self, more: list[Any]) -> None:
        assert judged(pre_start(a_case(extra=more))) == judged(pre_start(a_case(extra=MORE_FACTS)))

    def test_each_of_the_never_overridable_ones_is_marked_critical(self) -> None:
        critical = {
            rule
            for rule, mismatch in MISMATCHES
            for f in of_rule(judged(pre_start(a_case(**mismatch))), rule)
            if f.critical
        }
        assert critical == {"ID-04", "ID-05", "ID-06", "COMP-01"}


class TestEveryFinding:
    """Design 2: a refusal carries a remedy; every finding quotes its policy row."""

    @pytest.mark.parametrize("case", [overrides for _, overrides in (*LEFT_OUT, *MISMATCHES)])
    def test_it_explains_itself(self, case: dict[str, Any]) -> None:
        for finding in judged(pre_start(a_case(**case))):
            assert finding.cited[0].row == finding.rule
            assert finding.cited[0].source
            assert finding.text.endswith(".")
            assert (finding.verdict is not Verdict.REFUSE) or finding.remedy is not None
            assert finding.known == (not finding.missing)
            assert finding.advice is None
            assert "safe" not in finding.text.lower()

    @pytest.mark.parametrize("case", [overrides for _, overrides in (*LEFT_OUT, *MISMATCHES)])
    def test_no_text_is_said_twice(self, case: dict[str, Any]) -> None:
        texts = [finding.text for finding in judged(pre_start(a_case(**case)))]
        assert len(texts) == len(set(texts))


def test_a_check_with_all_in_order_raises_no_prompt() -> None:
    """Design 7: a clean routine unit raises none."""
    assert gravest(judged(pre_start())) is Verdict.NO_OBJECTION
    assert gravest(judged(pre_start(a_case(start={})))) is Verdict.NO_OBJECTION
