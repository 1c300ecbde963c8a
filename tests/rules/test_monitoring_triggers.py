"""VIT-01 to VIT-17: each trigger at its threshold and one step beside it (rules.md 5.1)."""

import pytest

from service.facts.finding import Advice, Stage
from tests.support.bedside import (
    advice,
    finding,
    fired,
    normal,
    report,
    screened,
    sign,
    unknown,
    vitals,
)
from tests.support.policies import profile, with_rows


def at_temperature(before: str, now: str) -> dict[str, str]:
    return fired(screened(normal(20, temp=now), baseline={"temp": before}))


class TestVit01:
    """T ≥ 38.0 and ΔT ≥ 1.0: pause [S63]; BSH "stop and check" [S68][S69]."""

    def test_both_at_the_limit(self) -> None:
        assert at_temperature("37.0", "38.0") == {"VIT-01": "pause"}

    @pytest.mark.parametrize(("before", "now"), [("36.9", "37.9"), ("37.1", "38.0")])
    def test_one_step_below_either_limit_is_no_pause(self, before: str, now: str) -> None:
        assert "VIT-01" not in at_temperature(before, now)

    def test_missing_the_rise_it_is_unknown_and_watched(self) -> None:
        screen = screened(normal(20, temp="38.2"), baseline={"temp": None})
        assert unknown(screen)["VIT-01"] == ("baseline temperature",)
        assert advice(screen) == "watch"

    def test_it_rests_on_the_reading_and_its_baseline_and_cites_the_rows(self) -> None:
        found = finding(
            screened(vitals(20, name="Observation/hot", temp="38.0"), baseline={"temp": "37.0"}),
            "VIT-01",
        )
        assert found.facts == ("Observation/hot", "Observation/v0")
        assert [cited.row for cited in found.cited] == ["VIT-01", "fever", "fever-rise"]
        assert found.shown == (("temperature", "38.0 °C"), ("baseline temperature", "37.0 °C"))
        assert "38" not in found.text


class TestVit02:
    """Exactly one of {T ≥ 38.0, ΔT ≥ 1.0}: watch [S48] against [S63]."""

    @pytest.mark.parametrize(("before", "now"), [("37.1", "38.0"), ("36.5", "37.5")])
    def test_either_alone_is_watched(self, before: str, now: str) -> None:
        assert at_temperature(before, now) == {"VIT-02": "watch"}

    @pytest.mark.parametrize(("before", "now"), [("37.0", "37.9"), ("37.0", "38.0")])
    def test_neither_or_both_is_not_this_rule(self, before: str, now: str) -> None:
        assert "VIT-02" not in at_temperature(before, now)

    def test_fever_that_is_only_said_is_watched(self) -> None:
        assert fired(screened(normal(20), sign("fever", 20))) == {"VIT-02": "watch"}


class TestVit03:
    """ΔT ≥ 1.5 (au, nz, default) or ≥ 2.0 (uk), or T ≥ 39.0 and ΔT ≥ 1.0: stop [S38][S48][S63]."""

    def test_the_default_stops_at_one_and_a_half(self) -> None:
        assert at_temperature("36.5", "38.0")["VIT-03"] == "stop"
        assert "VIT-03" not in at_temperature("36.6", "38.0")

    def test_the_uk_profile_stops_at_two(self) -> None:
        def fires(now: str) -> bool:
            screen = screened(normal(20, temp=now), baseline={"temp": "36.5"}, policy=profile("uk"))
            return "VIT-03" in fired(screen)

        assert not fires("38.4")
        assert fires("38.5")

    def test_thirty_nine_needs_a_rise_of_one(self) -> None:
        assert at_temperature("37.9", "39.0")["VIT-03"] == "stop"
        assert "VIT-03" not in at_temperature("37.9", "38.9")

    def test_from_a_febrile_baseline_only_the_rise_counts(self) -> None:
        """Baseline ≥ 38.0: the rise only, otherwise watch once (D)."""
        assert at_temperature("38.0", "39.0") == {"VIT-01": "pause"}
        assert at_temperature("38.0", "39.5")["VIT-03"] == "stop"
        assert at_temperature("38.6", "39.4") == {"VIT-02": "watch"}


