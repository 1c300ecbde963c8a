"""Candidate categories, their windows and their order (rules.md 5.2 and 5.3)."""

from dataclasses import replace
from typing import Any

import pytest

from service.facts.fact import Fact
from service.facts.finding import Candidate, Finding, Grade, Screen, Stage, Verdict
from service.facts.moment import Moment, at
from service.facts.records import Antibody, AntibodyResult, LabResult
from service.facts.steps import StepCode
from service.facts.unit import Component
from tests.support.bedside import (
    END,
    after,
    categories,
    fired,
    key,
    normal,
    report,
    result,
    screened,
    sign,
    step,
    vitals,
)
from tests.support.cases import fact
from tests.support.policies import profile, with_rows

DAY = 24 * 60


def of(screen: Screen, category: str) -> Candidate:
    """The candidate of a category."""
    (found,) = [one for one in screen.candidates if one.category == category]
    return found


def down(*facts: Fact[Any], **more: Any) -> Screen:
    """The screen of a unit that ended after END minutes."""
    return screened(*facts, ended=END, **more)


def past(minutes: float) -> float:
    """Minutes after the end, counted from the start."""
    return END + minutes


class TestFebrile:
    """RXN-FEB, ≤ 4 h: (T ≥ 38.0 and ΔT ≥ 1.0) or chills or rigors; a diagnosis of exclusion
    [S63][S48]."""

    @pytest.mark.parametrize("minutes", [0, 240])
    def test_within_four_hours_of_the_end(self, minutes: float) -> None:
        found = of(down(normal(past(minutes), temp="38.0"), baseline={"temp": "37.0"}), "FNHTR")
        assert (found.rule, found.grade, found.severity) == ("RXN-FEB", Grade.POSSIBLE, "mild")

    def test_later_it_is_excluded_and_the_advice_stands(self) -> None:
        screen = down(sign("chills", past(240.1)))
        assert "FNHTR" not in categories(screen)
        assert "FNHTR" in screen.excluded
        assert fired(screen) == {"VIT-04": "escalate"}

    def test_it_rests_on_the_first_facts_that_met_it(self) -> None:
        facts = [vitals(m, name=f"Observation/m{m}", temp="39.0") for m in (20, 40, 60)]
        assert of(screened(*facts), "FNHTR").facts == ("Observation/m20",)

    def test_other_causes_stay_open(self) -> None:
        found = of(screened(sign("chills", 20)), "FNHTR")
        assert found.met == ("chills or rigors",)
        assert "temperature and rise at fever" in found.unknown
        assert "infection and other causes excluded" in found.unknown

    def test_a_normal_temperature_and_a_denial_are_not_met(self) -> None:
        screen = screened(normal(20), sign("rigors", 30), normal(35))
        assert "temperature and rise at fever" in of(screen, "FNHTR").not_met
        screen = screened(normal(20, temp="38.4"), sign("chills", 20, present=False))
        assert "chills or rigors" in of(screen, "FNHTR").not_met

    def test_a_denial_of_something_else_leaves_it_unknown(self) -> None:
        facts = sign("dyspnoea", 19, present=False), sign("rash", 20), normal(20, temp="38.0")
        assert "chills or rigors" in of(screened(*facts), "FNHTR").unknown

    def test_haemolysis_found_by_the_laboratory_speaks_against_it_and_keeps_it(self) -> None:
        screen = screened(sign("chills", 20), step(StepCode.HAEMOLYSIS, 60))
        assert "haemolysis excluded" in of(screen, "FNHTR").not_met
        screen = screened(sign("chills", 20), step(StepCode.NO_HAEMOLYSIS, 60))
        assert "haemolysis excluded" in of(screen, "FNHTR").met

    @pytest.mark.parametrize(
        ("temperature", "name", "severity"),
        [("38.4", "uk", "mild"), ("38.5", "uk", "moderate"), ("38.0", "default", "moderate")],
    )
    def test_moderate_begins_at_the_profiles_rise(
        self, temperature: str, name: str, severity: str
    ) -> None:
        """Conflict at ΔT 1.5 to 1.9 is a policy parameter (POL-08) [S63][S38][S48]."""
        screen = screened(
            normal(20, temp=temperature), baseline={"temp": "36.5"}, policy=profile(name)
        )
        assert of(screen, "FNHTR").severity == severity

    def test_rigors_are_moderate(self) -> None:
        assert of(screened(sign("rigors", 20)), "FNHTR").severity == "moderate"


