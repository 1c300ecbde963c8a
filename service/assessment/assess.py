"""``assess``: the facts of a case, a policy and a clock in; the desired state out. Pure."""

from dataclasses import dataclass
from datetime import datetime

from service.assessment.checking import (
    Bench,
    Judgement,
    due_after,
    judge,
    judge_check,
    too_coarse,
)
from service.assessment.clock import RecordingClock
from service.assessment.course import Course, episodes, follow
from service.assessment.desired import Desired
from service.assessment.events import near_miss, notice
from service.assessment.issues import issues, loose_issues
from service.assessment.memory import Memory, Standing
from service.assessment.notices import NEWS, Reactions, react
from service.assessment.out_of_turn import judge_unnamed
from service.assessment.procedures import records
from service.assessment.requests import of_emergency, of_reactions, reminders
from service.facts.acts import ActBody, NoticeRaised, NoticeWithdrawn
from service.facts.case import EARLIEST, Case, UnitView, step_finished
from service.facts.deadline import Deadline
from service.facts.fact import Fact
from service.facts.finding import Advice, Finding, Stage, Verdict
from service.facts.steps import Step, StepCode
from service.policy.policy import Policy, Site
from service.rules import recording, timing


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a step is answered: one word and the findings behind it, those that were met left out.

    word: a verdict's before the start, accept or discard for a return, an advice's otherwise.
    """

    word: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """The result of evaluating a case.

    answers: step fact key -> answer. desired: what partners should hold, by key. acts: acts to
    commit with this assessment, (key, body). next_wake: the earliest instant at which any of this
    may change, None when nothing waits.
    """

    courses: tuple[Course, ...]
    loose: tuple[Judgement, ...]
    reactions: Reactions
    answers: dict[str, Answer]
    desired: tuple[Desired, ...]
    acts: tuple[tuple[str, ActBody], ...]
    next_wake: datetime | None

    @property
    def deadlines(self) -> tuple[Deadline, ...]:
        """Every deadline of every unit, by due time."""
        found = [deadline for course in self.courses for deadline in course.deadlines]
        return tuple(sorted(found, key=lambda d: (d.due, d.kind, d.ordinal)))

    def course(self, unit_text: str) -> Course | None:
        """The course of a unit, by the text of its key."""
        return next((c for c in self.courses if c.key.text == unit_text), None)


def assess(
    case: Case,
    policy: Policy,
    site: Site,
    clock: RecordingClock,
    memory: Memory | None = None,
) -> Assessment:
    """Evaluates a case. Equal facts, acts, policy and answers of the clock give equal results.

    memory: judgements made before; it changes the time that this takes, and nothing else.
    """
    standing = Standing(case, policy, site, memory.edition) if memory is not None else None
    bench = Bench(case=case, policy=policy, site=site, memory=memory, standing=standing)
    reacting = _has_open_notice(case)
    courses = tuple(
        follow(bench, clock, unit, reaction_open=reacting) for unit in case.units.values()
    )
    loose = _judge_loose(bench)
    span = policy.row("suspects-after-end", _as_known(case)).span.total_seconds()
    reactions = react(bench, clock, courses, episodes(courses, span))
    desired = _desired(bench, clock, courses, loose, reactions)
    return Assessment(
        courses=courses,
        loose=loose,
        reactions=reactions,
        answers=_answers(bench, courses, loose),
        desired=tuple(desired[key] for key in sorted(desired)),
        acts=reactions.acts,
        next_wake=clock.next_wake,
    )


def dry_run(
    case: Case, policy: Policy, site: Site, unit: UnitView, check: Fact[Step]
) -> tuple[Judgement, tuple[Deadline, ...]]:
    """The pre-start check of ``$check-unit``: judged like a recorded one, committed nowhere.

    With it what must follow, and by when.
    """
    bench = Bench(case=case, policy=policy, site=site)
    return judge_check(bench, unit, check), due_after(bench, unit, check)


def _desired(
    bench: Bench,
    clock: RecordingClock,
    courses: tuple[Course, ...],
    loose: tuple[Judgement, ...],
    reactions: Reactions,
) -> dict[str, Desired]:
    found: list[Desired] = []
    for course in courses:
        found.extend(records(bench, course, reactions.notices))
        found.extend(issues(bench, clock, course))
        found.extend(near_miss(bench, course))
        found.extend(reminders(bench, clock, course, reactions))
    for judgement in loose:
        found.extend(loose_issues(bench, judgement))
    for held in reactions.notices:
        found.extend(notice(bench, held))
    found.extend(of_reactions(bench, reactions))
    found.extend(of_emergency(bench, courses))
    return {desired.key.text: desired for desired in found}


def _has_open_notice(case: Case) -> bool:
    withdrawn = {body.notice for _, body in case.acted(NoticeWithdrawn)}
    raised = [
        body
        for _, body in case.acted(NoticeRaised)
        if body.notice not in withdrawn and body.grade != NEWS
    ]
    dismissed = [
        step_finished(step) for step in case.steps if step.body.code is StepCode.DISMISS_REACTION
    ]
    last = max(dismissed, default=EARLIEST)
    return any(body.onset > last for body in raised)


def _as_known(case: Case) -> datetime:
    """The latest clinical instant of the case's steps, for a row that no rule dates."""
    return max((step_finished(step) for step in case.steps), default=_FALLBACK)


