"""A unit from its start on: what is due, what the observations say, what is advised."""

from dataclasses import dataclass

from service.assessment.checking import (
    Bench,
    Judgement,
    judge_checks,
    judge_start,
    orders_behind,
)
from service.assessment.out_of_turn import judge_again, judge_astray
from service.facts.case import EARLIEST, UnitView, step_time
from service.facts.deadline import Clock, Deadline
from service.facts.finding import Advice, Finding, Screen, Stage, Verdict
from service.facts.unit import UnitKey
from service.rules import compatibility, reaction, timing
from service.rules.context import Running

# A shown wrong patient or bag, an ABO-incompatible or a quarantined unit (rules.md REC-19); data
# that is missing, a record that contradicts another and an expired sample show nothing.
SHOWN_WRONG = frozenset(
    {
        "spoken-differs",
        "identifier-mismatch",
        "another-patient",
        "din-mismatch",
        "product-mismatch",
        "division-mismatch",
        "focus-mismatch",
        "group-mismatch",
        "abo-red-cell-incompatible",
        "abo-plasma-incompatible",
        "abo-whole-blood-incompatible",
        "unit-quarantined",
        "unit-recalled",
        "label-forbids-use",
        "issued-to-another-patient",
        "started-elsewhere",
        "meant-for-another-patient",
    }
)

# Of these, what is wrong with the unit itself: nobody else's blood, and no other patient at risk.
WITHDRAWN = frozenset({"unit-quarantined", "unit-recalled"})

# Refusals for which a hanging bag comes down, whatever is added to the record (rules.md 0).
FOR_GOOD = SHOWN_WRONG | {
    "already-given",
    "appearance-abnormal",
    "expired",
    "returned",
    "returned-out-of-limits",
    "unit-discarded",
    "unit-unavailable",
}
GRAVE = frozenset({Advice.STOP, Advice.ESCALATE})
NO_SCREEN = Screen()


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """One unit in one case, judged before the start and followed after it.

    start: the judgement at the start, None before it. again: of what hung the unit once more.
    astray: of steps that cannot be what they say. screen: the reaction screen, empty before the
    start. findings: running and ended stage, the screen's included.
    """

    unit: UnitView
    checks: tuple[Judgement, ...]
    start: Judgement | None
    again: tuple[Judgement, ...] = ()
    astray: tuple[Judgement, ...] = ()
    screen: Screen = NO_SCREEN
    findings: tuple[Finding, ...] = ()
    deadlines: tuple[Deadline, ...] = ()

    @property
    def key(self) -> UnitKey:
        """The unit's key; a course exists only for an identified unit."""
        if self.unit.key is None:
            raise ValueError("a course is of an identified unit")
        return self.unit.key

    @property
    def subject(self) -> str:
        """What the unit's emitted resources are named by."""
        return self.unit.subject

    @property
    def advice(self) -> Advice:
        """The gravest advice of the running unit."""
        return max(
            (f.advice for f in self.findings if f.advice is not None), default=Advice.CONTINUE
        )

    @property
    def judgements(self) -> tuple[Judgement, ...]:
        """All judgements: of the checks, of the start, and of what came after it."""
        start = (self.start,) if self.start else ()
        return (*self.checks, *start, *self.again, *self.astray)

    @property
    def wrong_blood(self) -> tuple[Finding, ...]:
        """Findings that show another patient or bag, at any recorded check or at the start."""
        return tuple(
            finding for judged in self.judgements for finding in wrong_blood(judged.notable)
        )

    @property
    def news(self) -> tuple[Finding, ...]:
        """What came to light against the unit once it was started, grave enough to stop it."""
        return tuple(f for f in self.findings if f.rule == "COMP-11" and f.advice in GRAVE)


