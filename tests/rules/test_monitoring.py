"""Sets, baselines, temperatures, monitors and settings (rules.md 5, before 5.1)."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.facts.fact import Fact
from service.facts.finding import Advice, Verdict
from service.facts.identity import Identifier, Ref
from service.facts.moment import Moment, at
from service.facts.quantity import Reading, Unusable, Vital
from service.facts.records import EncounterRecord, Sign, Vitals
from service.facts.steps import StepCode
from service.facts.unit import UnitRef
from service.rules import reaction
from tests.support.bedside import (
    advice,
    after,
    finding,
    fired,
    key,
    normal,
    placed,
    report,
    screened,
    sign,
    step,
    unit_case,
    unknown,
    vitals,
)
from tests.support.cases import START_AT, UNIT, a_reading, a_running, fact
from tests.support.policies import with_rows

EARLIER = replace(UNIT, din="A999925000001")


def fahrenheit(minutes: float, sent: str) -> Fact[Vitals]:
    """A temperature sent in Fahrenheit, as the reader converts it."""
    degrees = (Decimal(sent) - 32) / Decimal("1.8")
    reading = Reading(
        vital=Vital.TEMPERATURE,
        value=degrees,
        at=at(after(minutes)),
        sent_value=Decimal(sent),
        sent_unit="[degF]",
    )
    return fact(Vitals(readings=(reading,), at=at(after(minutes))), key())


def earlier_unit(start: float, end: float | None, ref: UnitRef = EARLIER) -> list[Fact[Any]]:
    """Another unit of the patient, by minutes from this unit's start."""
    steps = [step(StepCode.START, start, unit=ref)]
    if end is not None:
        steps.append(step(StepCode.END, end, unit=ref))
    return steps


class TestBaseline:
    """Baseline = last set before t_start; one > 60 min old is still used, marked old."""

    def test_the_last_set_before_the_start_counts(self) -> None:
        facts = vitals(-50, temp="36.0"), vitals(-2, temp="37.2"), normal(20, temp="38.1")
        assert fired(screened(*facts)) == {"VIT-02": "watch"}

    def test_a_reading_at_the_very_start_is_baseline(self) -> None:
        facts = vitals(0, temp="37.2"), normal(20, temp="38.1")
        assert fired(screened(*facts)) == {"VIT-02": "watch"}
        assert fired(screened(vitals(0, temp="39.0"))) == {}

    def test_each_vital_has_its_own_last_set(self) -> None:
        facts = vitals(-2, hr=80), normal(20, temp="38.0")
        assert fired(screened(*facts, baseline={"temp": "37.0"})) == {"VIT-01": "pause"}

    @pytest.mark.parametrize(("minutes", "label"), [(-60, ""), (-61, ", old")])
    def test_an_old_one_is_used_and_marked(self, minutes: float, label: str) -> None:
        facts = vitals(minutes, temp="37.0"), normal(20, temp="38.0")
        found = finding(screened(*facts, baseline={"temp": None}), "VIT-01")
        assert found.shown[-1] == (f"baseline temperature{label}", "37.0 °C")

    def test_a_recheck_in_the_set_takes_the_place_of_the_first_value(self) -> None:
        facts = vitals(-9, sbp=150), vitals(-4, sbp=120), normal(20, sbp=118)
        assert fired(screened(*facts)) == {}

    def test_what_was_read_before_the_unit_never_fires(self) -> None:
        assert fired(screened(vitals(-3, temp="39.5"), sign("chills", -3))) == {}


class TestFirstOfTheEpisode:
    """Δ against the unit's baseline and against the first of the episode; the larger counts
    [S100]."""

    FIRST = vitals(-130, temp="36.8", sbp=124)
    NOW = normal(20, temp="38.0")

    def test_a_slow_rise_over_two_units_is_seen(self) -> None:
        facts = *earlier_unit(-120, -20), self.FIRST, self.NOW
        screen = screened(*facts, baseline={"temp": "37.4"}, component=None)
        assert fired(screen)["VIT-01"] == "pause"
        assert len(finding(screen, "VIT-01").facts) == 3

    def test_a_unit_longer_ago_is_another_episode(self) -> None:
        facts = *earlier_unit(-3000, -1441), vitals(-3010, temp="36.8"), self.NOW
        assert fired(screened(*facts, baseline={"temp": "37.4"})) == {"VIT-02": "watch"}

    def test_windows_touch_inclusively(self) -> None:
        facts = *earlier_unit(-3000, -1440), vitals(-3010, temp="36.8"), self.NOW
        assert fired(screened(*facts, baseline={"temp": "37.4"}))["VIT-01"] == "pause"

    def test_a_unit_that_still_runs_is_of_the_episode(self) -> None:
        facts = *earlier_unit(-120, None), self.FIRST, self.NOW
        assert "VIT-01" in fired(screened(*facts, baseline={"temp": "37.4"}))

    def test_the_smaller_rise_does_not_hide_the_larger(self) -> None:
        first = vitals(-130, temp="37.4")
        facts = *earlier_unit(-120, -20), first, self.NOW
        assert "VIT-01" in fired(screened(*facts, baseline={"temp": "36.8"}))

    def test_the_lower_heart_rate_and_the_higher_pressure_are_compared_with(self) -> None:
        facts = *earlier_unit(-120, -20), vitals(-130, hr=78, sbp=124)
        hot = normal(20, temp="39.0", hr=118)
        assert "VIT-10" in fired(screened(*facts, hot, baseline={"hr": 100}))
        low = normal(20, sbp=94)
        assert "VIT-06" in fired(screened(*facts, low, baseline={"sbp": 100}))

    def test_a_unit_nobody_identified_is_an_episode_of_its_own(self) -> None:
        facts = *earlier_unit(-120, -20), self.FIRST, self.NOW
        running = a_running(unit_case(facts, baseline={"temp": "37.4"}))
        unnamed = replace(running, unit=replace(running.unit, key=None))
        assert fired(reaction.screen(unnamed)) == {"VIT-02": "watch"}

    def test_a_unit_started_later_changes_nothing(self) -> None:
        facts = *earlier_unit(60, None), self.NOW
        assert fired(screened(*facts, baseline={"temp": "37.4"})) == {"VIT-02": "watch"}


