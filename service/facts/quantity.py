"""Measured amounts in the one unit that the rules use for them."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from service.facts.moment import Moment


class Vital(StrEnum):
    """What is measured, and the UCUM unit in which the rules see it."""

    TEMPERATURE = "temperature"
    HEART_RATE = "heart_rate"
    RESPIRATORY_RATE = "respiratory_rate"
    SYSTOLIC = "systolic"
    DIASTOLIC = "diastolic"
    MEAN_PRESSURE = "mean_pressure"
    SATURATION = "saturation"
    OXYGEN_FLOW = "oxygen_flow"
    CONSCIOUSNESS = "consciousness"
    WEIGHT = "weight"


UNIT_OF: dict[Vital, str] = {
    Vital.TEMPERATURE: "Cel",
    Vital.HEART_RATE: "/min",
    Vital.RESPIRATORY_RATE: "/min",
    Vital.SYSTOLIC: "mm[Hg]",
    Vital.DIASTOLIC: "mm[Hg]",
    Vital.MEAN_PRESSURE: "mm[Hg]",
    Vital.SATURATION: "%",
    Vital.OXYGEN_FLOW: "L/min",
    Vital.CONSCIOUSNESS: "{score}",
    Vital.WEIGHT: "kg",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One usable measurement.

    ``value`` is in ``UNIT_OF[vital]``. ``sent_value`` and ``sent_unit`` keep what came, so that a
    rise between two Fahrenheit readings is taken in Fahrenheit. ``site`` is a body-site code or
    None. ``device`` is True for a value that no clinician entered. ``room_air`` belongs to
    saturation: True, False, or None when not said.
    """

    vital: Vital
    value: Decimal
    at: Moment
    sent_value: Decimal
    sent_unit: str
    site: str | None = None
    device: bool = False
    room_air: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Unusable:
    """A measurement that must not be read as a number, and why."""

    vital: Vital | None
    at: Moment | None
    reason: str
