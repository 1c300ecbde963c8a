"""What a unit's reaction categories are judged on: hits, signs and results, by time."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from service.facts.case import EARLIEST, step_time
from service.facts.fact import Fact
from service.facts.finding import Candidate, Cited, Finding, Grade
from service.facts.quantity import Vital
from service.facts.records import LabResult
from service.facts.steps import Step, StepCode
from service.rules.monitoring_chart import Said, reported_at
from service.rules.monitoring_episode import NEVER, about
from service.rules.monitoring_sweep import Hit
from service.rules.monitoring_triggers import TRIGGERS
from service.rules.monitoring_watched import Watched
from service.rules.reaction_categories import Category

PRESSURE = ("hypotension", "child-hypotension", "small-child-hypotension")
RESPIRATORY = ("desaturation", "breathlessness", "oxygen-need-rising")


class Span(NamedTuple):
    """A stretch of time, both ends included."""

    since: datetime
    until: datetime

    def holds(self, at: datetime) -> bool:
        """True for an instant within it."""
        return self.since <= at <= self.until


class Result(NamedTuple):
    """A laboratory or imaging result with its fact's key."""

    at: datetime
    key: str
    body: LabResult


class Criterion(NamedTuple):
    """One criterion: met, not met, or unknown (None), and the facts that say so."""

    text: str
    state: bool | None
    facts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A category judged on one stretch of time. ``met``: its screening criteria are met."""

    met: bool
    criteria: tuple[Criterion, ...]
    grade: Grade = Grade.POSSIBLE
    severity: str | None = None
    cited: tuple[Cited, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything that bears on a unit's reaction categories.

    results: by analyte, in clinical order. wrong: findings that show a wrong patient or bag.
    replies: the laboratory's steps about the episode. reports: steps suspect-reaction in it.
    """

    watched: Watched
    results: dict[str, list[Result]]
    wrong: tuple[Finding, ...]
    replies: tuple[Fact[Step], ...]
    reports: tuple[Fact[Step], ...]

    def span(self, category: Category) -> Span:
        """The category's window: during the unit or up to its row after the end, or between."""
        limits = self.watched.limits
        start = self.watched.start
        ended = self.watched.running.ended_at
        if category.window is None:
            return self.acute
        width = limits.span(f"window.{category.window}")
        if not category.opens_late:
            return Span(start, NEVER if ended is None else ended + width)
        anchor = ended or start
        return Span(anchor + limits.span(f"window-opens.{category.window}"), anchor + width)

    @property
    def always(self) -> Span:
        """All time."""
        return Span(EARLIEST, NEVER)

    def whole(self, category: Category) -> Span:
        """All the time in which the category is looked for at all."""
        return Span(self.watched.start, NEVER) if category.opens_late else self.acute

    @property
    def acute(self) -> Span:
        """The unit and the widest acute window after it."""
        return Span(self.watched.start, self.watched.end)

    def later(self, span: Span) -> Span:
        """A span with the time in which results about its signs still come."""
        return Span(span.since, max(span.until, self.watched.end))

    def narrowed(self, span: Span, row: str) -> Span:
        """A category's window cut down to another row; the whole of the time stays whole."""
        ended = self.watched.running.ended_at
        if ended is None or span == self.acute:
            return span
        return Span(span.since, min(span.until, ended + self.watched.limits.span(row)))

    def stopped(self, span: Span) -> Hit | None:
        """The first hit of a trigger whose row says stop."""
        return self.hit(span, *_reasons_that_say(self.watched, "stop"))

    def suspicious(self, span: Span) -> bool:
        """True when a trigger of stop or pause was met, or a person suspected a reaction."""
        reasons = (
            *_reasons_that_say(self.watched, "stop"),
            *_reasons_that_say(self.watched, "pause"),
        )
        reported = any(
            span.holds(step_time(report)) or span.holds(reported_at(report))
            for report in self.reports
        )
        return reported or self.hit(span, *reasons) is not None

    def hit(self, span: Span, *reasons: str) -> Hit | None:
        """The first hit of any of these triggers."""
        hits = self.watched.found.hits
        first = (
            next((hit for hit in hits[reason] if span.holds(hit.at)), None)
            for reason in reasons
            if reason in hits
        )
        return min((hit for hit in first if hit is not None), default=None)

    def measured(
        self, span: Span, text: str, vitals: tuple[Vital, ...], reasons: tuple[str, ...]
    ) -> Criterion:
        """A criterion that triggers decide; unknown where a set left it open or none was taken."""
        hit = self.hit(span, *reasons)
        if hit is not None:
            return Criterion(text, True, self.keys_of(hit))
        found = self.watched.found
        left = (h for reason in reasons for h in found.open_hits.get(reason, ()))
        taken = (at for vital in vitals for at in found.times.get(vital, ()))
        known = any(map(span.holds, taken)) and not any(span.holds(h.at) for h in left)
        return Criterion(text, False if known else None)

    def keys_of(self, hit: Hit) -> tuple[str, ...]:
        """The facts of a hit."""
        return tuple(sorted({item.key for item in self.watched.found.evidence(hit)}))

    def signs(self, span: Span, words: frozenset[str]) -> tuple[Said, ...]:
        """The reports of any of these signs as present."""
        return tuple(
            said
            for said in self.watched.chart.signs
            if said.present
            and said.word in words
            and span.holds(said.at if said.at >= self.watched.start else said.told)
        )

    def said(self, span: Span, text: str, words: frozenset[str]) -> Criterion:
        """A criterion that reported signs decide; what nobody spoke of is unknown."""
        found = self.signs(span, words)
        if found:
            return Criterion(text, True, tuple(sorted({said.key for said in found})))
        denied = any(
            not said.present and said.word in words and span.holds(said.at)
            for said in self.watched.chart.signs
        )
        return Criterion(text, False if denied else None)

    def last(self, span: Span, analyte: str) -> Result | None:
        """The latest result of an analyte."""
        return next((r for r in reversed(self.results.get(analyte, [])) if span.holds(r.at)), None)

    def any_result(self, span: Span, text: str, analyte: str, words: frozenset[str]) -> Criterion:
        """A criterion that a result's word decides; any result that says so does."""
        found = [r for r in self.results.get(analyte, ()) if span.holds(r.at)]
        said = [r for r in found if r.body.word in words]
        if said:
            return Criterion(text, True, tuple(r.key for r in said))
        spoken = any(r.body.word is not None for r in found)
        return Criterion(text, False if spoken else None)

    def before(self, analyte: str) -> Result | None:
        """The last result of an analyte up to the start."""
        found = [r for r in self.results.get(analyte, ()) if r.at <= self.watched.start]
        return found[-1] if found else None

    def reply(self, code: StepCode) -> tuple[str, ...]:
        """Keys of the laboratory's replies of a kind."""
        return tuple(step.key for step in self.replies if step.body.code is code)


