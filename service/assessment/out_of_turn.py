"""Judging what comes out of turn: a bag hung again, a flow ended that had not begun."""

from service.assessment.checking import Bench, Judgement, before, day_of, too_coarse
from service.facts.case import EARLIEST, UnitView, step_time
from service.facts.fact import Fact
from service.facts.finding import Finding, Stage
from service.facts.steps import Step
from service.rules import preparation, recording


def judge_again(bench: Bench, unit: UnitView) -> tuple[Judgement, ...]:
    """What hung a unit that had been hung before, each judged for that and nothing else."""
    return tuple(_again(bench, unit, step) for step in unit.hung_again)


def _again(bench: Bench, unit: UnitView, step: Fact[Step]) -> Judgement:
    at = step_time(step)
    if at == EARLIEST:
        return too_coarse(bench, unit, step, Stage.RUNNING)
    pre = before(bench, unit, at, Stage.RUNNING, None, step)
    found = preparation.hung_again(pre)
    return Judgement(
        step=step,
        check=None,
        unit=unit,
        stage=Stage.RUNNING,
        at=at,
        findings=found,
        notable=found,
    )


def judge_astray(bench: Bench, unit: UnitView) -> tuple[Judgement, ...]:
    """What holds or ends a flow that, as far as is on record, had not begun: one answer for all."""
    faults = recording.astray(unit)
    if not faults:
        return ()
    found = tuple(
        finding
        for fault, alike in faults.items()
        for finding in recording.out_of_order(
            unit, fault, alike, bench.policy, day_of(bench, alike[0])
        )
    )
    steps = (step for alike in faults.values() for step in alike)
    return tuple(_of_record(bench, unit, step, found) for step in steps)


def judge_unnamed(bench: Bench, step: Fact[Step]) -> Judgement:
    """An end, hold, return or discard of a unit that was not identified."""
    unit = UnitView(key=None, steps=(step,))
    at = day_of(bench, step)
    found = recording.out_of_order(unit, "unit-unknown", (step,), bench.policy, at)
    return _of_record(bench, unit, step, found)


def _of_record(
    bench: Bench, unit: UnitView, step: Fact[Step], found: tuple[Finding, ...]
) -> Judgement:
    return Judgement(
        step=step,
        check=None,
        unit=unit,
        stage=Stage.ENDED,
        at=day_of(bench, step),
        findings=found,
        notable=found,
    )
