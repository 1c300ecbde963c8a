"""Reaction notices: when one is raised, what it attaches to, and how it ends."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from service.assessment.checking import Bench
from service.assessment.course import Course, wrong_blood
from service.assessment.notice_answers import (
    INVESTIGATE,
    blood_bank_word,
    in_hand,
    ward_word,
)
from service.facts.acts import ActBody, NoticeEscalated, NoticeRaised, NoticeWithdrawn
from service.facts.case import step_finished, step_time, told_at
from service.facts.deadline import Clock
from service.facts.fact import Fact
from service.facts.records import BloodUnit
from service.facts.steps import Step, StepCode
from service.facts.unit import UnitKey

NEWS = "news"
ORDER = {"pause": 0, NEWS: 1, "reported": 2, "stop": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """One reason to suspect a reaction, or news that speaks against a unit that was started.

    grade: stop, reported (by a person), pause; or news.
    """

    unit: UnitKey
    onset: datetime
    grade: str
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """A raised notice with all that bears on it now.

    triggers empty: its basis is gone. confirmed, dismissed: the ward's word. taken_up, turned_down:
    the blood bank's. concluded: when the blood bank said that its investigation is completed.
    theirs: codes of the Tasks that the blood bank has taken into its hands.
    followed: a trigger that came after that is for the next notice. telephone_by: when the ward is
    told to telephone unless it was taken up.
    """

    raised: NoticeRaised
    at: datetime
    units: tuple[Course, ...]
    triggers: tuple[Trigger, ...]
    reports: tuple[Fact[Step], ...]
    confirmed: Fact[Step] | None = None
    dismissed: Fact[Step] | None = None
    taken_up: str | None = None
    turned_down: str | None = None
    concluded: datetime | None = None
    theirs: frozenset[str] = frozenset()
    followed: bool = False
    withdrawn: NoticeWithdrawn | None = None
    telephone_by: datetime | None = None
    escalated: str | None = None

    @property
    def grade(self) -> str:
        """The gravest grade of the raising and of what attached since."""
        return max((self.raised.grade, *(t.grade for t in self.triggers)), key=ORDER.__getitem__)

    @property
    def is_news(self) -> bool:
        """True for one that tells of news against a unit, not of a suspected reaction."""
        return self.raised.grade == NEWS

    @property
    def open(self) -> bool:
        """True until it is dismissed or withdrawn."""
        return self.dismissed is None and self.withdrawn is None

    @property
    def takes_more(self) -> bool:
        """True while what shows later belongs to it."""
        return self.open and self.concluded is None

    @property
    def covers(self) -> datetime | None:
        """Until when what shows belongs to it; None while it takes more."""
        dismissed = step_finished(self.dismissed) if self.dismissed is not None else None
        concluded = self.concluded if self.withdrawn is None else None
        return min((end for end in (dismissed, concluded) if end is not None), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pending:
    """A pause-grade screen that waits for the ward's word until ``until``."""

    trigger: Trigger
    until: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Reactions:
    """All notices of a case, screens still waiting for the ward, and acts to commit."""

    notices: tuple[Notice, ...]
    pending: tuple[Pending, ...]
    acts: tuple[tuple[str, ActBody], ...]


def react(
    bench: Bench, clock: Clock, courses: tuple[Course, ...], groups: tuple[tuple[Course, ...], ...]
) -> Reactions:
    """Raises, attaches, withdraws and escalates the case's notices."""
    notices: list[Notice] = []
    pending: list[Pending] = []
    acts: list[tuple[str, ActBody]] = []
    known = bench.case.acted(NoticeRaised)
    for group in groups:
        units = {course.key.text for course in group}
        raised = sorted(
            ((act.at, body) for act, body in known if body.unit in units),
            key=lambda pair: (pair[0], pair[1].notice),
        )
        triggers = _triggers(bench, group)
        for news in (False, True):  # a recall is told apart: it is no reaction, and no dismissal
            mine = tuple(t for t in triggers if (t.grade == NEWS) is news)
            held = [
                _attach(bench, clock, group, at, body, mine)
                for at, body in raised
                if (body.grade == NEWS) is news
            ]
            held, gone = _close(held)
            acts.extend(gone)
            acts.extend(_escalations(bench, clock, held))
            fresh, waiting, act = _raise(bench, clock, group, held, mine)
            notices.extend(held)
            pending.extend(waiting)
            acts.extend(act if fresh else ())
    orphaned = _orphans(bench, {notice.raised.notice for notice in notices})
    notices.extend(orphaned)
    acts.extend(_withdrawals(orphaned))
    return Reactions(notices=tuple(notices), pending=tuple(pending), acts=tuple(acts))


def _triggers(bench: Bench, group: tuple[Course, ...]) -> tuple[Trigger, ...]:
    found: list[Trigger] = []
    for course in group:
        screen = course.screen
        if screen.grade and screen.onset and screen.onset_at:
            found.append(
                Trigger(
                    unit=course.key,
                    onset=screen.onset_at,
                    grade=screen.grade,
                    origin=screen.onset,
                )
            )
        found.extend(_wrong_from_the_start(course))
        found.extend(_news(bench, course))
    found.extend(_reports_as_triggers(bench, group))
    return tuple(sorted(found, key=lambda t: (t.onset, t.unit, t.origin)))


