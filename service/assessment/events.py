"""AdverseEvents: near misses, and reaction notices with everything a laboratory needs to start."""

from dataclasses import replace

from service.assessment.checking import Bench, orders_behind
from service.assessment.course import Course, shown_wrong
from service.assessment.desired import Desired, Event, Key, Observed, Request, Suspect, To
from service.assessment.notices import Notice
from service.assessment.procedures import BOTH, procedure_key
from service.assessment.showing import (
    callback_of,
    clock_text,
    name_text,
    order_refs,
    patient_shown,
    place_of,
    unit_shown,
)
from service.facts.case import step_time
from service.facts.fact import Fact
from service.facts.finding import Candidate, Finding
from service.facts.identity import Staff
from service.facts.moment import Moment
from service.facts.moment import at as moment_at
from service.facts.quantity import UNIT_OF, Reading, Vital
from service.facts.records import (
    AntibodyResult,
    DeviceRecord,
    Order,
    PatientRecord,
    Premedication,
)
from service.facts.steps import StepCode
from service.rules import reaction

NEAR_MISS = "Wrong patient or unit shown at the bedside check, before the start"
REACTION = "Suspected blood transfusion reaction"
UNCONFIRMED = "Suspected blood transfusion reaction, unconfirmed screen"
WRONG_UNIT = "Unit started although the check shows a wrong patient or unit"
IDENTITY_IN_DOUBT = "Another patient may be at risk: find the unit meant for this patient."
TELEPHONE = "Telephone the laboratory now."
CANDIDATE = "Candidate"  # a category that calls for holding what else came of the donation


def near_miss(bench: Bench, course: Course) -> tuple[Desired, ...]:
    """One AdverseEvent ``potential`` per patient and unit for a shown wrong patient or bag.

    It stays when a later check is clean and the unit is started; a start that is itself shown to
    be wrong is no near miss any more: its notice takes the place.
    """
    shown = tuple(found for check in course.checks for found in shown_wrong(check.findings))
    if not shown or (course.start is not None and shown_wrong(course.start.findings)):
        return ()
    first = next(j for j in course.checks if any(f in j.findings for f in shown))
    unit = unit_shown(course.unit)
    content = Event(
        patient=patient_shown(bench.case, bench.site),
        actuality="potential",
        status="completed",
        title=NEAR_MISS,
        detected=moment_at(first.at),
        suspects=(replace(_suspect(course), start=None, end=None),) if unit else (),
        incident=True,
        findings=tuple(sorted(_distinct(shown), key=lambda f: f.rule)),
        lines=tuple((finding.rule, finding.text) for finding in _distinct(shown)),
        recorder=first.step.body.owner if first.step else None,
        location=place_of(bench.case, course.unit),
    )
    key = Key("event", course.subject, "near-miss")
    basis = tuple(sorted({fact for finding in shown for fact in finding.facts}))
    return (
        Desired(
            key=key,
            to=frozenset({To.RECORD_SYSTEM}),
            stream=course.subject,
            content=content,
            basis=basis,
        ),
    )


def notice(bench: Bench, held: Notice) -> tuple[Desired, ...]:
    """The event, its Tasks for the blood bank and the observations that led to it."""
    event = _event(bench, held)
    observations = _observations(bench, held)
    basis = tuple(sorted({t.origin for t in held.triggers} | {held.raised.origin}))
    stream = f"notice/{held.raised.notice}"
    body = Desired(
        key=notice_key(held), to=BOTH, stream=stream, content=event, critical=True, basis=basis
    )
    tasks = tuple(
        Desired(
            key=Key("task", held.raised.notice, request.code),
            to=frozenset({To.BLOOD_BANK}),
            stream=stream,
            content=request,
            critical=True,
            basis=basis,
        )
        for request in _requests(bench, held, event)
    )
    return (*observations, body, *tasks)


def notice_key(held: Notice) -> Key:
    """The identity of a notice's AdverseEvent."""
    return Key("event", held.raised.notice, "reaction")


