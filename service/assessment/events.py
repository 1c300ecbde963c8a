"""AdverseEvents: near misses, and reaction notices with everything a laboratory needs to start."""

from collections.abc import Iterable
from dataclasses import replace

from service.assessment.checking import Bench, orders_behind
from service.assessment.course import NO_SCREEN, Course, shown_wrong
from service.assessment.desired import Desired, Event, Key, Observed, Request, Suspect, To
from service.assessment.notice_answers import INVESTIGATE
from service.assessment.notice_lines import in_doubt, leading_of, lines, onset_of, suspects_of
from service.assessment.notices import Notice
from service.assessment.procedures import BOTH, procedure_key
from service.assessment.showing import order_refs, patient_shown, place_of, unit_shown
from service.facts.clinical import clinical_time
from service.facts.finding import Advice, Candidate, Finding
from service.facts.identity import Staff
from service.facts.moment import Moment
from service.facts.moment import at as moment_at
from service.facts.quantity import Reading
from service.rules import reaction

NEAR_MISS = "Wrong patient or unit shown at the bedside check, before the start"
REACTION = "Suspected blood transfusion reaction"
UNCONFIRMED = "Suspected blood transfusion reaction, unconfirmed screen"
CANDIDATE = "Candidate"  # a category that calls for holding what else came of the donation
ALERTING = frozenset({Advice.PAUSE, Advice.STOP, Advice.ESCALATE})
URGENT = frozenset({"Do now", "Identity in doubt"})
NEWS_TITLES = {
    "unit-recalled": "A unit that is recalled was started",
    "unit-quarantined": "A unit that is in quarantine was started",
}
NEWS_TITLE = "A unit was started that later news speaks against"
NEWS_TASKS = {
    INVESTIGATE: "A unit that was started is not to be used: say what is to be done.",
    "keep-bag-and-set": "Expect the bag and the administration set; keep them.",
}
WRONG_UNIT = "Unit started although the check shows a wrong patient or unit"


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
    """The event, its Tasks for the blood bank and the observations that led to it.

    Once it is dismissed or withdrawn nothing that comes later is written into it. One whose unit
    was never started leaves nothing but the question what that means where it was taken up.
    """
    if not held.units:
        return _basis_changed(bench, held)
    event = _event(bench, held)
    stream = f"notice/{held.raised.notice}"
    basis = tuple(sorted({t.origin for t in held.triggers} | {held.raised.origin}))
    body = Desired(
        key=notice_key(held),
        to=BOTH,
        stream=stream,
        content=event,
        critical=True,
        basis=basis,
        settled=not held.open,
    )
    tasks = tuple(
        Desired(
            key=Key("task", held.raised.notice, request.code),
            to=frozenset({To.BLOOD_BANK}),
            stream=stream,
            content=request,
            critical=True,
            basis=basis,
            settled=not held.open,
        )
        for request in _requests(bench, held, event)
    )
    return (*_observations(bench, held), body, *tasks, *_basis_changed(bench, held))


def notice_key(held: Notice) -> Key:
    """The identity of a notice's AdverseEvent."""
    return Key("event", held.raised.notice, "reaction")


def _event(bench: Bench, held: Notice) -> Event:
    wrong = _news(held) if held.is_news else _wrong_unit(held)
    report = held.reports[-1].body if held.reports else None
    doubt = (bool(wrong) and not held.is_news) or in_doubt(bench.case, held)
    telephone = _telephones(bench, held)
    leading = leading_of(held).unit
    return Event(
        patient=patient_shown(bench.case, bench.site),
        actuality="actual",
        status=_status(bench, held),
        title=_title(held, wrong),
        onset=moment_at(onset_of(held)),
        detected=report.start if report else None,
        suspects=tuple(_suspect(course) for course in suspects_of(bench, held)),
        candidates=() if held.is_news else _candidates(held),
        not_excluded=()
        if held.is_news
        else _joined(course.screen.not_excluded for course in held.units),
        findings=tuple(_distinct(tuple(wrong))),
        lines=_marked(bench, held, lines(bench, held, telephone=telephone, in_doubt=doubt)),
        observations=tuple(d.key for d in _observations(bench, held)),
        recorder=report.owner if report else _starter(held),
        location=place_of(bench.case, leading),
        incident=held.is_news or bool(wrong),
        telephone_now=telephone,
        another_patient=doubt,
        outcome=_outcome(held),
    )


