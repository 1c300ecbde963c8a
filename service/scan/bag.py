"""The collection facility's own label on the bag, from raw scans first and typed values else."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import tzinfo

from service.facts.moment import Moment, at
from service.facts.steps import BagLabel, Scan
from service.facts.unit import UNDIVIDED, Group, UnitRef
from service.scan.isbt128 import read_scan
from service.scan.keyed import read_product, read_typed_din
from service.scan.structures import NAMES
from service.scan.values import (
    Division,
    Donation,
    GroupLabel,
    LabelTime,
    ProductLabel,
    RedCellAntigens,
    ScanResult,
)

# What is printed on people, staff and supplies, and never on a bag.
_NOT_ON_A_BAG = frozenset({"019", "020", "021", "022", "024", "025", "026"})
_EXPIRY = frozenset({"004", "005", "031"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """What was typed instead of scanned. group and expiry come read, the numbers as text."""

    donation_number: str | None = None
    product_code: str | None = None
    group: Group | None = None
    expiry: Moment | None = None


@dataclass(slots=True)
class _Reading:
    """What has been gathered so far, each as often as it was said."""

    scans: list[Scan] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    dins: dict[str, None] = field(default_factory=dict)
    products: dict[ProductLabel, None] = field(default_factory=dict)
    divisions: dict[str, None] = field(default_factory=dict)
    groups: dict[Group, None] = field(default_factory=dict)
    expiries: dict[LabelTime, None] = field(default_factory=dict)
    antigens: dict[tuple[str, bool], None] = field(default_factory=dict)

    def take(self, found: ScanResult) -> None:
        """Adds one scan."""
        fault = found.fault
        if fault is None and found.structure in _NOT_ON_A_BAG:
            fault = f"a {NAMES[found.structure]}, not a bag's label"
        self.scans.append(Scan(raw=found.raw, structure=found.structure, fault=fault))
        if fault is not None:
            self.faults.append(fault)
            return
        for part in found.parts:
            self.take(part)
        self._say(found)

    def _say(self, found: ScanResult) -> None:
        value = found.value
        match value:
            case Donation():
                self.dins[value.din] = None
            case ProductLabel():
                self.products[value] = None
            case Division():
                self.divisions[value.division] = None
            case GroupLabel():
                self.groups[value.group] = None
                self.antigens |= dict.fromkeys(value.antigens)
            case LabelTime() if found.structure in _EXPIRY and value.means == "expiry":
                self.expiries[value] = None
            case RedCellAntigens():
                self.antigens |= dict.fromkeys(value.antigens)

    def one_of(self, said: dict[str, None], what: str) -> str | None:
        """The only value said; None, with a fault, where scans contradict each other."""
        if len(said) > 1:
            self.faults.append(f"scans give different {what}s")
        return next(iter(said)) if len(said) == 1 else None


def read_bag(raws: Iterable[str], *, zone: tzinfo, typed: Typed = Typed()) -> BagLabel:
    """The label of one bag.

    raws: scans as they came, compound messages included; each part of one is listed too. zone: of
    the facility, in which label times are read. Values that contradict each other are a fault and
    are not used; typed values are used only where no scan gave one, and must agree where one did.
    """
    reading = _Reading()
    for raw in raws:
        reading.take(read_scan(raw))
    unit, scanned = _unit(reading, typed)
    return BagLabel(
        scans=tuple(reading.scans),
        unit=unit,
        group=_group(reading, typed.group),
        expiry=_expiry(reading, typed.expiry, zone),
        antigens=_antigens(reading),
        scanned=scanned,
        faults=tuple(dict.fromkeys(reading.faults)),
        donation_text=typed.donation_number,
    )


def _unit(reading: _Reading, typed: Typed) -> tuple[UnitRef, bool]:
    din = reading.one_of(reading.dins, "donation number")
    label, division = _product(reading)
    scanned = din is not None and label is not None
    keyed = _typed_din(reading, typed.donation_number)
    product = _typed_product(reading, typed.product_code)
    if din is not None and keyed not in (None, din):
        reading.faults.append("the typed donation number differs from the scan")
    if label and product and not _agree(label, product):
        reading.faults.append("the typed product code differs from the scan")
    if not reading.dins:
        din = keyed
    if not reading.products and product is not None:
        label = product
        division = division or product.division
    unit = UnitRef(
        din=din,
        product=label.product if label else None,
        division=division if label else None,
        collection=label.collection if label else None,
    )
    return unit, scanned


def _product(reading: _Reading) -> tuple[ProductLabel | None, str | None]:
    """The product and its division; structure 032 wins over the code's own two characters."""
    if len(reading.products) > 1:
        reading.faults.append("scans give different product codes")
    label = next(iter(reading.products)) if len(reading.products) == 1 else None
    wide = reading.one_of(reading.divisions, "division")
    narrow = label.division if label else None
    if len(reading.divisions) > 1:
        return label, None
    if wide and narrow not in (None, UNDIVIDED, wide):
        reading.faults.append("the product code and the division scan give different divisions")
    return label, wide or narrow


def _agree(scanned: ProductLabel, typed: ProductLabel) -> bool:
    if typed.product != scanned.product:
        return False
    return None in (typed.division, scanned.division) or typed.division == scanned.division


def _typed_din(reading: _Reading, text: str | None) -> str | None:
    if text is None:
        return None
    found = read_typed_din(text)
    if found.fault is not None:
        reading.faults.append(f"typed donation number: {found.fault}")
    return found.din


def _typed_product(reading: _Reading, text: str | None) -> ProductLabel | None:
    if text is None:
        return None
    found = read_product(text)
    if found is None:
        reading.faults.append("typed product code: not a product code")
    return found


def _group(reading: _Reading, typed: Group | None) -> Group | None:
    if len(reading.groups) > 1:
        reading.faults.append("scans give different blood groups")
        return None
    if not reading.groups:
        return typed
    scanned = next(iter(reading.groups))
    if typed is not None and (typed.abo, typed.rhd) != (scanned.abo, scanned.rhd):
        reading.faults.append("the typed blood group differs from the scan")
    return scanned


def _expiry(reading: _Reading, typed: Moment | None, zone: tzinfo) -> Moment | None:
    instants = {label.instant(zone) for label in reading.expiries}
    if len(instants) > 1:
        reading.faults.append("scans give different expiry times")
        return None
    if not instants:
        return typed
    scanned = at(next(iter(instants)))
    if typed is not None and typed.instant not in (None, scanned.instant):
        reading.faults.append("the typed expiry differs from the scan")
    return scanned


def _antigens(reading: _Reading) -> tuple[tuple[str, bool], ...]:
    """Typed antigens; one that scans contradict is a fault and left out."""
    disputed = {
        name for name, positive in reading.antigens if (name, not positive) in reading.antigens
    }
    if disputed:
        reading.faults.append("scans give different results for an antigen")
    return tuple(pair for pair in reading.antigens if pair[0] not in disputed)
