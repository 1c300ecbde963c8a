"""What ran into the patient: rates as recorded, the volume they gave, the end they predict."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from service.facts.case import UnitView, step_time
from service.facts.fact import Fact
from service.facts.once import once
from service.facts.records import Order
from service.facts.steps import Step, StepCode
from service.rules import volume
from service.rules.measurable import given_of, rate_of, volume_of

STOPS = frozenset({StepCode.INTERRUPT, StepCode.END, StepCode.DISCARD_UNIT, StepCode.RETURN_UNIT})
RUNS = frozenset({StepCode.START, StepCode.RESUME, StepCode.CHANGE_RATE})
NONE = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """The rate from an instant on, in mL/h: 0 while it is held, None when nobody recorded it."""

    since: datetime
    rate: Decimal | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A volume given, in mL. method: ``measured``, ``rates`` or ``label`` (a bag emptied).

    uncertainty: mL either way where the method has one of its own: what may stay in bag and set.
    """

    volume: Decimal
    method: str
    uncertainty: Decimal | None = None
    facts: tuple[str, ...] = ()

    @property
    def measured(self) -> bool:
        """True for a bag weight or a pump's count."""
        return self.method == "measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Count:
    at: datetime
    volume: Decimal
    fact: str


def steps_of_flow(unit: UnitView) -> tuple[Fact[Step], ...]:
    """The unit's steps from its start on, in clinical order; empty before it."""
    return _from_start(unit)


def label_volume(unit: UnitView) -> Decimal | None:
    """The volume on the label, else the one issued; None when neither was sent, or can be right."""
    described = (volume_of(fact.body.volume) for fact in unit.described)
    issued = (volume_of(fact.body.quantity) for fact in unit.issues)
    told = [one for one in described if one is not None]
    return next(reversed(told or [one for one in issued if one is not None]), None)


@once
def flows(unit: UnitView) -> tuple[Flow, ...]:
    """The unit's rates in clinical order, from its first start; empty before it.

    A rate set while the flow is held does not start it again, and a second start of a running bag
    is no new flow. A resumption without a rate runs at the median of the last two rates recorded;
    a rate that no line can give is not known.
    """
    found: list[Flow] = []
    recorded: list[Decimal] = []
    for step in _from_start(unit):
        code, rate = step.body.code, rate_of(step.body.rate)
        held = bool(found) and found[-1].rate == 0
        twice = code is StepCode.START and bool(found) and not held
        if rate is not None and code in RUNS:
            recorded.append(rate)
        if _stops(step):
            found.append(Flow(since=_stopped_at(step), rate=NONE))
        elif code in RUNS and not twice and not (held and code is StepCode.CHANGE_RATE):
            said = step.body.rate is not None
            current = rate if said else volume.rate_or_median(None, tuple(recorded))
            found.append(Flow(since=step_time(step), rate=current))
    return tuple(found)


def recorded_rates(unit: UnitView) -> tuple[Fact[Step], ...]:
    """The steps that set a rate, in clinical order."""
    return tuple(
        step for step in _from_start(unit) if step.body.code in RUNS and step.body.rate is not None
    )


def given(unit: UnitView, until: datetime) -> Given | None:
    """The volume given by an instant; None when a stretch ran at an unknown rate.

    A measured volume stands in place of what was reckoned up to it; what ran since is added. The
    sum never exceeds the label's volume.
    """
    held = flows(unit)
    if not held or until < held[0].since:
        return None
    count = _last_count(unit, until)
    since = count.at if count is not None else held[0].since
    ran = _ran(held, since, until)
    if ran is None:
        return None
    total = ran + (count.volume if count is not None else NONE)
    facts = (count.fact,) if count is not None else ()
    if count is not None and ran == 0:
        return Given(volume=total, method="measured", facts=facts)
    label = label_volume(unit)
    return Given(volume=total if label is None else min(total, label), method="rates", facts=facts)


