"""Administration sets, filters, pumps and warmers: which were in use, and what is known of them."""

from datetime import datetime, tzinfo

from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.identity import Ref
from service.facts.records import DeviceRecord, DeviceUse
from service.rules.recipient import known_by


def described(case: Case, device: Ref) -> Fact[DeviceRecord] | None:
    """The record of a device that a step names, or None."""
    return next((fact for fact in case.every(DeviceRecord) if _is_it(fact, device)), None)


def in_use(case: Case, at: datetime, zone: tzinfo) -> tuple[Fact[DeviceRecord], ...]:
    """The records of the devices in use for the patient at an instant, by key."""
    used = [use.body.device for use in case.of(DeviceUse) if _holds(use.body, at, zone)]
    return tuple(
        fact for fact in case.every(DeviceRecord) if any(_is_it(fact, device) for device in used)
    )


def same_device(one: Ref, other: Ref) -> bool:
    """True when two references share a key of the device."""
    return not one.tokens.isdisjoint(other.tokens)


def _is_it(fact: Fact[DeviceRecord], device: Ref) -> bool:
    numbers = {number.token for number in fact.body.identifiers}
    return not device.tokens.isdisjoint({fact.resource, *numbers})


def _holds(use: DeviceUse, at: datetime, zone: tzinfo) -> bool:
    over = use.end.instant if use.end is not None else None
    return known_by(use.start, at, zone) and (over is None or at <= over)