class TestVit04:
    """Chills or rigors at any temperature: stop; off when missing [S63][S38]."""

    @pytest.mark.parametrize("word", ["chills", "rigors"])
    def test_they_stop(self, word: str) -> None:
        assert fired(screened(normal(20), sign(word, 20)))["VIT-04"] == "stop"

    def test_a_denial_does_not(self) -> None:
        assert fired(screened(normal(20), sign("chills", 20, present=False))) == {}

    def test_a_report_of_a_suspected_reaction_carries_signs_too(self) -> None:
        assert fired(screened(report(20, "chills")))["VIT-04"] == "stop"


def pressure(before: int | None, now: int, *, born: str | None = "1980-01-01") -> dict[str, str]:
    screen = screened(
        normal(20, sbp=now, dbp=None), baseline={"sbp": before, "dbp": None}, born=born
    )
    return fired(screen)


class TestVit05:
    """Adult: SBP drop ≥ 30 and SBP ≤ 80: stop [S56][S57]."""

    def test_both_at_the_limit(self) -> None:
        assert pressure(110, 80)["VIT-05"] == "stop"

    @pytest.mark.parametrize(("before", "now"), [(109, 80), (111, 81)])
    def test_one_step_beside_either_is_only_an_early_warning(self, before: int, now: int) -> None:
        assert pressure(before, now) == {"VIT-06": "pause"}

    def test_without_a_baseline_it_is_unknown(self) -> None:
        screen = screened(normal(20, sbp=78), baseline={"sbp": None})
        assert unknown(screen)["VIT-05"] == ("baseline systolic pressure",)
        assert advice(screen) == "watch"

    def test_it_does_not_need_the_age_where_every_band_would_stop(self) -> None:
        assert pressure(120, 78, born=None)["VIT-05"] == "stop"

    def test_the_age_is_needed_where_another_policy_makes_the_bands_differ(self) -> None:
        screen = screened(
            normal(20, sbp=80),
            baseline={"sbp": 120},
            born=None,
            policy=with_rows({"child-drop": 50, "child-drop-watch": 45}),
        )
        assert unknown(screen)["VIT-05"] == ("birth date",)


class TestVit06:
    """Adult, VIT-05 not met: drop ≥ 30, or ≤ 90 with drop ≥ 15, or the first ≤ 90 from > 90 (D)."""

    @pytest.mark.parametrize(
        ("before", "now"), [(130, 100), (100, 85), (90, 75), (91, 90), (105, 90), (95, 88)]
    )
    def test_each_way_pauses(self, before: int, now: int) -> None:
        assert pressure(before, now) == {"VIT-06": "pause"}

    @pytest.mark.parametrize(("before", "now"), [(129, 100), (90, 76), (92, 91), (120, 120)])
    def test_one_step_beside_it_does_not(self, before: int, now: int) -> None:
        assert pressure(before, now) == {}


class TestVit07:
    """1 to < 18 y: SBP drop > 25 %: stop; 20 to 25 % inclusive: watch (D) [S56]."""

    @pytest.mark.parametrize(("now", "said"), [(74, "stop"), (75, "watch"), (80, "watch")])
    def test_the_shares(self, now: int, said: str) -> None:
        assert pressure(100, now, born="2015-01-01") == {"VIT-07": said}

    def test_less_than_a_fifth_is_nothing(self) -> None:
        assert pressure(100, 81, born="2015-01-01") == {}

    def test_adult_limits_do_not_apply(self) -> None:
        assert "VIT-06" not in pressure(100, 85, born="2015-01-01")

    @pytest.mark.parametrize(("born", "rule"), [("2007-06-03", "VIT-07"), ("2007-06-02", "VIT-05")])
    def test_the_eighteenth_birthday_is_the_limit(self, born: str, rule: str) -> None:
        assert pressure(120, 80, born=born)[rule] == "stop"

    def test_without_an_age_it_is_unknown_and_watched(self) -> None:
        screen = screened(normal(20, sbp=92), baseline={"sbp": 120}, born=None)
        assert unknown(screen)["VIT-07"] == ("birth date",)


