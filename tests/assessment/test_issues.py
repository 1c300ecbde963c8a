"""DetectedIssues: when a finding came true, and on which facts it rests (design: section 5)."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from service.assessment.assess import Assessment, assess
from service.assessment.checking import Bench
from service.assessment.clock import RecordingClock
from service.assessment.desired import Desired, Issue
from service.assessment.issues import issues as of_course
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.finding import Finding, Stage, Verdict
from service.facts.moment import Moment, at
from service.facts.steps import StepCode
from service.facts.unit import UnitRef
from tests.support.cases import (
    BASELINE,
    PATIENT,
    SITE,
    START_AT,
    a_start,
    a_step,
    some_facts,
    some_vitals,
)
from tests.support.policies import default_policy

POLICY = default_policy()
NORMAL = {k: v for k, v in BASELINE.items() if k != "saturation"}


def minute(number: float) -> datetime:
    return START_AT + timedelta(minutes=number)


def vitals(when: float, key: str, **changed: str) -> Fact[Any]:
    return some_vitals(minute(when), key, NORMAL | changed)


def assessed(
    *more: Fact[Any], until: float = 60, facts: list[Fact[Any]] | None = None
) -> Assessment:
    held = some_facts(start={}) if facts is None else facts
    case = Case("person-1", [*held, *more], (), PATIENT.tokens)
    return assess(case, POLICY, SITE, RecordingClock(minute(until)))


def issues(found: Assessment) -> dict[str, tuple[Desired, Issue]]:
    """By rule and ordinal: what is desired and its content."""
    return {
        f"{one.key.rule}{one.key.ordinal and '/' + one.key.ordinal}": (one, one.content)
        for one in found.desired
        if isinstance(one.content, Issue)
    }


class TestWhenItWasFound:
    """While the unit runs a finding came true with the latest of its facts, not with the start."""

    def test_a_fever(self) -> None:
        """VIT-03 [S48]: 39.2 degrees at 15 minutes."""
        found = issues(assessed(vitals(15, "Observation/v1", temperature="39.2"), until=16))
        _, issue = found["VIT-03"]
        assert issue.at is not None
        assert issue.at.instant == minute(15)

    def test_cautions_together(self) -> None:
        """Whatever rule says it: the latest fact of all of them."""
        facts = [*some_facts(start={}), *(vitals(n, f"Observation/v{n}") for n in (15, 40))]
        case = Case("person-1", facts, (), PATIENT.tokens)
        (course,) = assess(case, POLICY, SITE, RecordingClock(minute(50))).courses
        said = tuple(
            Finding(
                rule="TIM-15",
                reason=f"n{n}",
                stage=Stage.RUNNING,
                text="x",
                verdict=Verdict.CAUTION,
                facts=(f"Observation/v{n}",),
            )
            for n in (40, 15)
        )
        bench = Bench(case=case, policy=POLICY, site=SITE)
        made = of_course(bench, RecordingClock(minute(50)), replace(course, findings=said))
        (issue,) = [one.content for one in made if one.key.ordinal == "running"]
        assert isinstance(issue, Issue)
        assert issue.at == at(minute(40))
        assert issue.judged == "Task/start"

    def test_what_rests_on_the_start_alone(self) -> None:
        """A set that nobody recorded has no later fact than the start."""
        found = issues(assessed(until=300))
        times = {i.at.instant for _, i in found.values() if i.at is not None and i.procedure}
        assert START_AT in times

    def test_a_start_too_coarse_for_any_time(self) -> None:
        """No invented time: a start sent as a day has none."""
        coarse = replace(a_start(), body=replace(a_start().body, start=Moment(text="2025-06-02")))
        facts = [coarse if one.key == coarse.key else one for one in some_facts(start={})]
        found = issues(assessed(facts=facts, until=600))
        assert {i.at.instant.year for _, i in found.values() if i.at and i.at.instant} <= {2025}


class TestItsBasis:
    """Rule 6: the step that was judged is part of what a finding rests on."""

    def test_at_a_check(self) -> None:
        facts = [one for one in some_facts(start={}) if one.kind != "consent"]
        found = issues(assessed(facts=facts, until=1))
        assert found
        for desired, issue in found.values():
            assert issue.judged in desired.basis
            assert issue.judged == "Task/start"

    def test_while_it_runs(self) -> None:
        found = issues(assessed(vitals(15, "Observation/v1", temperature="39.2"), until=16))
        desired, issue = found["VIT-03"]
        assert issue.judged == "Task/start"
        assert {"Task/start", "Observation/v1"} <= set(desired.basis)

    def test_a_step_whose_unit_nobody_knows(self) -> None:
        loose = a_step(StepCode.CHECK_UNIT, "Task/loose", minute(-2), unit=UnitRef(), bag=None)
        found = issues(assessed(loose, until=1))
        judged = [i.judged for _, i in found.values() if i.unit is None]
        assert set(judged) == {"Task/loose"}
