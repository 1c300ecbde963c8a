"""The administration record of each unit, and the volume given."""

from decimal import Decimal

from service.assessment.checking import Bench, orders_behind
from service.assessment.course import Course
from service.assessment.desired import Desired, Key, Procedure, To, Volume
from service.assessment.notices import Notice
from service.assessment.showing import (
    order_refs,
    patient_shown,
    place_given,
    step_ref,
    unit_shown,
)
from service.facts.case import UnitView, step_finished, step_time
from service.facts.fact import Fact
from service.facts.identity import Staff
from service.facts.moment import at as moment_at
from service.facts.steps import Step, StepCode
from service.rules import flow

BOTH = frozenset({To.RECORD_SYSTEM, To.BLOOD_BANK})


def procedure_key(unit: UnitView) -> Key:
    """The identity of a unit's administration record."""
    if unit.key is None:
        raise ValueError("a record is of an identified unit")
    return Key("procedure", unit.subject)


def records(bench: Bench, course: Course, notices: tuple[Notice, ...]) -> tuple[Desired, ...]:
    """Procedure and volume of one unit; nothing before it was started, returned or discarded."""
    unit = course.unit
    disposed = unit.done(StepCode.RETURN_UNIT, StepCode.DISCARD_UNIT)
    if unit.started is None and not disposed:
        return ()
    shown = unit_shown(unit)
    if shown is None:
        return ()
    given = _given(bench, unit)
    check = course.start.check if course.start else None
    content = Procedure(
        unit=shown,
        patient=patient_shown(bench.case, bench.site),
        status=_status(unit, disposed),
        status_reason=_reason(unit, disposed),
        orders=order_refs(orders_behind(bench, unit)),
        issue_numbers=tuple(
            min(issue.body.identifiers)
            for issue in unit.issues
            if issue.body.identifiers and bench.case.mine(issue)
        ),
        start=unit.started.body.start if unit.started else None,
        end=unit.ended.body.start if unit.ended else None,
        performers=_performers(course),
        location=place_given(bench.case, unit),
        check=step_ref(check.body) if check else None,
        checked_at=moment_at(step_finished(check)) if check else None,
        check_answer=_answer_of(course, check) if check else None,
        disposition=_disposition(unit, disposed, notices),
        complication=_complication(course, notices),
        volume=given.volume if given else None,
        volume_measured=given.measured if given else False,
    )
    basis = tuple(step.key for step in unit.steps) + tuple(i.key for i in unit.issues)
    key = procedure_key(unit)
    record = Desired(key=key, to=BOTH, stream=_stream(unit), content=content, basis=basis)
    if given is None or unit.ended is None:
        return (record,)
    return (record, _volume(bench, course, given.volume, given.measured))


def _answer_of(course: Course, check: Fact[Step]) -> str | None:
    """The verdict of the check itself, whatever the start is judged to be."""
    judged = (one for one in course.checks if one.step is not None and one.step.key == check.key)
    return next((one.verdict.word for one in judged), None)


def _given(bench: Bench, unit: UnitView) -> flow.Given | None:
    if unit.ended is None:
        return None
    residual = bench.policy.row("residual-volume", step_time(unit.ended)).number
    return flow.given_in_all(unit, residual)


def _volume(bench: Bench, course: Course, value: Decimal, measured: bool) -> Desired:
    unit = course.unit
    shown = unit_shown(unit)
    if shown is None or unit.ended is None:
        raise ValueError("a volume is of an identified unit that is down")
    content = Volume(
        unit=shown,
        patient=patient_shown(bench.case, bench.site),
        procedure=procedure_key(unit),
        value=value,
        measured=measured,
        at=unit.ended.body.start,
    )
    return Desired(
        key=Key("volume", course.subject),
        to=BOTH,
        stream=_stream(unit),
        content=content,
        basis=(unit.ended.key,),
    )


def _stream(unit: UnitView) -> str:
    return unit.subject


def _status(unit: UnitView, disposed: tuple[Fact[Step], ...]) -> str:
    """design.md section 5; HL7 table 0513 maps in fhir-contract 5.3."""
    if unit.started is None:
        return "not-done"
    ended = unit.ended
    if ended is None:
        return "on-hold" if _interrupted(unit) else "in-progress"
    given_up = ended.body.code is not StepCode.END or ended.body.reason is not None
    return "stopped" if given_up or disposed else "completed"


def _interrupted(unit: UnitView) -> bool:
    flow = unit.done(StepCode.START, StepCode.INTERRUPT, StepCode.RESUME)
    return bool(flow) and flow[-1].body.code is StepCode.INTERRUPT


def _reason(unit: UnitView, disposed: tuple[Fact[Step], ...]) -> str | None:
    """Why it is in the state it is in: what becomes of the rest of a stopped unit is no reason."""
    for step in (*([unit.ended] if unit.ended else []), *reversed(disposed)):
        if step.body.reason is not None:
            return step.body.reason
    return None


def _performers(course: Course) -> tuple[tuple[str, Staff], ...]:
    """The starter first, then whoever verified: checker and second checker, each once."""
    unit = course.unit
    found: list[tuple[str, Staff]] = []
    if unit.started is not None and unit.started.body.owner is not None:
        found.append(("PPRF", unit.started.body.owner))
    check = course.start.check if course.start else None
    checkers = (check.body.owner, check.body.second_checker) if check else ()
    for checker in checkers:
        if checker is not None and not any(checker.same_as(who) for _, who in found):
            found.append(("VRF", checker))
    return tuple(found)


def _disposition(
    unit: UnitView, disposed: tuple[Fact[Step], ...], notices: tuple[Notice, ...]
) -> str:
    """A code of HL7 table 0513: TS, TI, TX, TR for units given, RA or WA for units not given."""
    if unit.started is None:
        wasted = any(step.body.code is StepCode.DISCARD_UNIT for step in disposed)
        return "WA" if wasted else "RA"
    if unit.ended is None:
        return "TI" if _interrupted(unit) else "TS"
    reacted = any(
        notice.open and any(t.unit == unit.key for t in notice.triggers) for notice in notices
    )
    return "TR" if reacted else "TX"


def _complication(course: Course, notices: tuple[Notice, ...]) -> str | None:
    """Only when a person confirms."""
    for notice in notices:
        concerned = any(trigger.unit == course.key for trigger in notice.triggers)
        if notice.confirmed is not None and notice.open and concerned:
            return notice.confirmed.body.reason or "Suspected blood transfusion reaction confirmed"
    return None


def is_running(unit: UnitView) -> bool:
    """True from the start until the bag is down."""
    return unit.started is not None and unit.ended is None