class TestVit08:
    """< 1 y, or any age < 12 kg: drop > 25 % in whichever pressure is recorded [S56]."""

    @pytest.mark.parametrize("short", ["sbp", "map", "dbp"])
    def test_any_pressure_counts(self, short: str) -> None:
        screen = screened(
            vitals(20, **{short: 44}),
            baseline={short: 60},
            born="2025-01-01",
        )
        assert fired(screen)["VIT-08"] == "stop"

    def test_exactly_a_quarter_does_not(self) -> None:
        screen = screened(vitals(20, map=45), baseline={"map": 60}, born="2025-01-01")
        assert fired(screen) == {}

    @pytest.mark.parametrize(("weight", "rules"), [("11.9", {"VIT-08"}), ("12.0", set())])
    def test_the_weight_decides_at_any_age(self, weight: str, rules: set[str]) -> None:
        screen = screened(
            vitals(-5, weight=weight),
            vitals(20, map=40),
            baseline={"map": 60},
            born="2015-01-01",
        )
        assert set(fired(screen)) == rules

    @pytest.mark.parametrize(("born", "rules"), [("2024-06-03", {"VIT-08"}), ("2024-06-02", set())])
    def test_the_first_birthday_is_the_limit(self, born: str, rules: set[str]) -> None:
        facts = vitals(-5, weight=13), vitals(20, map=40)
        assert set(fired(screened(*facts, baseline={"map": 60}, born=born))) == rules

    def test_a_child_whose_weight_is_not_known_may_be_small(self) -> None:
        screen = screened(vitals(20, map=40), baseline={"map": 60}, born="2015-01-01")
        assert unknown(screen)["VIT-08"] == ("weight",)

    def test_without_a_baseline_it_is_unknown(self) -> None:
        screen = screened(vitals(20, map=40), baseline={"map": None}, born="2025-01-01")
        assert unknown(screen)["VIT-08"] == ("baseline mean pressure",)


class TestVit09:
    """SBP fall ≥ 20 (or diastolic ≥ 20) with fever, pain or dark urine: stop [S59][S67]."""

    @pytest.mark.parametrize("values", [{"sbp": 104}, {"dbp": 56}])
    @pytest.mark.parametrize("word", ["back-pain", "dark-urine", "fever"])
    def test_a_fall_of_either_pressure_with_a_sign(self, values: dict[str, int], word: str) -> None:
        screen = screened(normal(20, **values), sign(word, 20))
        assert fired(screen)["VIT-09"] == "stop"

    def test_a_fall_of_nineteen_does_not(self) -> None:
        screen = screened(normal(20, sbp=105, dbp=57), sign("back-pain", 20))
        assert "VIT-09" not in fired(screen)

    def test_a_measured_fever_counts(self) -> None:
        assert fired(screened(normal(20, temp="38.0", sbp=104)))["VIT-09"] == "stop"

    def test_a_fever_without_the_rise_counts_from_a_normal_baseline(self) -> None:
        screen = screened(normal(20, temp="38.1", sbp=104), baseline={"temp": "37.5"})
        assert fired(screen)["VIT-09"] == "stop"

    def test_a_rise_above_a_fever_that_was_there_counts(self) -> None:
        screen = screened(normal(20, temp="39.1", sbp=104), baseline={"temp": "38.1"})
        assert fired(screen)["VIT-09"] == "stop"

    def test_a_fever_of_unknown_rise_counts_unless_there_was_one_before(self) -> None:
        now = vitals(20, temp="38.4", sbp=104, hr=78, site="ear")
        assert fired(screened(now))["VIT-09"] == "stop"
        assert "VIT-09" in unknown(screened(now, baseline={"temp": "38.1"}))

    def test_a_fever_that_was_there_before_does_not(self) -> None:
        screen = screened(normal(20, temp="38.4", sbp=104), baseline={"temp": "38.1"})
        assert "VIT-09" not in fired(screen)

    def test_a_temperature_of_the_same_set_settles_it(self) -> None:
        facts = vitals(20, temp="36.8", hr=78), vitals(30, sbp=104)
        assert "VIT-09" not in unknown(screened(*facts))
        facts = vitals(20, temp="36.8", hr=78), vitals(30.1, sbp=104)
        assert "VIT-09" in unknown(screened(*facts))

    def test_a_temperature_taken_later_settles_it(self) -> None:
        facts = normal(20, temp=None, sbp=104), vitals(40, temp="36.8", hr=78, sbp=104)
        assert "VIT-09" not in unknown(screened(*facts))
        facts = normal(20, temp=None, sbp=104), vitals(40, temp="36.8")
        assert "VIT-09" not in unknown(screened(*facts))

    def test_a_fall_without_a_temperature_is_unknown(self) -> None:
        screen = screened(normal(20, temp=None, sbp=104))
        assert unknown(screen)["VIT-09"] == ("temperature",)