def shown_wrong(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """The findings that show a wrong patient or bag; missing data shows nothing."""
    return tuple(
        finding
        for finding in findings
        if finding.reason in SHOWN_WRONG and finding.known and finding.verdict is Verdict.REFUSE
    )


def wrong_blood(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """The findings that show another patient's, or another, bag than was meant."""
    return tuple(finding for finding in shown_wrong(findings) if finding.reason not in WITHDRAWN)


def follow(bench: Bench, clock: Clock, unit: UnitView, *, reaction_open: bool) -> Course:
    """Judges and follows one unit."""
    start = judge_start(bench, unit)
    checks = judge_checks(bench, unit)
    astray = judge_astray(bench, unit)
    if start is None or unit.started is None:
        return Course(unit=unit, checks=checks, start=None, astray=astray)
    again = judge_again(bench, unit)
    running = Running(
        case=bench.case,
        unit=unit,
        policy=bench.policy,
        site=bench.site,
        clock=clock,
        start=unit.started,
        ended=unit.ended,
        orders=orders_behind(bench, unit, start.at),
    )
    timed, deadlines = timing.watch(running, reaction_open=reaction_open)
    exact = step_time(unit.started) != EARLIEST
    screen = reaction.screen(running, wrong_blood(start.notable)) if exact else NO_SCREEN
    findings = (
        *_start_advice(running, start),
        *_again_advice(running, (*checks, start), again),
        *(compatibility.news(running) if exact else ()),
        *timed,
        *screen.findings,
    )
    return Course(
        unit=unit,
        checks=checks,
        start=start,
        again=again,
        astray=astray,
        screen=screen,
        findings=tuple(sorted(findings, key=_gravest_first)),
        deadlines=deadlines,
    )


def _start_advice(running: Running, start: Judgement) -> tuple[Finding, ...]:
    """Advice that follows from a refusal at the start, while the bag still hangs.

    Stop where nothing can mend it, a wrong bag or one that must not be used; else pause.
    """
    if running.ended is not None:
        return ()
    refused = [f for f in start.notable if f.verdict is Verdict.REFUSE]
    final = [f for f in refused if f.known and f.reason in FOR_GOOD]
    if final:
        return tuple(_advising(finding, Advice.STOP) for finding in final)
    return tuple(_advising(finding, Advice.PAUSE) for finding in refused[:1])


def _again_advice(
    running: Running, before: tuple[Judgement, ...], again: tuple[Judgement, ...]
) -> tuple[Finding, ...]:
    """Stop while a bag hangs that was down before, or that was refused when last judged."""
    if running.ended is not None:
        return ()
    return tuple(
        _advising(finding, Advice.STOP)
        for judged in again
        for finding in judged.notable
        if finding.reason == "already-given" or _refused_before(before, judged)
    )


def _refused_before(before: tuple[Judgement, ...], judged: Judgement) -> bool:
    earlier = sorted((one for one in before if one.at <= judged.at), key=lambda one: one.at)
    return bool(earlier) and earlier[-1].verdict is Verdict.REFUSE


def _advising(finding: Finding, advice: Advice) -> Finding:
    return Finding(
        rule=finding.rule,
        reason=finding.reason,
        stage=Stage.RUNNING,
        text=finding.text,
        advice=advice,
        known=finding.known,
        missing=finding.missing,
        unit=finding.unit,
        facts=finding.facts,
        cited=finding.cited,
        remedy=finding.remedy,
        shown=finding.shown,
        critical=finding.critical,
    )


def _gravest_first(finding: Finding) -> tuple[int, str, str]:
    grave = -1 if finding.advice is None else int(finding.advice)
    return (-grave, finding.rule, finding.reason)


def episodes(courses: tuple[Course, ...], span_seconds: float) -> tuple[tuple[Course, ...], ...]:
    """Started units whose windows touch, in clinical order: start to end plus the given span."""
    started = sorted(
        (course for course in courses if course.unit.started is not None),
        key=lambda course: (_began(course), course.key),
    )
    found: list[list[Course]] = []
    open_until = float("-inf")
    for course in started:
        begins = _began(course)
        if not found or begins > open_until:
            found.append([])
            open_until = float("-inf")
        found[-1].append(course)
        ended = course.unit.ended
        until = step_time(ended).timestamp() + span_seconds if ended else float("inf")
        open_until = max(open_until, until)
    return tuple(tuple(episode) for episode in found)


def _began(course: Course) -> float:
    started = course.unit.started
    return step_time(started).timestamp() if started else float("inf")
