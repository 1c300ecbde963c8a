"""What a reaction notice tells a laboratory, in reading order; what is not known says so.

In this order: numbers, ward and call-back, diagnosis and indication, flow, volume, signs,
readings, re-check, bag, every unit of the last day, what else ran and through what, history, staff,
samples, and how soon more blood is needed.
"""

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal

from service.assessment.checking import Bench, orders_behind
from service.assessment.course import Course
from service.assessment.notices import Notice
from service.assessment.showing import (
    callback_of,
    clock_text,
    name_text,
    place_of,
    unit_shown,
)
from service.facts.case import EARLIEST, Case, step_finished, step_time
from service.facts.fact import Fact
from service.facts.identity import Identifier, Ref, Staff
from service.facts.moment import Moment
from service.facts.moment import at as moment_at
from service.facts.quantity import UNIT_OF, Reading, Vital
from service.facts.records import (
    AntibodyResult,
    DeviceRecord,
    LocationRecord,
    Order,
    PatientRecord,
    Premedication,
)
from service.facts.steps import StepCode
from service.rules import flow

Line = tuple[str, str]

TELEPHONE = "Telephone the laboratory now."
IDENTITY_IN_DOUBT = "Another patient may be at risk: find the unit meant for this patient."
UNSAID = "not recorded"
NONE = "none recorded"
STOPPING = (StepCode.INTERRUPT, StepCode.END, StepCode.DISCARD_UNIT, StepCode.RETURN_UNIT)
RUNNING = (StepCode.START, StepCode.RESUME)


def lines(bench: Bench, held: Notice, *, telephone: bool, in_doubt: bool) -> tuple[Line, ...]:
    """The content list. telephone: the laboratory is to be called now."""
    case = bench.case
    place = place_of(case, leading_of(held).unit)
    now = (("Do now", TELEPHONE),) if telephone else ()
    doubt = (("Identity in doubt", IDENTITY_IN_DOUBT),) if in_doubt else ()
    return (
        *now,
        *doubt,
        ("Patient", _patient(case)),
        ("Ward", _place(case, place) or UNSAID),
        ("Call back", _contact(held) or callback_of(case, place) or UNSAID),
        *_orders(bench, held),
        ("Flow stopped", _flow_stopped(bench, held)),
        ("Volume given", _volumes(bench, held)),
        ("Signs", ", ".join(_signs(held)) or NONE),
        ("Baseline", _readings(leading_of(held).screen.baseline)),
        ("Worst since the start", _readings(leading_of(held).screen.worst)),
        ("Identity re-check", _reported(held, "identity_recheck") or UNSAID),
        ("Bag inspection", _reported(held, "bag_inspection") or UNSAID),
        *_units(bench, held),
        *_beside(bench, held),
        *_through(bench, held),
        *_history(bench, held),
        ("Staff", "; ".join(_staff(bench, held)) or UNSAID),
        ("Samples sent", _reported_all(held, "samples_sent") or UNSAID),
        ("Bag and set sent", _sent(held)),
        ("Treatment", _reported_all(held, "treatment") or UNSAID),
        ("More blood needed", _reported(held, "needs_more_blood") or UNSAID),
    )


def leading_of(held: Notice) -> Course:
    """The unit whose trigger came first; the last one where no trigger is left."""
    first = held.triggers[0].unit if held.triggers else None
    return next((course for course in held.units if course.key == first), held.units[-1])


def onset_of(held: Notice) -> datetime:
    """The clinical instant of the first trigger; where none is left, of the one that raised it."""
    return held.triggers[0].onset if held.triggers else held.raised.onset


def suspects_of(bench: Bench, held: Notice) -> tuple[Course, ...]:
    """All running units of the episode, those down since a day before the onset, and the causes."""
    onset = onset_of(held)
    since = onset - bench.policy.row("suspects-after-end", onset).span
    causes = {trigger.unit for trigger in held.triggers}
    return tuple(
        course
        for course in held.units
        if course.unit.ended is None
        or step_time(course.unit.ended) >= since
        or course.key in causes
        or course is leading_of(held)
    )


