"""The orders behind a unit, and how much of each is already given."""

from datetime import datetime, tzinfo
from decimal import Decimal

from service.facts.case import EARLIEST, Case, UnitView, step_time
from service.facts.fact import Fact
from service.facts.moment import Moment, end_of_day, start_of_day
from service.facts.records import Order, OrderKind
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.rules.flow import given, label_volume

ORDERED = frozenset({"order", "original-order", "reflex-order", "filler-order", "instance-order"})
OVER = frozenset({"revoked", "entered-in-error"})


def linked(
    case: Case,
    named: tuple[Fact[Order], ...],
    component: Component | None,
    at: datetime,
    zone: tzinfo,
) -> tuple[Fact[Order], ...]:
    """The orders that a unit's issue or steps name; else those of its component and window."""
    if named:
        return named
    return tuple(
        fact
        for fact in case.of(Order)
        if component is not None
        and fact.body.component is component
        and fact.body.status not in OVER
        and in_window(fact.body, at, zone) is not False
    )


def deciding(case: Case, orders: tuple[Fact[Order], ...]) -> tuple[Fact[Order], ...]:
    """This patient's orders to give; those to prepare only where no order to give was sent."""
    mine = tuple(fact for fact in orders if case.mine(fact))
    to_give = tuple(fact for fact in mine if fact.body.kind is OrderKind.ADMINISTER)
    return to_give or mine


def in_window(order: Order, at: datetime, zone: tzinfo) -> bool | None:
    """Whether an instant lies in the order's window; None when a bound is too coarse to tell."""
    opens = _bound(order.start, zone, first=True)
    closes = _bound(order.end, zone, first=False)
    if (opens is not None and at < opens) or (closes is not None and at > closes):
        return False
    known = (order.start is None or opens is not None) and (order.end is None or closes is not None)
    return True if known else None


def _bound(moment: Moment | None, zone: tzinfo, *, first: bool) -> datetime | None:
    if moment is None or moment.instant is not None:
        return moment.instant if moment is not None else None
    if moment.day is None:
        return None
    return start_of_day(moment.day, zone) if first else end_of_day(moment.day, zone)


def started_under(
    case: Case, order: Fact[Order], at: datetime, zone: tzinfo
) -> tuple[UnitView, ...]:
    """The units started under an order by an instant, in clinical order."""
    found = [
        unit
        for unit in case.units.values()
        if unit.started is not None
        and step_time(unit.started) <= at
        and _is_under(case, unit, order, zone)
    ]
    return tuple(sorted(found, key=lambda u: (_start(u), u.key)))


def is_on_hand(case: Case, order: Fact[Order], zone: tzinfo) -> bool:
    """True while a unit of the order is issued to the patient and neither started nor back."""
    return any(
        _is_issued_here(case, unit)
        and unit.started is None
        and not unit.done(StepCode.RETURN_UNIT, StepCode.DISCARD_UNIT)
        and _is_under(case, unit, order, zone)
        for unit in case.units.values()
    )


def is_met(order: Order, units: tuple[UnitView, ...]) -> bool | None:
    """Whether the units started meet the ordered quantity; None when it was not said.

    ``{unit}`` counts started units, mL counts the volume given: measured or estimated, else the
    label's.
    """
    if order.quantity is None or order.quantity_unit not in ("{unit}", "mL"):
        return None
    if order.quantity_unit == "{unit}":
        return len(units) >= order.quantity
    volumes = [_volume(unit) for unit in units]
    known = [volume for volume in volumes if volume is not None]
    if sum(known, Decimal(0)) >= order.quantity:
        return True
    return False if len(known) == len(volumes) else None


def _volume(unit: UnitView) -> Decimal | None:
    over = unit.ended
    counted = given(unit, step_time(over)) if over is not None else None
    return counted.volume if counted is not None else label_volume(unit)


def _is_under(case: Case, unit: UnitView, order: Fact[Order], zone: tzinfo) -> bool:
    named = case.orders_of(unit)
    if named:
        return any(fact.key == order.key for fact in named)
    if unit.component is None or unit.component is not order.body.component:
        return False
    return in_window(order.body, _start(unit), zone) is not False if unit.started else True


def _is_issued_here(case: Case, unit: UnitView) -> bool:
    last = unit.issues[-1] if unit.issues else None
    return (
        last is not None
        and last.body.status == "issued"
        and last.body.patient is not None
        and case.is_me(last.body.patient)
    )


def _start(unit: UnitView) -> datetime:
    return step_time(unit.started) if unit.started is not None else EARLIEST