class TestVit10:
    """Adult: (T ≥ 39 or ΔT ≥ 2 or rigors) and (HR ≥ 120 with rise ≥ 20, or HR rise ≥ 40,
    or SBP fall ≥ 30): stop [S67]; the combination is (D)."""

    HEAT = ({"temp": "39.0"}, {"temp": "38.8"})
    SHOCK = ({"hr": 120}, {"hr": 118}, {"sbp": 94})

    @pytest.mark.parametrize("heat", HEAT)
    @pytest.mark.parametrize("shock", SHOCK)
    def test_every_pair(self, heat: dict[str, str], shock: dict[str, int]) -> None:
        screen = screened(normal(20, **heat, **shock))
        assert fired(screen)["VIT-10"] == "stop"

    @pytest.mark.parametrize("shock", SHOCK)
    def test_rigors_count_as_heat(self, shock: dict[str, int]) -> None:
        assert fired(screened(normal(20, **shock), sign("rigors", 20)))["VIT-10"] == "stop"

    @pytest.mark.parametrize(
        ("baseline", "values"),
        [
            ({"temp": "37.2"}, {"temp": "38.9", "hr": 130}),
            ({"hr": 101}, {"temp": "39.2", "hr": 120}),
            ({"hr": 79}, {"temp": "39.2", "hr": 118}),
            ({}, {"temp": "39.2", "sbp": 95}),
        ],
    )
    def test_one_step_below(self, baseline: dict[str, str], values: dict[str, str]) -> None:
        assert "VIT-10" not in fired(screened(normal(20, **values), baseline=baseline))

    def test_children_have_no_such_rule(self) -> None:
        screen = screened(normal(20, temp="39.2", hr=140), born="2015-01-01")
        assert "VIT-10" not in fired(screen)
        assert "VIT-10" not in unknown(screen)

    def test_heat_without_a_heart_rate_is_unknown(self) -> None:
        screen = screened(normal(20, temp="39.2", hr=None, sbp=None, dbp=None))
        assert unknown(screen)["VIT-10"] == ("heart rate", "systolic pressure")

    def test_heat_without_a_comparable_baseline_is_enough_from_thirty_nine(self) -> None:
        screen = screened(normal(20, temp="39.0", hr=125), baseline={"temp": None})
        assert fired(screen)["VIT-10"] == "stop"

    def test_a_fast_heart_without_a_baseline_is_unknown(self) -> None:
        screen = screened(normal(20, temp="39.2", hr=125), baseline={"hr": None})
        assert unknown(screen)["VIT-10"] == ("baseline heart rate",)

    def test_readings_of_one_set_count_together(self) -> None:
        apart = vitals(20, temp="39.2"), vitals(30, hr=125)
        assert fired(screened(*apart))["VIT-10"] == "stop"
        later = vitals(20, temp="39.2"), vitals(30.1, hr=125)
        assert "VIT-10" not in fired(screened(*later))