def in_doubt(case: Case, held: Notice) -> bool:
    """A re-check that did not match or a clerical error, unless the laboratory has cleared it."""
    said = False
    for step in case.steps:
        if step_finished(step) < onset_of(held) and step not in held.reports:
            continue
        if step.body.identity_recheck == "mismatch" or step.body.code is StepCode.CLERICAL_ERROR:
            said = True
        elif step.body.code is StepCode.CLERICAL_OK:
            said = False
    return said


# -- who, where, for what


def _patient(case: Case) -> str:
    records = [fact.body for fact in case.of(PatientRecord)]
    names = sorted({name_text(name) for record in records for name in record.names})
    births = sorted({record.birth_date for record in records if record.birth_date})
    numbers = sorted({n.value for record in records for n in record.identifiers})
    return "; ".join([*names, *(f"born {day}" for day in births), *numbers]) or UNSAID


def _place(case: Case, place: Ref | None) -> str | None:
    """A place by its display, its record's name, or its number."""
    if place is None or place.display:
        return place.display if place else None
    for fact in case.every(LocationRecord):
        tokens = {fact.resource, *(i.token for i in fact.body.identifiers)}
        if not tokens.isdisjoint(place.tokens) and fact.body.name:
            return fact.body.name
    return place.identifier.value if place.identifier else None


def _contact(held: Notice) -> str | None:
    return next((r.body.contact for r in reversed(held.reports) if r.body.contact), None)


def _orders(bench: Bench, held: Notice) -> list[Line]:
    orders: dict[str, Fact[Order]] = {}
    issued: set[str] = set()
    for course in held.units:
        orders.update({order.key: order for order in orders_behind(bench, course.unit)})
        mine = [issue for issue in course.unit.issues if bench.case.mine(issue)]
        issued.update(i.value for issue in mine for i in issue.body.identifiers)
    numbers = sorted(i.value for order in orders.values() for i in order.body.identifiers)
    reasons = sorted({order.body.reason for order in orders.values() if order.body.reason})
    return [
        ("Orders", ", ".join(numbers) or UNSAID),
        ("Issues", ", ".join(sorted(issued)) or UNSAID),
        ("Diagnosis and indication", "; ".join(reasons) or UNSAID),
    ]


# -- flow and volume


def _flow_stopped(bench: Bench, held: Notice) -> str:
    """As the ward reported it, and as the steps have it where they differ."""
    said = [r.body.flow_stopped_at for r in held.reports if r.body.flow_stopped_at is not None]
    told = [f"{clock_text(moment, bench.site)} as reported" for moment in said[-1:]]
    stops = [_stopped(held, course) for course in suspects_of(bench, held)]
    known = [stop for stop in stops if stop is not None]
    first = min(known, key=lambda moment: moment.instant or EARLIEST, default=None)
    recorded = [clock_text(first, bench.site)] if first is not None else []
    same = bool(said) and first is not None and said[-1].instant == first.instant
    return "; ".join([*told, *([] if same else recorded)]) or UNSAID


def _stopped(held: Notice, course: Course) -> Moment | None:
    """The first stop of a unit from the onset on; before it only where the unit was not resumed."""
    steps = course.unit.done(*STOPPING, *RUNNING)
    onset = onset_of(held)
    after = [s for s in steps if s.body.code in STOPPING and step_time(s) >= onset]
    if after:
        return after[0].body.start
    last = steps[-1] if steps else None
    return last.body.start if last is not None and last.body.code in STOPPING else None


def _volumes(bench: Bench, held: Notice) -> str:
    """What the ward reported, and per unit what is recorded until it was stopped if it differs."""
    said = [r.body.volume_given for r in held.reports if r.body.volume_given is not None]
    told = [f"{_number(said[-1])} mL as reported"] if said else []
    several = len(suspects_of(bench, held)) > 1
    for course in suspects_of(bench, held):
        found = _given(bench, course)
        if found is not None and found.volume not in said[-1:]:
            text = f"{_number(found.volume)} mL {METHOD[found.method]}"
            told.append(f"{course.key.din}: {text}" if several else text)
    return "; ".join(told) or UNSAID


