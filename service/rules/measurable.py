"""What can be measured at all: numbers outside are slips of a key or a unit, never values.

The bounds are physical and wide, no policy: they part what may be judged from what may not.
"""

from decimal import Decimal

from service.facts.quantity import Reading, Vital

# In the vital's own unit, both ends included. A pressure of 0 is one that nobody could measure.
LIVING: dict[Vital, tuple[Decimal, Decimal]] = {
    Vital.TEMPERATURE: (Decimal(10), Decimal(50)),
    Vital.HEART_RATE: (Decimal(0), Decimal(500)),
    Vital.RESPIRATORY_RATE: (Decimal(0), Decimal(200)),
    Vital.SYSTOLIC: (Decimal(0), Decimal(400)),
    Vital.DIASTOLIC: (Decimal(0), Decimal(350)),
    Vital.MEAN_PRESSURE: (Decimal(0), Decimal(350)),
    Vital.SATURATION: (Decimal(0), Decimal(100)),
    Vital.OXYGEN_FLOW: (Decimal(0), Decimal(200)),
    Vital.CONSCIOUSNESS: (Decimal(0), Decimal(15)),
    Vital.WEIGHT: (Decimal("0.2"), Decimal(700)),
}
LEAST_RATE = Decimal("0.01")  # mL/h
MOST_RATE = Decimal(100_000)
LEAST_VOLUME = Decimal("0.1")  # mL
MOST_VOLUME = Decimal(10_000)
LEAST_UNITS = Decimal("0.01")
MOST_UNITS = Decimal(1_000)
MOST_ORDERED = Decimal(1_000_000)  # mL
OLDEST = 130  # years


def is_measurable(reading: Reading) -> bool:
    """True for a value that a living patient can have."""
    least, most = LIVING[reading.vital]
    return least <= reading.value <= most


def rate_of(said: Decimal | None) -> Decimal | None:
    """A rate in mL/h that a line can give; None for any other number."""
    return said if said is not None and LEAST_RATE <= said <= MOST_RATE else None


def volume_of(said: Decimal | None) -> Decimal | None:
    """A volume in mL that a bag can hold; None for any other number."""
    return said if said is not None and LEAST_VOLUME <= said <= MOST_VOLUME else None


def given_of(said: Decimal | None) -> Decimal | None:
    """A volume in mL that was given from a bag, nothing included; None for any other number."""
    return said if said is not None and 0 <= said <= MOST_VOLUME else None


def is_quantity(said: Decimal, unit: str | None) -> bool:
    """True for a quantity that can be ordered, in mL or in units."""
    if unit == "mL":
        return LEAST_VOLUME <= said <= MOST_ORDERED
    return LEAST_UNITS <= said <= MOST_UNITS