class TestHypotensive:
    """RXN-HYP, ≤ 1 h: the fall of the patient's band; all other causes excluded [S56][S57]."""

    @pytest.mark.parametrize(("minutes", "met"), [(60, True), (60.1, False)])
    def test_within_an_hour_of_the_end(self, minutes: float, met: bool) -> None:
        screen = down(normal(past(minutes), sbp=78))
        assert ("hypotensive" in categories(screen)) is met
        assert ("hypotensive" in screen.excluded) is not met

    def test_it_is_possible_until_other_causes_are_excluded(self) -> None:
        found = of(screened(normal(20, sbp=78)), "hypotensive")
        assert found.grade is Grade.POSSIBLE
        assert found.unknown == ("all other causes excluded",)

    def test_an_early_warning_is_none(self) -> None:
        assert categories(screened(normal(20, sbp=90))) == ()


class TestAllergic:
    """RXN-ALL, ≤ 4 h: definitive ≥ 2 of ten signs, probable 1 of seven [S53]."""

    SEVEN = (
        "rash",
        "urticaria",
        "pruritus",
        "localized-angioedema",
        "periorbital-oedema",
        "conjunctival-oedema",
        "lip-tongue-uvula-oedema",
    )

    @pytest.mark.parametrize("word", SEVEN)
    def test_one_of_the_seven_is_probable(self, word: str) -> None:
        assert of(screened(sign(word, 20)), "allergic").grade is Grade.PROBABLE

    @pytest.mark.parametrize("word", ["flushing", "respiratory-distress", "bronchospasm"])
    def test_one_of_the_other_three_is_none(self, word: str) -> None:
        assert "allergic" not in categories(screened(sign(word, 20)))

    @pytest.mark.parametrize("word", ["flushing", "respiratory-distress", "hypotension", "rash"])
    def test_any_two_are_definitive(self, word: str) -> None:
        screen = screened(sign("urticaria", 20), sign(word, 60))
        assert of(screen, "allergic").grade is Grade.DEFINITIVE

    def test_measured_hypotension_counts(self) -> None:
        screen = screened(sign("urticaria", 20), normal(60, sbp=78))
        assert of(screen, "allergic").grade is Grade.DEFINITIVE

    def test_one_sign_by_two_names_is_one(self) -> None:
        screen = screened(sign("tongue-larynx-angioedema", 20), sign("lip-tongue-uvula-oedema", 21))
        assert of(screen, "allergic").grade is Grade.PROBABLE
        screen = screened(sign("tongue-larynx-angioedema", 20))
        assert of(screen, "allergic").met == ("lip tongue uvula oedema",)

    @pytest.mark.parametrize(
        ("word", "severity"),
        [
            ("pruritus", "mild"),
            ("wheeze", "moderate"),
            ("localized-angioedema", "moderate"),
            ("bronchospasm", "severe"),
            ("hypotension", "severe"),
        ],
    )
    def test_severity(self, word: str, severity: str) -> None:
        """From memory: BSH 2012/2023 table."""
        screen = screened(sign("urticaria", 20), sign(word, 20))
        assert of(screen, "allergic").severity == severity

    def test_after_four_hours_it_is_excluded(self) -> None:
        screen = down(sign("urticaria", past(240.1)))
        assert categories(screen) == ()
        assert screen.excluded == ("allergic",)

    def test_two_signs_are_no_anaphylaxis(self) -> None:
        assert categories(screened(sign("urticaria", 20), sign("pruritus", 20))) == ("allergic",)

    def test_anaphylaxis_comes_before_it(self) -> None:
        screen = screened(sign("urticaria", 20), sign("stridor", 20))
        assert categories(screen)[0] == "anaphylaxis"
        assert categories(screen)[-1] == "allergic"
        assert of(screen, "anaphylaxis").severity == "severe"