class TestVit11:
    """SpO2 < 90 % and ≥ 3 points below baseline, a rise in oxygen need, or acute breathlessness,
    stridor, cyanosis, wheeze: stop; no baseline: pause, look [S62][S38]."""

    def saturation(self, before: int | None, now: int) -> dict[str, str]:
        screen = screened(normal(20, spo2=now), baseline={"spo2": before})
        return fired(screen)

    def test_both_at_the_limit(self) -> None:
        assert self.saturation(92, 89) == {"VIT-11": "stop"}

    @pytest.mark.parametrize(("before", "now"), [(97, 90), (91, 89)])
    def test_one_step_beside_either(self, before: int, now: int) -> None:
        assert self.saturation(before, now) == {}

    def test_low_on_oxygen_is_no_better_than_low_on_air(self) -> None:
        screen = screened(vitals(20, spo2=88, on_air=False))
        assert fired(screen)["VIT-11"] == "stop"

    def test_without_a_baseline_somebody_has_to_look(self) -> None:
        screen = screened(normal(20, spo2=89), baseline={"spo2": None})
        assert unknown(screen)["VIT-11"] == ("baseline oxygen saturation",)
        assert advice(screen) == "pause"

    @pytest.mark.parametrize("word", ["dyspnoea", "stridor", "cyanosis", "wheeze"])
    def test_a_sign_is_enough(self, word: str) -> None:
        assert fired(screened(sign(word, 20)))["VIT-11"] == "stop"

    def test_more_oxygen_than_before(self) -> None:
        on_air = vitals(-5, spo2=97, on_air=True)
        rows = (
            (on_air, vitals(20, spo2=96, on_air=False), "stop"),
            (on_air, vitals(20, flow=2), "stop"),
            (vitals(-5, flow=2), vitals(20, flow=3), "stop"),
            (vitals(-5, flow=0), vitals(20, spo2=96, on_air=False), "stop"),
            (vitals(-5, flow=2), vitals(20, flow=2), None),
            (vitals(-5, flow=2), vitals(20, spo2=96, on_air=False), None),
            (vitals(-5, spo2=95, on_air=False), vitals(20, spo2=96, on_air=False), None),
            (on_air, vitals(20, spo2=96, on_air=True), None),
        )
        for before, now, said in rows:
            screen = screened(before, now, baseline={"spo2": None})
            assert fired(screen).get("VIT-11") == said, (before, now)

    @pytest.mark.parametrize("values", [{"flow": 2}, {"spo2": 96}])
    def test_oxygen_now_and_nothing_known_of_before_is_watched(
        self, values: dict[str, int]
    ) -> None:
        screen = screened(vitals(20, **values, on_air=False))
        assert unknown(screen)["VIT-11"] == ("oxygen need before the start",)
        assert finding(screen, "VIT-11").advice is Advice.WATCH

    def test_no_oxygen_now_needs_no_baseline(self) -> None:
        assert "VIT-11" not in unknown(screened(normal(20, flow=0)))


class TestVit12:
    """BP rise ≥ 30 systolic with dyspnoea or orthopnoea: stop, suspect TACO (D)."""

    @pytest.mark.parametrize("word", ["dyspnoea", "orthopnoea"])
    def test_both_together(self, word: str) -> None:
        assert fired(screened(normal(20, sbp=154), sign(word, 20)))["VIT-12"] == "stop"

    def test_a_rise_of_twenty_nine_does_not(self) -> None:
        assert "VIT-12" not in fired(screened(normal(20, sbp=153), sign("dyspnoea", 20)))

    def test_a_rise_alone_does_not(self) -> None:
        assert fired(screened(normal(20, sbp=170))) == {}

    def test_breathlessness_without_a_pressure_is_unknown(self) -> None:
        assert unknown(screened(sign("dyspnoea", 20)))["VIT-12"] == ("systolic pressure",)


class TestVit13:
    """Skin signs only, any number: pause, mild allergic path; after the bag: watch [S38][S53]."""

    @pytest.mark.parametrize(
        "words",
        [("urticaria",), ("pruritus", "rash"), ("flushing", "localized-angioedema", "urticaria")],
    )
    def test_any_number_pauses(self, words: tuple[str, ...]) -> None:
        assert fired(screened(*(sign(word, 20) for word in words))) == {"VIT-13": "pause"}

    def test_alone_after_the_bag_is_down_it_is_watched(self) -> None:
        assert fired(screened(sign("urticaria", 150), ended=115)) == {"VIT-13": "watch"}

    def test_it_gives_way_to_signs_of_anaphylaxis(self) -> None:
        screen = screened(sign("urticaria", 20), sign("wheeze", 25))
        assert "VIT-13" not in fired(screen)