REPLIES = frozenset(
    {
        StepCode.CLERICAL_OK,
        StepCode.CLERICAL_ERROR,
        StepCode.HAEMOLYSIS,
        StepCode.NO_HAEMOLYSIS,
    }
)


def evidence_of(watched: Watched, wrong: tuple[Finding, ...]) -> Evidence:
    """Collects what bears on the categories of one unit."""
    case = watched.running.case
    units = watched.episode.units
    mine = [step for step in case.steps if about(case, step, units)]
    return Evidence(
        watched=watched,
        results=_results(case.of(LabResult)),
        wrong=wrong,
        replies=tuple(step for step in mine if step.body.code in REPLIES),
        reports=tuple(step for step in mine if step.body.code is StepCode.SUSPECT_REACTION),
    )


def _results(facts: Iterable[Fact[LabResult]]) -> dict[str, list[Result]]:
    found: dict[str, list[Result]] = {}
    for fact in facts:
        at = fact.body.at.instant if fact.body.at is not None else None
        if at is not None:
            found.setdefault(fact.body.analyte, []).append(Result(at, fact.key, fact.body))
    for results in found.values():
        results.sort(key=lambda result: (result.at, result.key))
    return found


def _reasons_that_say(watched: Watched, word: str) -> tuple[str, ...]:
    if not watched.found.hits:
        return ()
    return tuple(
        trigger.reason
        for trigger in TRIGGERS
        if not trigger.silent
        and trigger.reason in watched.found.hits
        and (trigger.word or watched.limits.rule(trigger.rule).on_failure) == word
    )


def comparable(now: Result, before: Result | None) -> tuple[Decimal, Decimal] | None:
    """The values of two results in one unit, the later first; None where they have none."""
    if before is None or now.body.unit != before.body.unit:
        return None
    if now.body.value is None or before.body.value is None:
        return None
    return now.body.value, before.body.value


def negated(criterion: Criterion, text: str) -> Criterion:
    """A criterion that is met by the absence of another, as far as that is known."""
    state = None if criterion.state is None else not criterion.state
    return Criterion(text, state, criterion.facts)


def both(*states: bool | None) -> bool | None:
    """True when all are, False when any is not, unknown otherwise."""
    if False in states:
        return False
    return None if None in states else True


def either(*states: bool | None) -> bool | None:
    """True when any is, False when none is, unknown otherwise."""
    if True in states:
        return True
    return None if None in states else False


def candidate(category: Category, judged: Judged) -> Candidate:
    """The candidate of a category whose criteria are met."""
    by_state: dict[bool | None, list[str]] = {True: [], False: [], None: []}
    for criterion in judged.criteria:
        by_state[criterion.state].append(criterion.text)
    facts = {key for criterion in judged.criteria if criterion.state for key in criterion.facts}
    return Candidate(
        rule=category.rule,
        category=category.name,
        grade=judged.grade,
        severity=judged.severity,
        met=tuple(by_state[True]),
        not_met=tuple(by_state[False]),
        unknown=tuple(by_state[None]),
        facts=tuple(sorted(facts)),
        cited=judged.cited,
    )
