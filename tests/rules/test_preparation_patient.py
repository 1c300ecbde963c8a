"""The patient before the start: PRE-11 to PRE-16 (rules.md section 3)."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any, ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.moment import Moment, at
from service.facts.quantity import Vital
from service.facts.records import Antibody, AntibodyResult, LabResult, Premedication, Vitals
from service.facts.steps import StepCode
from service.policy.policy import Policy
from service.rules.preparation_patient import (
    baseline,
    fever,
    history,
    observable,
    overload_risk,
    premedication,
)
from tests.support.cases import (
    BASELINE,
    CHECKED_AT,
    COLLECTED_AT,
    a_case,
    a_reading,
    a_step,
    fact,
    pre_start,
    some_vitals,
)
from tests.support.policies import with_rows

REQUIRED = ("temperature", "heart_rate", "systolic", "respiratory_rate")


def alone(findings: tuple[Finding, ...]) -> Finding:
    (found,) = findings
    return found


def sent(rule: str, word: str = "caution") -> Policy:
    """A site that says it sends the data: missing then counts as failed (rules.md section 0)."""
    return with_rows(rules={rule: {"site_data": False, "when_missing": word}})


def vitals(minutes: float, key: str = "Observation/v", **values: Any) -> Any:
    """A complete set some minutes before the check's end; None leaves a vital out."""
    kept = {k: v for k, v in (BASELINE | values).items() if v is not None}
    return some_vitals(CHECKED_AT - timedelta(minutes=minutes), key, kept)


def based(*observed: Any, **how: Any) -> Finding:
    return alone(baseline(pre_start(a_case(baseline=None, extra=observed), **how)))


class TestBaseline:
    """PRE-11: T, HR, BP, RR within 60 min before the start; caution, measure-now
    [S16][S32][S36]."""

    def test_complete_and_recent(self) -> None:
        found = based(vitals(10))
        assert (found.verdict, found.facts) == (Verdict.NO_OBJECTION, ("Observation/v",))

    @pytest.mark.parametrize("minutes", [0, 59, 60])
    def test_sixty_minutes_are_recent(self, minutes: int) -> None:
        assert based(vitals(minutes)).verdict is Verdict.NO_OBJECTION

    def test_older_is_not(self) -> None:
        found = based(vitals(61))
        assert (found.verdict, found.reason) == (Verdict.CAUTION, "baseline-old")
        assert (found.remedy, found.known) == (Remedy.MEASURE_NOW, True)

    @pytest.mark.parametrize("vital", REQUIRED)
    def test_each_missing_vital_is_named(self, vital: str) -> None:
        found = based(vitals(10, **{vital: None}))
        assert (found.verdict, found.reason) == (Verdict.CAUTION, "baseline-incomplete")
        assert (found.missing, found.remedy) == ((vital,), Remedy.MEASURE_NOW)

    @pytest.mark.parametrize("vital", ["saturation", "diastolic"])
    def test_saturation_is_recommended_only(self, vital: str) -> None:
        assert based(vitals(10, **{vital: None})).verdict is Verdict.NO_OBJECTION

    def test_none_at_all(self) -> None:
        found = based()
        assert (found.reason, found.missing) == (
            "baseline-missing",
            ("temperature", "heart_rate", "respiratory_rate", "systolic"),
        )

    def test_an_old_incomplete_one_is_none(self) -> None:
        assert based(vitals(90, heart_rate=None)).reason == "baseline-missing"

    def test_one_after_the_check_does_not_count(self) -> None:
        assert based(vitals(-1)).reason == "baseline-missing"

    def test_a_reading_to_the_day_only_does_not_count(self) -> None:
        coarse = a_reading(Vital.TEMPERATURE, "36.8", CHECKED_AT, at=Moment(text="2025-06-02"))
        whole = vitals(10, temperature=None)
        found = based(whole, fact(Vitals(readings=(coarse,)), "Observation/t"))
        assert found.missing == ("temperature",)

    def test_life_threatening_urgency_makes_it_a_note(self) -> None:
        """Section 0: PRE-11 becomes note."""
        assert based(urgency="life-threatening").verdict is Verdict.NOTE
        assert based(vitals(61), urgency="life-threatening").verdict is Verdict.NOTE