class TestHaemolytic:
    """RXN-AHTR, ≤ 24 h: pain, dark urine, new oozing, or fever or chills with SBP fall ≥ 20, or
    any stop-grade trigger with an ABO or identity finding; possible only [S59][S66]."""

    WRONG = Finding(
        rule="ID-05",
        reason="identifier-mismatch",
        stage=Stage.START,
        text="The band and the label differ.",
        verdict=Verdict.REFUSE,
        facts=("Task/check",),
    )

    @pytest.mark.parametrize("word", ["loin-pain", "infusion-site-pain", "dark-urine", "oozing"])
    def test_a_sign_is_enough(self, word: str) -> None:
        found = of(screened(sign(word, 20)), "AHTR")
        assert found.grade is Grade.POSSIBLE

    def test_anxiety_alone_stops_and_is_no_candidate(self) -> None:
        assert categories(screened(sign("anxiety", 20))) == ()

    def test_chills_with_a_fall_of_twenty(self) -> None:
        assert "AHTR" in categories(screened(sign("chills", 20), normal(22, sbp=104)))
        assert "AHTR" not in categories(screened(sign("chills", 20), normal(22, sbp=105)))

    def test_fever_with_a_fall_of_twenty(self) -> None:
        assert "AHTR" in categories(screened(normal(20, temp="38.0", sbp=104)))

    @pytest.mark.parametrize(("minutes", "met"), [(DAY, True), (DAY + 0.1, False)])
    def test_within_a_day_of_the_end(self, minutes: float, met: bool) -> None:
        assert ("AHTR" in categories(down(sign("dark-urine", past(minutes))))) is met

    def test_any_stop_with_an_identity_finding(self) -> None:
        screen = screened(normal(20, temp="38.4"), wrong=(self.WRONG,))
        assert "a stop-grade trigger while identity or group is in doubt" in of(screen, "AHTR").met
        assert "Task/check" in of(screen, "AHTR").facts

    def test_an_identity_finding_without_a_stop_is_wrong_blood_only(self) -> None:
        screen = screened(normal(20, temp="37.9"), wrong=(self.WRONG,))
        assert categories(screen) == ("wrong-blood",)

    def test_a_stop_with_a_mismatched_recheck(self) -> None:
        screen = screened(report(20, "chills", identity_recheck="mismatch"))
        assert categories(screen)[:2] == ("wrong-blood", "AHTR")

    def test_a_clean_recheck_rules_that_way_out(self) -> None:
        text = "a stop-grade trigger while identity or group is in doubt"
        clean = report(20, "dark-urine", identity_recheck="match")
        assert text in of(screened(clean), "AHTR").unknown
        screen = screened(clean, step(StepCode.CLERICAL_OK, 40))
        assert text in of(screen, "AHTR").not_met
        assert text in of(screened(sign("oozing", 20)), "AHTR").unknown

    def test_the_laboratorys_word(self) -> None:
        assert categories(screened(step(StepCode.HAEMOLYSIS, 60))) == ("AHTR",)

    def test_the_definition_needs_sign_results_and_serology(self) -> None:
        """From memory: NHSN protocol."""
        parts = (
            sign("oliguria", 40),
            result("haptoglobin", 60, word="lowered"),
            result("ldh", 60, word="raised"),
            result("dat", 60, word="positive"),
            result("eluate", 60, word="positive"),
        )
        assert "AHTR" in categories(screened(*parts))
        for left_out in range(len(parts)):
            rest = parts[:left_out] + parts[left_out + 1 :]
            assert "AHTR" not in categories(screened(*rest)), left_out

    def test_results_are_counted_as_far_as_known(self) -> None:
        text = "at least two results of haemolysis"
        sent = {"fibrinogen", "haptoglobin", "bilirubin", "ldh", "plasma-haemoglobin"}
        sent |= {"urine-haemoglobin", "plasma-colour"}
        normal_results = [result(name, 60, word="normal") for name in sent]
        screen = screened(sign("dark-urine", 20), *normal_results)
        assert text in of(screen, "AHTR").not_met
        assert text in of(screened(sign("dark-urine", 20)), "AHTR").unknown
        screen = screened(sign("dark-urine", 20), *normal_results[1:])
        assert text in of(screen, "AHTR").unknown


class TestSepsis:
    """RXN-TTBI, ≤ 24 h (sensitive): VIT-10; suspicion only."""

    def test_the_screen(self) -> None:
        found = of(screened(normal(20, temp="39.2", hr=125)), "sepsis-suspected")
        assert found.grade is Grade.POSSIBLE
        assert found.unknown == ("culture of the unit positive", "blood culture positive")

    def test_a_unit_that_grew_bacteria(self) -> None:
        screen = screened(normal(20), result("unit-culture", 600, word="positive"))
        assert "sepsis-suspected" in categories(screen)
        before = result("unit-culture", -60, word="negative")
        screen = screened(normal(20), before, result("unit-culture", 600, word="positive"))
        assert "sepsis-suspected" in categories(screen)

    def test_a_patients_culture_alone_does_not_point_at_the_unit(self) -> None:
        assert categories(screened(result("patient-culture", 600, word="positive"))) == ()


LUNG_INJURY = (
    result("pf-ratio", 60, 250),
    result("chest-imaging", 90, word="bilateral-oedema"),
    result("left-atrial-hypertension", 90, word="negative"),
    result("ards-risk", -60, word="negative"),
)