def given_in_all(unit: UnitView, residual: Decimal) -> Given | None:
    """The volume that an ended unit gave: measured, else reckoned, else the emptied bag's.

    residual: mL that stay in bag and set. A bag taken down for a reason was not emptied.
    """
    over = unit.ended
    if over is None:
        return None
    found = given(unit, step_time(over))
    label = label_volume(unit)
    emptied = over.body.code is StepCode.END and over.body.reason is None
    if found is not None or label is None or not emptied:
        return found
    return Given(
        volume=volume.volume_from_label(label, residual), method="label", uncertainty=residual
    )


def remaining(unit: UnitView, at: datetime) -> Decimal | None:
    """What is left in the bag at an instant; None without a label volume or a rate."""
    label, so_far = label_volume(unit), given(unit, at)
    return None if label is None or so_far is None else max(NONE, label - so_far.volume)


def predicted_end(unit: UnitView) -> datetime | None:
    """When the bag is empty at the present rate; None while held, or with a part unknown."""
    held = flows(unit)
    return _end_of(unit, held[-1]) if held else None


def predicted_before_hold(unit: UnitView) -> tuple[datetime, datetime] | None:
    """What was predicted when the flow was held, and since when it is; None while it runs."""
    held = flows(unit)
    if len(held) < 2 or held[-1].rate != 0:
        return None
    end = _end_of(unit, held[-2])
    return None if end is None else (end, held[-1].since)


def _end_of(unit: UnitView, running: Flow) -> datetime | None:
    if running.rate is None:
        return None
    left = remaining(unit, running.since)
    return None if left is None else volume.expected_end(running.since, left, running.rate)


def highest_ordered(orders: tuple[Fact[Order], ...]) -> Decimal | None:
    """The highest prescribed rate that a line can give, or None."""
    rates = (rate_of(order.body.rate) for order in orders)
    return max((rate for rate in rates if rate is not None), default=None)


def planned_end(
    unit: UnitView,
    at: datetime,
    first: Decimal | None,
    ordered: Decimal | None,
    slow_start: timedelta,
) -> datetime | None:
    """When a unit hung at an instant is planned to end: the first rate, then the ordered one.

    None without a label volume or an ordered rate, or with a first rate that no line can give: how
    long it takes is never assumed.
    """
    label = label_volume(unit)
    begins = rate_of(first if first is not None else ordered)
    if label is None or ordered is None or begins is None:
        return None
    span = volume.planned_span(label, begins, ordered, slow_start)
    return None if span is None else at + span


@once
def _from_start(unit: UnitView) -> tuple[Fact[Step], ...]:
    begun = unit.started
    if begun is None:
        return ()
    later = (step for step in unit.steps if step is not begun)
    return (begun, *(step for step in later if step_time(step) >= step_time(begun)))


def _stops(step: Fact[Step]) -> bool:
    suspected = step.body.code is StepCode.SUSPECT_REACTION
    return step.body.code in STOPS or (suspected and step.body.flow_stopped_at is not None)


def _stopped_at(step: Fact[Step]) -> datetime:
    stopped = step.body.flow_stopped_at
    return (stopped.instant if stopped is not None else None) or step_time(step)


def _last_count(unit: UnitView, until: datetime) -> _Count | None:
    counts = [
        _Count(at=_stopped_at(step), volume=counted, fact=step.key)
        for step in _from_start(unit)
        if (counted := given_of(step.body.volume_given)) is not None and _stopped_at(step) <= until
    ]
    return counts[-1] if counts else None


def _ran(held: tuple[Flow, ...], since: datetime, until: datetime) -> Decimal | None:
    total = NONE
    ends = (*(flow.since for flow in held[1:]), until)
    for flow, end in zip(held, ends, strict=True):
        begin, over = max(flow.since, since), min(end, until)
        if over <= begin:
            continue
        if flow.rate is None:
            return None
        total += volume.flowed(flow.rate, over - begin)
    return total
