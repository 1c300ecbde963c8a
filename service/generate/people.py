"""Invented patients and staff. Names are put together from invented parts."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.generate.draws import Draws
from service.generate.traffic import Traffic
from service.generate.words import Worker

PARTS = {
    "family": (
        "Amber Bracken Cold Drummel Elder Fen Gossamer Haver Ivel Marl Nettle Orrin Rime Wrack",
        "bantle clough dwindle fold hythe lorn moor quist sedge thwick vane whistle wickle",
    ),
    "given": (
        "Al Ber Cos Dor Ed Flo Gre Hal Is Jor Kel Lin Mau Ned Od Per Ros Sun Tob Ulf",
        "bin dric elle ian ima lo mond nora rin sa tilde wen",
    ),
}
NAMES = {kind: [part.split() for part in parts] for kind, parts in PARTS.items()}
NURSES = (
    Worker(number="S-2200", name="H. Pemberly, nurse"),
    Worker(number="S-2201", name="T. Larkspire, nurse"),
    Worker(number="S-2202", name="B. Oxlow, nurse"),
    Worker(number="S-2203", name="M. Fennimoor, nurse"),
    Worker(number="S-2204", name="J. Tarnwick, nurse"),
    Worker(number="S-2205", name="R. Copsedale, nurse"),
    Worker(number="S-2206", name="S. Windlesby, nurse"),
    Worker(number="S-2207", name="A. Harbottel, nurse"),
    Worker(number="S-2208", name="K. Mossgill, nurse"),
    Worker(number="S-2209", name="D. Yarrowby, nurse"),
    Worker(number="S-2210", name="L. Quenby, nurse"),
    Worker(number="S-2211", name="E. Sallowe, nurse"),
)
DOCTORS = (
    Worker(number="S-0417", name="Dr O. Vanewright"),
    Worker(number="S-0422", name="Dr I. Stellowby"),
    Worker(number="S-0431", name="Dr P. Kestrelby"),
)
SCIENTISTS = (
    Worker(number="L-0052", name="J. Marlowick, biomedical scientist"),
    Worker(number="L-0061", name="C. Ravensty, biomedical scientist"),
)
WARDS = ("Larch", "Alder", "Rowan", "Hazel")
CHILDREN = "Willow"

ADULT = 18 * 12  # months
INFANT = 4
CHILDBEARING = 50 * 12 + 11
BANDS = {  # months of age, first included, last not
    "0": (0, INFANT),
    "1": (INFANT, 24),
    "2": (24, ADULT),
    "18": (ADULT, 480),
    "40": (480, 720),
    "60": (720, 960),
    "80": (960, 1140),
}
WEIGHTS = (  # months of age, kg: from memory, near the middle of growth charts
    (0, 3.5),
    (4, 6.5),
    (12, 9.5),
    (24, 12.5),
    (60, 18.0),
    (120, 32.0),
    (180, 55.0),
    (ADULT, 64.0),
)
ADULT_WEIGHT = (74.0, 26.0)  # kg: middle, and furthest from it


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """An invented patient. months: completed months of age on the day. weight: kg."""

    number: str
    family: str
    given: str
    born: date
    months: int
    female: bool
    group: str
    sample: str
    weight: float
    ward: str

    @property
    def child(self) -> bool:
        """Under 18 years."""
        return self.months < ADULT

    @property
    def newborn(self) -> bool:
        """Under 4 months."""
        return self.months < INFANT

    @property
    def may_bear_children(self) -> bool:
        """A girl or woman up to 50 years."""
        return self.female and self.months <= CHILDBEARING


def person(draws: Draws, traffic: Traffic, index: int, component: str, day: date) -> Person:
    """The patient with this index, on the day of the transfusion."""
    band = BANDS[draws.weighted(traffic.of("age"))]
    months = draws.whole(band[0], band[1] - 1)
    born = _born(day, months, draws.whole(0, 27))
    female = draws.chance(traffic.of("female")[component])
    return Person(
        number=f"{index:08d}",
        family=_composed(draws, NAMES["family"]),
        given=_composed(draws, NAMES["given"]),
        born=born,
        months=months,
        female=female,
        group=draws.weighted(traffic.of("group")),
        sample=f"HV{day:%y}-{index:07d}",
        weight=_weight(draws, months),
        ward=CHILDREN if months < ADULT else draws.among(WARDS),
    )


def _composed(draws: Draws, parts: Sequence[Sequence[str]]) -> str:
    return "".join(draws.among(part) for part in parts)


def _born(day: date, months: int, days: int) -> date:
    """So many completed months, and less than one month more, before a day."""
    whole = day.year * 12 + day.month - 1 - months
    birthday = date(whole // 12, whole % 12 + 1, min(day.day, 28))
    return birthday - timedelta(days=min(days, 27 if months else min(day.day, 28) - 1))


def _weight(draws: Draws, months: int) -> float:
    if months >= ADULT:
        return round(draws.near(*ADULT_WEIGHT), 1)
    place = next(n for n, (until, _) in enumerate(WEIGHTS) if until > months)
    (low, light), (high, heavy) = WEIGHTS[place - 1], WEIGHTS[place]
    middle = light + (heavy - light) * (months - low) / (high - low)
    return round(draws.near(middle, middle * 0.12), 1)