class TestLungInjury:
    """RXN-TRALI1 and 2, ≤ 6 h: hypoxaemia, bilateral oedema, left atrium not the cause, no risk
    factor (I), or with one but stable for 12 h (II) [S62]."""

    def test_type_one(self) -> None:
        assert categories(screened(*LUNG_INJURY)) == ("TRALI-I",)

    def test_a_low_saturation_on_air_is_hypoxaemia(self) -> None:
        facts = vitals(-5, spo2=97), vitals(60, spo2=89, on_air=True), *LUNG_INJURY[1:]
        assert "TRALI-I" in categories(screened(*facts))

    def test_on_oxygen_it_is_not(self) -> None:
        facts = vitals(60, spo2=89, on_air=False), *LUNG_INJURY[1:]
        assert "TRALI-I" not in categories(screened(*facts))

    @pytest.mark.parametrize(("ratio", "met"), [(300, True), (301, False)])
    def test_three_hundred_is_the_limit(self, ratio: int, met: bool) -> None:
        facts = result("pf-ratio", 60, ratio), *LUNG_INJURY[1:]
        assert ("TRALI-I" in categories(screened(*facts))) is met

    @pytest.mark.parametrize("left_out", range(4))
    def test_each_criterion_is_needed(self, left_out: int) -> None:
        rest = LUNG_INJURY[:left_out] + LUNG_INJURY[left_out + 1 :]
        assert "TRALI-I" not in categories(screened(*rest))

    def test_the_left_atrium_as_cause_rules_it_out(self) -> None:
        facts = *LUNG_INJURY, result("left-atrial-hypertension", 120, word="positive")
        assert "TRALI-I" not in categories(screened(*facts))

    def test_type_two_needs_the_risk_and_the_stability(self) -> None:
        risk = result("ards-risk", -60, word="positive")
        stable = result("respiratory-stability", -5, word="yes")
        facts = *LUNG_INJURY[:3], risk
        assert "TRALI-II" not in categories(screened(*facts))
        assert categories(screened(*facts, stable)) == ("TRALI-II",)

    @pytest.mark.parametrize(
        ("ratio", "met"), [(200, False), (201, True), (300, True), (301, False)]
    )
    def test_mild_injury_before_counts_as_the_risk(self, ratio: int, met: bool) -> None:
        facts = (
            *LUNG_INJURY[:3],
            result("pf-ratio", -120, ratio),
            result("respiratory-stability", -5, word="positive"),
        )
        assert ("TRALI-II" in categories(screened(*facts))) is met

    @pytest.mark.parametrize(("minutes", "met"), [(360, True), (360.1, False)])
    def test_within_six_hours_of_the_end(self, minutes: float, met: bool) -> None:
        facts = result("pf-ratio", past(minutes), 250), *LUNG_INJURY[1:]
        screen = down(*facts)
        assert ("TRALI-I" in categories(screen)) is met
        assert ("TRALI-I" in screen.excluded) is not met

    def test_a_result_without_a_value_or_time_says_nothing(self) -> None:
        empty = result("pf-ratio", 60)
        timeless = fact(LabResult(analyte="pf-ratio", word="lowered"), key())
        assert categories(screened(empty, timeless, *LUNG_INJURY[1:])) == ()


def overload(*left_out: str, minutes: float = 60) -> list[Fact[Any]]:
    """A to E of circulatory overload, as facts."""
    parts = {
        "A": [sign("dyspnoea", minutes)],
        "B": [result("chest-imaging", minutes, word="bilateral-oedema")],
        "C": [sign("tachycardia", minutes)],
        "D": [result("fluid-balance", minutes, 900, unit="mL")],
        "E": [
            result("bnp", -60, 100, unit="ng/L"),
            result("bnp", minutes, 151, word="raised", unit="ng/L"),
        ],
    }
    return [one for name, facts in parts.items() if name not in left_out for one in facts]


class TestOverload:
    """RXN-TACO (2018), ≤ 12 h: ≥ 3 of A to E with A or B among them [S59][S60][S61]."""

    def test_all_five(self) -> None:
        found = of(screened(*overload()), "TACO")
        assert (found.grade, len(found.met)) == (Grade.POSSIBLE, 5)

    @pytest.mark.parametrize("left_out", ["AB", "AC", "AD", "AE", "BC", "BD", "BE", "CD", "DE"])
    def test_any_three_with_a_or_b(self, left_out: str) -> None:
        screen = screened(*overload(*left_out))
        assert ("TACO" in categories(screen)) is (left_out != "AB")

    @pytest.mark.parametrize("left_out", ["CDE", "ADE", "BCD"])
    def test_two_are_not_enough(self, left_out: str) -> None:
        assert "TACO" not in categories(screened(*overload(*left_out)))

    @pytest.mark.parametrize(("minutes", "met"), [(720, True), (720.1, False)])
    def test_within_twelve_hours_of_the_end(self, minutes: float, met: bool) -> None:
        screen = down(*overload(minutes=past(minutes)))
        assert ("TACO" in categories(screen)) is met
        assert ("TACO" in screen.excluded) is not met

    def test_results_may_come_after_the_window(self) -> None:
        facts = *overload("D", "E", minutes=past(700)), result("fluid-balance", past(900), 900)
        assert "TACO" in categories(down(*facts))

    def test_results_alone_do_not_date_it(self) -> None:
        assert "TACO" not in categories(down(*overload("A", "C", minutes=past(800))))

    def test_a_rise_in_pressure_is_a_cardiovascular_change(self) -> None:
        facts = *overload("C", "D", "E"), normal(60, sbp=154)
        assert "TACO" in categories(screened(*facts))

    @pytest.mark.parametrize(
        ("facts", "state"),
        [
            ([result("fluid-balance", 60, -200)], "not_met"),
            ([result("fluid-balance", 60, word="positive")], "met"),
            ([result("fluid-balance", 60, word="negative")], "not_met"),
            ([result("diuresis-response", 60, word="yes")], "met"),
            ([result("fluid-balance", 60, 0), result("diuresis-response", 60, word="yes")], "met"),
            ([], "unknown"),
        ],
    )
    def test_fluid(self, facts: list[Fact[Any]], state: str) -> None:
        found = of(screened(*overload("D"), *facts), "TACO")
        assert "fluid overload" in getattr(found, state)

    @pytest.mark.parametrize(
        ("before", "now", "word", "state"),
        [
            (100, 151, "raised", "met"),
            (100, 150, "raised", "not_met"),
            (100, 151, "normal", "not_met"),
            (100, 151, None, "unknown"),
            (None, 900, "raised", "unknown"),
        ],
    )
    def test_peptide(self, before: int | None, now: int, word: str | None, state: str) -> None:
        """Biomarker > 1.5 × the value before and above range."""
        facts = [result("nt-probnp", 60, now, word=word, unit="ng/L")]
        if before is not None:
            facts.append(result("nt-probnp", -60, before, unit="ng/L"))
        facts.append(result("bnp", 60, word="normal"))
        found = of(screened(*overload("E"), *facts), "TACO")
        assert "natriuretic peptide raised" in getattr(found, state)

    def test_values_in_different_units_are_not_compared(self) -> None:
        facts = (
            result("bnp", -60, 100, unit="ng/L"),
            result("bnp", 60, 900, word="raised", unit="pmol/L"),
        )
        assert "natriuretic peptide raised" in of(screened(*overload("E"), *facts), "TACO").unknown

    def test_a_sign_of_oedema_counts_and_dates_it(self) -> None:
        facts = sign("pulmonary-oedema", 60), *overload("A", "B", "E")
        assert "TACO" in categories(screened(*facts))