class TestEveryUnitInTheWindow:
    """Every reading of the patient whose effective time lies in the unit's window counts;
    ``partOf`` never narrows screening (design: Vitals)."""

    def test_a_reading_filed_under_another_unit_counts(self) -> None:
        filed = normal(20, temp="38.0")
        other = Ref(kind="Procedure", id="of-another-unit")
        filed = replace(filed, body=replace(filed.body, part_of=(other,)))
        assert fired(screened(filed, baseline={"temp": "37.0"})) == {"VIT-01": "pause"}

    def test_it_counts_for_each_unit_that_runs(self) -> None:
        case = unit_case((*earlier_unit(-30, None), sign("chills", 20)))
        for view in case.units.values():
            started = view.started
            assert started is not None
            running = replace(a_running(unit_case(())), case=case, unit=view, start=started)
            assert fired(reaction.screen(running)) == {"VIT-04": "stop"}

    def test_another_patients_reading_does_not(self) -> None:
        stranger = replace(sign("chills", 20), subject=Ref(kind="Patient", id="p2"))
        assert fired(screened(stranger)) == {}


class TestTemperature:
    """Same site only; both entered in one unit = Δ in that unit; round to 0.1 °C before
    comparison; compare inclusive."""

    def test_another_site_is_unknown_and_watched(self) -> None:
        facts = vitals(-2, temp="36.5", site="oral"), vitals(20, temp="38.0", site="ear")
        screen = screened(*facts, baseline=None)
        assert unknown(screen)["VIT-01"] == ("temperature at the site of the baseline",)
        assert fired(screen) == {"VIT-02": "watch"}

    def test_an_unsaid_site_is_not_taken_to_be_the_same(self) -> None:
        facts = vitals(-2, temp="36.5", site="oral"), vitals(20, temp="37.0")
        assert "VIT-03" in unknown(screened(*facts, baseline=None))

    def test_with_two_sites_at_baseline_each_is_compared_with_its_own(self) -> None:
        before = vitals(-4, temp="36.2", site="ear"), vitals(-2, temp="37.3", site="oral")
        now = vitals(20, temp="38.0", site="oral")
        assert fired(screened(*before, now, baseline=None)) == {"VIT-02": "watch"}

    def test_a_fever_at_any_site_is_a_febrile_baseline(self) -> None:
        facts = (
            vitals(-4, temp="38.2", site="oral"),
            vitals(-2, temp="37.5", site="ear"),
            vitals(20, temp="39.2", site="oral"),
        )
        assert "VIT-03" not in fired(screened(*facts, baseline=None))

    def test_it_is_known_again_once_measured_at_the_same_site(self) -> None:
        facts = (
            vitals(-2, temp="36.8", site="oral"),
            normal(20),
            vitals(30, temp="36.9", site="oral"),
        )
        assert "VIT-03" not in unknown(screened(*facts, baseline=None))

    def test_fahrenheit_is_subtracted_in_fahrenheit(self) -> None:
        """1.0 °C = 1.8 °F; 98.3 to 100.0 °F is 1.7 °F, but 1.0 °C when each is rounded."""
        apart = screened(fahrenheit(-2, "98.3"), fahrenheit(20, "100.0"), baseline=None)
        assert "VIT-02" not in fired(apart)
        enough = screened(fahrenheit(-2, "98.2"), fahrenheit(20, "100.0"), baseline=None)
        assert fired(enough) == {"VIT-02": "watch"}

    def test_a_fahrenheit_fever_is_the_same_fever(self) -> None:
        screen = screened(fahrenheit(-2, "98.6"), fahrenheit(20, "100.4"), baseline=None)
        assert fired(screen) == {"VIT-01": "pause"}
        assert finding(screen, "VIT-01").shown[0] == ("temperature", "38.0 °C")

    def test_mixed_units_are_compared_in_celsius(self) -> None:
        screen = screened(fahrenheit(-2, "98.6"), vitals(20, temp="38.0"), baseline=None)
        assert fired(screen) == {"VIT-01": "pause"}

    @pytest.mark.parametrize(
        ("before", "now", "rule"),
        [("37.0", "37.95", "VIT-01"), ("37.0", "37.94", None), ("36.95", "37.99", "VIT-01")],
    )
    def test_rounding_comes_before_comparison(
        self, before: str, now: str, rule: str | None
    ) -> None:
        screen = screened(normal(20, temp=now), baseline={"temp": before})
        assert set(fired(screen)) == ({rule} if rule else set())


