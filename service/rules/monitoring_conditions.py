"""What a single reading or sign shows, as bits, so that a trigger is one comparison of masks.

A condition is shown, or cannot be told (no comparable baseline, age not known), or is not shown.
What cannot be told is the same bit shifted by UNSURE.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import NamedTuple

from service.facts.quantity import Reading, Vital
from service.rules import monitoring_signs as signs
from service.rules.monitoring_limits import Limits

_bits: Iterator[int] = (1 << place for place in range(64))

HOT = next(_bits)  # temperature at fever
RISEN = next(_bits)  # rise at fever
FEBRILE = next(_bits)  # both, in one reading
STOP_RISE = next(_bits)
HIGH = next(_bits)  # high temperature with a rise, from an afebrile baseline
NEW_FEVER = next(_bits)  # fever that the baseline does not explain
SEPTIC_HEAT = next(_bits)
SEPTIC_RATE = next(_bits)
SEPTIC_FALL = next(_bits)
HYPOTENSIVE = next(_bits)  # adult, the definition
LOW = next(_bits)  # adult, the early warning
CHILD_FALL = next(_bits)
CHILD_DIP = next(_bits)
SMALL_FALL = next(_bits)
FALL = next(_bits)
SURGE = next(_bits)
DESATURATED = next(_bits)
DESATURATED_ON_AIR = next(_bits)
OXYGEN_UP = next(_bits)
CHILLS = next(_bits)
RIGORS = next(_bits)
FEVER_SAID = next(_bits)
SKIN = next(_bits)
AIRWAY_SWELLING = next(_bits)
BREATHLESS = next(_bits)
AIRWAY_OR_BREATHING = next(_bits)
SHORT_OF_BREATH = next(_bits)
BRONCHOSPASM_OR_LARYNX = next(_bits)
SYNCOPE = next(_bits)
SEVERE_GUT = next(_bits)
SAID_HYPOTENSION = next(_bits)
PAIN = next(_bits)
DARK_URINE = next(_bits)
BLEEDING = next(_bits)
ANXIETY = next(_bits)

UNSURE = 40
SHOWN = (1 << UNSURE) - 1

SIGN_SETS: tuple[tuple[int, frozenset[str]], ...] = (
    (CHILLS, signs.CHILLS),
    (RIGORS, signs.RIGORS),
    (FEVER_SAID, signs.FEVER),
    (SKIN, signs.SKIN),
    (AIRWAY_SWELLING, signs.AIRWAY_SWELLING),
    (BREATHLESS, signs.BREATHLESS),
    (AIRWAY_OR_BREATHING, signs.AIRWAY_OR_BREATHING),
    (SHORT_OF_BREATH, signs.SHORT_OF_BREATH),
    (BRONCHOSPASM_OR_LARYNX, signs.BRONCHOSPASM_OR_LARYNX),
    (SYNCOPE, signs.SYNCOPE),
    (SEVERE_GUT, signs.SEVERE_GUT),
    (SAID_HYPOTENSION, signs.SAID_HYPOTENSION),
    (PAIN, signs.PAIN),
    (DARK_URINE, signs.DARK_URINE),
    (BLEEDING, signs.BLEEDING),
    (ANXIETY, signs.ANXIETY),
)
OF_SIGN: dict[str, int] = {}
for _bit, _words in SIGN_SETS:
    for _word in _words:
        OF_SIGN[_word] = OF_SIGN.get(_word, 0) | _bit

OF_VITAL: dict[Vital, int] = {
    Vital.TEMPERATURE: HOT | RISEN | FEBRILE | STOP_RISE | HIGH | NEW_FEVER | SEPTIC_HEAT,
    Vital.HEART_RATE: SEPTIC_RATE,
    Vital.SYSTOLIC: SEPTIC_FALL
    | HYPOTENSIVE
    | LOW
    | CHILD_FALL
    | CHILD_DIP
    | SMALL_FALL
    | FALL
    | SURGE,
    Vital.DIASTOLIC: FALL | SMALL_FALL,
    Vital.MEAN_PRESSURE: SMALL_FALL,
    Vital.SATURATION: DESATURATED | DESATURATED_ON_AIR | OXYGEN_UP,
    Vital.OXYGEN_FLOW: OXYGEN_UP,
}

TENTH = Decimal("0.1")
FAHRENHEIT = "[degF]"
FAHRENHEIT_DEGREES = Decimal("1.8")  # in one degree Celsius
HUNDRED = Decimal(100)


def of_sign(word: str, severity: str | None = None) -> int:
    """The conditions that a present sign shows; 0 for a sign no trigger knows."""
    if word in signs.GRADED_GUT and severity == "severe":
        return SEVERE_GUT
    return OF_SIGN.get(word, 0)


def tenth(value: Decimal) -> Decimal:
    """A temperature rounded to 0.1, as every comparison needs it (rules.md 5)."""
    return value.quantize(TENTH, rounding=ROUND_HALF_UP)


class _Then(NamedTuple):
    """A baseline temperature, and its value rounded to 0.1 °C."""

    reading: Reading
    value: Decimal


def _in_fahrenheit(now: Reading, then: Reading) -> bool:
    return now.sent_unit == then.sent_unit == FAHRENHEIT


def _rise_sent(now: Reading, then: Reading) -> Decimal:
    """Two Fahrenheit readings are subtracted in Fahrenheit: 1.8 °F is 1.0 °C."""
    degrees = tenth(now.sent_value) - tenth(then.sent_value)
    return tenth(degrees / FAHRENHEIT_DEGREES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Which hypotension rule is the patient's; None while age or weight leaves it open."""

    adult: bool | None
    child: bool | None
    small: bool | None


