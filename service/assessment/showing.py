"""How a patient, a unit and a step are shown in emitted content."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from service.assessment.desired import UnitShown
from service.facts.case import EARLIEST, Case, UnitView, step_time, told_at
from service.facts.fact import Fact
from service.facts.identity import Identifier, PersonName, Ref
from service.facts.moment import Moment
from service.facts.once import once
from service.facts.records import EncounterRecord, LocationRecord, Order, PatientRecord
from service.facts.steps import Step, StepCode
from service.policy.policy import Site

LAST = "\U0010ffff"  # after any name
FLOW = (
    StepCode.START,
    StepCode.RESUME,
    StepCode.INTERRUPT,
    StepCode.CHANGE_RATE,
    StepCode.CHANGE_SET,
    StepCode.END,
)


@dataclass(frozen=True, slots=True)
class _Numbered:
    """A number of the patient, and the record that bears it."""

    record: PatientRecord
    number: Identifier

    @property
    def temporary(self) -> bool:
        return self.number.token in self.record.temporary

    @property
    def name(self) -> str | None:
        return name_of(self.record)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where the patient was from an instant on; ``by_step``: as a bedside step said."""

    since: datetime
    place: Ref
    by_step: bool = False


def patient_shown(case: Case, site: Site) -> Ref:
    """The patient by number and name of one record: the one in use, with its permanent number.

    A record that is replaced must no longer be used (Patient.link replaced-by).
    """
    shown = min(_numbered(case), key=lambda one: _rank(one, site), default=None)
    if shown is not None:
        return Ref(kind="Patient", identifier=shown.number, display=shown.name)
    numbers = (Identifier(*alias.split("|", 1)) for alias in case.aliases if "|" in alias)
    number = min(numbers, key=lambda one: _preference(one, site), default=None)
    return Ref(kind="Patient", identifier=number, display=_unnumbered(case))


def _rank(shown: _Numbered, site: Site) -> tuple[bool, bool, bool, bool, tuple[int, str], str]:
    """Lowest for the record in use and the permanent number, whatever order records came in."""
    number, temporary = shown.number, shown.temporary
    return (
        not shown.record.active,
        bool(shown.record.replaced_by),
        number.system not in site.identity_systems and not temporary,
        temporary,
        _preference(number, site),
        shown.name or LAST,
    )


@once
def _numbered(case: Case) -> tuple[_Numbered, ...]:
    records = [fact.body for fact in case.of(PatientRecord)]
    return tuple(_Numbered(record, number) for record in records for number in record.identifiers)


@once
def _unnumbered(case: Case) -> str | None:
    names = (name_of(fact.body) for fact in case.of(PatientRecord))
    return min((name for name in names if name), default=None)


def name_of(record: PatientRecord) -> str | None:
    """The name of a record; of several the first by alphabet."""
    return min(map(name_text, record.names), default=None)


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
    """Where the patient is: by the latest step or encounter, else where the unit was sent."""
    placed = _placed(case)
    return placed[-1].place if placed else _destination(unit)


def place_given(case: Case, unit: UnitView) -> Ref | None:
    """Where a unit ran, by its own steps: a place the patient moved to later is none of it.

    Without any, where the patient was at its start, else where the unit was sent.
    """
    for codes in (FLOW, (StepCode.CHECK_UNIT,)):
        own = [s.body.location for s in unit.done(*codes) if s.body.location is not None]
        if own:
            return own[-1]
    began = step_time(unit.started) if unit.started is not None else EARLIEST
    by_then = [one.place for one in _placed(case) if one.since <= began]
    return by_then[-1] if by_then else _destination(unit)


def moved(case: Case, unit: UnitView) -> Placed | None:
    """The last move of the patient, as encounters tell it, since the unit was started.

    Not a bed that steps call by its ward: an encounter's place is another than the encounter's
    before, or than that of the steps before where no encounter told of one.
    """
    began = step_time(unit.started) if unit.started is not None else EARLIEST
    if began == EARLIEST:
        return None
    told = [one for one in _placed(case) if not one.by_step]
    by_steps = [one for one in _placed(case) if one.by_step]
    found = None
    for number, one in enumerate(told):
        before = told[:number] or [step for step in by_steps if step.since <= one.since]
        if one.since > began and before and not _same(case, before[-1].place, one.place):
            found = one
    return found


def _destination(unit: UnitView | None) -> Ref | None:
    issues = unit.issues if unit is not None else ()
    sent = [issue.body.destination for issue in issues if issue.body.destination is not None]
    return sent[-1] if sent else None


@once
def _placed(case: Case) -> tuple[Placed, ...]:
    """Where the patient was, in order; of one instant a step knows better than an encounter."""
    steps = [
        Placed(since=step_time(step), place=step.body.location, by_step=True)
        for step in case.steps
        if step.body.location is not None
    ]
    told = [one for fact in case.of(EncounterRecord) for one in _told_by(case, fact)]
    return tuple(sorted((*told, *steps), key=lambda one: (one.since, one.by_step)))


def _told_by(case: Case, fact: Fact[EncounterRecord]) -> list[Placed]:
    """The places of one encounter: each version may tell of a move.

    A version that gives no time of the move moved the patient when it was told; what it dates back
    was not so before.
    """
    found: list[Placed] = []
    for version in case.history.get(fact.key, (fact,)):
        place = None if version.retracted else version.body.location
        if place is None or (found and _same(case, found[-1].place, place)):
            continue
        since = _since(version)
        found = [one for one in found if one.since < since]
        found.append(Placed(since=since, place=place))
    return found


def _since(version: Fact[EncounterRecord]) -> datetime:
    began = version.body.start.instant if version.body.start is not None else None
    placed = version.body.placed.instant if version.body.placed is not None else None
    return placed or (told_at(version) if version.version > 1 else began) or EARLIEST


def _same(case: Case, one: Ref, other: Ref) -> bool:
    if not one.tokens or not other.tokens:
        return one.display == other.display
    return not _tokens(case, one).isdisjoint(_tokens(case, other))


def _tokens(case: Case, place: Ref) -> frozenset[str]:
    record = _record(case, place)
    return place.tokens if record is None else place.tokens | _numbers_of(record)


def callback_of(case: Case, place: Ref | None) -> str | None:
    """The telephone number of a place, where its record gives one."""
    record = _record(case, place) if place is not None else None
    return record.body.contact if record is not None else None


def _record(case: Case, place: Ref) -> Fact[LocationRecord] | None:
    held = (f for f in case.every(LocationRecord) if not _numbers_of(f).isdisjoint(place.tokens))
    return next(held, None)


def _numbers_of(record: Fact[LocationRecord]) -> set[str]:
    return {record.resource, *(number.token for number in record.body.identifiers)}


def _preference(number: Identifier, site: Site) -> tuple[int, str]:
    known = site.identity_systems
    place = known.index(number.system) if number.system in known else len(known)
    return (place, number.token)
