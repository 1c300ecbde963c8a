"""The laws of assess: what must hold of any case, whatever the rules say of it.

The laws are this project's own design; the cases are generated around an invented unit that passes
every check.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.assessment.assess import Assessment, assess
from service.assessment.clock import TICK, RecordingClock
from service.assessment.desired import Event, Issue, Request
from service.assessment.memory import Memory
from service.facts.acts import Act, NoticeRaised, NoticeWithdrawn
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.finding import Finding, Remedy, Verdict
from service.facts.moment import at
from service.facts.steps import StepCode
from service.policy.policy import VERDICTS
from tests.support.cases import (
    BASELINE,
    CHECKED_AT,
    PATIENT,
    SITE,
    START_AT,
    a_bag,
    a_band,
    a_label,
    a_step,
    an_end,
    some_facts,
    some_vitals,
)
from tests.support.policies import default_policy

POLICY = default_policy()
NORMAL = {k: v for k, v in BASELINE.items() if k != "saturation"}
QUIET_REQUESTS = {"next-observation", "ask-before-next-unit"}


def settled(
    facts: Iterable[Fact[Any]],
    now: datetime,
    acts: Iterable[Act] = (),
    memory: Memory | None = None,
) -> tuple[Assessment, tuple[Act, ...]]:
    """An assessment with its own acts taken in, as the reconciler commits it."""
    held = {act.key: act for act in acts}
    every = tuple(facts)
    for _ in range(4):
        case = Case("person-1", every, held.values(), PATIENT.tokens)
        found = assess(case, POLICY, SITE, RecordingClock(now), memory)
        new = {k: Act(key=k, at=now, body=body) for k, body in found.acts if k not in held}
        if not new:
            break
        held |= new
    return found, tuple(held.values())


def contents(found: Assessment) -> dict[str, Any]:
    """Desired content by identity."""
    return {one.key.text: (one.content, one.to) for one in found.desired}


TEMPERATURES = st.sampled_from(["36.8", "37.4", "37.9", "38.0", "38.4", "39.2"])
PRESSURES = st.sampled_from(["124", "104", "88", "78"])


@st.composite
def courses(draw: st.DrawFn) -> tuple[Fact[Any], ...]:
    """A started unit, observed at any times, perhaps reported on, perhaps down."""
    facts = list(some_facts(start={}))
    for number in range(draw(st.integers(0, 4))):
        minute = draw(st.integers(1, 200))
        values = NORMAL | {
            "temperature": draw(TEMPERATURES),
            "systolic": draw(PRESSURES),
        }
        when = START_AT + timedelta(minutes=minute)
        facts.append(some_vitals(when, f"Observation/v{number + 1}", values))
    if draw(st.booleans()):
        when = START_AT + timedelta(minutes=draw(st.integers(1, 150)))
        facts.append(
            a_step(StepCode.SUSPECT_REACTION, "Task/suspect", when, signs=("chills",), bag=None)
        )
    if draw(st.booleans()):
        when = START_AT + timedelta(minutes=draw(st.integers(30, 240)))
        facts.append(replace(an_end(), body=replace(an_end().body, start=at(when))))
    return tuple(facts)


MOMENTS = st.integers(0, 600).map(lambda minutes: START_AT + timedelta(minutes=minutes))


class TestConstantUntilTheNextWake:
    """The desired set is constant on [now, next_wake), and next_wake is later than now."""

    @given(facts=courses(), now=MOMENTS, share=st.floats(0, 1, exclude_max=True))
    def test_law(self, facts: tuple[Fact[Any], ...], now: datetime, share: float) -> None:
        found, acts = settled(facts, now)
        wake = found.next_wake
        until = wake if wake is not None else now + timedelta(days=400)
        then = min(now + (until - now) * share, until - TICK)
        later, _ = settled(facts, then, acts)

        assert wake is None or wake > now
        assert contents(later) == contents(found)
        assert later.next_wake == wake


class TestOrderDoesNotMatter:
    """The same facts in any order, with any duplicates, end in the same desired set."""

    @given(facts=courses(), now=MOMENTS, data=st.data())
    def test_law(self, facts: tuple[Fact[Any], ...], now: datetime, data: st.DataObject) -> None:
        again = data.draw(st.lists(st.sampled_from(facts), max_size=4))
        shuffled = data.draw(st.permutations([*facts, *again]))

        assert contents(settled(shuffled, now)[0]) == contents(settled(facts, now)[0])


class TestAMemoryChangesNothing:
    """What is remembered saves work; cold and warm assessments are equal."""

    @given(facts=courses(), now=MOMENTS, after=st.integers(0, 300))
    def test_law(self, facts: tuple[Fact[Any], ...], now: datetime, after: int) -> None:
        told = [replace(fact, digest=f"{fact.key}@{fact.version}") for fact in facts]
        memory = Memory()
        settled(told[:-1], now, memory=memory)
        then = now + timedelta(minutes=after)
        warm, _ = settled(told, then, memory=memory)
        cold, _ = settled(told, then)

        assert contents(warm) == contents(cold)
        assert warm.answers == cold.answers


class TestACleanRoutineUnit:
    """It raises no prompt: few prompts, or they are ignored."""

    @pytest.mark.parametrize("minutes", [0, 5, 17, 60, 100, 110])
    def test_no_prompt(self, minutes: int) -> None:
        facts = [
            *some_facts(start={}, end={}),
            some_vitals(START_AT + timedelta(minutes=15), "Observation/v1", NORMAL),
            some_vitals(START_AT + timedelta(minutes=60), "Observation/v2", NORMAL),
            some_vitals(START_AT + timedelta(minutes=120), "Observation/v3", NORMAL),
        ]
        now = START_AT + timedelta(minutes=minutes)
        known = [f for f in facts if _when(f) is None or _when(f) <= now]
        found, _ = settled(known, now)
        answer = found.answers["Task/check"]

        assert VERDICTS[answer.word] <= Verdict.NOTE
        assert [one for one in found.desired if isinstance(one.content, Issue | Event)] == []
        requests = {o.content.code for o in found.desired if isinstance(o.content, Request)}
        assert requests <= QUIET_REQUESTS


def _when(fact: Fact[Any]) -> datetime | None:
    moment = getattr(fact.body, "start", None) or getattr(fact.body, "at", None)
    return moment.instant if moment is not None else None


# What may be left out of a passing check, each by itself.
GAPS: dict[str, dict[str, Any]] = {
    "order": {"order": None},
    "sample": {"sample": None},
    "group": {"group": None},
    "antibody screen": {"antibodies": None},
    "consent": {"consent": None},
    "unit": {"unit": None},
    "issue": {"issue": None},
    "baseline": {"baseline": None},
    "band": {"check": {"band": None}},
    "band scan": {"check": {"band": a_band(scans=())}},
    "band birth date": {"check": {"band": a_band(birth_date=None)}},
    "label": {"check": {"label": None}},
    "label group": {"check": {"label": a_label(unit_group=None)}},
    "bag": {"check": {"bag": None}},
    "bag group": {"check": {"bag": a_bag(group=None)}},
    "spoken": {"check": {"spoken": None}},
    "appearance": {"check": {"appearance": None}},
    "second checker": {"check": {"second_checker": None, "second_checked_at": None}},
    "expiry": {
        "unit": {"expiry": None},
        "check": {"bag": a_bag(expiry=None), "label": a_label(expiry=None)},
    },
    "match": {"issue": {"match": None}},
}


# Two checkers, or one and machine identification (ID-20); three identifiers on the band (ID-03).
COVERED = {"band scan", "second checker", "band birth date"}
CHECK_PARTS = {
    "band": {"band"},
    "band scan": {"band"},
    "band birth date": {"band"},
    "label": {"label"},
    "label group": {"label"},
    "bag": {"bag"},
    "bag group": {"bag"},
    "expiry": {"bag", "label"},
    "unit": {"unit"},
    "issue": {"issue"},
    "match": {"issue"},
}


def apart(gaps: set[str]) -> bool:
    """True when no two gaps leave out parts of one thing."""
    parts = [part for gap in gaps for part in CHECK_PARTS.get(gap, {gap})]
    return len(parts) == len(set(parts))


SETS = st.sets(st.sampled_from(sorted(GAPS)), min_size=1, max_size=3).filter(apart)


def judged(gaps: Iterable[str]) -> tuple[Verdict, tuple[Finding, ...]]:
    """The verdict and the findings of the check with these things left out."""
    overrides: dict[str, Any] = {}
    for gap in gaps:
        for name, value in GAPS[gap].items():
            held = overrides.get(name, {})
            both = isinstance(held, dict) and isinstance(value, dict)
            overrides[name] = held | value if both else None
    found, _ = settled(some_facts(**overrides), CHECKED_AT + timedelta(minutes=5))
    answer = found.answers.get("Task/check")
    assert answer is not None
    return VERDICTS[answer.word], answer.findings


class TestMissingData:
    """Missing data gives the verdict that the rule's row says, never a silent pass."""

    @pytest.mark.parametrize("gap", sorted(GAPS))
    def test_each_gap_alone_is_told(self, gap: str) -> None:
        verdict, findings = judged([gap])
        unknown = [f for f in findings if not f.known and f.verdict is not None]

        assert verdict >= Verdict.CAUTION or gap in COVERED
        assert all(finding.missing for finding in unknown)

    @pytest.mark.parametrize("gap", ["band", "label", "bag", "unit", "issue", "spoken", "expiry"])
    def test_identity_group_expiry_and_status_refuse(self, gap: str) -> None:
        """rules.md 0: only these give refuse when data is missing."""
        assert judged([gap])[0] is Verdict.REFUSE

    @given(gaps=SETS)
    def test_several_gaps_are_never_milder_than_the_worst_of_them(self, gaps: set[str]) -> None:
        together, _ = judged(sorted(gaps))

        assert together >= max(judged([gap])[0] for gap in gaps)

    @given(gaps=SETS)
    def test_every_refusal_names_its_remedy(self, gaps: set[str]) -> None:
        _, findings = judged(sorted(gaps))
        refused = [f for f in findings if f.verdict is Verdict.REFUSE]

        assert [f.rule for f in refused if f.remedy is None] == []

    @given(gaps=SETS)
    def test_a_caution_asks_for_a_measurement_or_for_nothing(self, gaps: set[str]) -> None:
        """rules.md 0: a refusal carries a remedy; a caution may carry measure-now."""
        _, findings = judged(sorted(gaps))
        cautions = [f for f in findings if f.verdict is Verdict.CAUTION]

        assert {f.remedy for f in cautions} <= {None, Remedy.MEASURE_NOW}

    def test_a_planned_end_after_the_limit_sends_no_unit_back(self) -> None:
        """TIM-04: planned end later is a caution; return-unit belongs to a limit passed [S17]."""
        slow = {"rate": Decimal(60)}
        found, _ = settled(some_facts(order=slow), CHECKED_AT + timedelta(minutes=5))
        late = [f for f in found.answers["Task/check"].findings if f.rule == "TIM-04"]

        assert [(f.reason, f.remedy) for f in late] == [("planned-end-after-limit", None)]