class TestVit14:
    """Skin or mucosa with airway, breathing, pressure, syncope or gut; bronchospasm, laryngeal
    sign or hypotension without skin; angioedema of tongue or larynx: stop [S99][S53]."""

    @pytest.mark.parametrize("word", ["dyspnoea", "chest-tightness", "syncope", "gut-severe"])
    def test_skin_with_another_system(self, word: str) -> None:
        assert fired(screened(sign("urticaria", 20), sign(word, 30)))["VIT-14"] == "stop"

    @pytest.mark.parametrize("sbp", [80, 90])
    def test_skin_with_a_fall_in_pressure(self, sbp: int) -> None:
        """BP fall as in VIT-05 to -08."""
        screen = screened(sign("pruritus", 18), normal(20, sbp=sbp))
        assert fired(screen)["VIT-14"] == "stop"

    @pytest.mark.parametrize(
        "word", ["bronchospasm", "stridor", "tongue-larynx-angioedema", "lip-tongue-uvula-oedema"]
    )
    def test_an_airway_sign_alone(self, word: str) -> None:
        assert fired(screened(sign(word, 20)))["VIT-14"] == "stop"

    def test_hypotension_alone_leaves_it_not_excluded(self) -> None:
        screen = screened(normal(20, sbp=78))
        assert "VIT-14" not in fired(screen)
        assert "anaphylaxis" in screen.not_excluded

    def test_hypotension_with_another_system_is_enough(self) -> None:
        assert fired(screened(normal(20, sbp=78), sign("syncope", 20)))["VIT-14"] == "stop"

    @pytest.mark.parametrize(
        ("severity", "met"), [("severe", True), ("mild", False), (None, False)]
    )
    def test_vomiting_counts_when_it_is_severe(self, severity: str | None, met: bool) -> None:
        screen = screened(sign("urticaria", 20), sign("vomiting", 21, severity=severity))
        assert ("VIT-14" in fired(screen)) is met


class TestVit15:
    """Loin, back, chest or infusion-site pain, dark urine, new bleeding, severe anxiety: stop,
    suspect AHTR [S38][S59][S66]."""

    @pytest.mark.parametrize(
        "word",
        [
            "loin-pain",
            "back-pain",
            "chest-pain",
            "infusion-site-pain",
            "dark-urine",
            "bleeding",
            "oozing",
            "anxiety",
        ],
    )
    def test_each_stops(self, word: str) -> None:
        assert fired(screened(sign(word, 20)))["VIT-15"] == "stop"

    def test_other_signs_do_not(self) -> None:
        assert fired(screened(sign("headache", 20))) == {}


SICK = {"rr": 16, "spo2": 98, "temp": "36.8", "hr": 78, "sbp": 124, "awake": 0}