class TestDifferentValuesForOneMoment:
    """Same patient, code and time, different values: keep both, use the worse, raise it."""

    def test_the_worse_is_used_and_the_difference_is_raised(self) -> None:
        facts = normal(20, temp="36.9"), vitals(20, temp="38.4")
        screen = screened(*facts)
        assert fired(screen)["VIT-03"] == "stop"
        raised = finding(screen, "VIT-17")
        assert raised.reason == "values-differ"
        assert {value for _, value in raised.shown} == {"36.9 °C", "38.4 °C"}

    def test_two_baselines_of_one_moment_give_the_larger_rise(self) -> None:
        facts = vitals(-2, temp="37.4"), vitals(-2, temp="36.9"), normal(20, temp="38.0")
        screen = screened(*facts)
        assert fired(screen)["VIT-01"] == "pause"
        assert fired(screen)["VIT-17"] == "watch"

    def test_equal_values_after_rounding_are_one(self) -> None:
        screen = screened(normal(20, temp="36.9"), vitals(20, temp="36.94"))
        assert fired(screen) == {}

    def test_another_site_is_another_measurement(self) -> None:
        facts = vitals(20, temp="36.8", hr=78, sbp=124), vitals(20, temp="37.1", site="ear")
        assert "values-differ" not in [f.reason for f in screened(*facts).findings]

    def test_the_rule_may_be_off(self) -> None:
        off = with_rows(rules={"VIT-17": {"on_failure": "off", "when_missing": "watch"}})
        screen = screened(normal(20, temp="36.9"), vitals(20, temp="37.2"), policy=off)
        assert fired(screen) == {}


class TestMonitors:
    """Device-sourced values need two readings ≥ 1 min apart (symptoms and clinician-entered
    values do not). (D)"""

    def test_one_value_does_not_advise(self) -> None:
        screen = screened(vitals(20, device=True, sbp=78))
        assert (fired(screen), screen.grade) == ({}, None)

    @pytest.mark.parametrize(("minutes", "rules"), [(21, {"VIT-05"}), (20.9, set())])
    def test_two_a_minute_apart_do(self, minutes: float, rules: set[str]) -> None:
        pair = vitals(20, device=True, sbp=78), vitals(minutes, device=True, sbp=79)
        assert set(fired(screened(*pair))) == rules

    def test_a_clinicians_value_needs_no_second(self) -> None:
        assert set(fired(screened(vitals(20, sbp=78)))) == {"VIT-05"}

    def test_a_clinicians_value_confirms_a_monitors(self) -> None:
        pair = vitals(20, sbp=98, temp="36.8", hr=78), vitals(22, device=True, sbp=92)
        assert fired(screened(*pair, baseline={"sbp": 124})) == {}
        pair = vitals(20, sbp=90, temp="36.8", hr=78), vitals(22, device=True, sbp=88)
        assert fired(screened(*pair)) == {"VIT-06": "pause"}

    def test_each_has_to_be_as_bad(self) -> None:
        pair = vitals(20, device=True, sbp=90), vitals(25, device=True, sbp=78)
        assert "VIT-05" not in fired(screened(*pair))

    def test_a_spike_is_forgotten_after_fifteen_minutes_of_normal(self) -> None:
        calm = [vitals(minute, device=True, sbp=124) for minute in range(21, 36)]
        spikes = vitals(20, device=True, sbp=78), vitals(36, device=True, sbp=78)
        assert fired(screened(*calm, *spikes)) == {}
        sooner = vitals(20, device=True, sbp=78), vitals(35.9, device=True, sbp=78)
        assert "VIT-05" in fired(screened(*calm, *sooner))

    def test_what_cannot_be_compared_and_shows_nothing_counts_as_normal(self) -> None:
        calm = [vitals(minute, device=True, temp="36.8") for minute in range(21, 36)]
        spikes = vitals(20, device=True, temp="38.6"), vitals(36, device=True, temp="38.6")
        assert fired(screened(*calm, *spikes, baseline=None)) == {}
        assert "VIT-02" in fired(screened(*calm[5:], *spikes, baseline=None))

    def test_a_gap_without_readings_is_not_normal(self) -> None:
        pair = vitals(20, device=True, sbp=78), vitals(50, device=True, sbp=78)
        assert "VIT-05" in fired(screened(*pair))


