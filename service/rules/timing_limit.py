"""The completion limit: TIM-03 to TIM-08 before the start, and the bag-down limit after it."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.facts.case import UnitView
from service.facts.deadline import Deadline
from service.facts.fact import Fact
from service.facts.finding import Cited, Finding, Remedy
from service.facts.moment import at as moment_at
from service.facts.moment import local_text
from service.facts.once import once
from service.facts.records import Order
from service.facts.unit import Component
from service.policy.policy import Policy, Row
from service.rules import flow, volume
from service.rules.context import Also, PreStart, Running, Stating
from service.rules.orders import linked
from service.rules.planned import planned_end
from service.rules.running import Following
from service.rules.stating import failed_as, in_part
from service.rules.storage import Whereabouts, whereabouts
from service.rules.supplied import supplied

# Plasma is named in TIM-04; TIM-06 adds its thawed expiry, which PRE-04 judges.
LIMIT_RULE: dict[Component | None, str] = {
    Component.PLATELETS: "TIM-05",
    Component.CRYOPRECIPITATE: "TIM-07",
    Component.GRANULOCYTES: "TIM-08",
}
ASSUMED = " When it left controlled storage is assumed, not recorded."


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """By when a unit must be down.

    due: None while it is stored, or nobody said when it left. assumed: counted from an assumed
    exit. within: the policy's span. at: the instant at which the unit is, or would be, hung.
    """

    rule: str
    due: datetime | None
    assumed: bool
    within: timedelta
    at: datetime
    place: Whereabouts
    cited: tuple[Cited, ...]

    @property
    def certain(self) -> datetime:
        """The limit that holds whenever it left: by the start it was out of storage."""
        return self.at + self.within


def limit_of(
    component: Component | None, policy: Policy, place: Whereabouts, at: datetime
) -> Limit:
    """The limit of a unit hung at an instant; an unknown component has the red cells' limit."""
    row = policy.row(f"completion-limit.{component or Component.RED_CELLS}", at)
    anchor = policy.row("completion-anchor", at)
    from_start = anchor.words == ("t_spike",)
    out = at if from_start else place.out
    return Limit(
        rule=LIMIT_RULE.get(component, "TIM-04"),
        due=None if out is None else out + row.span,
        assumed=place.assumed and not from_start,
        within=row.span,
        at=at,
        place=place,
        cited=(row.cited, anchor.cited),
    )


@once
def before_start(pre: PreStart) -> Limit:
    """The limit at a judgement before the start."""
    hung = pre.start is not None
    place = whereabouts(pre.unit, pre.at, pre.site.zone, started=hung)
    return limit_of(supplied(pre).component, pre.policy, place, pre.at)


def start_after_removal(pre: PreStart) -> tuple[Finding, ...]:
    """TIM-03: red cells started within the policy's time of leaving controlled storage."""
    if supplied(pre).component is not Component.RED_CELLS:
        return ()
    say = Stating(pre, "TIM-03")
    row = pre.policy.row("start-after-removal", pre.at)
    place = before_start(pre).place
    also = Also(facts=place.facts, cited=(row.cited,))
    if place.stored:
        return say.passed("in-controlled-storage", "The unit is in controlled storage.", also=also)
    if place.out is None:
        text = "When the unit left controlled storage was not said."
        return say.missing("exit-unknown", text, ("out-since",), also=also)
    if pre.at <= place.out + row.span:
        text = f"Within {row.number} {row.unit} of leaving controlled storage."
        return say.passed("started-soon", text + _assumed(place.assumed), also=also)
    text = f"More than {row.number} {row.unit} out of controlled storage."
    if place.assumed:
        missing = ("out-since",)
        return say.missing("start-delayed-beyond-30", text + ASSUMED, missing, also=also)
    return say.failed("start-delayed-beyond-30", text, also=also)


def _assumed(assumed: bool) -> str:
    return ASSUMED if assumed else ""


def completion_limit(pre: PreStart) -> tuple[Finding, ...]:
    """TIM-04, -05, -07, -08: the limit is not passed at the start, and the planned end keeps it."""
    limit = before_start(pre)
    say = Stating(pre, limit.rule)
    also = Also(facts=limit.place.facts, cited=limit.cited, shown=_shown(pre, limit))
    if limit.due is None and not limit.place.stored:
        text = "When the unit left controlled storage was not said."
        return say.missing("exit-unknown", text, ("out-since",), also=also)
    due = limit.due or limit.certain
    if pre.at > due:
        return _passed(pre, say, limit, also)
    return _planned(pre, say, limit, due, also)