def _event(bench: Bench, held: Notice) -> Event:
    wrong = _wrong_unit(held)
    report = held.reports[-1].body if held.reports else None
    stop = held.grade != "pause"
    return Event(
        patient=patient_shown(bench.case, bench.site),
        actuality="actual",
        status=_status(held),
        title=_title(held, bool(wrong)),
        onset=moment_at(held.triggers[0].onset if held.triggers else held.raised.onset),
        detected=report.start if report else None,
        suspects=tuple(_suspect(course) for course in held.units),
        candidates=_candidates(held),
        not_excluded=_joined(course.screen.not_excluded for course in held.units),
        findings=tuple(_distinct(tuple(wrong))),
        lines=_lines(bench, held, stop=stop, wrong=bool(wrong)),
        observations=tuple(d.key for d in _observations(bench, held)),
        recorder=report.owner if report else _starter(held),
        location=place_of(bench.case, held.units[-1].unit if held.units else None),
        incident=bool(wrong),
        telephone_now=stop and held.open and held.withdrawn is None,
        another_patient=bool(wrong) or _mismatch(held),
        outcome=_outcome(held),
    )


def _status(held: Notice) -> str:
    if held.withdrawn is not None and not held.withdrawn.acknowledged:
        return "entered-in-error"
    if held.withdrawn is not None or held.dismissed is not None:
        return "completed"
    return "in-progress"


def _title(held: Notice, wrong: bool) -> str:
    if wrong:
        return WRONG_UNIT
    by_hand = bool(held.reports) or held.confirmed is not None
    return UNCONFIRMED if held.grade == "pause" and not by_hand else REACTION


def _outcome(held: Notice) -> str | None:
    if held.withdrawn is not None:
        return "Withdrawn: the facts it rested on no longer stand."
    if held.dismissed is not None:
        reason = held.dismissed.body.reason
        return f"Dismissed by the ward: {reason}" if reason else "Dismissed by the ward."
    return None


def _wrong_unit(held: Notice) -> list[Finding]:
    starts = {t.origin for t in held.triggers}
    return [
        finding
        for course in held.units
        if course.start and course.start.step and course.start.step.key in starts
        for finding in course.shown_wrong
    ]


def _mismatch(held: Notice) -> bool:
    return any(report.body.identity_recheck == "mismatch" for report in held.reports)


def _candidates(held: Notice) -> tuple[Candidate, ...]:
    found: dict[str, Candidate] = {}
    for course in held.units:
        for candidate in course.screen.candidates:
            found.setdefault(candidate.category, candidate)
    return tuple(found.values())


def _suspect(course: Course) -> Suspect:
    unit = unit_shown(course.unit)
    if unit is None:
        raise ValueError("a suspect is an identified unit")
    return Suspect(
        unit=unit,
        start=course.unit.started.body.start if course.unit.started else None,
        end=course.unit.ended.body.start if course.unit.ended else None,
        procedure=procedure_key(course.unit),
    )


def _starter(held: Notice) -> Staff | None:
    for course in reversed(held.units):
        if course.unit.started is not None:
            return course.unit.started.body.owner
    return None


def _lines(bench: Bench, held: Notice, *, stop: bool, wrong: bool) -> tuple[tuple[str, str], ...]:
    """The content list of design.md section 5, in reading order; what is not known says so."""
    case = bench.case
    place = place_of(case, held.units[-1].unit if held.units else None)
    rows: list[tuple[str, str]] = []
    if stop and held.open:
        rows.append(("Do now", TELEPHONE))
    if wrong or _mismatch(held):
        rows.append(("Identity in doubt", IDENTITY_IN_DOUBT))
    rows.append(("Patient", _patient_line(bench)))
    rows.append(("Ward", (place.display if place else None) or "not recorded"))
    rows.append(("Call back", _contact(held) or callback_of(case, place) or "not recorded"))
    rows.extend(_order_lines(bench, held))
    rows.append(("Flow stopped", _flow_stopped(bench, held)))
    rows.append(("Signs", ", ".join(_signs(held)) or "none recorded"))
    rows.append(("Baseline", _readings_line(_baseline(held))))
    rows.append(("Worst since the start", _readings_line(_worst(held))))
    rows.append(("Identity re-check", _reported(held, "identity_recheck") or "not recorded"))
    rows.append(("Bag inspection", _reported(held, "bag_inspection") or "not recorded"))
    rows.extend(_unit_lines(bench, held))
    rows.extend(_context_lines(bench, held))
    rows.append(("Samples sent", _reported_many(held, "samples_sent") or "not recorded"))
    rows.append(("Treatment", _reported_many(held, "treatment") or "not recorded"))
    rows.append(("More blood needed", _reported(held, "needs_more_blood") or "not recorded"))
    return tuple(rows)


def _patient_line(bench: Bench) -> str:
    records = [fact.body for fact in bench.case.of(PatientRecord)]
    names = sorted({name_text(name) for record in records for name in record.names})
    births = sorted({record.birth_date for record in records if record.birth_date})
    numbers = sorted({n.value for record in records for n in record.identifiers})
    return "; ".join([*names, *(f"born {day}" for day in births), *numbers]) or "not recorded"