def _wrong_from_the_start(course: Course) -> list[Trigger]:
    """A unit shown to be the wrong one at its start is a trigger even without symptoms."""
    start = course.start
    if start is None or start.step is None or not wrong_blood(start.notable):
        return []
    return [Trigger(unit=course.key, onset=start.at, grade="stop", origin=start.step.key)]


def _news(bench: Bench, course: Course) -> list[Trigger]:
    """COMP-11: both partners are told; its onset is when the news came, never before the start."""
    started = course.unit.started
    return [
        Trigger(
            unit=course.key,
            onset=max(
                (step_time(started), *(came for key in found.facts if (came := _came(bench, key))))
            ),
            grade=NEWS,
            origin=found.facts[0],
        )
        for found in course.news
        if started is not None
    ]


def _came(bench: Bench, key: str) -> datetime | None:
    """When a fact was first told as it stands now, or when it was taken back."""
    now = bench.case.fact(key)
    versions = bench.case.history.get(key, (now,) if now is not None else ())
    first = None
    for version in reversed(versions):
        if first is not None and not _same(version, first):
            break
        first = version
    return told_at(first) if first is not None else None


def _same(one: Fact[Any], other: Fact[Any]) -> bool:
    """Of a unit its status counts: that it is described more fully makes it no other news."""
    if isinstance(one.body, BloodUnit) and isinstance(other.body, BloodUnit):
        return one.body.status == other.body.status
    return one.body == other.body and one.retracted == other.retracted


def _reports_as_triggers(bench: Bench, group: tuple[Course, ...]) -> list[Trigger]:
    """The step suspect-reaction alone suffices, with no criterion met (ACT-05)."""
    found = []
    for step in reports_of(bench, group):
        onset = step.body.onset.instant if step.body.onset else None
        unit = bench.case.unit_of_step(step.body) or group[-1].key
        found.append(
            Trigger(unit=unit, onset=onset or step_time(step), grade="reported", origin=step.key)
        )
    return found


def reports_of(bench: Bench, group: tuple[Course, ...]) -> tuple[Fact[Step], ...]:
    """Steps suspect-reaction on a unit of the episode, or on no unit within its time."""
    keys = {course.key for course in group}
    first = min(step_time(c.unit.started) for c in group if c.unit.started)
    found = []
    for step in bench.case.steps:
        if step.body.code is StepCode.SUSPECT_REACTION:
            unit = bench.case.unit_of_step(step.body)
            if unit in keys or (unit is None and step_time(step) >= first):
                found.append(step)
    return tuple(found)


def _attach(
    bench: Bench,
    clock: Clock,
    group: tuple[Course, ...],
    at: datetime,
    raised: NoticeRaised,
    triggers: tuple[Trigger, ...],
) -> Notice:
    escalations = (b.why for _, b in bench.case.acted(NoticeEscalated) if b.notice == raised.notice)
    word = blood_bank_word(bench, group, raised)
    news = raised.grade == NEWS
    held = Notice(
        raised=raised,
        at=at,
        units=group,
        triggers=triggers,
        reports=() if news else reports_of(bench, group),
        confirmed=None if news else ward_word(bench, group, StepCode.CONFIRM_REACTION, raised),
        dismissed=None if news else ward_word(bench, group, StepCode.DISMISS_REACTION, raised),
        taken_up=word.taken_up,
        turned_down=word.turned_down,
        concluded=word.concluded,
        withdrawn=_withdrawal(bench, raised),
        escalated=next(escalations, None),
    )
    until = held.covers
    mine = tuple(t for t in triggers if until is None or t.onset <= until)
    wait = "notice-acknowledge-stop" if _is_stop(raised, mine) else "notice-acknowledge"
    return replace(
        held,
        triggers=mine,
        theirs=_theirs(bench, held),
        followed=len(mine) < len(triggers),
        telephone_by=at + bench.policy.row(wait, at).span,
    )


def _theirs(bench: Bench, held: Notice) -> frozenset[str]:
    """The Tasks that only the blood bank ends; a telephone call takes up the investigation."""
    if held.withdrawn is not None and not held.withdrawn.acknowledged:
        return frozenset()
    until = step_finished(held.dismissed) if held.dismissed is not None else None
    named = in_hand(bench, held.raised, until)
    called = ward_word(bench, held.units, StepCode.ACKNOWLEDGE, held.raised)
    return named | {INVESTIGATE} if called is not None else named


def _withdrawal(bench: Bench, raised: NoticeRaised) -> NoticeWithdrawn | None:
    acts = bench.case.acted(NoticeWithdrawn)
    return next((body for _, body in acts if body.notice == raised.notice), None)


def _is_stop(raised: NoticeRaised, triggers: tuple[Trigger, ...]) -> bool:
    return raised.grade != "pause" or any(trigger.grade != "pause" for trigger in triggers)