class TestOneFindingPerRule:
    """One finding per rule per episode, updated not repeated; re-armed after 15 min normal. (D)"""

    def hot(self, minute: float, name: str) -> Fact[Vitals]:
        return vitals(minute, name=f"Observation/{name}", temp="38.0", hr=78, sbp=124)

    def facts_of(self, *facts: Fact[Any]) -> tuple[str, ...]:
        found = finding(screened(*facts, baseline={"temp": "37.0"}), "VIT-01")
        return tuple(name for name in found.facts if name != "Observation/v0")

    def test_it_rests_on_the_first_set_of_the_run(self) -> None:
        facts = [self.hot(minute, f"m{minute}") for minute in (20, 30, 60, 90)]
        assert self.facts_of(*facts) == ("Observation/m20",)

    def test_after_fifteen_minutes_of_normal_it_is_a_new_run(self) -> None:
        facts = self.hot(20, "m20"), normal(30), normal(45), self.hot(46, "m46")
        assert self.facts_of(*facts) == ("Observation/m46",)

    def test_after_less_it_is_not(self) -> None:
        facts = self.hot(20, "m20"), normal(30), self.hot(44, "m44")
        assert self.facts_of(*facts) == ("Observation/m20",)

    def test_a_value_between_fever_and_normal_does_not_rearm(self) -> None:
        facts = self.hot(20, "m20"), normal(30, temp="38.0"), self.hot(60, "m60")
        assert self.facts_of(*facts) == ("Observation/m20",)

    def test_a_denied_sign_rearms(self) -> None:
        facts = (
            sign("chills", 20, name="Observation/s20"),
            sign("chills", 30, present=False),
            sign("chills", 46, name="Observation/s46"),
        )
        assert finding(screened(*facts), "VIT-04").facts == ("Observation/s46",)
        assert finding(screened(*facts[:2]), "VIT-04").facts == ("Observation/s20",)

    def test_a_graver_earlier_run_is_not_replaced_by_a_milder_one(self) -> None:
        child = {"born": "2015-01-01", "baseline": {"sbp": 100, "dbp": None}}
        facts = (
            normal(20, sbp=70, dbp=None),
            *(normal(minute, sbp=100, dbp=None) for minute in (30, 45)),
            normal(60, sbp=78, dbp=None),
        )
        assert fired(screened(*facts, **child)) == {"VIT-07": "stop"}

    def test_two_ways_of_one_rule_are_one_finding(self) -> None:
        screen = screened(sign("dyspnoea", 20), normal(22, spo2=88))
        found = finding(screen, "VIT-11")
        assert [name for name, _ in found.shown[:2]] == ["sign", "oxygen saturation"]

    def test_the_later_milder_rule_gives_way_to_the_graver_one(self) -> None:
        facts = normal(20, temp="37.6"), normal(40, temp="38.0")
        assert fired(screened(*facts, baseline={"temp": "36.6"})) == {"VIT-01": "pause"}


class TestMaskedSettings:
    """Theatre, critical care: VIT findings are notes; advice only from what a clinician
    reports. (D)"""

    @pytest.mark.parametrize("setting", ["theatre", "critical-care"])
    def test_readings_give_notes(self, setting: str) -> None:
        screen = screened(placed(setting), normal(20, sbp=78))
        assert fired(screen) == {"VIT-05": "note"}
        assert (screen.grade, advice(screen)) == (None, "continue")

    def test_what_a_clinician_reports_still_advises(self) -> None:
        screen = screened(placed("theatre"), sign("urticaria", 20), normal(20, sbp=78))
        assert fired(screen) == {"VIT-05": "note", "VIT-13": "pause", "VIT-14": "note"}
        assert screen.grade == "pause"

    def test_a_report_of_a_reaction_still_advises(self) -> None:
        assert fired(screened(placed("theatre"), report(20))) == {"ACT-01": "stop"}

    def test_a_trigger_that_later_rests_on_signs_alone_advises(self) -> None:
        facts = placed("theatre"), normal(20, sbp=78), sign("syncope", 20), sign("stridor", 40)
        assert fired(screened(*facts))["VIT-14"] == "stop"

    def test_what_is_unknown_is_a_note(self) -> None:
        screen = screened(placed("theatre"), vitals(20, temp="38.4"), baseline={"temp": None})
        assert set(unknown(screen)) == {"VIT-01", "VIT-03", "VIT-09", "VIT-10", "VIT-17"}
        assert advice(screen) == "continue"

    def test_the_early_warning_score_too(self) -> None:
        now = vitals(20, on_air=True, rr=30, spo2=98, temp="36.8", hr=78, sbp=124, awake=0)
        screen = screened(placed("theatre"), now, policy=with_rows({"news2": True}))
        assert fired(screen) == {"VIT-16": "note"}

    def test_the_latest_place_counts(self) -> None:
        facts = placed("theatre", -60), placed("ward", 10)
        assert fired(screened(*facts, normal(20, sbp=78))) == {"VIT-05": "stop"}
        assert fired(screened(*facts, normal(5, sbp=78))) == {"VIT-05": "note"}
        assert fired(screened(*facts, normal(10, sbp=78))) == {"VIT-05": "stop"}

    def test_a_place_without_a_setting_says_nothing(self) -> None:
        nowhere = fact(EncounterRecord(start=at(after(5))), key("Encounter"))
        screen = screened(placed("theatre", -60), nowhere, normal(20, sbp=78))
        assert fired(screen) == {"VIT-05": "note"}

    def test_an_unclear_place_masks_nothing(self) -> None:
        facts = placed("theatre"), placed("ward")
        assert fired(screened(*facts, normal(20, sbp=78))) == {"VIT-05": "stop"}

    def test_other_places_mask_nothing(self) -> None:
        assert fired(screened(placed("ward", 0), normal(20, sbp=78))) == {"VIT-05": "stop"}