class TestASet:
    """design section 4: a set = readings within the policy's set window (10 min)."""

    def apart(self, minutes: float) -> Finding:
        first = vitals(20, "Observation/a", temperature=None)
        late = some_vitals(
            CHECKED_AT - timedelta(minutes=20 - minutes), "Observation/b", {"temperature": "36.9"}
        )
        return based(first, late)

    @pytest.mark.parametrize(("minutes", "whole"), [(10, True), (11, False), (-10, True)])
    def test_readings_within_the_window_are_one(self, minutes: float, whole: bool) -> None:
        assert (self.apart(minutes).verdict is Verdict.NO_OBJECTION) is whole

    def test_what_is_missing_is_what_the_fullest_lacks(self) -> None:
        assert self.apart(11).missing == ("temperature",)

    @given(st.lists(st.sampled_from(REQUIRED), unique=True, max_size=4))
    def test_missing_is_exactly_what_was_not_taken(self, left_out: list[str]) -> None:
        found = based(vitals(10, **dict.fromkeys(left_out)))
        assert set(found.missing) == set(left_out)
        assert (found.verdict is Verdict.CAUTION) is bool(left_out)


class TestFever:
    """PRE-12: baseline fever at or above 38.0 °C: ask the prescriber (common practice)."""

    def said(self, *observed: Any, **how: Any) -> Finding:
        return alone(fever(pre_start(a_case(baseline=None, extra=observed), **how)))

    @pytest.mark.parametrize(
        ("celsius", "verdict"),
        [
            ("37.9", Verdict.NO_OBJECTION),
            ("38.0", Verdict.CAUTION),
            ("37.94", Verdict.NO_OBJECTION),
            ("37.95", Verdict.CAUTION),
        ],
    )
    def test_rounded_to_a_tenth_before_comparison(self, celsius: str, verdict: Verdict) -> None:
        assert self.said(vitals(10, temperature=celsius)).verdict is verdict

    def test_the_last_one_counts_and_of_two_at_once_the_higher(self) -> None:
        hot, cool = vitals(30, "Observation/a", temperature="39"), vitals(10, "Observation/b")
        assert self.said(hot, cool).verdict is Verdict.NO_OBJECTION
        twice = vitals(10, "Observation/c", temperature="38.2")
        assert self.said(cool, twice).verdict is Verdict.CAUTION

    def test_missing_is_off(self) -> None:
        """off (PRE-11 speaks)."""
        assert self.said().verdict is None
        assert self.said(vitals(61, temperature="39")).verdict is None


class TestPremedication:
    """PRE-13: if ordered, given about 30 min before; a note, never suggested [S40]."""

    ORDERED: ClassVar[dict[str, Any]] = {"premedication_ordered": True}

    def said(self, minutes: float | None, *, policy: Policy | None = None, **given_: Any) -> Any:
        body = None
        if minutes is not None:
            when = at(CHECKED_AT - timedelta(minutes=minutes))
            body = Premedication(**({"text": "paracetamol", "at": when} | given_))
        extra = () if body is None else (fact(body, "MedicationAdministration/m1"),)
        case = a_case(order=self.ORDERED, extra=extra)
        return alone(premedication(pre_start(case, policy=policy)))

    @pytest.mark.parametrize(
        ("minutes", "verdict"), [(30, Verdict.NO_OBJECTION), (29, Verdict.NOTE)]
    )
    def test_its_limit(self, minutes: int, verdict: Verdict) -> None:
        assert self.said(minutes).verdict is verdict

    def test_not_sent_is_off_until_the_site_sends_it(self) -> None:
        assert self.said(None).verdict is None
        assert self.said(None, policy=sent("PRE-13", "note")).verdict is Verdict.NOTE

    @pytest.mark.parametrize("said", [{"given": False}, {"at": None}, {"at": Moment(text="2025")}])
    def test_one_not_given_or_without_a_time_is_none(self, said: dict[str, Any]) -> None:
        assert self.said(40, **said).verdict is None

    def test_one_given_later_is_none(self) -> None:
        assert self.said(-5).verdict is None

    @pytest.mark.parametrize("ordered", [None, False])
    def test_silent_when_none_is_ordered(self, ordered: bool | None) -> None:
        case = a_case(order={"premedication_ordered": ordered})
        assert premedication(pre_start(case)) == ()

    def test_a_revoked_order_orders_none(self) -> None:
        case = a_case(order=self.ORDERED | {"status": "revoked"})
        assert premedication(pre_start(case)) == ()