class TestVit16:
    """NEWS2 ≥ 5, a single 3, or a rise ≥ 2 from baseline (D): watch, after the bag escalate;
    default off (POL-35) [S72][S73]."""

    ON = with_rows({"news2": True})
    AT_REST = vitals(-5, rr=16, spo2=98, awake=0, on_air=True)

    def score(self, policy: object = None, **changed: object) -> dict[str, str]:
        now = vitals(20, on_air=True, **(SICK | changed))
        screen = screened(self.AT_REST, now, policy=policy or self.ON)  # type: ignore[arg-type]
        return {rule: said for rule, said in fired(screen).items() if rule == "VIT-16"}

    def test_off_by_default(self) -> None:
        assert self.score(profile("default"), rr=30) == {}

    def test_off_where_its_rule_is(self) -> None:
        off = with_rows({"news2": True}, rules={"VIT-16": {"on_failure": "off"}})
        assert self.score(off, rr=30) == {}

    def test_a_healthy_score_is_nothing(self) -> None:
        assert self.score() == {}

    def test_a_single_three(self) -> None:
        assert self.score(rr=25) == {"VIT-16": "watch"}

    def test_a_rise_of_two_from_the_baseline(self) -> None:
        assert self.score(rr=21) == {"VIT-16": "watch"}
        assert self.score(hr=95) == {}

    def test_a_score_that_stays_is_no_rise(self) -> None:
        before = vitals(-4, rr=21, hr=95)
        now = vitals(20, on_air=True, **(SICK | {"rr": 21, "hr": 95}))
        assert "VIT-16" not in fired(screened(self.AT_REST, before, now, policy=self.ON))

    def test_not_alert_once_in_the_set_counts(self) -> None:
        now = vitals(20, on_air=True, **(SICK | {"awake": 3})), vitals(21, awake=0)
        assert "VIT-16" in fired(screened(self.AT_REST, *now, policy=self.ON))

    def test_five_without_a_complete_baseline(self) -> None:
        low = vitals(20, on_air=False, **(SICK | {"spo2": 95, "hr": 111}))
        assert fired(screened(low, policy=self.ON))["VIT-16"] == "watch"
        lower = vitals(20, on_air=False, **(SICK | {"spo2": 95, "hr": 110}))
        assert "VIT-16" not in fired(screened(lower, policy=self.ON))

    def test_after_the_bag_is_down_it_escalates(self) -> None:
        now = vitals(150, on_air=True, **(SICK | {"rr": 25}))
        assert fired(screened(now, ended=115, policy=self.ON))["VIT-16"] == "escalate"

    @pytest.mark.parametrize("left_out", ["rr", "spo2", "temp", "hr", "sbp", "awake"])
    def test_an_incomplete_set_has_no_score(self, left_out: str) -> None:
        values = {name: value for name, value in SICK.items() if name != left_out}
        now = vitals(
            20, on_air=True, **(values | ({"hr": 140} if left_out != "hr" else {"rr": 30}))
        )
        assert "VIT-16" not in fired(screened(now, policy=self.ON))

    def test_oxygen_not_said_is_no_score(self) -> None:
        assert "VIT-16" not in fired(screened(vitals(20, **(SICK | {"rr": 30})), policy=self.ON))

    @pytest.mark.parametrize("born", ["2009-06-03", None])
    def test_not_for_the_young_or_where_the_age_is_unknown(self, born: str | None) -> None:
        now = vitals(20, on_air=True, **(SICK | {"rr": 25}))
        assert "VIT-16" not in fired(screened(now, born=born, policy=self.ON))

    def test_oxygen_said_once_in_the_set_is_oxygen(self) -> None:
        values = SICK | {"spo2": 95, "hr": 111}
        now = vitals(20, on_air=True, **values), vitals(21, flow=2)
        assert "VIT-16" in fired(screened(*now, policy=self.ON))
        assert "VIT-16" not in fired(screened(now[0], policy=self.ON))
        none = vitals(20, **values), vitals(21, flow=0)
        assert "VIT-16" not in fired(screened(*none, policy=self.ON))

    def test_of_two_values_the_worse_one_scores(self) -> None:
        now = vitals(20, on_air=True, **(SICK | {"rr": 25}))
        again = vitals(22, rr=16)
        assert fired(screened(now, again, policy=self.ON))["VIT-16"] == "watch"

    def test_a_monitor_needs_a_second_score(self) -> None:
        bad = SICK | {"rr": 25}
        once = vitals(20, device=True, on_air=True, **bad)
        assert "VIT-16" not in fired(screened(once, policy=self.ON))
        again = vitals(21, device=True, on_air=True, **bad)
        assert fired(screened(once, again, policy=self.ON))["VIT-16"] == "watch"


