"""The reaction categories, most dangerous first (rules.md 5.2 and 5.3)."""

from dataclasses import dataclass

from service.facts.finding import Candidate
from service.facts.unit import Component


@dataclass(frozen=True, slots=True, kw_only=True)
class Category:
    """One category.

    window: the word of its policy row, None for an incident at any time. opens_late: it begins
    only some time after the end. held_as: its word in the row of categories for which sister
    components are held, where that is not the window's.
    """

    name: str
    rule: str
    window: str | None
    opens_late: bool = False
    held_as: str | None = None


WRONG_BLOOD = Category(name="wrong-blood", rule="RXN-WBIT", window=None)
ANAPHYLAXIS = Category(
    name="anaphylaxis", rule="RXN-ALL", window="allergic", held_as="severe-allergic"
)
TRALI_1 = Category(name="TRALI-I", rule="RXN-TRALI1", window="trali")
TRALI_2 = Category(name="TRALI-II", rule="RXN-TRALI2", window="trali")
MIXED = Category(name="TRALI/TACO", rule="RXN-MIX", window="mixed")
TACO = Category(name="TACO", rule="RXN-TACO", window="taco")
UNDETERMINED = Category(name="respiratory-undetermined", rule="RXN-RESP", window="respiratory")
TAD = Category(name="TAD", rule="RXN-TAD", window="tad")
AHTR = Category(name="AHTR", rule="RXN-AHTR", window="ahtr")
SEPSIS = Category(name="sepsis-suspected", rule="RXN-TTBI", window="sepsis")
GVHD = Category(name="TA-GVHD", rule="RXN-GVHD", window="gvhd", opens_late=True)
PTP = Category(name="PTP", rule="RXN-PTP", window="ptp", opens_late=True)
DHTR = Category(name="DHTR", rule="RXN-DHTR", window="dhtr", opens_late=True)
DSTR = Category(name="DSTR", rule="RXN-DSTR", window="dhtr", opens_late=True)
HYPOTENSIVE = Category(name="hypotensive", rule="RXN-HYP", window="hypotensive")
FEBRILE = Category(name="FNHTR", rule="RXN-FEB", window="febrile")
ALLERGIC = Category(name="allergic", rule="RXN-ALL", window="allergic")

IN_ORDER: tuple[Category, ...] = (
    WRONG_BLOOD,
    ANAPHYLAXIS,
    TRALI_1,
    TRALI_2,
    MIXED,
    TACO,
    UNDETERMINED,
    TAD,
    AHTR,
    SEPSIS,
    GVHD,
    PTP,
    DHTR,
    DSTR,
    HYPOTENSIVE,
    FEBRILE,
    ALLERGIC,
)
BY_NAME: dict[str, Category] = {category.name: category for category in IN_ORDER}
_PLACE = {category.name: place for place, category in enumerate(IN_ORDER)}


def in_order(found: list[Candidate], component: Component | None) -> tuple[Candidate, ...]:
    """Candidates, most dangerous first: platelets put sepsis before acute haemolysis."""
    place = dict(_PLACE)
    if component is Component.PLATELETS:
        place[AHTR.name], place[SEPSIS.name] = place[SEPSIS.name], place[AHTR.name]
    return tuple(sorted(found, key=lambda candidate: place[candidate.category]))
