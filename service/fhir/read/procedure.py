"""Procedure with a transfusion code, from senders without Task: its state becomes steps.

A Procedure is a summary: it has no element for when it was put on hold, so the sender's stamp
stands in for that time.
"""

from dataclasses import dataclass, replace
from decimal import Decimal

from service.facts.fact import Body
from service.facts.identity import Staff
from service.facts.moment import Moment, at
from service.facts.steps import Step, StepCode
from service.facts.unit import UnitRef
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import Json, codings, each, identifier_of, one, wording
from service.fhir.read.which_unit import unit_ref

BEGUN = frozenset({"in-progress", "on-hold", "stopped", "completed", "entered-in-error", "unknown"})
OVER = frozenset({"stopped", "completed"})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Times:
    """Start and end of the flow; a single time is a start."""

    start: Moment | None
    end: Moment | None


def read_procedure(reader: Reader) -> tuple[Body, ...]:
    """The start, and the end or interruption, of a transfusion; nothing for other Procedures."""
    procedure = reader.resource
    reader.subject = reader.patient("subject")
    status = procedure.get("status")
    reader.retracted = status == "entered-in-error"
    if not reader.codes.words("order-kinds", codings(one(procedure, "code"))):
        reader.unmapped_only("order-kinds", one(procedure, "code"))
        return ()
    times = _times(reader)
    if status not in BEGUN:
        reader.warn("A transfusion that was not begun is stored and not used.", "status")
        return ()
    if status == "unknown":
        reader.warn("A transfusion of unknown status counts as begun.", "status", "code-invalid")
    if times.start is None:
        reader.warn("A transfusion without its start is stored and not used.", "occurrence")
        return ()
    start = _start(reader, times.start)
    if status in OVER or (status == "unknown" and times.end is not None):
        return (start, _end(reader, start, times))
    if status == "on-hold":
        return (start, *_interruption(reader, start, times))
    return (start,)


def _times(reader: Reader) -> _Times:
    period = "occurrencePeriod" in reader.resource
    start, end = reader.span(reader.resource, "occurrence")
    return _Times(start=start, end=end if period else None)


def _start(reader: Reader, start: Moment) -> Step:
    procedure = reader.resource
    return Step(
        code=StepCode.START,
        identifiers=reader.identifiers(),
        start=start,
        owner=_performer(reader, "transfusionist") or _first(reader),
        second_checker=_performer(reader, "verifier"),
        location=reader.ref(one(procedure, "location"), "Location"),
        based_on=reader.refs(procedure, "basedOn", "ServiceRequest"),
        unit=_unit(reader) or UnitRef(),
    )


def _end(reader: Reader, start: Step, times: _Times) -> Step:
    """The end. One that was not sent is taken to be the start: the bag is certainly down."""
    if times.end is None:
        reader.warn("No end was sent; the time of the start stands in.", "occurrence")
    reason = _reason(reader)
    if reason is None and reader.resource.get("status") == "stopped":
        reason = "stopped, no reason sent"
    return replace(
        start,
        code=StepCode.END,
        start=times.end or start.start,
        second_checker=None,
        reason=reason,
        volume_given=_volume(reader),
    )


def _interruption(reader: Reader, start: Step, times: _Times) -> tuple[Step, ...]:
    stamp = reader.stamp()
    when = times.end or (at(stamp) if stamp else None)
    if when is None:
        reader.warn("Nothing says when the transfusion was put on hold.", "status")
        return ()
    held = replace(start, code=StepCode.INTERRUPT, start=when, second_checker=None)
    return (replace(held, reason=_reason(reader)),)


def _reason(reader: Reader) -> str | None:
    return wording(one(reader.resource, "statusReason"))


def _volume(reader: Reader) -> Decimal | None:
    """The amount in mL; a count of units is no volume."""
    amount = reader.own(reader.resource, "icsr-used-amount")
    if not isinstance(amount, dict) or amount.get("code") == "{unit}":
        return None
    return reader.amount(amount, "mL", "extension")


def _performer(reader: Reader, role: str) -> Staff | None:
    for performer in each(reader.resource, "performer"):
        if reader.word("performers", one(performer, "function"), "performer") == role:
            return reader.staff(one(performer, "actor"))
    return None


def _first(reader: Reader) -> Staff | None:
    plain = [p for p in each(reader.resource, "performer") if not one(p, "function")]
    return reader.staff(one(plain[0], "actor")) if plain else None


def _unit(reader: Reader) -> UnitRef | None:
    """The bag that was used: among what was used, the first that is a unit."""
    for used in each(reader.resource, "used"):
        for reference in _pointed(reader, one(used, "reference")):
            found = unit_ref(reader, reference)
            if found is not None:
                return found
    return None


def _pointed(reader: Reader, reference: Json) -> list[Json]:
    """A reference, or the one in its place where R4 does not allow a unit."""
    other = [
        value
        for fact in ("alternate-reference", "icsr-used-product")
        for value in reader.every_own(reference, fact)
    ]
    named = reference.get("reference") or identifier_of(one(reference, "identifier"))
    return [*other, *([reference] if named else [])]