METHOD = {"measured": "measured", "rates": "by the recorded rates", "label": "the label's volume"}


def _given(bench: Bench, course: Course) -> flow.Given | None:
    """The volume until the unit was down or held; nothing while it runs: that would tell time."""
    over = course.unit.ended
    if over is not None:
        residual = bench.policy.row("residual-volume", step_time(over)).number
        return flow.given_in_all(course.unit, residual)
    stop = _held_since(course)
    return flow.given(course.unit, stop) if stop is not None else None


def _held_since(course: Course) -> datetime | None:
    """When a unit that hangs was last held; None while it flows."""
    steps = course.unit.done(StepCode.INTERRUPT, *RUNNING)
    last = steps[-1] if steps else None
    if last is None or last.body.code is not StepCode.INTERRUPT:
        return None
    return step_time(last)


def _number(value: Decimal) -> str:
    return f"{value:f}"


# -- signs and readings


def _signs(held: Notice) -> tuple[str, ...]:
    found = {sign for course in held.units for sign in course.screen.signs}
    found.update(sign for report in held.reports for sign in report.body.signs)
    found.update(sign for report in held.reports for sign in report.body.unknown_signs)
    return tuple(sorted(found))


def _readings(readings: tuple[Reading, ...]) -> str:
    return ", ".join(reading_text(reading) for reading in readings) or UNSAID


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


# -- units, and what went through the line with them


def _units(bench: Bench, held: Notice) -> list[Line]:
    found = ((unit_shown(course.unit), course) for course in suspects_of(bench, held))
    return [
        (
            f"Unit {unit.key.text}",
            "; ".join(
                part
                for part in (
                    unit.group.text if unit.group else "group not recorded",
                    unit.product_text or (unit.component.value if unit.component else ""),
                    _course_text(bench, held, course),
                )
                if part
            ),
        )
        for unit, course in found
        if unit is not None
    ]


def _course_text(bench: Bench, held: Notice, course: Course) -> str:
    start, over = course.unit.started, course.unit.ended
    began = clock_text(start.body.start, bench.site) if start else "not started"
    if over is not None:
        return f"from {began} to {clock_text(over.body.start, bench.site)}"
    stopped = _reported_stop(bench, held, course)
    since = _held_since(course)
    if stopped is None and since is not None:
        stopped = moment_at(since)
    if stopped is None:
        return f"from {began}; still running"
    return f"from {began}; flow stopped at {clock_text(stopped, bench.site)}, bag not taken down"


def _reported_stop(bench: Bench, held: Notice, course: Course) -> Moment | None:
    """When a report says that the unit was stopped, unless it has been resumed since."""
    resumed = max((step_time(s) for s in course.unit.done(*RUNNING)), default=None)
    for report in reversed(held.reports):
        stop = report.body.flow_stopped_at
        about = bench.case.unit_of_step(report.body)
        if stop is not None and about in (course.key, None):
            late = stop.instant is None or resumed is None or stop.instant >= resumed
            return stop if late else None
    return None


def _beside(bench: Bench, held: Notice) -> list[Line]:
    steps = [step.body for course in held.units for step in course.unit.steps]
    fluids = {s.fluid + (f" ({s.lumen})" if s.lumen else "") for s in steps if s.fluid}
    medicines = [
        f.body.text + (f" at {clock_text(f.body.at, bench.site)}" if f.body.at else "")
        for f in bench.case.of(Premedication)
        if (f.body.given or f.body.in_part) and f.body.text
    ]
    return [
        ("Premedication", "; ".join(medicines) or NONE),
        ("Fluid in the line", "; ".join(sorted(fluids)) or UNSAID),
    ]