def _marked(
    bench: Bench, held: Notice, said: tuple[tuple[str, str], ...]
) -> tuple[tuple[str, str], ...]:
    """The lines, with what marks a late notice after what is to be done at once."""
    if not _is_late(bench, held):
        return said
    allowed = bench.policy.row("recorded-late", onset_of(held))
    text = f"more than {allowed.number} {allowed.unit} after it was seen"
    urgent = sum(label in URGENT for label, _ in said)
    return (*said[:urgent], ("Recorded late", text), *said[urgent:])


def _is_late(bench: Bench, held: Notice) -> bool:
    """TIM-19: what began the reaction was first told long after it."""
    onset = onset_of(held)
    keys = {trigger.origin for trigger in held.triggers if trigger.onset == onset}
    first = [bench.case.history.get(f.key, (f,))[0] for f in bench.case.facts if f.key in keys]
    allowed = bench.policy.row("recorded-late", onset).span
    return bool(first) and all(fact.received - onset > allowed for fact in first)


def _telephones(bench: Bench, held: Notice) -> bool:
    """Stop-grade: telephone at once until the blood bank has taken it up, and when more shows."""
    unknown = held.taken_up is None or _shows_more(bench, held)
    return held.grade != "pause" and held.open and unknown


def _shows_more(bench: Bench, held: Notice) -> bool:
    """True when a unit shows more after the blood bank completed its investigation.

    What is a trigger of its own is for the next notice.
    """
    if held.concluded is None or held.followed or held.is_news:
        return False
    findings = (finding for course in held.units for finding in course.screen.findings)
    keys = {key for found in findings if found.advice in ALERTING for key in found.facts}
    times = (clinical_time(fact) for fact in bench.case.facts if fact.key in keys)
    return any(time is not None and time > held.concluded for time in times)


def _status(bench: Bench, held: Notice) -> str:
    """Withdrawn and not taken up: an error. Completed when nobody has anything open any more."""
    if held.withdrawn is not None and not held.withdrawn.acknowledged:
        return "entered-in-error"
    down = all(course.unit.ended is not None for course in held.units)
    told = held.confirmed is not None or held.is_news
    settled = told and held.taken_up is not None and down
    concluded = held.concluded is not None and not _shows_more(bench, held)
    return "completed" if not held.open or concluded or settled else "in-progress"


def _title(held: Notice, shown: list[Finding]) -> str:
    if held.is_news:
        return NEWS_TITLES.get(shown[0].reason, NEWS_TITLE) if shown else NEWS_TITLE
    if shown:
        return WRONG_UNIT
    by_hand = bool(held.reports) or held.confirmed is not None
    return UNCONFIRMED if held.grade == "pause" and not by_hand else REACTION


WITHDRAWN = {
    "basis-gone": "Withdrawn: the facts it rested on no longer stand.",
    "merged": "Withdrawn: another notice of the same episode stands for it.",
}


def _outcome(held: Notice) -> str | None:
    if held.withdrawn is not None:
        return WITHDRAWN[held.withdrawn.why]
    if held.dismissed is not None:
        reason = held.dismissed.body.reason
        return f"Dismissed by the ward: {reason}" if reason else "Dismissed by the ward."
    if held.concluded is not None:
        return "The laboratory has completed its investigation."
    if held.confirmed is not None:
        reason = held.confirmed.body.reason
        return f"Confirmed by the ward: {reason}" if reason else "Confirmed by the ward."
    return None


def _wrong_unit(held: Notice) -> list[Finding]:
    starts = {t.origin for t in held.triggers}
    return [
        finding
        for course in held.units
        if course.start and course.start.step and course.start.step.key in starts
        for finding in course.wrong_blood
    ]


