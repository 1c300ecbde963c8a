"""Medicines given beside the transfusion, and the devices it runs through."""

from decimal import Decimal

from service.facts.fact import Body
from service.facts.records import DeviceRecord, DeviceUse, Premedication
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import each, one, text_of, wording
from service.fhir.read.order import flag

GIVEN = frozenset({"completed", "in-progress"})
IN_USE = frozenset({"active", "completed", "stopped", "on-hold"})
OVER = frozenset({"completed", "stopped", "on-hold"})


def read_medication(reader: Reader) -> tuple[Body, ...]:
    """A medicine given, or documented as not given."""
    given = reader.resource
    reader.subject = reader.patient("subject")
    reader.retracted = given.get("status") == "entered-in-error"
    medication = one(given, "medication")
    reference = one(medication, "reference")
    held = reader.contained(reference) if reference else None
    named = wording(one(held, "code")) if held else text_of(reference, "display")
    _, at = reader.span(given, "occurence")  # R5 spells it so
    return (
        Premedication(
            text=wording(one(medication, "concept")) or named,
            at=at,
            given=given.get("status") in GIVEN,
            in_part=given.get("status") == "stopped",
        ),
    )


def read_device(reader: Reader) -> tuple[Body, ...]:
    """An administration set, filter, pump or warmer."""
    device = reader.resource
    reader.retracted = device.get("status") == "entered-in-error"
    kinds = [reader.known("devices", kind, "type") for kind in each(device, "type")]
    limit = reader.own(device, "set-unit-limit")
    usable = device.get("status") in (None, "active")
    if not usable:
        reader.warn("The device is not active: no approval of it is used.", "status")
    return (
        DeviceRecord(
            identifiers=reader.identifiers(),
            device=next((kind for kind in kinds if kind), None),
            lot=text_of(device, "lotNumber"),
            filter_um=_measured(reader, "filter-pore", "um"),
            unit_limit=limit if isinstance(limit, int) else None,
            approved=_approved(reader, usable=usable),
            set_temperature=_warmest(_temperatures(reader)),
        ),
    )


def _approved(reader: Reader, *, usable: bool) -> bool | None:
    """Approval counts of a device in service only; that it is not approved counts always."""
    said = flag(reader, "device-approved")
    return said if usable or said is False else None


def _measured(reader: Reader, fact: str, unit: str) -> Decimal | None:
    """A measure by our own extension, else by a property; two that differ are none."""
    found = _measures(reader, fact, unit)
    if len(set(found)) > 1:
        reader.warn("Measures of the device that differ are not used.", "property", "value")
        return None
    return found[0] if found else None


def _measures(reader: Reader, fact: str, unit: str) -> list[Decimal]:
    sent = [(quantity, "extension") for quantity in reader.every_own(reader.resource, fact)]
    for held in each(reader.resource, "property"):
        if reader.word("device-properties", one(held, "type"), "property") == fact:
            sent += [(quantity, "property") for quantity in each(held, "valueQuantity")]
    read = [reader.amount(quantity, unit, place) for quantity, place in sent]
    return [value for value in read if value is not None]


def _temperatures(reader: Reader) -> list[Decimal]:
    return _measures(reader, "warmer-temperature", "Cel")


def _warmest(found: list[Decimal]) -> Decimal | None:
    """The highest of the temperatures said: the worse for the blood."""
    return max(found, default=None)


def read_device_use(reader: Reader) -> tuple[Body, ...]:
    """A device in use for the patient; a point in time is its start."""
    use = reader.resource
    reader.subject = reader.patient("patient")
    reader.retracted = use.get("status") in ("entered-in-error", "not-done")
    device = reader.ref(one(one(use, "device"), "reference"), "Device")
    if device is None:
        reader.warn("A use that names no device is not used.", "device")
        return ()
    start, end = reader.span(use, "timing")
    end = None if end == start else end
    status = use.get("status")
    if status not in IN_USE or (status in OVER and end is None):
        text = "A use that is only intended, or is over at an unknown time, is not used."
        reader.warn(text, "status")
        return ()
    return (DeviceUse(device=device, start=start, end=end),)