def bands_of(years: int | None, weight: Decimal | None, limits: Limits) -> Bands:
    """Adult from 18 years, child from 1 year, small under 1 year or under the infant weight."""
    light = weight is not None and weight < limits.infant_weight
    if light:
        return Bands(adult=False, child=False, small=True)
    if years is None:
        return Bands(adult=None, child=None, small=None)
    grown = years >= 18
    infant = years < 1
    open_weight = weight is None and not grown and not infant
    return Bands(
        adult=grown,
        child=not grown and not infant,
        small=None if open_weight else infant,
    )


class Measure:
    """Tells what a reading shows against the baselines that count for one unit.

    baselines: the readings of the last set before the unit and before the episode, by vital.
    febrile: the unit's own baseline was at fever.
    """

    def __init__(
        self,
        limits: Limits,
        bands: Bands,
        baselines: dict[Vital, tuple[Reading, ...]],
        *,
        febrile: bool,
    ) -> None:
        self._limits = limits
        self._bands = bands
        self._baselines = baselines
        self._febrile = febrile
        self._then = [
            _Then(then, tenth(then.value)) for then in baselines.get(Vital.TEMPERATURE, ())
        ]
        self._of: dict[Vital, Callable[[Reading], int]] = {
            Vital.TEMPERATURE: self._temperature,
            Vital.HEART_RATE: self._heart_rate,
            Vital.SYSTOLIC: self._systolic,
            Vital.DIASTOLIC: self._diastolic,
            Vital.MEAN_PRESSURE: self._mean_pressure,
            Vital.SATURATION: self._saturation,
            Vital.OXYGEN_FLOW: self._oxygen_flow,
        }
        values = {
            vital: [reading.value for reading in found]
            for vital, found in baselines.items()
            if found
        }
        self._highest = {vital: max(found) for vital, found in values.items()}
        self._lowest = {vital: min(found) for vital, found in values.items()}
        self._on_air = _on_air(baselines.get(Vital.SATURATION, ()))

    def of(self, vital: Vital) -> Callable[[Reading], int]:
        """What tells the conditions of a reading of this vital, shown and unsure."""
        return self._of.get(vital, _nothing)

    def _risen(self, reading: Reading, value: Decimal) -> Decimal | None:
        """The larger rise in °C against the baselines of the same site, or None."""
        largest: Decimal | None = None
        for then, before in self._then:
            if then.site == reading.site:
                found = (
                    _rise_sent(reading, then) if _in_fahrenheit(reading, then) else value - before
                )
                largest = found if largest is None or found > largest else largest
        return largest

    def _temperature(self, reading: Reading) -> int:
        limits = self._limits
        value = tenth(reading.value)
        risen = self._risen(reading, value)
        hot = value >= limits.fever
        if risen is None:
            return self._temperature_alone(value, hot=hot)
        if not hot and risen < limits.fever_rise:
            return 0
        up = risen >= limits.fever_rise
        found = (HOT if hot else 0) | (RISEN if up else 0)
        if hot and up:
            found |= FEBRILE
        if risen >= limits.stop_rise:
            found |= STOP_RISE
        if value >= limits.high_fever and up and not self._febrile:
            found |= HIGH
        if hot and (up or not self._febrile):
            found |= NEW_FEVER
        septic = value >= limits.sepsis_temperature or risen >= limits.sepsis_rise
        return found | _if(self._bands.adult, SEPTIC_HEAT, shown=septic)

    def _temperature_alone(self, value: Decimal, *, hot: bool) -> int:
        """A temperature without a comparable baseline: the rise cannot be told."""
        limits = self._limits
        found = (RISEN | STOP_RISE) << UNSURE
        if hot:
            found |= HOT | (FEBRILE << UNSURE)
            found |= (NEW_FEVER << UNSURE) if self._febrile else NEW_FEVER
        if value >= limits.high_fever and not self._febrile:
            found |= HIGH << UNSURE
        if value >= limits.sepsis_temperature:
            return found | _if(self._bands.adult, SEPTIC_HEAT, shown=True)
        return found | _unsure(self._bands.adult, SEPTIC_HEAT)

    def _heart_rate(self, reading: Reading) -> int:
        limits = self._limits
        then = self._lowest.get(Vital.HEART_RATE)
        if then is None:
            return _unsure(self._bands.adult, SEPTIC_RATE)
        up = reading.value - then
        fast = reading.value >= limits.sepsis_rate and up >= limits.sepsis_rate_rise
        return _if(self._bands.adult, SEPTIC_RATE, shown=fast or up >= limits.sepsis_rate_jump)

    def _systolic(self, reading: Reading) -> int:
        limits = self._limits
        then = self._highest.get(Vital.SYSTOLIC)
        if then is None:
            return self._systolic_alone(reading.value)
        value = reading.value
        fall = then - value
        found = SURGE if value - self._lowest[Vital.SYSTOLIC] >= limits.pressure_rise else 0
        if fall <= 0:
            return found
        if fall >= limits.haemolysis_drop:
            found |= FALL
        found |= _if(self._bands.adult, SEPTIC_FALL, shown=fall >= limits.sepsis_drop)
        return found | self._adult(value, then, fall) | self._child(then, fall)

    def _adult(self, value: Decimal, then: Decimal, fall: Decimal) -> int:
        limits = self._limits
        adult = self._bands.adult
        if fall >= limits.hypotension_drop and value <= limits.hypotension_floor:
            # whatever the age, a fall of this share is the definition of some band
            certain = adult is None and fall * HUNDRED > limits.child_drop * then
            return HYPOTENSIVE if certain else _if(adult, HYPOTENSIVE, shown=True)
        low = value <= limits.low_pressure
        crossed = low and (fall >= limits.low_pressure_drop or then > limits.low_pressure)
        return _if(adult, LOW, shown=crossed or fall >= limits.hypotension_drop)

    def _child(self, then: Decimal, fall: Decimal) -> int:
        limits = self._limits
        share = fall * HUNDRED
        dip = share >= limits.child_drop_watch * then
        beyond = share > limits.child_drop * then
        found = _if(self._bands.child, CHILD_FALL, shown=beyond)
        found |= _if(self._bands.child, CHILD_DIP, shown=dip and not beyond)
        return found | _if(self._bands.small, SMALL_FALL, shown=beyond)

    def _systolic_alone(self, value: Decimal) -> int:
        bands = self._bands
        found = (FALL | SURGE) << UNSURE
        found |= _unsure(bands.adult, SEPTIC_FALL | LOW)
        if value <= self._limits.hypotension_floor:
            found |= _unsure(bands.adult, HYPOTENSIVE)
        return found | _unsure(bands.child, CHILD_FALL) | _unsure(bands.small, SMALL_FALL)

    def _diastolic(self, reading: Reading) -> int:
        then = self._highest.get(Vital.DIASTOLIC)
        if then is None:
            return (FALL << UNSURE) | _unsure(self._bands.small, SMALL_FALL)
        fall = then - reading.value
        found = FALL if fall >= self._limits.haemolysis_drop else 0
        return found | self._small(then, fall)

    def _mean_pressure(self, reading: Reading) -> int:
        then = self._highest.get(Vital.MEAN_PRESSURE)
        if then is None:
            return _unsure(self._bands.small, SMALL_FALL)
        return self._small(then, then - reading.value)

    def _small(self, then: Decimal, fall: Decimal) -> int:
        beyond = fall * HUNDRED > self._limits.child_drop * then
        return _if(self._bands.small, SMALL_FALL, shown=beyond)

    def _saturation(self, reading: Reading) -> int:
        found = self._oxygen(reading.room_air)
        if reading.value >= self._limits.saturation_floor:
            return found
        found |= _if(reading.room_air, DESATURATED_ON_AIR, shown=True)
        then = self._highest.get(Vital.SATURATION)
        if then is None:
            return found | (DESATURATED << UNSURE)
        fallen = then - reading.value >= self._limits.saturation_drop
        return found | (DESATURATED if fallen else 0)

    def _oxygen(self, on_air: bool | None) -> int:
        """Oxygen is needed now: was it before?"""
        if on_air is not False:
            return 0
        before = self._lowest.get(Vital.OXYGEN_FLOW)
        if self._on_air or before == 0:
            return OXYGEN_UP
        return 0 if self._on_air is False or before is not None else OXYGEN_UP << UNSURE

    def _oxygen_flow(self, reading: Reading) -> int:
        before = self._lowest.get(Vital.OXYGEN_FLOW)
        if before is None and self._on_air:
            before = Decimal(0)
        if before is None:
            return OXYGEN_UP << UNSURE if reading.value > 0 else 0
        return OXYGEN_UP if reading.value > before else 0


def _nothing(reading: Reading) -> int:
    return 0


def _on_air(saturations: tuple[Reading, ...]) -> bool | None:
    said = {reading.room_air for reading in saturations} - {None}
    return (True in said) if said else None


def _if(applies: bool | None, bit: int, *, shown: bool) -> int:
    """A condition of one band of patients; unsure while the band is."""
    if not shown or applies is False:
        return 0
    return bit if applies else bit << UNSURE


def _unsure(applies: bool | None, bits: int) -> int:
    return 0 if applies is False else bits << UNSURE
