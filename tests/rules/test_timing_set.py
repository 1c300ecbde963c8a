"""The administration set: TIM-15 (rules.md section 4)."""

from datetime import datetime, timedelta
from typing import Any, ClassVar

import pytest

from service.facts.deadline import Deadline
from service.facts.finding import Finding, Stage, Verdict
from service.facts.identity import Identifier, Ref
from service.facts.moment import Moment, at
from service.facts.records import DeviceRecord
from service.facts.steps import StepCode
from service.facts.unit import UNDIVIDED, UnitRef
from service.policy.policy import Policy
from service.rules.timing_set import set_change
from tests.support.cases import START_AT, a_case, a_running, a_start, a_step, an_end, fact
from tests.support.catalogue import check_cases
from tests.support.policies import default_policy, profile, with_rows

TICK = timedelta(microseconds=1)


def later(minutes: float) -> datetime:
    return START_AT + timedelta(minutes=minutes)


def a_set(name: str) -> Ref:
    return Ref(kind="Device", identifier=Identifier("https://harrow-vale.example/id/set", name))


ONE, TWO = a_set("SET-1"), a_set("SET-2")


def earlier(number: int, minutes: float, hung: Ref = ONE) -> tuple[Any, ...]:
    """Another unit of the patient, started some minutes before this one and long ended."""
    unit = UnitRef(din=f"A99992512340{number}", product="E0398", division=UNDIVIDED)
    began = later(-minutes)
    return (
        a_start(f"Task/s{number}", unit=unit, start=at(began), bag=None, set=hung),
        an_end(f"Task/e{number}", unit=unit, start=at(began + timedelta(minutes=1))),
    )


def seen(
    minutes: float, *extra: Any, policy: Policy | None = None, **facts: Any
) -> tuple[tuple[Finding, ...], tuple[Deadline, ...]]:
    """The set some minutes after the start of a unit hung on the first set."""
    case = a_case(**({"start": {"set": ONE}} | facts), extra=extra)
    return set_change(a_running(case, now=later(minutes), policy=policy))


class TestByTime:
    """TIM-15: 4 h by default; the clock starts at first blood, not priming (from memory: INS)."""

    def test_it_is_due_four_hours_after_the_first_blood(self) -> None:
        findings, (deadline,) = seen(10)
        assert findings == ()
        assert (deadline.kind, deadline.rule) == ("set-change", "TIM-15")
        assert (deadline.due, deadline.overdue) == (later(240), False)

    def test_an_earlier_unit_started_its_clock(self) -> None:
        _, (deadline,) = seen(10, *earlier(1, 100))
        assert deadline.due == later(140)

    def test_it_is_reached_at_its_instant(self) -> None:
        before = (later(240) - TICK - START_AT) / timedelta(minutes=1)
        assert seen(before)[1][0].overdue is False
        (found,), (deadline,) = seen(240)
        assert deadline.overdue
        assert (found.verdict, found.advice, found.reason) == (None, None, "set-time-over")

    @pytest.mark.parametrize(("name", "hours"), [("uk", 12), ("au", 12), ("nz", 12), ("ca", 4)])
    def test_profiles_differ(self, name: str, hours: int) -> None:
        """POL-14: au and uk 12 h (from memory: ANZSBT, BSH); nz 12 h max hang [S29]; ca 4 h
        [S45]."""
        _, (deadline,) = seen(10, policy=profile(name))
        assert deadline.due == later(hours * 60)

    def test_canada_gives_a_caution(self) -> None:
        """ca: caution [S45]."""
        (found,), _ = seen(241, policy=profile("ca"))
        assert (found.verdict, found.stage) == (Verdict.CAUTION, Stage.RUNNING)

    def test_a_change_starts_a_new_clock(self) -> None:
        change = a_step(StepCode.CHANGE_SET, "Task/change", later(60), set=TWO)
        _, (deadline,) = seen(241, change, *earlier(1, 100))
        assert (deadline.due, deadline.overdue) == (later(300), False)

    def test_resuming_on_another_set_does_too(self) -> None:
        resume = a_step(StepCode.RESUME, "Task/resume", later(60), set=TWO)
        assert seen(10, resume)[1][0].due == later(300)

    def test_resuming_without_a_word_keeps_it(self) -> None:
        resume = a_step(StepCode.RESUME, "Task/resume", later(60))
        assert seen(10, resume)[1][0].due == later(240)


