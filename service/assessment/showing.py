"""How a patient, a unit and a step are shown in emitted content."""

from collections.abc import Iterable

from service.assessment.desired import UnitShown
from service.facts.case import Case, UnitView
from service.facts.fact import Fact
from service.facts.identity import Identifier, PersonName, Ref
from service.facts.moment import Moment
from service.facts.once import once
from service.facts.records import LocationRecord, Order, PatientRecord
from service.facts.steps import Step
from service.policy.policy import Site


def patient_shown(case: Case, site: Site) -> Ref:
    """The patient by the facility's first identity-bearing number, with the name as display."""
    chosen = min(_numbers(case), key=lambda number: _preference(number, site), default=None)
    return Ref(kind="Patient", identifier=chosen, display=_name(case))


@once
def _numbers(case: Case) -> tuple[Identifier, ...]:
    recorded = [number for fact in case.of(PatientRecord) for number in fact.body.identifiers]
    if recorded:
        return tuple(recorded)
    return tuple(Identifier(*alias.split("|", 1)) for alias in case.aliases if "|" in alias)


@once
def _name(case: Case) -> str | None:
    names = (name_text(name) for fact in case.of(PatientRecord) for name in fact.body.names)
    return min(names, default=None)


def name_text(name: PersonName) -> str:
    """``FAMILY, Given`` as bands print it."""
    return ", ".join(part for part in (name.family, name.given) if part)


@once
def unit_shown(unit: UnitView) -> UnitShown | None:
    """The unit as its producers describe it; the last description that says something wins."""
    if unit.key is None:
        return None
    bodies = [fact.body for fact in unit.described]
    issued = [issue.body.quantity for issue in unit.issues if issue.body.quantity]
    volumes = [body.volume for body in bodies if body.volume is not None] or issued
    return UnitShown(
        key=unit.key,
        component=unit.component,
        product_text=next((b.product_text for b in reversed(bodies) if b.product_text), None),
        group=next((b.group for b in reversed(bodies) if b.group), None),
        expiry=next((b.expiry for b in reversed(bodies) if b.expiry), None),
        volume=volumes[-1] if volumes else None,
    )


def order_refs(orders: Iterable[Fact[Order]]) -> tuple[Ref, ...]:
    """Orders by their first identifier."""
    return tuple(
        Ref(kind="ServiceRequest", identifier=min(order.body.identifiers))
        for order in orders
        if order.body.identifiers
    )


def clock_text(moment: Moment, site: Site) -> str:
    """A time on the hospital's clock, to the minute, with its offset; a coarse time as sent."""
    if moment.instant is None:
        return moment.text
    return moment.instant.astimezone(site.zone).strftime("%Y-%m-%d %H:%M %z")


def fact_subject(fact: Fact[Step] | Fact[Order]) -> str:
    """The subject of an identity that rests on a step or an order: its first identifier."""
    return min((i.token for i in fact.body.identifiers), default=fact.key)


def step_ref(step: Step) -> Ref | None:
    """A bedside step by its sender's identifier."""
    if not step.identifiers:
        return None
    return Ref(kind="Task", identifier=min(step.identifiers))


def place_of(case: Case, unit: UnitView | None = None) -> Ref | None:
    """Where the patient is: the location of the latest step, else where the unit was sent."""
    located = _located(case)
    if located is not None:
        return located
    issues = unit.issues if unit is not None else ()
    sent = [issue.body.destination for issue in issues if issue.body.destination is not None]
    return sent[-1] if sent else None


@once
def _located(case: Case) -> Ref | None:
    places = (step.body.location for step in reversed(case.steps))
    return next((place for place in places if place is not None), None)


def callback_of(case: Case, place: Ref | None) -> str | None:
    """The telephone number of a place, where its record gives one."""
    if place is None:
        return None
    for fact in case.every(LocationRecord):
        tokens = {fact.resource, *(i.token for i in fact.body.identifiers)}
        if not tokens.isdisjoint(place.tokens):
            return fact.body.contact
    return None


def _preference(number: Identifier, site: Site) -> tuple[int, str]:
    known = site.identity_systems
    place = known.index(number.system) if number.system in known else len(known)
    return (place, number.token)