def _passed(pre: PreStart, say: Stating, limit: Limit, also: Also) -> tuple[Finding, ...]:
    """An assumed exit gives what missing data gives: caution."""
    text = "The completion limit passed before the start."
    row = pre.policy.row("completion-passed-as", pre.at)
    beside = Also(
        facts=also.facts,
        cited=(*also.cited, row.cited),
        shown=also.shown,
        remedy=Remedy.RETURN_UNIT,
    )
    if limit.assumed:
        return say.missing("four-hour-limit", text + ASSUMED, ("out-since",), also=beside)
    return failed_as(say, row.words[0], "four-hour-limit", text, also=beside)


def _planned(
    pre: PreStart, say: Stating, limit: Limit, due: datetime, also: Also
) -> tuple[Finding, ...]:
    end = planned_end(pre)
    added = _assumed(limit.assumed)
    if end is None:
        text = f"The limit is not passed; whether the unit ends within it is not known.{added}"
        return in_part(say, "planned-end-unknown", text, ("volume or rate",), also=also)
    if end > due:
        row = pre.policy.row("completion-planned-late-as", pre.at)
        beside = Also(facts=also.facts, cited=(*also.cited, row.cited), shown=also.shown)
        text = f"At the ordered rate the unit ends after its completion limit.{added}"
        return failed_as(say, row.words[0], "planned-end-after-limit", text, also=beside)
    text = f"The planned end is within the completion limit.{added}"
    return say.passed("within-limit", text, also=also)


def _shown(pre: PreStart, limit: Limit) -> tuple[tuple[str, str], ...]:
    """The limit, and the lowest rate that keeps it if hung at this instant."""
    if limit.due is None:
        return ()
    shown = [("limit", local_text(moment_at(limit.due), pre.site.zone))]
    label = flow.label_volume(pre.unit)
    lowest = None if label is None else volume.minimum_rate(label, limit.due - pre.at)
    if lowest is not None:
        shown.append(("minimum rate", f"{lowest} mL/h"))
    return tuple(shown)


def platelets_soon(pre: PreStart) -> tuple[Finding, ...]:
    """TIM-05 where the profile has it: platelets given within the time of issue."""
    row = pre.policy.row("platelets-within", pre.at)
    due = _soon_due(supplied(pre).component, pre.unit, row)
    if due is None:
        return ()
    end = planned_end(pre)
    if pre.at <= due and (end is None or end <= due):
        return ()
    say = Stating(pre, "TIM-05")
    text = f"Platelets not given within {row.number} {row.unit} of issue."
    return say.failed("platelets-beyond-target", text, also=Also(cited=(row.cited,)))


def _soon_due(component: Component | None, unit: UnitView, row: Row) -> datetime | None:
    if component is not Component.PLATELETS or not row.number:
        return None
    handed = [i.body.handed_over.instant for i in unit.issues if i.body.handed_over is not None]
    known = [instant for instant in handed if instant is not None]
    return known[-1] + row.span if known else None


def deadlines_before(pre: PreStart) -> tuple[Deadline, ...]:
    """What a check answers besides its verdict: start by, and down by."""
    limit = before_start(pre)
    found = []
    if supplied(pre).component is Component.RED_CELLS and limit.place.out is not None:
        row = pre.policy.row("start-after-removal", pre.at)
        due = limit.place.out + row.span
        text = "Start, or return to controlled storage."
        found.append(_deadline(pre.unit, "start-by", "TIM-03", due, text, (row.cited,)))
    if limit.due is not None:
        text = "The unit must be down."
        found.append(_deadline(pre.unit, "bag-down", limit.rule, limit.due, text, limit.cited))
    return tuple(found)


def _deadline(
    unit: UnitView, kind: str, rule: str, due: datetime, text: str, cited: tuple[Cited, ...]
) -> Deadline:
    return Deadline(kind=kind, rule=rule, unit=unit.key, due=due, text=text, cited=cited)


def running_limit(running: Running) -> Limit:
    """The limit of a started unit; without any word of its exit it counts from the start."""
    begun = running.started_at
    place = whereabouts(running.unit, begun, running.site.zone, started=True)
    return limit_of(running.unit.component, running.policy, place, begun)


