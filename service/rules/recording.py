"""The record of a unit in its own order: a start, then what holds or ends its flow (REC-03)."""

from datetime import datetime

from service.facts.case import DOWN, EARLIEST, UnitView, step_time
from service.facts.fact import Fact
from service.facts.finding import Finding, Stage
from service.facts.steps import Step, StepCode
from service.policy.policy import VERDICTS, Policy

# Steps that speak of a flow, and so of a start before them.
FLOWED = (StepCode.INTERRUPT, StepCode.RESUME, StepCode.END)
# Steps that mean nothing without the unit they were done to.
OF_A_UNIT = frozenset({*FLOWED, *DOWN})

TEXTS: dict[str, tuple[str, tuple[str, ...]]] = {
    "not-to-the-minute": (
        "When the flow was held, resumed or ended was not sent to the minute, so it is left out.",
        ("time",),
    ),
    "without-start": (
        "Flow was held, resumed or ended of a unit whose start is not on record.",
        ("start",),
    ),
    "before-start": (
        "The flow is said to have been held, resumed or ended before the unit was started.",
        ("start", "end"),
    ),
    "unit-unknown": (
        "Which unit this was done to is not known, so that it changes no unit's record.",
        ("unit",),
    ),
}


def astray(unit: UnitView) -> dict[str, tuple[Fact[Step], ...]]:
    """The steps that cannot be what they say, by what is wrong; what was to be done stands open."""
    found: dict[str, tuple[Fact[Step], ...]] = {}
    for step in unit.done(*FLOWED, *DOWN):
        fault = _fault(step, unit.started)
        if fault is not None:
            found[fault] = (*found.get(fault, ()), step)
    return found


def _fault(step: Fact[Step], begun: Fact[Step] | None) -> str | None:
    flowed, when = step.body.code in FLOWED, step_time(step)
    if begun is None:
        return "without-start" if flowed else None
    if when >= step_time(begun):
        return None
    if when == EARLIEST:
        return "not-to-the-minute"
    return "before-start" if flowed else None


def out_of_order(
    unit: UnitView, fault: str, steps: tuple[Fact[Step], ...], policy: Policy, at: datetime
) -> tuple[Finding, ...]:
    """REC-03: steps with the same fault; nothing where the row in force is ``off``.

    at: the instant whose row applies.
    """
    row = policy.rule("REC-03", at)
    verdict = VERDICTS.get(row.when_missing)
    if verdict is None:
        return ()
    text, missing = TEXTS[fault]
    begun = (unit.started.key,) if unit.started is not None else ()
    finding = Finding(
        rule=row.id,
        reason=fault,
        stage=Stage.ENDED,
        text=text,
        verdict=verdict,
        known=False,
        missing=missing,
        unit=unit.key,
        facts=(*begun, *(step.key for step in steps)),
        cited=(row.cited,),
        remedy=row.remedy,
    )
    return (finding,)