class TestLifeThreateningUrgency:
    """VIT findings resting on a single value become note while urgency is life-threatening
    (rules.md 0)."""

    BLEED = step(StepCode.DECLARE_EMERGENCY, -20)

    def test_a_single_value_is_a_note(self) -> None:
        screen = screened(self.BLEED, normal(20, sbp=78))
        assert fired(screen) == {"VIT-05": "note"}
        assert screen.grade is None

    def test_a_second_one_advises(self) -> None:
        screen = screened(self.BLEED, normal(20, sbp=78), normal(35, sbp=76))
        assert fired(screen) == {"VIT-05": "stop"}

    def test_two_things_in_one_set_advise(self) -> None:
        screen = screened(self.BLEED, sign("urticaria", 20), sign("syncope", 20))
        assert fired(screen)["VIT-14"] == "stop"

    def test_after_the_emergency_a_single_value_advises_again(self) -> None:
        facts = self.BLEED, step(StepCode.END_EMERGENCY, 10), normal(20, sbp=78)
        assert fired(screened(*facts)) == {"VIT-05": "stop"}

    def test_an_advising_run_before_it_is_not_lost(self) -> None:
        facts = (
            normal(20, sbp=78),
            normal(30),
            normal(45),
            step(StepCode.DECLARE_EMERGENCY, 50),
            normal(60, sbp=78),
        )
        assert fired(screened(*facts)) == {"VIT-05": "stop"}

    def test_the_site_may_choose_another_word(self) -> None:
        policy = with_rows({"emergency-single-value-as": "watch"})
        screen = screened(self.BLEED, normal(20, sbp=78), policy=policy)
        assert fired(screen) == {"VIT-05": "watch"}

    def test_missing_values_are_notes(self) -> None:
        screen = screened(self.BLEED, vitals(20, temp="36.8"))
        found = finding(screen, "VIT-17")
        assert (found.advice, found.verdict) == (None, Verdict.NOTE)

    def test_a_single_value_is_called_a_note(self) -> None:
        found = finding(screened(self.BLEED, normal(20, sbp=78)), "VIT-05")
        assert (found.advice, found.verdict, found.known) == (None, Verdict.NOTE, True)


class TestNotes:
    """A note is also a running finding that gives no advice (rules.md 0)."""

    def test_in_theatre_a_vital_sign_is_called_a_note(self) -> None:
        found = finding(screened(placed("theatre"), normal(20, sbp=78)), "VIT-05")
        assert (found.advice, found.verdict) == (None, Verdict.NOTE)

    def test_what_advises_has_no_verdict_beside_it(self) -> None:
        facts = normal(20, sbp=78), vitals(40, temp="36.8"), report(40)
        screen = screened(*facts)
        assert {"VIT-05", "VIT-17", "ACT-01"} <= {one.rule for one in screen.findings}
        assert {one.verdict for one in screen.findings if one.advice is not None} == {None}

    def test_a_suspicion_that_was_dismissed_is_a_note(self) -> None:
        facts = report(20), step(StepCode.DISMISS_REACTION, 30)
        found = finding(screened(*facts), "ACT-01")
        assert (found.advice, found.verdict) == (None, Verdict.NOTE)