def bag_down(running: Running) -> tuple[tuple[Finding, ...], tuple[Deadline, ...]]:
    """Stop once the limit is passed; pause while it rests on an assumed exit.

    By the start the unit was out of storage, so the span from the start is certain whatever is
    assumed: once that is passed too, the advice is to stop.
    """
    limit = running_limit(running)
    due = limit.due or limit.certain
    word = _word(running, limit, due)
    deadline = Deadline(
        kind="bag-down",
        rule=limit.rule,
        unit=running.unit.key,
        due=due,
        met_by=running.ended.key if running.ended is not None else None,
        overdue=running.ended is None and running.clock.reached(due),
        text="The unit must be down.",
        cited=limit.cited,
    )
    findings = _over(running, limit, word) if word is not None else cannot_finish(running, due)
    return findings, (deadline,)


def _word(running: Running, limit: Limit, due: datetime) -> str | None:
    """The word for a limit that is passed, or None."""
    rows = running.policy
    if not _is_past(running, due):
        return None
    if not limit.assumed or _is_past(running, limit.certain):
        return rows.row("completion-running-as", limit.at).words[0]
    return rows.row("completion-assumed-as", limit.at).words[0]


def _is_past(running: Running, due: datetime) -> bool:
    """By the end where there is one; the clock is asked only while there is none."""
    ended = running.ended_at
    return ended > due if ended is not None else running.clock.passed(due)


def _over(running: Running, limit: Limit, word: str) -> tuple[Finding, ...]:
    say = Following(running, limit.rule)
    text = "The completion limit of the unit is passed."
    if limit.due is None:
        text += " It counts from the start, as nobody said when the unit left controlled storage."
    ended = (running.ended.key,) if running.ended is not None else ()
    return say.says(
        "four-hour-limit",
        text + _assumed(limit.assumed),
        word=word,
        facts=(running.start.key, *limit.place.facts, *ended),
        cited=limit.cited,
        shown=(("limit", local_text(moment_at(limit.due or limit.certain), running.site.zone)),),
    )


def cannot_finish(running: Running, due: datetime) -> tuple[Finding, ...]:
    """VOL-11: from the last instant on, the highest prescribed rate no longer ends in time."""
    highest = flow.highest_ordered(_running_orders(running))
    held = flow.flows(running.unit)
    if running.ended is not None or highest is None or not held or held[-1].rate is None:
        return ()
    left = flow.remaining(running.unit, held[-1].since)
    if left is None:
        return ()
    closes = volume.closing_instant(held[-1].since, left, held[-1].rate, due, highest)
    if closes is None or not running.clock.reached(closes):
        return ()
    text = "The unit cannot end inside its limit: ask the prescriber, or divide the unit."
    orders = tuple(order.key for order in _running_orders(running))
    facts = (running.start.key, *orders)
    return Following(running, "VOL-11").says("cannot-finish-inside-limit", text, facts=facts)


def _running_orders(running: Running) -> tuple[Fact[Order], ...]:
    return linked(
        running.case,
        running.orders,
        running.unit.component,
        running.started_at,
        running.site.zone,
    )


def platelets_late(running: Running) -> tuple[Finding, ...]:
    """TIM-05 where the profile has it: platelets still running past the time of issue."""
    row = running.policy.row("platelets-within", running.started_at)
    due = _soon_due(running.unit.component, running.unit, row)
    if due is None or not _is_past(running, due):
        return ()
    text = f"Platelets not given within {row.number} {row.unit} of issue."
    return Following(running, "TIM-05").says("platelets-beyond-target", text, cited=(row.cited,))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is left to do at an instant: volumes in mL, the lowest rate in mL/h that still ends."""

    deadline: datetime
    given: flow.Given | None
    remaining: str | None
    minimum_rate: str | None
    expected_end: datetime | None


def outlook(running: Running, at: datetime) -> Outlook:
    """The unit's volumes and lowest rate as they stand at an instant, such as a step's own."""
    limit = running_limit(running)
    due = limit.due or limit.certain
    left = flow.remaining(running.unit, at)
    lowest = None if left is None else volume.minimum_rate(left, due - at)
    return Outlook(
        deadline=due,
        given=flow.given(running.unit, at),
        remaining=None if left is None else f"{left.normalize():f}",
        minimum_rate=None if lowest is None else str(lowest),
        expected_end=flow.predicted_end(running.unit),
    )
