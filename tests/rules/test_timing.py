"""All timing rules together: the check cases, the laws of the clock, days of 23 and 25 hours."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.assessment.clock import RecordingClock
from service.facts.case import Case
from service.facts.deadline import Deadline
from service.facts.finding import Advice, Finding, Verdict
from service.facts.identity import Identifier, Ref
from service.facts.moment import at, local_text
from service.facts.steps import StepCode
from service.policy.policy import ADVICE, VERDICTS
from service.rules import timing
from service.rules.timing import outlook, watch
from service.rules.volume import red_cell_dose
from tests.support.cases import (
    BASELINE,
    SITE,
    START_AT,
    a_case,
    a_running,
    a_step,
    an_end,
    an_issue,
    of_rule,
    pre_start,
    some_facts,
    some_vitals,
    the_unit,
)
from tests.support.catalogue import check_cases
from tests.support.policies import profile

LONDON = ZoneInfo("Europe/London")
OUT: dict[str, Any] = {"container": "uncontrolled"}
TICK = timedelta(microseconds=1)


def clock(text: str) -> datetime:
    """A time of day in the harness zone, on the invented day."""
    hour, minute = map(int, text.split(":"))
    return datetime(2025, 6, 2, hour, minute, tzinfo=LONDON).astimezone(UTC)


JUDGED_ELSEWHERE = ("TIM-01", "TIM-13", "TIM-15")  # beside their own rules' tests


class TestTheCatalogue:
    """The timing and volume cases of the check cases, each with its source in its id."""

    @pytest.mark.parametrize(
        "case",
        [p for p in check_cases("timing") if p.values[0]["rule"] not in JUDGED_ELSEWHERE],
    )
    def test_timing(self, case: dict[str, Any]) -> None:
        given_, expect = case["given"], case["expect"]
        rule = case["rule"]
        if rule == "VOL-11":
            self.volume(given_, expect)
        elif given_.get("phase") == "running":
            self.running(rule, given_, expect)
        else:
            self.before(rule, given_, expect)

    def volume(self, given_: dict[str, Any], expect: dict[str, Any]) -> None:
        now = clock(given_["now"])
        start = {
            "rate": Decimal(given_["first_15_rate_ml_h"]),
            "start": at(clock(given_["start"])),
        }
        issue = OUT | {"handed_over": at(clock(given_["t_out"]))}
        case = a_case(unit={"volume": Decimal(given_["volume_ml"])}, start=start, issue=issue)
        left = outlook(a_running(case, now=now), now)
        assert left.deadline == clock(expect["deadline"])
        assert left.given is not None
        assert left.given.volume == Decimal(str(expect["delivered_ml"]))
        assert left.remaining == str(expect["remaining_ml"])
        assert left.minimum_rate == str(expect["min_rate_ml_h"])

    def running(self, rule: str, given_: dict[str, Any], expect: dict[str, Any]) -> None:
        issue = OUT | {"handed_over": at(clock(given_["t_out"]))}
        start = {"start": at(clock(given_["t_out"]) + timedelta(minutes=15))}
        case = a_case(issue=issue, start=start)
        findings, _ = watch(a_running(case, now=clock(given_["now"])))
        (found,) = of_rule(findings, rule)
        assert found.advice is ADVICE[expect["advice"]]
        assert found.reason == expect["reason"]

    def before(self, rule: str, given_: dict[str, Any], expect: dict[str, Any]) -> None:
        out = clock(given_.get("t_out", "10:00"))
        begun = clock(given_["start"]) if "start" in given_ else out + timedelta(minutes=5)
        rate = given_.get("first_15_rate_ml_h")
        ordered: dict[str, Any] = {}
        if "planned_end" in given_:  # 280 mL at the rate that ends there
            lasts = (clock(given_["planned_end"]) - begun) / timedelta(hours=1)
            ordered = {"rate": Decimal(280) / Decimal(lasts)}
        case = a_case(
            issue=OUT | {"handed_over": at(out)},
            start={"start": at(begun), "rate": None if rate is None else Decimal(rate)},
            order=ordered,
        )
        pre = pre_start(case, policy=profile(given_.get("profile", "default")))
        (found,) = of_rule([f for r in timing.RULES for f in r(pre)], rule)
        assert found.verdict is VERDICTS[expect["verdict"]]
        assert expect.get("reason") in (None, found.reason)
        if "deadline" in expect:
            assert dict(found.shown)["limit"] == local_text(
                at(clock(expect["deadline"])), SITE.zone
            )
        if "volume_first_15_ml" in expect:
            assert Decimal(rate) / 4 == Decimal(str(expect["volume_first_15_ml"]))

    @pytest.mark.parametrize("case", check_cases("volume"))
    def test_volume(self, case: dict[str, Any]) -> None:
        given_ = {key: Decimal(value) for key, value in case["given"].items()}
        dose = red_cell_dose(given_["weight_kg"], given_["hb_now_g_l"], given_["hb_target_g_l"])
        assert dose == case["expect"]["volume_ml"]


def later(minutes: float) -> datetime:
    return START_AT + timedelta(minutes=minutes)


minutes_after = st.integers(-30, 420)
SET = Ref(kind="Device", identifier=Identifier("https://harrow-vale.example/id/set", "SET-1"))


@st.composite
def courses(draw: Any) -> tuple[Any, ...]:
    """The facts of a unit that was started, with whatever else happened to it."""
    rate = draw(st.sampled_from([None, "50", "120", "240"]))
    facts = some_facts(
        start={
            "rate": None if rate is None else Decimal(rate),
            "set": draw(st.sampled_from([None, SET])),
        },
        issue=draw(
            st.sampled_from(
                [{}, OUT, {"handed_over": None}, {"container": "monitored-refrigerator"}]
            )
        ),
        order={"rate": draw(st.sampled_from([None, Decimal(140)]))},
    )
    codes = st.sampled_from(
        [
            StepCode.INTERRUPT,
            StepCode.RESUME,
            StepCode.CHANGE_RATE,
            StepCode.CHANGE_SET,
            StepCode.DECLARE_EMERGENCY,
            StepCode.END_EMERGENCY,
        ]
    )
    steps = draw(st.lists(st.tuples(codes, minutes_after), max_size=4))
    observed = draw(st.lists(minutes_after, max_size=5))
    extra = [
        a_step(code, f"Task/{place}", later(when), rate=Decimal(90))
        for place, (code, when) in enumerate(steps)
    ]
    extra += [
        some_vitals(later(when), f"Observation/o{place}", BASELINE)
        for place, when in enumerate(observed)
    ]
    if draw(st.booleans()):
        extra.append(an_end(start=at(later(draw(st.integers(1, 300))))))
    return (*facts, *extra)


def seen(facts: tuple[Any, ...], now: datetime) -> tuple[Any, datetime | None]:
    ticking = RecordingClock(now)
    case = Case("person-1", facts, (), frozenset({"Patient/p1"}))
    return watch(a_running(case, clock=ticking)), ticking.next_wake


LAW = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])


class TestTheClock:
    """design section 3.1: constant on [now, next_wake), next_wake > now; the clock is asked only
    while the step is missing."""

    @LAW
    @given(courses(), minutes_after, st.floats(0, 1))
    def test_nothing_changes_before_the_next_wake(
        self, facts: tuple[Any, ...], minutes: int, share: float
    ) -> None:
        now = later(minutes)
        at_first, wake = seen(facts, now)
        until = wake if wake is not None else now + timedelta(days=400)
        assert until > now
        for probe in (now + (until - now) * share, until - TICK):
            if now <= probe < until:
                assert seen(facts, probe)[0] == at_first

    @LAW
    @given(courses())
    def test_something_may_change_at_each_wake_and_they_come_to_an_end(
        self, facts: tuple[Any, ...]
    ) -> None:
        _, wake = seen(facts, START_AT)
        wakes = []
        while wake is not None and len(wakes) < 40:
            wakes.append(wake)
            _, wake = seen(facts, wake)
        assert len(wakes) < 40
        assert wakes == sorted(set(wakes))

    @LAW
    @given(courses(), minutes_after, st.randoms(use_true_random=False))
    def test_the_order_of_the_facts_does_not_matter(
        self, facts: tuple[Any, ...], minutes: int, random: Any
    ) -> None:
        shuffled = list(facts)
        random.shuffle(shuffled)
        assert seen(tuple(shuffled), later(minutes)) == seen(facts, later(minutes))

    def test_a_unit_down_and_watched_asks_only_for_its_aftermath(self) -> None:
        observed = tuple(
            some_vitals(later(when), f"Observation/{when}", BASELINE) for when in (15, 60, 110, 116)
        )
        facts = (*some_facts(start={}, end={}), *observed)
        _, wake = seen(facts, later(117))
        assert wake == later(115) + timedelta(hours=24)  # TIM-14

    @LAW
    @given(courses(), minutes_after)
    def test_once_it_is_down_no_advice_is_to_pause_or_stop(
        self, facts: tuple[Any, ...], minutes: int
    ) -> None:
        (findings, deadlines), _ = seen(facts, later(minutes))
        ended = the_unit(Case("person-1", facts, (), frozenset({"Patient/p1"}))).ended is not None
        for found in findings:
            assert not (ended and found.advice in (Advice.PAUSE, Advice.STOP))
            assert ended or found.advice is not Advice.ESCALATE
        assert all(isinstance(deadline, Deadline) for deadline in deadlines)


class TestDaysOf23And25Hours:
    """All arithmetic is in UTC instants: four hours are four hours on the night the clocks move."""

    NIGHTS = pytest.mark.parametrize(
        ("zone", "out", "down"),
        [
            ("Europe/London", "2025-03-29T23:30", "2025-03-30T04:30"),
            ("Europe/London", "2025-10-25T23:30", "2025-10-26T02:30"),
            ("America/New_York", "2025-03-09T00:30", "2025-03-09T05:30"),
            ("America/New_York", "2025-11-01T23:30", "2025-11-02T02:30"),
            ("Pacific/Auckland", "2025-09-28T00:30", "2025-09-28T05:30"),
            ("Pacific/Auckland", "2025-04-06T00:30", "2025-04-06T03:30"),
            ("Australia/Lord_Howe", "2025-04-06T00:30", "2025-04-06T04:00"),
        ],
    )

    @NIGHTS
    def test_the_limit_reads_differently_on_the_wall(self, zone: str, out: str, down: str) -> None:
        place = ZoneInfo(zone)
        left = datetime.fromisoformat(out).replace(tzinfo=place).astimezone(UTC)
        limit = datetime.fromisoformat(down).replace(tzinfo=place)
        case = a_case(
            issue=an_issue(container="uncontrolled", handed_over=at(left)),
            start={"start": at(left + timedelta(minutes=10))},
        )
        running = a_running(case, now=left + timedelta(minutes=10))
        _, deadlines = watch(running)
        due = {deadline.kind: deadline.due for deadline in deadlines}
        assert due["bag-down"].astimezone(place).replace(tzinfo=None) == limit.replace(tzinfo=None)
        assert due["bag-down"] - left == timedelta(hours=4)
        assert due["first-observation"] - left == timedelta(minutes=25)


def verdicts(findings: tuple[Finding, ...]) -> set[Verdict | None]:
    return {finding.verdict for finding in findings}


class TestFewPrompts:
    """Section 10: a clean routine unit raises none while it runs."""

    def test_a_watched_unit_gives_no_advice_and_no_caution(self) -> None:
        observed = tuple(
            some_vitals(later(when), f"Observation/{when}", BASELINE) for when in (15, 60, 116)
        )
        facts = (*some_facts(start={"set": SET}, end={}), *observed)
        for minutes in range(0, 240, 7):
            (findings, deadlines), _ = seen(facts, later(minutes))
            assert all(finding.advice is None for finding in findings)
            assert verdicts(findings) <= {None, Verdict.NOTE}
            assert not any(deadline.overdue for deadline in deadlines)
