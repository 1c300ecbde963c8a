"""The general early-warning score of adults, as its published chart gives it (NEWS2, RCP 2017).

Not a transfusion rule: the chart gives 0 at exactly 38.0 °C, where the transfusion rule for fever
fires. For patients of 16 and over who are not pregnant; SpO2 scale 1 only.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from service.facts.quantity import Vital

Bands = tuple[tuple[Decimal | None, int], ...]

# (last value of the band, points); None: everything above
CHART: dict[Vital, Bands] = {
    Vital.RESPIRATORY_RATE: (
        (Decimal(8), 3),
        (Decimal(11), 1),
        (Decimal(20), 0),
        (Decimal(24), 2),
        (None, 3),
    ),
    Vital.SATURATION: ((Decimal(91), 3), (Decimal(93), 2), (Decimal(95), 1), (None, 0)),
    Vital.SYSTOLIC: (
        (Decimal(90), 3),
        (Decimal(100), 2),
        (Decimal(110), 1),
        (Decimal(219), 0),
        (None, 3),
    ),
    Vital.HEART_RATE: (
        (Decimal(40), 3),
        (Decimal(50), 1),
        (Decimal(90), 0),
        (Decimal(110), 1),
        (Decimal(130), 2),
        (None, 3),
    ),
    Vital.TEMPERATURE: (
        (Decimal("35.0"), 3),
        (Decimal("36.0"), 1),
        (Decimal("38.0"), 0),
        (Decimal("39.0"), 1),
        (None, 2),
    ),
}
STEP: dict[Vital, Decimal] = {Vital.TEMPERATURE: Decimal("0.1")}
OXYGEN_POINTS = 2
NOT_ALERT_POINTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A complete score. ``highest`` is the most points that any single sign gave (0 to 3)."""

    total: int
    highest: int


def points(vital: Vital, value: Decimal) -> int:
    """The points of one value in the unit the rules use, rounded to the step of the chart."""
    rounded = value.quantize(STEP.get(vital, Decimal(1)), rounding=ROUND_HALF_UP)
    return next(given for last, given in CHART[vital] if last is None or rounded <= last)


def score(values: Mapping[Vital, Decimal], *, on_oxygen: bool, alert: bool) -> Score:
    """The score of one set. Raises KeyError where a value of the chart is missing.

    on_oxygen: supplemental oxygen is given. alert: False for confusion and every lower level.
    """
    signs = [points(vital, values[vital]) for vital in CHART]
    consciousness = 0 if alert else NOT_ALERT_POINTS
    oxygen = OXYGEN_POINTS if on_oxygen else 0
    every = [*signs, oxygen, consciousness]
    return Score(total=sum(every), highest=max(every))