class TestOlderEdition:
    """Older NHSN (2016): ≥ 3 of {resp distress, BNP, CVP, L heart failure, +balance, CXR oedema}
    in 6 h [S58] (POL-11)."""

    POLICY = with_rows({"taco-edition": "nhsn-2016"})
    CVP = sign("raised-venous-pressure", 60)
    FAILURE = sign("left-heart-failure", 60)

    def test_its_own_six(self) -> None:
        facts = sign("dyspnoea", 60), self.CVP, self.FAILURE
        assert "TACO" in categories(screened(*facts, policy=self.POLICY))
        assert "TACO" not in categories(screened(*facts))
        assert "TACO" not in categories(screened(*facts[:2], policy=self.POLICY))

    @pytest.mark.parametrize(("minutes", "met"), [(360, True), (360.1, False)])
    def test_its_own_window(self, minutes: float, met: bool) -> None:
        screen = down(*overload(minutes=past(minutes)), policy=self.POLICY)
        assert ("TACO" in categories(screen)) is met
        assert ("TACO" in screen.excluded) is not met


class TestMixed:
    """RXN-MIX, ≤ 6 h (D): both fit and cannot be told apart, imaging at hand."""

    def test_both_fit(self) -> None:
        screen = screened(*overload(), *LUNG_INJURY)
        assert categories(screen)[:3] == ("TRALI-I", "TRALI/TACO", "TACO")

    def test_with_the_left_atrium_unknown_they_cannot_be_told_apart(self) -> None:
        screen = screened(*overload(), *LUNG_INJURY[:2])
        assert categories(screen)[:2] == ("TRALI/TACO", "TACO")

    def test_the_left_atrium_as_cause_tells_them_apart(self) -> None:
        atrium = result("left-atrial-hypertension", 90, word="positive")
        assert "TRALI/TACO" not in categories(screened(*overload(), *LUNG_INJURY[:2], atrium))


