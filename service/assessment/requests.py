"""Tasks: reminders to the ward, and what the blood bank is asked or told besides a notice."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from service.assessment.checking import Bench, orders_behind
from service.assessment.course import Course
from service.assessment.desired import Desired, Key, Request, To
from service.assessment.notices import Notice, Pending, Reactions
from service.assessment.procedures import is_running, procedure_key
from service.assessment.showing import (
    fact_subject,
    moved,
    order_refs,
    patient_shown,
    place_of,
    unit_shown,
)
from service.facts.case import step_finished, step_time
from service.facts.deadline import Clock, Deadline
from service.facts.fact import Fact
from service.facts.finding import Verdict
from service.facts.moment import at as moment_at
from service.facts.records import Order
from service.facts.steps import Step, StepCode
from service.rules import timing
from service.rules.returns import DISCARD

WARD = frozenset({To.RECORD_SYSTEM})
BLOOD_BANK = frozenset({To.BLOOD_BANK})

# Deadline kinds that one rolling Task stands for, in order of their place in a unit's life.
OBSERVATIONS = frozenset({"first-observation", "later-observation", "end-observation"})

TEXTS: dict[str, str] = {
    "next-observation": "Next observation set of the unit.",
    "bag-down": "The unit must be down by its limit.",
    "set-change": "Change the administration set.",
    "ask-before-next-unit": "Ask whether the next unit is wanted before it is sent for.",
    "send-next-unit": "Send the next unit of this order.",
    "confirm-or-dismiss": "A screen suggests a reaction: confirm, dismiss or correct.",
    "telephone-laboratory": "Telephone the laboratory about the suspected reaction.",
    "sign-emergency-statement": "Sign the statement of urgency for the emergency release.",
    "expect-returned-unit": "A unit is on its way back.",
    "unit-wasted": "A unit was discarded.",
    "tell-blood-bank-recipient": "An emergency unit was given: this is its recipient.",
    "anti-d-advice": "Ask for anti-D advice: RhD positive cells to an RhD negative patient.",
    "consider-anti-d": "Consider anti-D: RhD positive platelets to an RhD negative patient.",
    "handover-recheck": "The patient moved while a unit runs: check both again at handover.",
}


def reminders(
    bench: Bench, clock: Clock, course: Course, reactions: Reactions
) -> tuple[Desired, ...]:
    """Everything asked of anybody about one unit."""
    found = [
        *_rolling(bench, clock, course),
        *_limit(bench, clock, course),
        *_set_change(bench, clock, course),
        *_handover(bench, course),
        *_next_unit(bench, clock, course, reactions),
        *_disposals(bench, course),
        *_implied(bench, course),
    ]
    return tuple(desired for desired in found if desired is not None)


def of_reactions(bench: Bench, reactions: Reactions) -> tuple[Desired, ...]:
    """What the ward is asked about suspected reactions."""
    found = [_confirm_or_dismiss(bench, pending) for pending in reactions.pending]
    for notice in reactions.notices:
        if notice.escalated is not None and notice.open:
            found.append(_telephone(bench, notice))
    return tuple(found)


def of_emergency(bench: Bench, courses: tuple[Course, ...]) -> tuple[Desired, ...]:
    """The signed statement is a Task due after the emergency, never a gate (rules.md 0)."""
    case = bench.case
    declared = [s for s in case.steps if s.body.code is StepCode.DECLARE_EMERGENCY]
    released = [c for c in courses if any(i.body.emergency_release for i in c.unit.issues)]
    if not declared and not released:
        return ()
    began = step_time(declared[0]) if declared else None
    if began is None:
        return ()
    due = began + bench.policy.row("emergency-statement", began).span
    request = _request(
        bench,
        "sign-emergency-statement",
        due=moment_at(due),
        requester=declared[0].body.owner,
    )
    key = Key("task", fact_subject(declared[0]), "sign-emergency-statement")
    return (
        Desired(
            key=key,
            to=WARD,
            stream=f"case/{key.subject}",
            content=request,
            basis=(declared[0].key,),
        ),
    )


def _rolling(bench: Bench, clock: Clock, course: Course) -> list[Desired]:
    """One Task per unit for the next observation set; it moves from one due set to the next."""
    due = [d for d in course.deadlines if d.kind in OBSERVATIONS]
    if not due:
        return []
    still = [d for d in due if d.met_by is None]
    code = "next-observation"
    if not still:
        return [_task(bench, course, code, status="completed")]
    current = _current(still)
    late = current.overdue
    request = _request(
        bench,
        code,
        course,
        due=moment_at(current.due),
        priority="urgent" if late else "routine",
        details=(("Set", current.ordinal), *((("State", "overdue"),) if late else ())),
    )
    return [_desired(course, code, request, basis=_origin(course))]


def _current(still: list[Deadline]) -> Deadline:
    """The last overdue set, else the next one: one observation meets all that were missed."""
    overdue = [deadline for deadline in still if deadline.overdue]
    return max(overdue, key=lambda d: d.due) if overdue else min(still, key=lambda d: d.due)


def _limit(bench: Bench, clock: Clock, course: Course) -> list[Desired]:
    """A warning before the bag-down limit, pressed at the limit, completed when the bag is down."""
    found = []
    over = course.unit.ended
    for deadline in course.deadlines:
        if deadline.kind != "bag-down":
            continue
        lead: timedelta = bench.policy.row("completion-warning", deadline.due).span
        if not _came(clock, deadline.due - lead, over):
            continue
        request = _request(
            bench,
            "bag-down",
            course,
            status="requested" if over is None else "completed",
            due=moment_at(deadline.due),
            priority="stat" if _came(clock, deadline.due, over) else "urgent",
        )
        found.append(_desired(course, "bag-down", request, basis=_origin(course)))
    return found


def _came(clock: Clock, instant: datetime, over: Fact[Step] | None) -> bool:
    """True when the instant came while the unit ran: by its end, or else by the clock."""
    return clock.reached(instant) if over is None else step_time(over) >= instant


def _set_change(bench: Bench, clock: Clock, course: Course) -> list[Desired]:
    due = [d for d in course.deadlines if d.kind == "set-change" and d.met_by is None]
    return [
        _desired(
            course,
            "set-change",
            _request(bench, "set-change", course, due=moment_at(deadline.due)),
            ordinal=deadline.ordinal,
            basis=_origin(course),
        )
        for deadline in due
        if is_running(course.unit) and clock.reached(deadline.due)
    ]


def _handover(bench: Bench, course: Course) -> list[Desired]:
    """One Task per unit that runs while the patient moves; a check after the move is its answer.

    A further move asks again (REC-21).
    """
    move = moved(bench.case, course.unit) if is_running(course.unit) else None
    if move is None:
        return []
    checks = course.unit.done(StepCode.CHECK_UNIT)
    again = any(step_finished(check) >= move.since for check in checks)
    status = "completed" if again else "requested"
    return [_task(bench, course, "handover-recheck", status=status)]


def _next_unit(bench: Bench, clock: Clock, course: Course, reactions: Reactions) -> list[Desired]:
    """The ward is asked first; sent for only when the order says so or in an emergency (TIM-16)."""
    if any(n.open and not n.is_news for n in reactions.notices) or reactions.pending:
        return []
    found = []
    for deadline in course.deadlines:
        if deadline.kind != "next-unit" or not clock.reached(deadline.due):
            continue
        orders = orders_behind(bench, course.unit)
        sends = _sends(bench, course, deadline, tuple(order.body for order in orders))
        code = "send-next-unit" if sends else "ask-before-next-unit"
        mine = [order for order in orders if bench.case.mine(order)]
        subject = fact_subject(mine[0]) if mine else course.subject
        owner = "blood-bank" if sends else "ward"
        request = _request(bench, code, course, owner=owner)
        found.append(
            Desired(
                key=Key("task", subject, code, deadline.ordinal.replace("/", "-")),
                to=BLOOD_BANK if sends else WARD,
                stream=course.subject,
                content=request,
                basis=_origin(course),
            )
        )
    return found


def _sends(bench: Bench, course: Course, deadline: Deadline, orders: tuple[Order, ...]) -> bool:
    site_sends = "send" in bench.policy.row("next-unit", deadline.due).words
    emergency = _declared(bench, course)
    return site_sends or emergency or any(order.continues for order in orders)


def _declared(bench: Bench, course: Course) -> bool:
    last = [
        step
        for step in bench.case.steps
        if step.body.code in (StepCode.DECLARE_EMERGENCY, StepCode.END_EMERGENCY)
    ]
    return bool(last) and last[-1].body.code is StepCode.DECLARE_EMERGENCY


def _disposals(bench: Bench, course: Course) -> list[Desired]:
    """The blood bank is told what comes back and what was wasted."""
    found = []
    for step in course.unit.done(StepCode.RETURN_UNIT, StepCode.DISCARD_UNIT):
        back = step.body.code is StepCode.RETURN_UNIT
        code = "expect-returned-unit" if back else "unit-wasted"
        details = (
            *((("Reason", step.body.reason),) if step.body.reason else ()),
            *(_not_for_stock(bench, course, step) if back else ()),
        )
        request = _request(
            bench,
            code,
            course,
            owner="blood-bank",
            requester=step.body.owner,
            details=details,
        )
        found.append(_desired(course, code, request, to=BLOOD_BANK, basis=(step.key,)))
    return found


def _not_for_stock(bench: Bench, course: Course, step: Fact[Step]) -> tuple[tuple[str, str], ...]:
    """Why a returned unit is not to be restocked, as the ward was answered."""
    answer = timing.judge_return(bench.case, course.unit, step, bench.policy, bench.site)
    return tuple(("Not for stock", f.text) for f in answer if f.returned == DISCARD)


# Findings at the start that ask for a follow-up: reason -> (Task code, whom it goes to).
IMPLIED: dict[str, tuple[str, frozenset[To]]] = {
    "rhd-positive-to-negative-childbearing": ("anti-d-advice", WARD),
    "rhd-platelets-childbearing": ("consider-anti-d", WARD),
    "emergency-stock": ("tell-blood-bank-recipient", BLOOD_BANK),
}


def _implied(bench: Bench, course: Course) -> list[Desired]:
    if course.start is None:
        return []
    found = {}
    for finding in course.start.findings:
        implied = IMPLIED.get(finding.reason)
        if implied is not None and finding.verdict not in (None, Verdict.REFUSE):
            code, to = implied
            owner = "blood-bank" if to == BLOOD_BANK else "ward"
            request = _request(bench, code, course, owner=owner)
            found[code] = _desired(course, code, request, to=to, basis=finding.facts)
    return list(found.values())


def _confirm_or_dismiss(bench: Bench, pending: Pending) -> Desired:
    unit = bench.case.unit(pending.trigger.unit)
    request = Request(
        code="confirm-or-dismiss",
        text=TEXTS["confirm-or-dismiss"],
        patient=patient_shown(bench.case, bench.site),
        priority="asap",
        location=place_of(bench.case, unit),
        unit=unit_shown(unit),
        focus=procedure_key(unit),
        due=moment_at(pending.until),
    )
    return Desired(
        key=Key("task", unit.subject, "confirm-or-dismiss"),
        to=WARD,
        stream=unit.subject,
        content=request,
        basis=(pending.trigger.origin,),
    )


TELEPHONE_NEWS = "Telephone the laboratory about the unit that news speaks against."
WHY = {
    "unacknowledged": "The laboratory has not taken the notice up.",
    "rejected": "The laboratory has turned the notice down.",
    "receive-only": "The laboratory's system cannot answer notices.",
}


def _telephone(bench: Bench, notice: Notice) -> Desired:
    closed = notice.taken_up is not None
    about = notice.units[-1] if notice.units else None
    request = _request(
        bench,
        "telephone-laboratory",
        about,
        status="completed" if closed else "requested",
        priority="stat",
        group=notice.raised.notice,
        details=(
            ("Why", WHY[notice.escalated or "unacknowledged"]),
            *((f"Unit {course.key.text}", "suspect") for course in notice.units),
        ),
    )
    if notice.is_news:
        request = replace(request, text=TELEPHONE_NEWS)
    return Desired(
        key=Key("task", notice.raised.notice, "telephone-laboratory"),
        to=WARD,
        stream=f"notice/{notice.raised.notice}",
        content=request,
        critical=True,
        basis=(notice.raised.origin,),
    )


def _request(bench: Bench, code: str, course: Course | None = None, **said: Any) -> Request:
    """A request about a course or the case; said: fields of its own."""
    unit = course.unit if course is not None else None
    return Request(
        code=code,
        text=TEXTS[code],
        patient=patient_shown(bench.case, bench.site),
        location=place_of(bench.case, unit),
        unit=unit_shown(unit) if unit is not None else None,
        focus=procedure_key(unit) if unit is not None and unit.started else None,
        orders=order_refs(orders_behind(bench, unit)) if unit is not None else (),
        **said,
    )


def _task(bench: Bench, course: Course, code: str, *, status: str) -> Desired:
    request = _request(bench, code, course, status=status)
    return _desired(course, code, request, basis=_origin(course))


def _desired(
    course: Course,
    code: str,
    request: Request,
    *,
    to: frozenset[To] = WARD,
    ordinal: str = "",
    basis: tuple[str, ...] = (),
) -> Desired:
    return Desired(
        key=Key("task", course.subject, code, ordinal),
        to=to,
        stream=course.subject,
        content=request,
        basis=basis,
    )


def _origin(course: Course) -> tuple[str, ...]:
    return (course.unit.started.key,) if course.unit.started else ()
