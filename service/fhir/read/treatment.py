"""Medicines given beside the transfusion, and the devices it runs through."""

from service.facts.fact import Body
from service.facts.records import DeviceRecord, DeviceUse, Premedication
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import each, one, text_of, wording
from service.fhir.read.order import flag

NOT_GIVEN = frozenset({"not-done", "unknown"})


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
            given=given.get("status") not in NOT_GIVEN,
        ),
    )


def read_device(reader: Reader) -> tuple[Body, ...]:
    """An administration set, filter, pump or warmer."""
    device = reader.resource
    reader.retracted = device.get("status") == "entered-in-error"
    kinds = [reader.word("devices", kind, "type") for kind in each(device, "type")]
    limit = reader.own(device, "set-unit-limit")
    pore = reader.own(device, "filter-pore") or {}
    warmth = reader.own(device, "warmer-temperature") or {}
    return (
        DeviceRecord(
            identifiers=reader.identifiers(),
            device=next((kind for kind in kinds if kind), None),
            lot=text_of(device, "lotNumber"),
            filter_um=reader.amount(pore, "um", "extension"),
            unit_limit=limit if isinstance(limit, int) else None,
            approved=flag(reader, "device-approved"),
            set_temperature=reader.amount(warmth, "Cel", "extension"),
        ),
    )


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
    return (DeviceUse(device=device, start=start, end=None if end == start else end),)