class TestANoticeKeepsItsIdentity:
    """Raised once, kept; withdrawn when its basis is gone, and not revived (design rule 4, 6)."""

    FEVER = NORMAL | {"temperature": "39.2"}

    def _fever(self, **values: Any) -> Fact[Any]:
        when = START_AT + timedelta(minutes=15)
        return some_vitals(when, "Observation/v1", self.FEVER | values)

    def test_later_signs_attach(self) -> None:
        facts = [*some_facts(start={}), self._fever()]
        now = START_AT + timedelta(minutes=16)
        _, acts = settled(facts, now)
        more = a_step(
            StepCode.SUSPECT_REACTION,
            "Task/suspect",
            START_AT + timedelta(minutes=3),
            signs=("chills",),
            bag=None,
        )
        found, later = settled([*facts, more], now + timedelta(minutes=2), acts)
        raised = [act for act in later if isinstance(act.body, NoticeRaised)]

        assert len(raised) == 1
        assert raised[0] in acts
        events = [one for one in found.desired if isinstance(one.content, Event)]
        assert len(events) == 1

    def test_a_corrected_value_withdraws_it(self) -> None:
        facts = [*some_facts(start={}), self._fever()]
        now = START_AT + timedelta(minutes=16)
        _, acts = settled(facts, now)
        mended = replace(
            self._fever(temperature="36.9"), version=2, stamp=now + timedelta(minutes=1)
        )
        found, later = settled([*facts, mended], now + timedelta(minutes=2), acts)
        events = [o.content for o in found.desired if isinstance(o.content, Event)]

        assert [event.status for event in events] == ["entered-in-error"]
        assert any(isinstance(act.body, NoticeWithdrawn) for act in later)