class TestUndeterminedAndDyspnoea:
    """RXN-RESP, ≤ 24 h: respiratory sign, imaging missing (D). RXN-TAD, ≤ 24 h: dyspnoea not
    meeting allergic, TACO or TRALI."""

    def test_without_imaging_it_is_undetermined(self) -> None:
        assert categories(screened(sign("dyspnoea", 20))) == ("respiratory-undetermined",)

    def test_without_imaging_whether_lung_injury_can_be_judged_is_unknown(self) -> None:
        (candidate,) = screened(sign("dyspnoea", 20)).candidates
        assert candidate.met == ("acute or worsening respiratory distress",)
        assert candidate.not_met == ("chest imaging at hand",)
        assert candidate.unknown == ("lung injury can be judged",)

    def test_with_imaging_and_the_left_atrium_unknown_it_cannot_be_judged(self) -> None:
        (candidate,) = screened(*LUNG_INJURY[:2]).candidates
        assert candidate.not_met == ("lung injury can be judged",)

    def test_with_imaging_it_is_dyspnoea(self) -> None:
        facts = sign("dyspnoea", 20), result("chest-imaging", 60, word="clear")
        assert categories(screened(*facts)) == ("TAD",)

    def test_imaging_from_before_is_no_imaging(self) -> None:
        facts = sign("dyspnoea", 20), result("chest-imaging", -60, word="clear")
        assert categories(screened(*facts)) == ("respiratory-undetermined",)

    def test_lung_injury_that_cannot_be_judged_is_undetermined(self) -> None:
        assert categories(screened(*LUNG_INJURY[:2])) == ("respiratory-undetermined",)
        risk = result("ards-risk", -60, word="positive")
        assert categories(screened(*LUNG_INJURY[:3], risk)) == ("respiratory-undetermined",)

    def test_an_allergic_reaction_accounts_for_it(self) -> None:
        facts = (
            sign("dyspnoea", 20),
            sign("urticaria", 20),
            result("chest-imaging", 60, word="clear"),
        )
        assert "TAD" not in categories(screened(*facts))

    @pytest.mark.parametrize(("minutes", "met"), [(DAY, True), (DAY + 0.1, False)])
    def test_within_a_day_of_the_end(self, minutes: float, met: bool) -> None:
        assert bool(categories(down(sign("dyspnoea", past(minutes))))) is met

    def test_breathing_that_was_fine_is_no_distress(self) -> None:
        facts = (
            normal(20, spo2=97),
            sign("dyspnoea", 20, present=False),
            result("pf-ratio", 60, 400),
            result("chest-imaging", 60, word="clear"),
        )
        assert categories(screened(*facts)) == ()


def antibodies(minutes: float | None, *named: str, **more: Any) -> Fact[AntibodyResult]:
    """An antibody identification."""
    found = tuple(Antibody(antigen=name, **more) for name in named)
    when = None if minutes is None else at(after(minutes))
    return fact(AntibodyResult(antibodies=found, at=when), key())


HAEMOLYSED = (
    result("dat", past(3 * DAY), word="positive"),
    result("eluate", past(3 * DAY), word="positive"),
    result("haemoglobin", -60, 85, unit="g/L"),
    result("haemoglobin", past(3 * DAY), 84, unit="g/L"),
)


class TestDelayedHaemolytic:
    """RXN-DHTR, 24 h to 28 d: DAT with eluate or new alloantibody, and Hb not risen or
    spherocytes (from memory; window [S59][S65])."""

    def test_all_of_it(self) -> None:
        assert categories(down(*HAEMOLYSED)) == ("DHTR",)

    @pytest.mark.parametrize("left_out", [0, 1, 2, 3])
    def test_each_part_is_needed(self, left_out: int) -> None:
        rest = HAEMOLYSED[:left_out] + HAEMOLYSED[left_out + 1 :]
        assert categories(down(*rest)) == ()

    def test_a_new_antibody_stands_for_the_eluate(self) -> None:
        facts = HAEMOLYSED[0], *HAEMOLYSED[2:], antibodies(past(3 * DAY), "Jka")
        assert categories(down(*facts)) == ("DHTR",)

    def test_the_last_value_before_the_unit_is_compared(self) -> None:
        older = result("haemoglobin", -600, 60, unit="g/L")
        assert categories(down(older, *HAEMOLYSED)) == ("DHTR",)

    def test_spherocytes_stand_for_the_haemoglobin(self) -> None:
        facts = *HAEMOLYSED[:2], result("spherocytes", past(3 * DAY), word="positive")
        assert categories(down(*facts)) == ("DHTR",)

    def test_a_haemoglobin_that_stayed_did_not_rise(self) -> None:
        facts = *HAEMOLYSED[:3], result("haemoglobin", past(3 * DAY), 85, unit="g/L")
        assert categories(down(*facts)) == ("DHTR",)

    def test_the_laboratorys_word_needs_no_value_before(self) -> None:
        facts = *HAEMOLYSED[:2], result("haemoglobin", past(3 * DAY), word="lowered")
        assert categories(down(*facts)) == ("DHTR",)

    @pytest.mark.parametrize(("value", "unit"), [(86, "g/L"), (8, "g/dL"), (None, "g/L")])
    def test_a_haemoglobin_that_rose_or_cannot_be_compared(
        self, value: int | None, unit: str
    ) -> None:
        facts = *HAEMOLYSED[:3], result("haemoglobin", past(3 * DAY), value, unit=unit)
        assert categories(down(*facts)) == ()

    @pytest.mark.parametrize(
        ("minutes", "met"),
        [(DAY, True), (DAY - 0.1, False), (28 * DAY, True), (28 * DAY + 0.1, False)],
    )
    def test_the_window_opens_and_closes(self, minutes: float, met: bool) -> None:
        moved = [
            replace(one, body=replace(one.body, at=at(after(past(minutes)))))
            for one in (HAEMOLYSED[0], HAEMOLYSED[1], HAEMOLYSED[3])
        ]
        screen = down(*moved, HAEMOLYSED[2])
        assert ("DHTR" in categories(screen)) is met
        assert ("DHTR" in screen.excluded) is not met

    def test_without_a_recorded_end_it_is_counted_from_the_start(self) -> None:
        assert categories(screened(*HAEMOLYSED)) == ("DHTR",)