_FALLBACK = datetime.fromisoformat("2025-01-01T00:00:00+00:00")


def _judge_loose(bench: Bench) -> tuple[Judgement, ...]:
    """Steps whose unit was not identified: every rule about a unit says what is missing."""
    found = []
    for step in bench.case.loose:
        if step.body.code in (StepCode.CHECK_UNIT, StepCode.START):
            found.append(_judge_unknown(bench, step))
        elif step.body.code in recording.OF_A_UNIT:
            found.append(judge_unnamed(bench, step))
    return tuple(found)


def _judge_unknown(bench: Bench, step: Fact[Step]) -> Judgement:
    unit = UnitView(key=None, steps=(step,))
    starts = step.body.code is StepCode.START
    stage = Stage.START if starts else Stage.CHECK
    if step_finished(step) == EARLIEST:
        return too_coarse(bench, unit, step, stage)
    return judge(
        bench,
        unit,
        at=step_finished(step),
        stage=stage,
        check=None if starts else step,
        start=step if starts else None,
    )


def _answers(
    bench: Bench, courses: tuple[Course, ...], loose: tuple[Judgement, ...]
) -> dict[str, Answer]:
    found: dict[str, Answer] = {}
    for course in courses:
        found.update(
            dict.fromkeys((step.key for step in course.unit.steps), _advice_answer(course))
        )
        for judgement in course.judgements:
            if judgement.step is not None:
                found[judgement.step.key] = _judged_answer(course, judgement)
        found.update(_accepted(course))
        for step in course.unit.done(StepCode.RETURN_UNIT):
            returned = timing.judge_return(bench.case, course.unit, step, bench.policy, bench.site)
            word = "discard" if any(f.returned == "discard" for f in returned) else "accept"
            found[step.key] = Answer(word=word, findings=returned)
    for judgement in loose:
        if judgement.step is not None:
            found[judgement.step.key] = verdict_answer(judgement)
    gravest = max((course.advice for course in courses), default=Advice.CONTINUE)
    other = Answer(word=gravest.word, findings=())
    for step in bench.case.steps:
        found.setdefault(step.key, other)
    return found


def _judged_answer(course: Course, judgement: Judgement) -> Answer:
    """The verdict; a start that is told after news against the hanging unit hears that first."""
    news = course.news if judgement.stage is Stage.START and course.unit.ended is None else ()
    if not news or judgement.verdict is Verdict.REFUSE:
        return verdict_answer(judgement)
    return Answer(word=course.advice.word, findings=(*news, *judgement.notable))


def _accepted(course: Course) -> dict[str, Answer]:
    """An authorisation or acknowledgement is answered what the last check before it gives now."""
    found = {}
    for step in course.unit.done(StepCode.AUTHORISE, StepCode.ACKNOWLEDGE_CAUTION):
        before = [judged for judged in course.checks if judged.at <= step_finished(step)]
        if before:
            found[step.key] = verdict_answer(before[-1])
    return found


def verdict_answer(judgement: Judgement) -> Answer:
    """The verdict of a judgement with every finding that was not simply met."""
    return Answer(word=judgement.verdict.word, findings=judgement.notable)


def _advice_answer(course: Course) -> Answer:
    return Answer(word=course.advice.word, findings=course.findings)