class TestWhatIsShown:
    """The same facts in any order of arrival say the same (design: section 3.2): what is shown is
    ordered by time, then by what was measured, never by the ids that were given on arrival."""

    @pytest.mark.parametrize("ids", [("a", "b"), ("b", "a")])
    def test_beside_a_trigger(self, ids: tuple[str, str]) -> None:
        first, second = (f"Observation/{one}" for one in ids)
        facts = vitals(20, name=first, sbp=160), sign("dyspnoea", 20, name=second)
        shown = finding(screened(*facts), "VIT-12").shown
        assert shown[:2] == (("systolic pressure", "160 mmHg"), ("sign", "dyspnoea"))

    @pytest.mark.parametrize("ids", [("a", "b"), ("b", "a")])
    def test_two_signs_of_one_moment(self, ids: tuple[str, str]) -> None:
        first, second = (f"Observation/{one}" for one in ids)
        facts = sign("urticaria", 20, name=first), sign("rash", 20, name=second)
        assert finding(screened(*facts), "VIT-13").shown == (
            ("sign", "rash"),
            ("sign", "urticaria"),
        )

    @pytest.mark.parametrize("ids", [("a", "b"), ("b", "a")])
    def test_values_that_contradict_each_other(self, ids: tuple[str, str]) -> None:
        first, second = (f"Observation/{one}" for one in ids)
        facts = (
            normal(20, sbp=None),
            vitals(20, name=first, sbp=124),
            vitals(20, name=second, sbp=118),
        )
        assert finding(screened(*facts), "VIT-17").shown == (
            ("systolic pressure", "118 mmHg"),
            ("systolic pressure", "124 mmHg"),
        )

    @pytest.mark.parametrize("ids", [("a", "b"), ("b", "a")])
    def test_baselines_of_two_sites(self, ids: tuple[str, str]) -> None:
        first, second = (f"Observation/{one}" for one in ids)
        before = (
            vitals(-5, name=first, temp="36.5", site="oral"),
            vitals(-5, name=second, temp="36.9", site="ear"),
        )
        screen = screened(*before, normal(20, temp="38.6"), baseline={"temp": None})
        assert [text for label, text in finding(screen, "VIT-02").shown if "base" in label] == [
            "36.5 °C",
            "36.9 °C",
        ]


class TestTimes:
    """A member's own time beats the panel's; a time too coarse for a rule makes it unknown
    (design: sections 3 and 4)."""

    def unusable(self, when: Moment | None, **body: Any) -> Fact[Vitals]:
        lost = Unusable(vital=Vital.TEMPERATURE, at=when, reason="absent: refused")
        return fact(Vitals(unusable=(lost,), **body), key())

    def test_a_refused_temperature_is_missing_and_says_why(self) -> None:
        facts = vitals(20, hr=78, sbp=124), self.unusable(at(after(21)))
        assert unknown(screened(*facts)) == {"VIT-17": ("temperature (absent: refused)",)}

    def test_a_member_without_a_time_has_its_panels(self) -> None:
        member = self.unusable(None)
        panel = Vitals(members=(Ref(kind="Observation", id=member.key[12:]),), at=at(after(20)))
        screen = screened(vitals(20, hr=78, sbp=124), member, fact(panel, key()))
        assert unknown(screen) == {"VIT-17": ("temperature (absent: refused)",)}

    def test_a_members_own_time_beats_it(self) -> None:
        member = self.unusable(at(after(-30)))
        panel = Vitals(members=(Ref(kind="Observation", id=member.key[12:]),), at=at(after(20)))
        assert unknown(screened(normal(20), member, fact(panel, key()))) == {}

    def test_a_panel_known_only_by_number_or_without_time_gives_none(self) -> None:
        outside = Ref(kind="Observation", identifier=Identifier("urn:x", "1"))
        panels = (
            fact(Vitals(members=(outside,), at=at(after(20))), key()),
            fact(Vitals(members=(outside,)), key()),
        )
        assert unknown(screened(*panels, normal(20))) == {}

    @pytest.mark.parametrize("text", ["2025-06-02", "2025-06", "2025", ""])
    def test_a_reading_that_may_lie_in_the_window_is_unknown(self, text: str) -> None:
        hot = a_reading(Vital.TEMPERATURE, "39.5", START_AT, at=Moment(text=text))
        screen = screened(fact(Vitals(readings=(hot,)), "Observation/coarse"))
        found = finding(screen, "VIT-17")
        assert (found.reason, found.facts) == ("time-too-coarse", ("Observation/coarse",))
        assert fired(screen) == {}

    @pytest.mark.parametrize("text", ["2025-06-01", "2025-05", "2024"])
    def test_one_that_certainly_lies_before_it_is_not(self, text: str) -> None:
        hot = a_reading(Vital.TEMPERATURE, "39.5", START_AT, at=Moment(text=text))
        assert unknown(screened(fact(Vitals(readings=(hot,)), key()))) == {}

    @pytest.mark.parametrize(("text", "rules"), [("2025-06-03", ["VIT-17"]), ("2025-06-04", [])])
    def test_nor_one_after_it(self, text: str, rules: list[str]) -> None:
        coarse = fact(Sign(sign="chills", at=Moment(text=text)), key())
        assert sorted(unknown(screened(coarse, ended=115))) == rules

    def test_a_sign_without_a_time_is_unknown_and_a_denial_is_nothing(self) -> None:
        assert sorted(unknown(screened(fact(Sign(sign="chills"), key())))) == ["VIT-17"]
        assert unknown(screened(fact(Sign(sign="chills", present=False), key()))) == {}

    def test_a_measurement_without_any_time_is_unknown(self) -> None:
        assert finding(screened(self.unusable(None)), "VIT-17").reason == "time-too-coarse"

    def test_signs_count_from_the_very_start(self) -> None:
        assert fired(screened(sign("chills", 0))) == {"VIT-04": "stop"}
        assert fired(screened(sign("chills", -0.1))) == {}

    def test_a_report_counts_even_where_its_onset_is_put_before_the_start(self) -> None:
        assert fired(screened(report(20, "chills", onset=at(after(-5)))))["VIT-04"] == "stop"

    def test_a_report_counts_from_its_onset(self) -> None:
        screen = screened(report(40, "chills", onset=at(after(20))))
        assert screen.onset_at == after(20)