def _close(
    held: list[Notice],
) -> tuple[list[Notice], list[tuple[str, ActBody]]]:
    """Withdraws notices without a basis, and all but the first that takes more of an episode."""
    acts: list[tuple[str, ActBody]] = []
    first: Notice | None = None
    for notice in held:
        if not notice.open:
            continue
        if not notice.triggers:
            acts.append(_withdraw(notice, "basis-gone"))
        elif not notice.takes_more:
            continue
        elif first is not None:
            acts.append(_withdraw(notice, "merged"))
        else:
            first = notice
    return held, acts


def _withdraw(notice: Notice, why: str) -> tuple[str, ActBody]:
    body = NoticeWithdrawn(
        notice=notice.raised.notice, acknowledged=notice.taken_up is not None, why=why
    )
    return (f"notice-withdrawn:{notice.raised.notice}", body)


def _withdrawals(orphaned: list[Notice]) -> list[tuple[str, ActBody]]:
    return [_withdraw(notice, "basis-gone") for notice in orphaned if notice.withdrawn is None]


def _orphans(bench: Bench, seen: set[str]) -> list[Notice]:
    """Notices whose unit is no longer a started unit of the case."""
    return [
        Notice(
            raised=body,
            at=act.at,
            units=(),
            triggers=(),
            reports=(),
            taken_up=blood_bank_word(bench, (), body).taken_up,
            withdrawn=_withdrawal(bench, body),
        )
        for act, body in bench.case.acted(NoticeRaised)
        if body.notice not in seen
    ]


def _escalations(bench: Bench, clock: Clock, held: list[Notice]) -> list[tuple[str, ActBody]]:
    """The ward is told to telephone: at once when turned down or unanswerable, else when due."""
    acts: list[tuple[str, ActBody]] = []
    for notice in held:
        if not notice.open or not notice.triggers or notice.taken_up or notice.escalated:
            continue
        why = None
        if notice.turned_down:
            why = "rejected"
        elif bench.site.receive_only:
            why = "receive-only"
        elif notice.telephone_by is not None and clock.reached(notice.telephone_by):
            why = "unacknowledged"
        if why is not None:
            body = NoticeEscalated(notice=notice.raised.notice, why=why)
            acts.append((f"notice-escalated:{notice.raised.notice}", body))
    return acts


def _raise(
    bench: Bench,
    clock: Clock,
    group: tuple[Course, ...],
    held: list[Notice],
    triggers: tuple[Trigger, ...],
) -> tuple[bool, list[Pending], list[tuple[str, ActBody]]]:
    """A new notice for triggers that no notice covers, open, concluded or dismissed."""
    if any(notice.takes_more and notice.triggers for notice in held):
        return False, [], []
    covered = max((n.covers for n in held if n.covers is not None), default=None)
    fresh = [t for t in triggers if covered is None or t.onset > covered]
    fresh = [t for t in fresh if not _dismissed_before(bench, group, t)]
    grave = [t for t in fresh if t.grade != "pause" or _confirmed(bench, group, t)]
    unanswered, waiting = _unanswered(bench, clock, [t for t in fresh if t not in grave])
    chosen = next(iter(sorted(grave + unanswered, key=lambda t: (t.onset, t.unit))), None)
    if chosen is None:
        return False, waiting, []
    news = chosen.grade == NEWS
    ordinal = 1 + sum(
        1
        for _, body in bench.case.acted(NoticeRaised)
        if body.unit == chosen.unit.text and (body.grade == NEWS) is news
    )
    name = f"{NEWS}-{ordinal}" if news else f"{ordinal}"
    grade = max((t.grade for t in grave), key=ORDER.__getitem__, default="pause")
    body = NoticeRaised(
        notice=f"{bench.case.unit(chosen.unit).subject}/{name}",
        unit=chosen.unit.text,
        origin=chosen.origin,
        grade=grade,
        onset=chosen.onset,
    )
    return True, [], [(f"notice-raised:{body.notice}", body)]


def _confirmed(bench: Bench, group: tuple[Course, ...], trigger: Trigger) -> bool:
    return _word_after(bench, group, StepCode.CONFIRM_REACTION, trigger)


def _dismissed_before(bench: Bench, group: tuple[Course, ...], trigger: Trigger) -> bool:
    """A pause-grade screen that the ward dismissed before any notice was raised."""
    return trigger.grade == "pause" and _word_after(
        bench, group, StepCode.DISMISS_REACTION, trigger
    )


def _word_after(bench: Bench, group: tuple[Course, ...], code: StepCode, trigger: Trigger) -> bool:
    keys = {course.key for course in group}
    return any(
        step.body.code is code
        and step_finished(step) >= trigger.onset
        and bench.case.unit_of_step(step.body) in keys | {None}
        for step in bench.case.steps
    )


def _unanswered(
    bench: Bench, clock: Clock, triggers: list[Trigger]
) -> tuple[list[Trigger], list[Pending]]:
    due: list[Trigger] = []
    waiting: list[Pending] = []
    for trigger in triggers:
        wait: timedelta = bench.policy.row("notice-unanswered", trigger.onset).span
        if clock.reached(trigger.onset + wait):
            due.append(trigger)
        else:
            waiting.append(Pending(trigger=trigger, until=trigger.onset + wait))
    return due, waiting
