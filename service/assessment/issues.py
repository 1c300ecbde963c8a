"""Findings as DetectedIssues: one per refusal, authorise, pause or stop; cautions together."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

from service.assessment.checking import Bench, Judgement
from service.assessment.course import Course
from service.assessment.desired import Desired, Issue, Key, To
from service.assessment.procedures import procedure_key
from service.assessment.showing import fact_subject, patient_shown, step_ref, unit_shown
from service.facts.case import EARLIEST, UnitView, step_finished, step_time
from service.facts.clinical import clinical_time
from service.facts.deadline import Clock
from service.facts.fact import Fact
from service.facts.finding import Advice, Finding, Stage, Verdict
from service.facts.identity import Staff
from service.facts.moment import Moment
from service.facts.moment import at as moment_at
from service.facts.steps import Step

ALERTING = frozenset({Verdict.AUTHORISE, Verdict.REFUSE})
RECORD = frozenset({To.RECORD_SYSTEM})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mitigated:
    """Who acted on a finding, and what they did."""

    text: str
    by: Staff | None
    at: Moment | None


def issues(bench: Bench, clock: Clock, course: Course) -> tuple[Desired, ...]:
    """All DetectedIssues of one unit."""
    found: dict[str, Desired] = {}
    judged = course.judgements
    for place, judgement in enumerate(judged):
        later = judged[place + 1 :]
        for desired in _of_judgement(bench, clock, course, judgement, later):
            found[desired.key.text] = desired
    found.update((one.key.text, one) for one in _running_cautions(bench, course))
    for finding in _without_grace(bench, clock, course):
        if finding.advice in (Advice.PAUSE, Advice.STOP, Advice.ESCALATE):
            desired = _of_advice(bench, course, finding)
            found.setdefault(desired.key.text, desired)
    return tuple(found[key] for key in sorted(found))


def loose_issues(bench: Bench, judgement: Judgement) -> tuple[Desired, ...]:
    """The refusal of a check or start whose unit was not identified, keyed on the step."""
    if judgement.step is None:
        return ()
    refused = [f for f in judgement.notable if f.verdict is Verdict.REFUSE and not f.missing]
    shown = refused or [f for f in judgement.notable if f.verdict is Verdict.REFUSE]
    return tuple(
        _desired(bench, Key("issue", fact_subject(judgement.step), f.rule), None, (f,), judgement)
        for f in shown
    )


def _of_judgement(
    bench: Bench, clock: Clock, course: Course, judged: Judgement, later: tuple[Judgement, ...]
) -> Iterable[Desired]:
    if not _settled(bench, clock, course, judged):
        alerting = [f for f in judged.notable if f.verdict in ALERTING and f.known]
        cautions: list[Finding] = []
    else:
        alerting = [f for f in judged.notable if f.verdict in ALERTING]
        cautions = [f for f in judged.notable if f.verdict is Verdict.CAUTION]
    if (
        judged.stage is Stage.START
        and judged.check is None
        and not _grace_over(bench, clock, judged)
    ):
        return
    for finding in alerting:
        key = Key("issue", course.subject, finding.rule)
        mitigated = _mitigation(judged, finding, later)
        yield _desired(bench, key, course.unit, (finding,), judged, mitigated)
    fresh = _new_cautions(course, judged, cautions)
    if fresh:
        key = Key("issue", course.subject, "cautions", judged.stage.value)
        acknowledged = judged.acknowledged
        mitigated = _by(acknowledged, "Acknowledged") if acknowledged else None
        yield _desired(bench, key, course.unit, fresh, judged, mitigated)


def _without_grace(bench: Bench, clock: Clock, course: Course) -> tuple[Finding, ...]:
    """The findings of the running unit; what a start without check lacks waits for the grace."""
    start = course.start
    if start is None or start.check is not None or _grace_over(bench, clock, start):
        return course.findings
    lacking = {(f.rule, f.reason) for f in start.findings if not f.known}
    return tuple(f for f in course.findings if (f.rule, f.reason) not in lacking)


def _settled(bench: Bench, clock: Clock, course: Course, judged: Judgement) -> bool:
    """Findings that only say *unknown* wait until the start or a settle time after the check."""
    if course.unit.started is not None or judged.step is None:
        return True
    settle: timedelta = bench.policy.row("settle", judged.at).span
    return clock.reached(judged.step.received + settle)


def _grace_over(bench: Bench, clock: Clock, judged: Judgement) -> bool:
    grace = bench.policy.row("no-check-grace", judged.at).span
    return clock.reached(judged.at + grace)


def _new_cautions(
    course: Course, judged: Judgement, cautions: list[Finding]
) -> tuple[Finding, ...]:
    """Cautions that the unit has not already shown at a check: told in other words is no news."""
    if judged.stage is not Stage.START:
        return tuple(cautions)
    said = {(f.rule, f.reason) for check in course.checks for f in check.findings}
    return tuple(finding for finding in cautions if (finding.rule, finding.reason) not in said)


def _mitigation(
    judged: Judgement, finding: Finding, later: tuple[Judgement, ...]
) -> _Mitigated | None:
    """An authorisation, or a later check that no longer has the finding."""
    for rule, step in judged.authorised:
        if rule == finding.rule and finding.verdict is Verdict.AUTHORISE:
            return _by(step, "Authorised")
    for after in later:
        same = [f for f in after.notable if f.rule == finding.rule and f.verdict in ALERTING]
        if not same and after.stage is Stage.CHECK and after.step is not None:
            return _by(after.step, "A later check no longer has this finding")
    return None


def _by(step: Fact[Step], what: str) -> _Mitigated:
    reason = f"{what}: {step.body.reason}" if step.body.reason else what
    return _Mitigated(text=reason, by=step.body.owner, at=moment_at(step_finished(step)))


def _desired(
    bench: Bench,
    key: Key,
    unit: UnitView | None,
    findings: tuple[Finding, ...],
    judged: Judgement,
    mitigated: _Mitigated | None = None,
) -> Desired:
    step = judged.step
    started = unit is not None and unit.started is not None
    content = Issue(
        findings=findings,
        patient=patient_shown(bench.case, bench.site),
        status="mitigated" if mitigated else "final",
        severity=_severity(findings),
        at=moment_at(judged.at),
        unit=unit_shown(unit) if unit else None,
        procedure=procedure_key(unit) if unit is not None and started else None,
        step=step_ref(step.body) if step else None,
        author=step.body.owner if step else None,
        mitigation=(mitigated.text,) if mitigated else (),
        mitigated_by=mitigated.by if mitigated else None,
        mitigated_at=mitigated.at if mitigated else None,
        judged=step.key if step else None,
    )
    stream = unit.subject if unit is not None and unit.key else key.subject
    return Desired(key=key, to=RECORD, stream=stream, content=content, basis=_basis(findings, step))


def _basis(findings: Iterable[Finding], step: Fact[Step] | None) -> tuple[str, ...]:
    """The facts that findings rest on, the step that was judged among them."""
    judged = {step.key} if step is not None else set()
    return tuple(sorted(judged.union(*(finding.facts for finding in findings))))


def _latest(bench: Bench, findings: Iterable[Finding], started: Fact[Step]) -> Moment | None:
    """The latest clinical time among the facts of what was found while the unit runs."""
    keys = set[str]().union(*(finding.facts for finding in findings))
    times = (clinical_time(fact) for fact in bench.case.facts if fact.key in keys)
    latest = max([step_time(started), *(time for time in times if time is not None)])
    return moment_at(latest) if latest != EARLIEST else None


def _running_cautions(bench: Bench, course: Course) -> Iterable[Desired]:
    """The cautions of a unit under way, together."""
    cautions = tuple(f for f in course.findings if f.verdict is Verdict.CAUTION)
    started = course.unit.started
    if not cautions or started is None:
        return
    content = Issue(
        findings=tuple(sorted(cautions, key=lambda f: (f.rule, f.reason))),
        patient=patient_shown(bench.case, bench.site),
        status="final",
        severity="low",
        at=_latest(bench, cautions, started),
        unit=unit_shown(course.unit),
        procedure=procedure_key(course.unit),
        judged=started.key,
    )
    yield Desired(
        key=Key("issue", course.subject, "cautions", Stage.RUNNING.value),
        to=RECORD,
        stream=course.subject,
        content=content,
        basis=_basis(cautions, started),
    )


def _of_advice(bench: Bench, course: Course, finding: Finding) -> Desired:
    started = course.unit.started
    content = Issue(
        findings=(finding,),
        patient=patient_shown(bench.case, bench.site),
        status="final",
        severity="moderate" if finding.advice is Advice.PAUSE else "high",
        at=_latest(bench, (finding,), started) if started else None,
        unit=unit_shown(course.unit),
        procedure=procedure_key(course.unit),
        judged=started.key if started else None,
    )
    return Desired(
        key=Key("issue", course.subject, finding.rule),
        to=RECORD,
        stream=course.subject,
        content=content,
        critical=finding.advice is Advice.STOP,
        basis=_basis((finding,), started),
    )


def _severity(findings: tuple[Finding, ...]) -> str:
    gravest = max((f.verdict or Verdict.NOTE for f in findings), default=Verdict.NOTE)
    return {Verdict.REFUSE: "high", Verdict.AUTHORISE: "moderate"}.get(gravest, "low")