class TestTheWardsAnswer:
    """dismiss-reaction: dismissed = refuted (ACT-21); it answers what came before."""

    def dismiss(self, minutes: float, **inputs: Any) -> Fact[Any]:
        return step(StepCode.DISMISS_REACTION, minutes, **inputs)

    def test_what_came_before_is_a_note_without_an_onset(self) -> None:
        screen = screened(sign("chills", 20), self.dismiss(30))
        assert fired(screen) == {"VIT-04": "note"}
        assert (screen.grade, screen.onset) == (None, None)

    def test_what_comes_after_advises_anew(self) -> None:
        facts = sign("chills", 20), self.dismiss(30), sign("chills", 31, name="Observation/new")
        screen = screened(*facts)
        assert fired(screen) == {"VIT-04": "stop"}
        assert (screen.onset, screen.onset_at) == ("Observation/new", after(31))

    @pytest.mark.parametrize(("minutes", "said"), [(45, "note"), (45.1, "stop")])
    def test_the_same_values_echo_for_the_rearm_time(self, minutes: float, said: str) -> None:
        facts = normal(20, sbp=78), self.dismiss(30), normal(minutes, sbp=77)
        assert fired(screened(*facts)) == {"VIT-05": said}

    def test_another_trigger_is_no_echo(self) -> None:
        facts = normal(20, temp="37.9"), self.dismiss(30), normal(35, sbp=77)
        assert fired(screened(*facts))["VIT-05"] == "stop"

    def test_what_could_not_be_told_is_answered_too(self) -> None:
        facts = vitals(20, temp="38.4", hr=78, sbp=124), self.dismiss(30)
        screen = screened(*facts, baseline={"temp": None})
        assert unknown(screen) == {}

    def test_the_score_is_answered_too(self) -> None:
        bad = vitals(20, on_air=True, rr=30, spo2=98, temp="36.8", hr=78, sbp=124, awake=0)
        policy = with_rows({"news2": True})
        assert fired(screened(bad, self.dismiss(30), policy=policy)) == {"VIT-16": "note"}
        assert fired(screened(bad, self.dismiss(20), policy=policy)) == {"VIT-16": "note"}
        assert fired(screened(bad, self.dismiss(19), policy=policy)) == {"VIT-16": "watch"}

    def test_a_report_is_answered_too(self) -> None:
        assert fired(screened(report(20), self.dismiss(30))) == {"ACT-01": "note"}
        assert fired(screened(report(20), self.dismiss(30), report(40))) == {"ACT-01": "stop"}

    def test_it_may_name_the_notice(self) -> None:
        mine = Identifier("urn:notice", f"event/{UNIT.key.text}/1/reaction/")  # type: ignore[union-attr]
        other = Identifier("urn:notice", "event/A999925999999/E0398/000000/1/reaction/")
        assert fired(screened(sign("chills", 20), self.dismiss(30, notice=mine))) == {
            "VIT-04": "note"
        }
        assert fired(screened(sign("chills", 20), self.dismiss(30, notice=other))) == {
            "VIT-04": "stop"
        }

    def test_one_about_a_unit_of_another_episode_answers_nothing(self) -> None:
        facts = *earlier_unit(-9000, -8000), self.dismiss(30, unit=EARLIER)
        assert fired(screened(*facts, sign("chills", 20))) == {"VIT-04": "stop"}

    def test_one_about_no_unit_answers(self) -> None:
        screen = screened(sign("chills", 20), self.dismiss(30, unit=UnitRef()))
        assert fired(screen) == {"VIT-04": "note"}


