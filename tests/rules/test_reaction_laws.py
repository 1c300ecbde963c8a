"""Laws of the screen, on generated observations."""

import random
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.assessment.clock import RecordingClock
from service.facts.fact import Fact
from service.facts.finding import Screen
from service.facts.steps import StepCode
from service.rules import reaction
from tests.support.bedside import (
    END,
    after,
    categories,
    known_advice,
    placed,
    result,
    screened,
    sign,
    step,
    unit_case,
    vitals,
)
from tests.support.cases import a_running

# categories that are what is left over: they give way to one that accounts for the sign
RESIDUAL = {"respiratory-undetermined", "TAD", "DSTR"}
SIGNS = [
    "chills",
    "rigors",
    "urticaria",
    "flushing",
    "dyspnoea",
    "stridor",
    "back-pain",
    "dark-urine",
    "syncope",
    "fever",
    "pulmonary-oedema",
    "tachycardia",
    "lip-tongue-uvula-oedema",
]
minutes = st.integers(1, END + 24 * 60)


@st.composite
def readings(draw: st.DrawFn) -> Fact[Any]:
    values = {
        "temp": draw(st.decimals("35.5", "40.5", places=2)),
        "sbp": draw(st.integers(60, 190)),
        "hr": draw(st.integers(50, 160)),
        "spo2": draw(st.integers(80, 100)),
        "dbp": draw(st.integers(40, 100)),
    }
    kept = draw(st.sets(st.sampled_from(sorted(values)), min_size=1))
    device = draw(st.booleans())
    chosen = {name: values[name] for name in sorted(kept)}
    return vitals(draw(minutes), device=device, on_air=True, **chosen)


@st.composite
def dangers(draw: st.DrawFn) -> Fact[Any]:
    """A present sign or a clinician's abnormal reading."""
    when = draw(minutes)
    bad = {
        "temp": draw(st.decimals("38.0", "40.5", places=1)),
        "sbp": draw(st.integers(60, 95)),
        "hr": draw(st.integers(120, 160)),
        "spo2": draw(st.integers(80, 89)),
    }
    name = draw(st.sampled_from([*sorted(bad), "sign"]))
    if name == "sign":
        return sign(draw(st.sampled_from(SIGNS)), when)
    return vitals(when, on_air=True, **{name: bad[name]})


results = st.builds(
    result,
    st.sampled_from(
        ["fluid-balance", "unit-culture", "ards-risk", "dat", "left-atrial-hypertension"]
    ),
    minutes,
    word=st.sampled_from(["positive", "negative"]),
)
signs = st.builds(sign, st.sampled_from(SIGNS), minutes, present=st.booleans())
anything = st.one_of(readings(), signs, results)
courses = st.lists(anything, max_size=14)
ends = st.sampled_from([None, END])
bands = st.sampled_from(["1961-04-12", "2016-01-01", "2025-01-01", None])


class TestAddingADanger:
    """Adding a fact about a danger never removes a candidate and never weakens advice."""

    @settings(max_examples=250, deadline=None)
    @given(courses, dangers(), ends, bands)
    def test_it_only_adds(
        self, course: list[Fact[Any]], danger: Fact[Any], ended: float | None, born: str | None
    ) -> None:
        before = screened(*course, ended=ended, born=born)
        with_it = screened(*course, danger, ended=ended, born=born)
        assert known_advice(with_it) >= known_advice(before)
        lost = set(categories(before)) - set(categories(with_it))
        assert lost <= RESIDUAL

    @settings(max_examples=60, deadline=None)
    @given(courses, dangers())
    def test_not_in_an_emergency_or_in_theatre_either(
        self, course: list[Fact[Any]], danger: Fact[Any]
    ) -> None:
        around = [step(StepCode.DECLARE_EMERGENCY, 30), placed("theatre", 60), placed("ward", 90)]
        before = screened(*course, *around)
        with_it = screened(*course, *around, danger)
        assert known_advice(with_it) >= known_advice(before)


class TestOrder:
    """The same facts in any arrival order give the same screen."""

    @settings(max_examples=80, deadline=None)
    @given(courses, ends, st.integers())
    def test_it_does_not_matter(
        self, course: list[Fact[Any]], ended: float | None, seed: int
    ) -> None:
        shuffled = [*course, *course[:3]]
        random.Random(seed).shuffle(shuffled)
        assert screened(*shuffled, ended=ended) == screened(*course, ended=ended)


class TestTime:
    """The screen is constant until the next wake; it asks for none."""

    @settings(max_examples=40, deadline=None)
    @given(courses, ends)
    def test_passing_time_changes_nothing(
        self, course: list[Fact[Any]], ended: float | None
    ) -> None:
        case = unit_case(course, ended=ended)
        screens: list[Screen] = []
        for minute in (1, END, END + 61, END + 3 * 24 * 60, END + 60 * 24 * 60):
            clock = RecordingClock(after(minute))
            screens.append(reaction.screen(a_running(case, clock=clock)))
            assert clock.next_wake is None
        assert all(screen == screens[0] for screen in screens)


class TestAfterTheBagIsDown:
    """Pause and stop never appear once the bag is down; escalate never before."""

    @settings(max_examples=80, deadline=None)
    @given(courses, ends)
    def test_the_words_fit_the_stage(self, course: list[Fact[Any]], ended: float | None) -> None:
        screen = screened(*course, ended=ended)
        given_words = {f.advice.word for f in screen.findings if f.advice is not None}
        assert given_words.isdisjoint({"escalate"} if ended is None else {"pause", "stop"})


class TestRounding:
    """Round to 0.1 °C before comparison: values that read alike are judged alike."""

    @settings(max_examples=120, deadline=None)
    @given(
        st.decimals("36.0", "40.0", places=1),
        st.decimals("36.0", "40.0", places=1),
        st.decimals("-0.05", "0.049", places=3),
    )
    def test_what_rounds_to_the_same_tenth_is_the_same(
        self, before: Any, now: Any, shift: Any
    ) -> None:
        def said(value: Any) -> list[tuple[str, Any]]:
            screen = screened(vitals(20, temp=value, hr=78, sbp=124), baseline={"temp": before})
            return [(one.rule, one.advice) for one in screen.findings]

        assert said(now + shift) == said(now)


class TestOneFindingPerRule:
    """One finding per rule and unit; VIT-17 says several things about what is missing."""

    @settings(max_examples=80, deadline=None)
    @given(courses, ends, bands)
    def test_no_rule_speaks_twice(
        self, course: list[Fact[Any]], ended: float | None, born: str | None
    ) -> None:
        screen = screened(*course, ended=ended, born=born)
        rules = [one.rule for one in screen.findings if one.rule != "VIT-17"]
        assert len(rules) == len(set(rules))
        assert (screen.grade is None) == (screen.onset is None) == (screen.onset_at is None)