class TestDelayedSerologic:
    """RXN-DSTR, 24 h to 28 d: new significant red-cell antibody, no haemolysis [S65]."""

    def test_a_new_antibody(self) -> None:
        found = of(down(antibodies(past(3 * DAY), "E")), "DSTR")
        assert found.unknown == ("no haemolysis",)

    @pytest.mark.parametrize(
        "known",
        [antibodies(-60, "E"), antibodies(None, "E"), antibodies(-60, "E", historical=True)],
    )
    def test_one_that_was_known_is_not_new(self, known: Fact[Any]) -> None:
        assert categories(down(known, antibodies(past(3 * DAY), "E"))) == ()

    @pytest.mark.parametrize("mark", ["passive", "historical"])
    def test_one_that_is_not_the_patients_own_is_not_new(self, mark: str) -> None:
        assert categories(down(antibodies(past(3 * DAY), "D", **{mark: True}))) == ()

    def test_one_found_before_the_window_opens_is_excluded(self) -> None:
        screen = down(antibodies(past(60), "E"))
        assert categories(screen) == ()
        assert screen.excluded == ("DSTR",)

    def test_a_coarse_time_is_not_after_the_start(self) -> None:
        coarse = AntibodyResult(antibodies=(Antibody(antigen="E"),), at=Moment(text="2025-06-05"))
        assert categories(down(fact(coarse, key()))) == ()

    def test_haemolysis_makes_it_the_other_category(self) -> None:
        assert categories(down(*HAEMOLYSED, antibodies(past(3 * DAY), "E"))) == ("DHTR",)


class TestPurpura:
    """RXN-PTP, 5 to 14 d (D): platelets < 20 % of the count before with HPA antibody; 20 to 80 %
    possible (from memory: NHSN)."""

    def found(self, now: int, *, before: int | None = 200, day: float = 9, hpa: bool = True) -> Any:
        facts = [result("platelet-count", past(day * DAY), now)]
        if before is not None:
            facts.append(result("platelet-count", -60, before))
        if hpa:
            facts.append(result("hpa-antibody", past(day * DAY), word="positive"))
        return down(*facts)

    @pytest.mark.parametrize(
        ("now", "grade"), [(39, Grade.DEFINITIVE), (40, Grade.POSSIBLE), (159, Grade.POSSIBLE)]
    )
    def test_the_shares(self, now: int, grade: Grade) -> None:
        found = of(self.found(now), "PTP")
        assert found.grade is grade
        assert len(found.facts) == 3

    def test_four_fifths_is_none(self) -> None:
        assert categories(self.found(160)) == ()

    def test_count_before_and_antibody_are_needed(self) -> None:
        assert categories(self.found(30, before=None)) == ()
        assert categories(self.found(30, before=0)) == ()
        assert categories(self.found(30, hpa=False)) == ()

    @pytest.mark.parametrize(("day", "met"), [(5, True), (14, True), (4.9, False), (14.1, False)])
    def test_the_window(self, day: float, met: bool) -> None:
        screen = self.found(30, day=day)
        assert ("PTP" in categories(screen)) is met
        assert ("PTP" in screen.excluded) is not met


class TestGraftVersusHost:
    """RXN-GVHD, 2 d to 6 wk: rash, diarrhoea, fever, liver, and donor cells (from memory)."""

    RASH = sign("rash", past(10 * DAY))

    @pytest.mark.parametrize(
        "other",
        [
            sign("diarrhoea", past(11 * DAY)),
            sign("fever", past(11 * DAY)),
            sign("jaundice", past(11 * DAY)),
            vitals(past(11 * DAY), temp="38.0"),
            result("bilirubin", past(11 * DAY), word="raised"),
            result("white-cell-chimerism", past(11 * DAY), word="positive"),
        ],
        ids=lambda fact: type(fact.body).__name__,
    )
    def test_a_rash_with_another_sign_or_donor_cells(self, other: Fact[Any]) -> None:
        assert categories(down(self.RASH, other)) == ("TA-GVHD",)

    def test_a_rash_alone_or_with_a_normal_temperature_is_none(self) -> None:
        assert categories(down(self.RASH)) == ()
        assert categories(down(self.RASH, vitals(past(11 * DAY), temp="37.9"))) == ()

    def test_a_monitors_temperature_does_not_count_by_itself(self) -> None:
        hot = vitals(past(11 * DAY), device=True, temp="38.5")
        assert categories(down(self.RASH, hot)) == ()

    def test_donor_cells_alone_are_none(self) -> None:
        assert (
            categories(down(result("white-cell-chimerism", past(9 * DAY), word="positive"))) == ()
        )

    @pytest.mark.parametrize(("day", "met"), [(2, True), (42, True), (1.99, False), (42.01, False)])
    def test_the_window(self, day: float, met: bool) -> None:
        facts = sign("rash", past(day * DAY)), sign("jaundice", past(day * DAY))
        screen = down(*facts)
        assert ("TA-GVHD" in categories(screen)) is met
        assert ("TA-GVHD" in screen.excluded) is not met