class TestVit17:
    """Missing or late observation: finding unknown, watch, no inference of normality (D)."""

    @pytest.mark.parametrize(
        ("short", "lacking"),
        [("temp", "temperature"), ("hr", "heart rate"), ("sbp", "systolic pressure")],
    )
    def test_a_set_that_lacks_what_every_set_needs(self, short: str, lacking: str) -> None:
        screen = screened(normal(20, **{short: None}))
        assert unknown(screen) == {"VIT-17": (lacking,)}
        assert advice(screen) == "watch"

    def test_the_mean_pressure_stands_for_the_systolic_one(self) -> None:
        assert unknown(screened(vitals(20, temp="36.8", hr=78, map=88))) == {}

    def test_the_parts_of_a_set_may_come_apart(self) -> None:
        parts = vitals(20, temp="36.8"), vitals(24, hr=78), vitals(30, sbp=124)
        assert unknown(screened(*parts)) == {}

    def test_only_the_last_set_counts(self) -> None:
        assert unknown(screened(normal(20, temp=None), normal(45))) == {}

    def test_what_the_last_set_lacks_is_named(self) -> None:
        facts = vitals(20, temp="36.8"), vitals(50, hr=78, sbp=124)
        assert unknown(screened(*facts)) == {"VIT-17": ("temperature",)}

    def test_a_monitor_alone_is_no_set(self) -> None:
        assert unknown(screened(vitals(20, device=True, hr=80))) == {}

    def test_a_monitor_completes_a_set(self) -> None:
        screen = screened(vitals(20, temp="36.8"), vitals(21, device=True, hr=80, sbp=120))
        assert unknown(screen) == {}

    def test_weighing_the_patient_is_no_set(self) -> None:
        assert unknown(screened(vitals(20, weight=70))) == {}

    def test_a_set_long_after_the_end_is_not_the_units(self) -> None:
        """The end observation is due within 60 min [S16]."""
        assert unknown(screened(vitals(175, temp="36.8"), ended=115)) != {}
        assert unknown(screened(vitals(175.1, temp="36.8"), ended=115)) == {}

    def test_the_rule_may_be_off(self) -> None:
        off = with_rows(rules={"VIT-17": {"on_failure": "off", "when_missing": "off"}})
        assert unknown(screened(vitals(20, temp="36.8"), policy=off)) == {}


class TestAfterTheBagIsDown:
    """After the bag is down a pause- or stop-grade row gives escalate (compare [S73])."""

    def test_pause_and_stop_become_escalate(self) -> None:
        screen = screened(normal(150, temp="38.0"), ended=115, baseline={"temp": "37.0"})
        assert fired(screen) == {"VIT-01": "escalate"}
        assert fired(screened(sign("chills", 150), ended=115)) == {"VIT-04": "escalate"}

    def test_watch_stays_watch(self) -> None:
        screen = screened(normal(150, temp="37.9"), ended=115)
        assert fired(screen) == {"VIT-02": "watch"}

    def test_a_trigger_met_while_it_ran_keeps_its_stage(self) -> None:
        before = finding(screened(sign("chills", 110), ended=115), "VIT-04")
        assert (before.stage, before.advice) == (Stage.RUNNING, Advice.ESCALATE)
        since = finding(screened(sign("chills", 116), ended=115), "VIT-04")
        assert since.stage is Stage.ENDED

    def test_the_grade_is_kept(self) -> None:
        assert screened(sign("chills", 150), ended=115).grade == "stop"
        assert screened(sign("urticaria", 150), ended=115).grade == "pause"

    def test_signs_count_for_a_day(self) -> None:
        """Units ended within 24 h are suspects [S68]."""
        last = 115 + 24 * 60
        assert fired(screened(sign("chills", last), ended=115))
        assert not fired(screened(sign("chills", last + 0.1), ended=115))


class TestARuleThatIsOff:
    """A site may switch a row off (rules.md 10)."""

    def test_it_says_nothing_even_when_met(self) -> None:
        off = with_rows(rules={"VIT-04": {"on_failure": "off"}})
        assert fired(screened(sign("chills", 20), policy=off)) == {}

    def test_a_row_may_say_note(self) -> None:
        note = with_rows(rules={"VIT-04": {"on_failure": "note"}})
        screen = screened(sign("chills", 20), policy=note)
        assert fired(screen) == {"VIT-04": "note"}
        assert screen.grade is None