def _contact(held: Notice) -> str | None:
    return next((r.body.contact for r in reversed(held.reports) if r.body.contact), None)


def _order_lines(bench: Bench, held: Notice) -> list[tuple[str, str]]:
    orders: dict[str, Fact[Order]] = {}
    issued: set[str] = set()
    for course in held.units:
        orders.update({order.key: order for order in orders_behind(bench, course.unit)})
        mine = [issue for issue in course.unit.issues if bench.case.mine(issue)]
        issued.update(i.value for issue in mine for i in issue.body.identifiers)
    numbers = sorted(i.value for order in orders.values() for i in order.body.identifiers)
    reasons = sorted({order.body.reason for order in orders.values() if order.body.reason})
    return [
        ("Orders", ", ".join(numbers) or "not recorded"),
        ("Issues", ", ".join(sorted(issued)) or "not recorded"),
        ("Indication", "; ".join(reasons) or "not recorded"),
    ]


def _flow_stopped(bench: Bench, held: Notice) -> str:
    for report in reversed(held.reports):
        if report.body.flow_stopped_at is not None:
            return clock_text(report.body.flow_stopped_at, bench.site)
    stops = [
        clock_text(step.body.start, bench.site)
        for course in held.units
        for step in course.unit.done(StepCode.INTERRUPT, StepCode.END)
        if held.triggers and step_time(step) >= held.triggers[0].onset
    ]
    return stops[0] if stops else "not recorded"


def _signs(held: Notice) -> tuple[str, ...]:
    found = {sign for course in held.units for sign in course.screen.signs}
    found.update(sign for report in held.reports for sign in report.body.signs)
    found.update(sign for report in held.reports for sign in report.body.unknown_signs)
    return tuple(sorted(found))


def _baseline(held: Notice) -> tuple[Reading, ...]:
    return next((c.screen.baseline for c in reversed(held.units) if c.screen.baseline), ())


def _worst(held: Notice) -> tuple[Reading, ...]:
    return next((c.screen.worst for c in reversed(held.units) if c.screen.worst), ())


def _readings_line(readings: tuple[Reading, ...]) -> str:
    if not readings:
        return "not recorded"
    return ", ".join(reading_text(reading) for reading in readings)


YES_NO = {True: "yes", False: "no"}
VITAL_TEXT = {
    Vital.TEMPERATURE: ("temperature", "°C"),
    Vital.HEART_RATE: ("heart rate", "/min"),
    Vital.RESPIRATORY_RATE: ("respiratory rate", "/min"),
    Vital.SYSTOLIC: ("systolic pressure", "mmHg"),
    Vital.DIASTOLIC: ("diastolic pressure", "mmHg"),
    Vital.MEAN_PRESSURE: ("mean pressure", "mmHg"),
    Vital.SATURATION: ("oxygen saturation", "%"),
}


def reading_text(reading: Reading) -> str:
    """``temperature 38.4 °C`` for people."""
    name, unit = VITAL_TEXT.get(reading.vital, (reading.vital.value, UNIT_OF[reading.vital]))
    return f"{name} {reading.value} {unit}"


def _unit_lines(bench: Bench, held: Notice) -> list[tuple[str, str]]:
    rows = []
    for course in held.units:
        unit = unit_shown(course.unit)
        if unit is None:
            continue
        start, over = course.unit.started, course.unit.ended
        began = clock_text(start.body.start, bench.site) if start else "not started"
        ended = clock_text(over.body.start, bench.site) if over else "still running"
        group = unit.group.text if unit.group else "group not recorded"
        rows.append((f"Unit {unit.key.text}", f"{group}; from {began} to {ended}"))
    return rows