class TestWrongBlood:
    """RXN-WBIT: wrong component, patient or identity discovered; always an incident even without
    symptoms [S15]."""

    def test_a_mismatched_recheck(self) -> None:
        screen = screened(report(20, identity_recheck="mismatch"))
        assert categories(screen) == ("wrong-blood",)

    def test_a_clerical_error(self) -> None:
        assert categories(screened(step(StepCode.CLERICAL_ERROR, 60))) == ("wrong-blood",)

    def test_a_clean_recheck_is_none(self) -> None:
        facts = report(20, identity_recheck="match"), step(StepCode.CLERICAL_OK, 60)
        assert categories(screened(*facts)) == ()

    def test_it_comes_first_and_is_never_excluded(self) -> None:
        screen = screened(report(20, "stridor", identity_recheck="mismatch"))
        assert categories(screen)[0] == "wrong-blood"
        assert "wrong-blood" not in screen.excluded


class TestOrder:
    """5.3: wrong unit, anaphylaxis, respiratory, haemolysis and sepsis (platelets: sepsis first),
    hypotensive, febrile, mild allergic; most dangerous first."""

    FACTS = (
        report(20, "urticaria", "stridor", "chills", "dark-urine", identity_recheck="mismatch"),
        normal(20, temp="39.2", hr=125, sbp=78),
    )

    def test_most_dangerous_first(self) -> None:
        assert categories(screened(*self.FACTS)) == (
            "wrong-blood",
            "anaphylaxis",
            "respiratory-undetermined",
            "AHTR",
            "sepsis-suspected",
            "hypotensive",
            "FNHTR",
            "allergic",
        )

    def test_platelets_put_sepsis_first(self) -> None:
        found = categories(screened(*self.FACTS, component=Component.PLATELETS))
        assert found.index("sepsis-suspected") + 1 == found.index("AHTR")


class TestNotExcluded:
    """AHTR and sepsis with criteria not met are listed under not-excluded while their window is
    open, never dropped because FNHTR fits [S40][S48]."""

    def test_beside_a_febrile_reaction(self) -> None:
        assert screened(normal(20, temp="38.0")).not_excluded == ("AHTR", "sepsis-suspected")

    def test_what_is_a_candidate_is_not_listed(self) -> None:
        assert screened(sign("dark-urine", 20)).not_excluded == ("sepsis-suspected",)

    def test_a_suspicion_without_any_criterion_leaves_them_open(self) -> None:
        screen = screened(report(20))
        assert screen.not_excluded == ("AHTR", "sepsis-suspected")
        assert fired(screen) == {"ACT-01": "stop"}

    def test_a_late_report_of_an_early_onset_too(self) -> None:
        late = report(past(DAY + 60), onset=at(after(past(60))))
        assert down(late).not_excluded == ("AHTR", "sepsis-suspected")

    def test_after_their_window_they_are_not_listed(self) -> None:
        policy = with_rows({"window.ahtr": 10, "window.sepsis": 10})
        assert down(sign("chills", past(700)), policy=policy).not_excluded == ()

    def test_watching_alone_is_no_suspicion(self) -> None:
        assert screened(normal(20, temp="37.9")).not_excluded == ()


class TestSuspectedByAPerson:
    """The step suspect-reaction alone suffices, with no criterion met (ACT-05); the flow stops
    (ACT-01) [S38][S68][S70]."""

    def test_it_stops_and_later_escalates(self) -> None:
        assert fired(screened(report(20))) == {"ACT-01": "stop"}
        assert fired(down(report(20))) == {"ACT-01": "escalate"}
        assert fired(down(report(past(20)))) == {"ACT-01": "escalate"}

    def test_one_before_the_start_is_not_about_the_unit(self) -> None:
        assert fired(screened(report(-0.1))) == {}
        assert fired(screened(report(0))) == {"ACT-01": "stop"}

    @pytest.mark.parametrize(("minutes", "stage"), [(END, Stage.RUNNING), (END + 0.1, Stage.ENDED)])
    def test_it_keeps_the_stage_of_its_time(self, minutes: float, stage: Stage) -> None:
        (found,) = [f for f in down(report(minutes)).findings if f.rule == "ACT-01"]
        assert found.stage is stage

    def test_the_row_may_be_off(self) -> None:
        off = with_rows(rules={"ACT-01": {"on_failure": "off"}})
        assert fired(screened(report(20), policy=off)) == {}