def _through(bench: Bench, held: Notice) -> list[Line]:
    """Set, filter, pump and warmer: what the steps name, and what is recorded for the patient."""
    steps = [step.body for course in held.units for step in course.unit.steps]
    records = bench.case.every(DeviceRecord)
    by_token = {
        token: fact.body
        for fact in records
        for token in (fact.resource, *(i.token for i in fact.body.identifiers))
    }
    sets: dict[str, None] = {}
    for named in (step.set for step in steps):
        if named is not None:
            record = next((by_token[t] for t in sorted(named.tokens) if t in by_token), None)
            sets[_device(record, named)] = None
    pores = {f"{_number(step.filter_um)} µm" for step in steps if step.filter_um is not None}
    return [
        ("Administration set", "; ".join(sets) or _kind(records, "set") or UNSAID),
        ("Filter", "; ".join(x for x in (*sorted(pores), _kind(records, "filter")) if x) or UNSAID),
        ("Pump", _kind(records, "pump") or UNSAID),
        ("Warmer", _kind(records, "warmer") or UNSAID),
    ]


def _kind(records: Iterable[Fact[DeviceRecord]], kind: str) -> str:
    return "; ".join(sorted({_device(f.body, None) for f in records if f.body.device == kind}))


def _device(record: DeviceRecord | None, named: Ref | None) -> str:
    """A device by number, lot and pore size; by what names it where it has no record."""
    numbers: tuple[Identifier, ...] = record.identifiers if record is not None else ()
    if not numbers and named is not None and named.identifier is not None:
        numbers = (named.identifier,)
    parts = [number.value for number in numbers[:1]]
    parts += [named.display] if not parts and named is not None and named.display else []
    if record is not None:
        parts += [f"lot {record.lot}"] if record.lot else []
        parts += [f"filter {_number(record.filter_um)} µm"] if record.filter_um else []
    return ", ".join(parts) or "recorded without a number"


# -- the patient's history, and who was there


def _history(bench: Bench, held: Notice) -> list[Line]:
    case = bench.case
    antibodies = sorted(
        {_antibody(a.antigen) for fact in case.of(AntibodyResult) for a in fact.body.antibodies}
    )
    pregnant = [
        o.body.recent_pregnancy for o in case.of(Order) if o.body.recent_pregnancy is not None
    ]
    return [
        ("Known antibodies", ", ".join(antibodies) or NONE),
        ("Earlier reactions", "; ".join(_earlier(bench, held)) or NONE),
        ("Recent pregnancy", {True: "yes", False: "no"}[any(pregnant)] if pregnant else UNSAID),
    ]


def _antibody(antigen: str) -> str:
    return antigen if antigen.startswith("unrecognised") else f"anti-{antigen}"


def _earlier(bench: Bench, held: Notice) -> Iterable[str]:
    """Reactions that the ward confirmed before this one began."""
    for step in bench.case.steps:
        before = step_finished(step) < onset_of(held) and step is not held.confirmed
        if step.body.code is StepCode.CONFIRM_REACTION and before:
            reason = f": {step.body.reason}" if step.body.reason else ""
            yield f"confirmed {clock_text(step.body.start, bench.site)}{reason}"


def _staff(bench: Bench, held: Notice) -> list[str]:
    """Who started and who checked each unit, each once."""
    found: dict[str, None] = {}
    for course in suspects_of(bench, held):
        check = course.start.check if course.start else None
        starter = course.unit.started.body.owner if course.unit.started else None
        if starter is not None:
            found[f"started by {_person(starter)}"] = None
        checkers = (check.body.owner, check.body.second_checker) if check is not None else ()
        names = [_person(who) for who in checkers if who is not None]
        if names:
            found[f"checked by {' and '.join(names)}"] = None
    return list(found)


def _person(who: Staff) -> str:
    return who.display or (who.identifier.value if who.identifier else "unnamed")


# -- what the ward reported


def _reported(held: Notice, name: str) -> str | None:
    for report in reversed(held.reports):
        value = getattr(report.body, name)
        if value:
            return str(value)
    return None


def _reported_all(held: Notice, name: str) -> str:
    found = {value for report in held.reports for value in getattr(report.body, name)}
    return ", ".join(sorted(found))


def _sent(held: Notice) -> str:
    said = [r.body.bag_and_set_sent for r in held.reports if r.body.bag_and_set_sent is not None]
    return {True: "yes", False: "no", None: UNSAID}[said[-1] if said else None]