def _context_lines(bench: Bench, held: Notice) -> list[tuple[str, str]]:
    case = bench.case
    had = [f.body for f in case.of(Premedication) if f.body.given or f.body.in_part]
    medicines = [body.text for body in had if body.text]
    antibodies = sorted(
        {a.antigen for fact in case.of(AntibodyResult) for a in fact.body.antibodies}
    )
    lots = sorted({f"{f.body.device}: {f.body.lot}" for f in case.of(DeviceRecord) if f.body.lot})
    fluids = sorted({s.body.fluid for c in held.units for s in c.unit.steps if s.body.fluid})
    staff = sorted({who for course in held.units for who in _staff(course)})
    pregnant = [
        o.body.recent_pregnancy for o in case.of(Order) if o.body.recent_pregnancy is not None
    ]
    earlier = [
        s
        for s in case.steps
        if s.body.code is StepCode.CONFIRM_REACTION and s is not held.confirmed
    ]
    return [
        ("Premedication", "; ".join(medicines) or "none recorded"),
        ("Known antibodies", ", ".join(f"anti-{a}" for a in antibodies) or "none recorded"),
        ("Earlier reactions", str(len(earlier)) if earlier else "none recorded"),
        (
            "Recent pregnancy",
            {True: "yes", False: "no"}[any(pregnant)] if pregnant else "not recorded",
        ),
        ("Fluid in the line", "; ".join(fluids) or "not recorded"),
        ("Devices", "; ".join(lots) or "not recorded"),
        ("Staff", "; ".join(staff) or "not recorded"),
    ]


def _staff(course: Course) -> list[str]:
    people = [step.body.owner for step in course.unit.done(StepCode.START)]
    if course.start and course.start.check:
        people += [course.start.check.body.owner, course.start.check.body.second_checker]
    return [
        who.display or (who.identifier.value if who.identifier else "unnamed")
        for who in people
        if who is not None
    ]


def _reported(held: Notice, name: str) -> str | None:
    for report in reversed(held.reports):
        value = getattr(report.body, name)
        if value:
            return str(value)
    return None


def _reported_many(held: Notice, name: str) -> str:
    found = {value for report in held.reports for value in getattr(report.body, name)}
    return ", ".join(sorted(found))


def _joined(lists: object) -> tuple[str, ...]:
    found: dict[str, None] = {}
    for words in lists:  # type: ignore[attr-defined]
        found.update(dict.fromkeys(words))
    return tuple(found)


def _distinct(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    found: dict[tuple[str, str], Finding] = {}
    for finding in findings:
        found[(finding.rule, finding.reason)] = finding
    return tuple(found.values())


def _observations(bench: Bench, held: Notice) -> tuple[Desired, ...]:
    """Baseline and worst readings, each as one observation set beside the event."""
    rows = []
    patient = patient_shown(bench.case, bench.site)
    for label, readings in (("baseline", _baseline(held)), ("worst", _worst(held))):
        if readings:
            content = Observed(
                patient=patient,
                readings=readings,
                at=_earliest(readings),
                label=label,
                procedure=procedure_key(held.units[-1].unit),
            )
            key = Key("observation", held.raised.notice, label)
            rows.append(
                Desired(
                    key=key,
                    to=frozenset({To.BLOOD_BANK}),
                    stream=f"notice/{held.raised.notice}",
                    content=content,
                    critical=True,
                )
            )
    return tuple(rows)


def _earliest(readings: tuple[Reading, ...]) -> Moment:
    return min((r.at for r in readings), key=lambda moment: moment.text)


def _requests(bench: Bench, held: Notice, event: Event) -> list[Request]:
    """Investigate, keep and send bag and set, and, for the categories that call for it, sisters."""
    wanted = [
        ("investigate-reaction", "Investigate a suspected transfusion reaction."),
        ("keep-bag-and-set", "Expect the bag and the administration set; keep them for work-up."),
    ]
    categories = tuple(candidate.category for candidate in event.candidates)
    holding = reaction.held_categories(categories, bench.policy, held.raised.onset)
    if holding:
        wanted.append(
            (
                "hold-sister-components",
                "Hold other components of the donations named here until the cause is known.",
            )
        )
    if held.withdrawn is not None and held.withdrawn.acknowledged:
        wanted.append(("basis-changed", "The facts behind this notice changed; please review it."))
    unit = unit_shown(held.units[-1].unit) if held.units else None
    orders = order_refs(orders_behind(bench, held.units[-1].unit)) if held.units else ()
    return [
        Request(
            code=code,
            text=text,
            patient=event.patient,
            status=_request_status(held, code),
            priority="stat" if held.grade != "pause" else "urgent",
            owner="blood-bank",
            location=event.location,
            unit=unit,
            focus=notice_key(held),
            group=held.raised.notice,
            orders=orders,
            requester=event.recorder,
            details=(
                *((CANDIDATE, name) for name in holding if code == "hold-sister-components"),
                *((f"Unit {c.key.text}", "suspect") for c in held.units),
            ),
        )
        for code, text in wanted
    ]


def _request_status(held: Notice, code: str) -> str:
    """Ours until the blood bank takes it up; then the status is the partner's and stays as sent."""
    if code == "basis-changed" or held.open or held.taken_up is not None:
        return "requested"
    return "cancelled"