class TestByUnits:
    """TIM-15: a unit count includes the one being hung; default the manufacturer's; ca 4."""

    def device(self, limit: int | None) -> Any:
        numbers = (Identifier("https://harrow-vale.example/id/set", "SET-1"),)
        body = DeviceRecord(device="set", identifiers=numbers, unit_limit=limit)
        return fact(body, "Device/set1", subject=None)

    def test_the_manufacturers_number(self) -> None:
        two = (self.device(2), *earlier(1, 100))
        assert seen(1, *two)[0] == ()
        (found,), (deadline,) = seen(1, *two, *earlier(2, 50))
        assert (found.reason, deadline.due) == ("set-units-over", START_AT)
        assert deadline.overdue

    def test_a_manufacturer_who_gives_none(self) -> None:
        assert seen(1, self.device(None), *earlier(1, 100), *earlier(2, 50))[0] == ()

    def test_the_sites_number_goes_before_it(self) -> None:
        policy = with_rows({"set-unit-limit": 3})
        units = (self.device(2), *earlier(1, 100), *earlier(2, 50))
        assert seen(1, *units, policy=policy)[0] == ()
        assert seen(1, *units, *earlier(3, 30), policy=policy)[0] != ()

    def test_units_hung_later_do_not_count_against_this_one(self) -> None:
        assert seen(1, self.device(1), *earlier(1, -30))[0] == ()

    def test_units_on_other_sets_do_not_count(self) -> None:
        assert seen(1, self.device(1), *earlier(1, 100, TWO))[0] == ()

    @pytest.mark.parametrize(
        "case", [p for p in check_cases("timing") if p.values[0]["rule"] == "TIM-15"]
    )
    def test_the_catalogues_case(self, case: dict[str, Any]) -> None:
        given = case["given"]
        age = given["set_age_h"] * 60
        units = [u for n in range(1, given["units_on_set"]) for u in earlier(n, age - n)]
        findings, _ = seen(1, *units, policy=profile(given["profile"]))
        assert case["expect"]["verdict"] == "no-objection"
        assert findings == ()
        more, _ = seen(1, *units, *earlier(9, 1), policy=profile(given["profile"]))
        assert more != ()


class TestMissing:
    """TIM-15: off without the set; the answer lists it as not checked."""

    def test_a_set_nobody_named(self) -> None:
        (found,), deadlines = seen(500, start={})
        assert (found.verdict, found.advice, found.missing) == (None, None, ("set",))
        assert deadlines == ()

    def test_a_change_to_a_set_nobody_named(self) -> None:
        change = a_step(StepCode.CHANGE_SET, "Task/change", later(60))
        (found,), _ = seen(500, change)
        assert found.reason == "set-not-sent"

    def test_a_change_to_the_day_only_is_out_of_order_and_does_not_count(self) -> None:
        coarse = {"start": Moment(text="2025-06-02"), "set": ONE}
        change = a_step(StepCode.CHANGE_SET, "Task/change", later(60), **coarse)
        assert seen(10, change)[1][0].due == later(240)

    def test_off_is_silent(self) -> None:
        off = {"on_failure": "off", "when_missing": "off"}
        assert seen(500, start={}, policy=with_rows(rules={"TIM-15": off})) == ((), ())


class TestOnceItIsDown:
    """No reminder for what is past; what was overdue stays on record where it is a caution."""

    DOWN: ClassVar[dict[str, Any]] = {"end": {"start": at(later(245))}}

    def test_no_deadline_is_left(self) -> None:
        assert seen(600, **self.DOWN)[1] == ()
        assert seen(600, end={}) == ((), ())

    def test_the_caution_stays(self) -> None:
        (found,), _ = seen(600, policy=profile("ca"), **self.DOWN)
        assert (found.verdict, found.stage) == (Verdict.CAUTION, Stage.ENDED)

    def test_the_clock_is_not_asked(self) -> None:
        running = a_running(a_case(start={"set": ONE}, end={}), now=START_AT)
        set_change(running)
        assert running.clock.next_wake is None


def test_the_default_is_a_reminder() -> None:
    assert default_policy().row("set-change-as", START_AT).words == ("reminder",)