Rule = Callable[..., tuple[Finding, ...]]


class TestAttestations:
    """PRE-14 checklist of overload risks done [S61][S85]; PRE-15 the patient can be observed
    [S47][S68]: caution, off until the site sends them."""

    RULES: Any = pytest.mark.parametrize(
        ("rule", "number", "word"),
        [
            (overload_risk, "PRE-14", "overload-checklist"),
            (observable, "PRE-15", "observable-here"),
        ],
    )

    def result(self, analyte: str, word: str | None, minutes: float, key: str = "r") -> Any:
        when = at(CHECKED_AT - timedelta(minutes=minutes))
        return fact(LabResult(analyte=analyte, word=word, at=when), f"Observation/{key}")

    @RULES
    def test_yes_and_no(self, rule: Rule, number: str, word: str) -> None:
        yes, no = self.result(word, "yes", 5), self.result(word, "no", 5)
        assert alone(rule(pre_start(a_case(extra=(yes,))))).verdict is Verdict.NO_OBJECTION
        found = alone(rule(pre_start(a_case(extra=(no,)))))
        assert (found.rule, found.verdict) == (number, Verdict.CAUTION)

    @RULES
    def test_the_last_one_counts(self, rule: Rule, number: str, word: str) -> None:
        said = (self.result(word, "no", 9), self.result(word, "yes", 5, "s"))
        assert alone(rule(pre_start(a_case(extra=said)))).verdict is Verdict.NO_OBJECTION

    @RULES
    def test_not_sent_is_off_until_the_site_sends_it(
        self, rule: Rule, number: str, word: str
    ) -> None:
        for extra in ((), (self.result(word, "maybe", 5),), (self.result(word, "yes", -5),)):
            assert alone(rule(pre_start(a_case(extra=extra)))).verdict is None
        found = alone(rule(pre_start(policy=sent(number))))
        assert (found.verdict, found.missing) == (Verdict.CAUTION, (word,))

    @RULES
    def test_another_result_is_none(self, rule: Rule, number: str, word: str) -> None:
        other = self.result("haemoglobin", "yes", 5)
        assert alone(rule(pre_start(a_case(extra=(other,))))).verdict is None

    def test_life_threatening_urgency_makes_the_checklist_a_note(self) -> None:
        """Section 0: PRE-14 becomes note."""
        no = self.result("overload-checklist", "no", 5)
        case = a_case(extra=(no,))
        found = alone(overload_risk(pre_start(case, urgency="life-threatening")))
        assert found.verdict is Verdict.NOTE


class TestHistory:
    """PRE-16: earlier reactions and known antibodies are shown to the checker; a note (from
    memory)."""

    def test_antibodies_and_confirmed_reactions_are_shown(self) -> None:
        known = fact(
            AntibodyResult(antibodies=(Antibody(antigen="K", historical=True),)), "Observation/k"
        )
        reaction = a_step(StepCode.CONFIRM_REACTION, "Task/r", COLLECTED_AT, reason="mild allergic")
        found = alone(history(pre_start(a_case(extra=(known, reaction)))))
        assert found.verdict is Verdict.NOTE
        assert found.shown == (("antibody", "anti-K"), ("earlier reaction", "mild allergic"))
        assert found.facts == ("Observation/k", "Task/r")

    def test_a_reaction_without_words_is_shown_all_the_same(self) -> None:
        reaction = a_step(StepCode.CONFIRM_REACTION, "Task/r", COLLECTED_AT)
        found = alone(history(pre_start(a_case(extra=(reaction,)))))
        assert found.shown == (("earlier reaction", "confirmed reaction"),)

    def test_a_later_one_is_not_history(self) -> None:
        reaction = a_step(StepCode.CONFIRM_REACTION, "Task/r", CHECKED_AT + timedelta(hours=1))
        assert alone(history(pre_start(a_case(extra=(reaction,))))).verdict is None

    def test_none_is_off_until_the_site_sends_it(self) -> None:
        assert alone(history(pre_start())).verdict is None
        assert alone(history(pre_start(policy=sent("PRE-16", "note")))).verdict is Verdict.NOTE


def test_the_baseline_limit_is_policy() -> None:
    """POL-06: 60, 30 or 15 min."""
    half = with_rows({"baseline-age": Decimal(30)})
    assert based(vitals(31), policy=half).reason == "baseline-old"
