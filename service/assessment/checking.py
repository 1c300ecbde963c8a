"""Judging a unit before its start: at each recorded check, and at the start itself."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.assessment.memory import Found, Memory, Standing
from service.facts.case import EARLIEST, Case, UnitView, step_finished, step_time, told_at
from service.facts.clinical import clinical_time
from service.facts.deadline import Deadline
from service.facts.fact import Fact
from service.facts.finding import Finding, Remedy, Stage, Verdict, gravest
from service.facts.identity import Staff
from service.facts.moment import latest_instant
from service.facts.records import Order
from service.facts.steps import Step, StepCode
from service.policy.policy import Policy, Site
from service.rules import (
    compatibility,
    identity,
    preparation,
    reaction,
    sample,
    timing,
)
from service.rules.context import PreStart, PreStartRule, urgency_at
from service.rules.identity_checkers import told_apart
from service.rules.orders import linked

RULES: tuple[PreStartRule, ...] = (
    *identity.RULES,
    *compatibility.RULES,
    *sample.RULES,
    *preparation.RULES,
    *timing.RULES,
    *reaction.RULES,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the rules say of one unit at one check or start.

    step: the step judged, None for a dry run. findings: gravest first, every rule's, those that
    were met included. notable: those that were not simply met. authorised: (rule, authorising step)
    for findings a named person accepted. acknowledged: the step that acknowledged the unit's
    cautions, or None.
    """

    step: Fact[Step] | None
    check: Fact[Step] | None
    unit: UnitView
    stage: Stage
    at: datetime
    findings: tuple[Finding, ...]
    notable: tuple[Finding, ...]
    authorised: tuple[tuple[str, Fact[Step]], ...] = ()
    acknowledged: Fact[Step] | None = None

    @property
    def verdict(self) -> Verdict:
        """The gravest finding that nobody with the right to has accepted."""
        if not self.authorised and self.acknowledged is None:
            return gravest(self.notable)
        accepted = {rule for rule, _ in self.authorised}
        standing = [
            finding
            for finding in self.notable
            if not (finding.verdict is Verdict.AUTHORISE and finding.rule in accepted)
            and not (finding.verdict is Verdict.CAUTION and self.acknowledged is not None)
        ]
        return gravest(standing)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What every judgement of one case shares. ``memory`` None: every judgement is made anew."""

    case: Case
    policy: Policy
    site: Site
    memory: Memory | None = None
    standing: Standing | None = None


def judge(
    bench: Bench,
    unit: UnitView,
    *,
    at: datetime,
    stage: Stage,
    check: Fact[Step] | None,
    start: Fact[Step] | None = None,
) -> Judgement:
    """All pre-start rules on one unit at one instant."""
    found = _remembered(bench, unit, at, stage, check, start)
    authorised: tuple[tuple[str, Fact[Step]], ...] = ()
    acknowledged = None
    if found is None or found.acceptable:
        pre = before(bench, unit, at, stage, check, start)
        found = found or _asked(bench, pre)
        authorised = _authorised(pre, found.notable)
        acknowledged = _acknowledged(pre, found.notable)
    return Judgement(
        step=start if stage is Stage.START else check,
        check=check,
        unit=unit,
        stage=stage,
        at=at,
        findings=found.all,
        notable=found.notable,
        authorised=authorised,
        acknowledged=acknowledged,
    )


def before(
    bench: Bench,
    unit: UnitView,
    at: datetime,
    stage: Stage,
    check: Fact[Step] | None,
    start: Fact[Step] | None,
) -> PreStart:
    """What the rules are asked about: one unit at one instant."""
    orders = orders_behind(bench, unit, at)
    return PreStart(
        case=bench.case,
        unit=unit,
        policy=bench.policy,
        site=bench.site,
        at=at,
        stage=stage,
        check=check,
        start=start,
        urgency=urgency_at(bench.case, orders, at),
        orders=orders,
        brief=bench.memory is not None,
    )


def _remembered(
    bench: Bench,
    unit: UnitView,
    at: datetime,
    stage: Stage,
    check: Fact[Step] | None,
    start: Fact[Step] | None,
) -> Found | None:
    """What was found before, where nothing that bears on it changed."""
    if bench.memory is None or bench.standing is None:
        return None
    return bench.memory.get(_key(bench.standing, unit, at, stage, check, start), at)


def _key(
    standing: Standing,
    unit: UnitView,
    at: datetime,
    stage: Stage,
    check: Fact[Step] | None,
    start: Fact[Step] | None,
) -> str:
    about = (fact.key if fact else None for fact in (check, start))
    return standing.key(at, stage.value, unit.key.text if unit.key else None, *about)


def _asked(bench: Bench, pre: PreStart) -> Found:
    """What the rules find, gravest first; remembered for the next time."""
    every = [finding for rule in RULES for finding in rule(pre)]
    found = Found.of(sorted(every, key=_gravest_first))
    if bench.memory is not None and bench.standing is not None:
        key = _key(bench.standing, pre.unit, pre.at, pre.stage, pre.check, pre.start)
        bench.memory.put(key, pre.at, found)
    return found


def orders_behind(
    bench: Bench, unit: UnitView, at: datetime | None = None
) -> tuple[Fact[Order], ...]:
    """The patient's orders a unit is for: those it names, else those of its component and window.

    The order of another patient, for whom the unit was meant, is not among them. at: the instant
    that the window must hold, by default the start, else the last step.
    """
    case = bench.case
    if at is None:
        at = (
            step_time(unit.started)
            if unit.started
            else max(map(step_time, unit.steps), default=EARLIEST)
        )
    found = linked(case, case.orders_of(unit), unit.component, at, bench.site.zone)
    return tuple(order for order in found if case.mine(order))


def check_of(bench: Bench, unit: UnitView, start: Fact[Step]) -> Fact[Step] | None:
    """The check that a start rests on, or None.

    The latest check of the same patient and unit that ended at or before the start, within the
    policy's life of a check, with no return between. Whether the starter is one of its checkers is
    a rule's to say (ID-21): an earlier check of the starter's never hides what a later one found.
    """
    began = step_time(start)
    life = bench.policy.row("check-valid", began).span
    returns = [step_time(step) for step in unit.done(StepCode.RETURN_UNIT)]
    usable = [
        check
        for check in unit.done(StepCode.CHECK_UNIT)
        if began - life <= step_finished(check) <= began
        and not any(step_finished(check) <= back <= began for back in returns)
    ]
    return max(usable, key=lambda c: (step_finished(c), c.key), default=None)


def judge_checks(bench: Bench, unit: UnitView) -> tuple[Judgement, ...]:
    """Every recorded check of a unit, in clinical order."""
    return tuple(judge_check(bench, unit, check) for check in unit.done(StepCode.CHECK_UNIT))


def judge_check(bench: Bench, unit: UnitView, check: Fact[Step]) -> Judgement:
    """One check, judged at its end."""
    if step_finished(check) == EARLIEST:
        return too_coarse(bench, unit, check, Stage.CHECK)
    return judge(bench, unit, at=step_finished(check), stage=Stage.CHECK, check=check)


def due_after(bench: Bench, unit: UnitView, check: Fact[Step]) -> tuple[Deadline, ...]:
    """What must follow a check, and by when: start by, down by."""
    at = step_finished(check)
    if at == EARLIEST:
        return ()
    return timing.deadlines_before(before(bench, unit, at, Stage.CHECK, check, None))


def judge_start(bench: Bench, unit: UnitView) -> Judgement | None:
    """The start of a unit, judged at its own instant; None when it never started.

    What hung it again is judged apart, as out of turn.
    """
    start = unit.started
    if start is None:
        return None
    if step_time(start) == EARLIEST:
        return too_coarse(bench, unit, start, Stage.START)
    check = check_of(bench, unit, start)
    return judge(bench, unit, at=step_time(start), stage=Stage.START, check=check, start=start)


def too_coarse(bench: Bench, unit: UnitView, step: Fact[Step], stage: Stage) -> Judgement:
    """A step that was not sent to the minute: no rule about it can be judged, so it is refused."""
    day = day_of(bench, step)
    row = bench.policy.rule("ID-07", day)
    finding = Finding(
        rule=row.id,
        reason="time-too-coarse",
        stage=stage,
        text="The time of the step was not sent to the minute, so nothing about it can be judged.",
        verdict=Verdict.REFUSE,
        known=False,
        missing=("time",),
        unit=unit.key,
        facts=(step.key,),
        cited=(row.cited,),
        remedy=Remedy.COMPLETE_RECORD,
        critical=True,
    )
    return Judgement(
        step=step,
        check=step if stage is Stage.CHECK else None,
        unit=unit,
        stage=stage,
        at=day,
        findings=(finding,),
        notable=(finding,),
    )


def day_of(bench: Bench, step: Fact[Step]) -> datetime:
    """When a step was done, by the end of its day where no more was sent."""
    return latest_instant(step.body.start, bench.site.zone) or step.received


def _may_be_checker(check: Fact[Step], staff: Staff) -> bool:
    """Somebody who is not shown to be another person than each of the two checkers."""
    checkers = (check.body.owner, check.body.second_checker)
    return any(who is not None and not told_apart(staff, who) for who in checkers)


def _gravest_first(finding: Finding) -> tuple[int, str, str]:
    grave = -1 if finding.verdict is None else int(finding.verdict)
    return (-grave, finding.rule, finding.reason)


def _authorised(pre: PreStart, findings: Iterable[Finding]) -> tuple[tuple[str, Fact[Step]], ...]:
    """Findings that a step ``authorise`` accepts: patient, unit, rule and the facts they rest on.

    The authoriser is neither checker. It lapses at the start or after the policy's life; while
    life-threatening it covers all the patient's units until the emergency ends.
    """
    found: list[tuple[str, Fact[Step]]] = []
    for finding in findings:
        if finding.verdict is Verdict.AUTHORISE:
            step = _authorisation(pre, finding)
            if step is not None:
                found.append((finding.rule, step))
    return tuple(found)


def _authorisation(pre: PreStart, finding: Finding) -> Fact[Step] | None:
    for step in reversed(pre.case.steps):
        if step.body.code is not StepCode.AUTHORISE or finding.rule not in step.body.rules:
            continue
        lasts = _same_emergency(pre, step_finished(step))
        covers = lasts or _names_unit(pre, step)
        if covers and _within(pre, step, lasts) and _may_authorise(pre, step, finding):
            return step
    return None


def _names_unit(pre: PreStart, step: Fact[Step]) -> bool:
    return pre.unit.key is not None and pre.case.unit_of_step(step.body) == pre.unit.key


def _same_emergency(pre: PreStart, given: datetime) -> bool:
    """Whether it was life-threatening when a person accepted it, and has been ever since."""
    over = (
        step
        for step in pre.case.steps
        if step.body.code is StepCode.END_EMERGENCY and given < step_time(step) <= pre.at
    )
    then = urgency_at(pre.case, pre.orders, given) == "life-threatening"
    return pre.emergency and then and not any(over)


def _within(pre: PreStart, step: Fact[Step], lasts: bool) -> bool:
    """It comes before the start, at a check perhaps after it, and lapses with the policy's life.

    lasts: it is of the emergency that still goes on, and does not lapse before that ends.
    """
    until, given = _hung_at(pre), step_finished(step)
    if until is None:
        return True
    life = pre.policy.row("authorisation-life", pre.at).span
    return given <= until and (lasts or until <= given + life)


def _may_authorise(pre: PreStart, step: Fact[Step], finding: Finding) -> bool:
    """A named person, with a reason, who is neither of the two checkers."""
    owner = step.body.owner
    if owner is None or not owner.keys or not step.body.reason:
        return False
    if pre.check is not None and _may_be_checker(pre.check, owner):
        return False
    given, unbound = step_finished(step), _unbound(pre, step)
    return not any(
        _corrected(pre, fact, given) or (_came(pre, fact, given) and not pre.emergency)
        for fact in _rests_on(pre, (finding,))
        if fact.key not in unbound
    )


def _unbound(pre: PreStart, step: Fact[Step]) -> set[str]:
    """Facts that an authorisation was not given on: the start, and what came with another unit."""
    unit = pre.unit
    of_unit: tuple[Fact[Any], ...] = (
        *unit.described,
        *unit.issues,
        *unit.crossmatches,
        *unit.steps,
    )
    started: tuple[Fact[Any], ...] = (pre.start,) if pre.start is not None else ()
    return {fact.key for fact in (started if _names_unit(pre, step) else of_unit)}


def _hung_at(pre: PreStart) -> datetime | None:
    """Until when anything bears on what a person accepted: the start, None before it."""
    if pre.stage is Stage.START:
        return pre.at
    return step_time(pre.unit.started) if pre.unit.started is not None else None


def _rests_on(pre: PreStart, findings: Iterable[Finding]) -> list[Fact[Any]]:
    found = (pre.case.fact(key) for finding in findings for key in finding.facts)
    return [fact for fact in found if fact is not None]


def _came(pre: PreStart, fact: Fact[Any], given: datetime) -> bool:
    """Whether it came true after a person accepted what rests on it, and by the start."""
    when, until = clinical_time(fact), _hung_at(pre)
    return when is not None and given < when and (until is None or when <= until)


def _corrected(pre: PreStart, fact: Fact[Any], given: datetime) -> bool:
    """Whether it was corrected in that time; a correction after the start does not reach back."""
    until = _hung_at(pre)
    told = (told_at(one) for one in pre.case.history.get(fact.key, (fact,)) if one.version > 1)
    return any(given < at and (until is None or at <= until) for at in told)


def _acknowledged(pre: PreStart, findings: Iterable[Finding]) -> Fact[Step] | None:
    """The step that acknowledged all cautions of the unit as they stand."""
    cautions = [finding for finding in findings if finding.verdict is Verdict.CAUTION]
    for step in pre.unit.done(StepCode.ACKNOWLEDGE_CAUTION):
        given = step_finished(step)
        if not any(
            _corrected(pre, fact, given) or _came(pre, fact, given)
            for fact in _rests_on(pre, cautions)
        ):
            return step
    return None
