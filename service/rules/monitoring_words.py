"""How readings and signs are shown beside a finding."""

from decimal import Decimal
from typing import Any

from service.facts.finding import Advice, Verdict
from service.facts.quantity import UNIT_OF, Reading, Vital
from service.rules.monitoring_chart import Said
from service.rules.monitoring_conditions import tenth
from service.rules.observed import Read

NAMES: dict[Vital, str] = {
    Vital.TEMPERATURE: "temperature",
    Vital.HEART_RATE: "heart rate",
    Vital.RESPIRATORY_RATE: "respiratory rate",
    Vital.SYSTOLIC: "systolic pressure",
    Vital.DIASTOLIC: "diastolic pressure",
    Vital.MEAN_PRESSURE: "mean pressure",
    Vital.SATURATION: "oxygen saturation",
    Vital.OXYGEN_FLOW: "oxygen flow",
    Vital.CONSCIOUSNESS: "level of consciousness",
    Vital.WEIGHT: "weight",
}
UNITS: dict[str, str] = {"Cel": "°C", "mm[Hg]": "mmHg", "{score}": ""}


def value_text(reading: Reading) -> str:
    """``38.4 °C``: the value in the unit the rules use, a temperature to one place."""
    value: Decimal = reading.value
    if reading.vital is Vital.TEMPERATURE:
        value = tenth(value)
    unit = UNIT_OF[reading.vital]
    return f"{value} {UNITS.get(unit, unit)}".strip()


def shown(evidence: tuple[Read | Said, ...]) -> tuple[tuple[str, str], ...]:
    """Pairs of what was measured or reported and its value."""
    return tuple(
        (NAMES[item.reading.vital], value_text(item.reading))
        if isinstance(item, Read)
        else ("sign", item.word.replace("-", " "))
        for item in evidence
    )


def by_content(item: Read | Said) -> tuple[Any, ...]:
    """An order by time, then by what was measured or reported, for sorting; never by an id."""
    if isinstance(item, Said):
        return (item.at, 1, item.word, item.severity or "", item.told)
    reading = item.reading
    return (
        item.at,
        0,
        reading.vital.value,
        reading.value,
        reading.site or "",
        reading.sent_unit,
        reading.device,
    )


def noted(advice: Advice | None) -> Verdict | None:
    """A note, where a running finding gives no advice (rules.md 0)."""
    return Verdict.NOTE if advice is None else None