def _news(held: Notice) -> list[Finding]:
    """What speaks against the units, the news that came first before the rest."""
    order = {trigger.origin: place for place, trigger in reversed(list(enumerate(held.triggers)))}
    found = [finding for course in held.units for finding in course.news]
    return sorted(found, key=lambda f: order.get(f.facts[0], len(order)))


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


def _joined(lists: Iterable[Iterable[str]]) -> tuple[str, ...]:
    found: dict[str, None] = {}
    for words in lists:
        found.update(dict.fromkeys(words))
    return tuple(found)


def _distinct(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    found: dict[tuple[str, str], Finding] = {}
    for finding in findings:
        found[(finding.rule, finding.reason)] = finding
    return tuple(found.values())


def _observations(bench: Bench, held: Notice) -> tuple[Desired, ...]:
    """Baseline and worst readings, each as one observation set beside the event.

    They go with a notice that is withdrawn: one of them was what no longer stands.
    """
    rows = []
    patient = patient_shown(bench.case, bench.site)
    leading = leading_of(held)
    screen = leading.screen if not held.is_news else NO_SCREEN
    for label, readings in (("baseline", screen.baseline), ("worst", screen.worst)):
        if readings:
            content = Observed(
                patient=patient,
                readings=readings,
                at=_taken(readings),
                label=label,
                status="final" if held.withdrawn is None else "entered-in-error",
                procedure=procedure_key(leading.unit),
            )
            key = Key("observation", held.raised.notice, label)
            rows.append(
                Desired(
                    key=key,
                    to=frozenset({To.BLOOD_BANK}),
                    stream=f"notice/{held.raised.notice}",
                    content=content,
                    critical=True,
                    settled=not held.open,
                )
            )
    return tuple(rows)


def _taken(readings: tuple[Reading, ...]) -> Moment | None:
    """The time of all readings; None for readings of several times, each of which bears its own."""
    times = {reading.at for reading in readings}
    return times.pop() if len(times) == 1 else None


def _requests(bench: Bench, held: Notice, event: Event) -> list[Request]:
    """Investigate, keep and send bag and set, and, for the categories that call for it, sisters."""
    wanted = [
        (INVESTIGATE, "Investigate a suspected transfusion reaction."),
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
    unit = leading_of(held).unit
    return [
        Request(
            code=code,
            text=NEWS_TASKS.get(code, text) if held.is_news else text,
            patient=event.patient,
            status="requested" if held.open or code in held.theirs else "cancelled",
            priority="stat" if held.grade != "pause" else "urgent",
            owner="blood-bank",
            location=event.location,
            unit=unit_shown(unit),
            focus=notice_key(held),
            group=held.raised.notice,
            orders=order_refs(orders_behind(bench, unit)),
            requester=event.recorder,
            details=(
                *((CANDIDATE, name) for name in holding if code == "hold-sister-components"),
                *((f"Unit {s.unit.key.text}", "suspect") for s in event.suspects),
            ),
        )
        for code, text in wanted
    ]


def _basis_changed(bench: Bench, held: Notice) -> tuple[Desired, ...]:
    """What was taken up and then withdrawn is for a person to close: one Task, never closed here.

    Its content is the notice's identity alone, so that nothing that comes later rewrites it.
    """
    if held.withdrawn is None or not held.withdrawn.acknowledged:
        return ()
    request = Request(
        code="basis-changed",
        text="The facts behind this notice changed; please review it.",
        patient=patient_shown(bench.case, bench.site),
        priority="stat" if held.raised.grade != "pause" else "urgent",
        owner="blood-bank",
        focus=notice_key(held),
        group=held.raised.notice,
        details=(
            (f"Unit {held.raised.unit}", "suspect"),
            ("Why", WITHDRAWN[held.withdrawn.why]),
        ),
    )
    return (
        Desired(
            key=Key("task", held.raised.notice, request.code),
            to=frozenset({To.BLOOD_BANK}),
            stream=f"notice/{held.raised.notice}",
            content=request,
            critical=True,
            basis=(held.raised.origin,),
        ),
    )