class TestGradeAndOnset:
    """Stop-grade or clinician-suspected: notice at once; pause-grade: the ward is asked
    (ACT-05)."""

    def test_the_gravest_trigger_gives_grade_and_onset(self) -> None:
        facts = sign("urticaria", 20), sign("chills", 40, name="Observation/c"), sign("rigors", 50)
        screen = screened(*facts)
        assert (screen.grade, screen.onset) == ("stop", "Observation/c")
        assert screen.onset_at == after(40)

    def test_the_onset_stays_when_it_fires_again(self) -> None:
        facts = (
            vitals(20, name="Observation/a", temp="38.0", hr=78, sbp=124),
            normal(30),
            normal(45),
            vitals(60, temp="38.0", hr=78, sbp=124),
        )
        screen = screened(*facts, baseline={"temp": "37.0"})
        assert (screen.grade, screen.onset) == ("pause", "Observation/a")

    def test_watching_has_no_grade(self) -> None:
        assert screened(normal(20, temp="37.9")).grade is None

    def test_a_low_saturation_without_a_baseline_is_pause_grade(self) -> None:
        assert screened(normal(20, spo2=88), baseline={"spo2": None}).grade == "pause"

    def test_the_onset_is_the_fact_that_completed_the_trigger(self) -> None:
        facts = (
            sign("urticaria", 20, name="Observation/a"),
            sign("syncope", 30, name="Observation/b"),
        )
        assert screened(*facts).onset == "Observation/b"


class TestBaselineAndWorstForTheNotice:
    """It carries baseline and worst vitals (design: section 5, reaction notice)."""

    def worst(self, *facts: Fact[Any]) -> dict[str, str]:
        return {r.vital.value: str(r.value) for r in screened(*facts).worst}

    def test_the_worst_of_each_vital_since_the_start(self) -> None:
        facts = normal(20, temp="38.1", spo2=96), normal(40, hr=130, sbp=99, spo2=91, dbp=60)
        assert self.worst(vitals(-9, temp="39.9"), *facts) == {
            "temperature": "38.1",
            "heart_rate": "130",
            "systolic": "99",
            "diastolic": "60",
            "saturation": "91",
        }

    def pressures(self, *facts: Fact[Any]) -> list[str]:
        return [str(r.value) for r in screened(*facts).worst if r.vital is Vital.SYSTOLIC]

    def test_a_rise_in_pressure_that_led_to_the_notice_is_the_worst(self) -> None:
        """VIT-12 is of a rise; ACT-11: the report tells the vitals within and after [S70][S38]."""
        facts = normal(20, sbp=124), normal(40, sbp=160), sign("dyspnoea", 40), normal(60, sbp=156)
        assert finding(screened(*facts), "VIT-12").shown[0] == ("systolic pressure", "160 mmHg")
        assert self.pressures(*facts) == ["160"]

    def test_a_rise_and_a_fall_are_both_told(self) -> None:
        assert self.pressures(normal(20, sbp=160), normal(40, sbp=78)) == ["78", "160"]

    def test_without_a_rise_the_lowest_pressure_is_the_worst(self) -> None:
        assert self.pressures(normal(20, sbp=150), normal(40, sbp=118)) == ["118"]

    def test_the_baseline_is_the_last_set_before(self) -> None:
        screen = screened(normal(20), vitals(-2, temp="37.1"))
        values = {r.vital: str(r.value) for r in screen.baseline}
        assert values[Vital.TEMPERATURE] == "37.1"
        assert values[Vital.HEART_RATE] == "78"

    def test_signs_are_those_reported_in_the_window(self) -> None:
        screen = screened(sign("rash", -5), sign("chills", 20), report(30, "dyspnoea"))
        assert screen.signs == ("chills", "dyspnoea")


class TestCorrection:
    """A corrected reading is simply another fact."""

    def test_a_trigger_whose_value_was_corrected_is_gone(self) -> None:
        wrong = vitals(20, name="Observation/w", temp="39.8", hr=78, sbp=124)
        right = replace(
            vitals(20, name="Observation/w", temp="36.8", hr=78, sbp=124),
            version=2,
            received=wrong.received + timedelta(minutes=1),
        )
        assert fired(screened(wrong))
        assert fired(screened(wrong, right)) == {}

    def test_a_retracted_sign_is_gone(self) -> None:
        said = sign("chills", 20)
        gone = replace(said, version=2, retracted=True, received=said.received + timedelta(hours=1))
        assert fired(screened(said, gone)) == {}


class TestFindingsThatOnlyInform:
    """None of it says safe: a screen without triggers says nothing at all."""

    def test_a_normal_course_has_no_findings(self) -> None:
        screen = screened(normal(15), normal(75), normal(120), ended=115)
        assert (screen.findings, screen.candidates, screen.grade) == ((), (), None)
        assert screen.not_excluded == screen.excluded == ()

    def test_advice_is_never_pause_or_stop_once_the_bag_is_down(self) -> None:
        screen = screened(sign("chills", 20), normal(30, sbp=78), ended=115)
        given = {f.advice for f in screen.findings}
        assert given.isdisjoint({Advice.PAUSE, Advice.STOP})
