"""Reads raw scans as ISBT 128 structures: ST-001 6.2.2, sections 2.2 and 2.4.

Nothing is interpreted until the whole string has passed: data identifier, then length and
characters, then the check character where there is one. A scan is never tidied to make it fit.
"""

from collections.abc import Callable
from datetime import date, time, timedelta

from stdnum.iso7064 import mod_37_2

from service.facts.unit import UNDIVIDED
from service.scan import antigens, groups
from service.scan.structures import NAMES, Structure, content, identify
from service.scan.values import (
    BirthDate,
    Catalogue,
    Division,
    Donation,
    GroupLabel,
    LabelTime,
    Lot,
    PatientNumber,
    ProductLabel,
    RedCellAntigens,
    ScanResult,
    StaffNumber,
    Value,
)

DIN_LENGTH = 13
COMPOUND = "023"
ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"
CENTURIES = {"0": 2000, "9": 1900}  # 0: printed beside a label of 2018; 9: from memory

_CHECKED = range(60, 97)
_NO_BAG = {
    "06": "a pilot tube label",
    "07": "a test tube label",
    "08": "a donor record label",
    "09": "a sample tube label",
    "10": "a bacterial sample label",
    "11": "a label to be matched with the unit",
}
_CONTAINERS = {f"{n:02}": n for n in range(1, 5)} | {f"{n + 10}": n for n in range(5, 10)}
_UNMARKED = frozenset({"00", "05", "12", "13"}) | {f"{n}" for n in range(20, 60)}
_WITH_COLLECTION = "EFHPS"
_KINDS_031 = {
    "01": "expiry",
    "02": "collection",
    "03": "production",
    "04": "cross-clamp",
    "05": "preservation",
    "06": "death of the donor",
}


class Unread(ValueError):
    """A string that has a structure's form but must not be used. The text says why."""


def read_scan(raw: str) -> ScanResult:
    """What a raw scan is and says; never raises.

    ``fault`` is None only when the whole string passed.
    """
    found = identify(raw)
    if found is None:
        return ScanResult(raw=raw, fault="not an ISBT 128 scan that is known here")
    data = content(found, raw)
    if data is None or (found.number != COMPOUND and _length(found, data) != len(raw)):
        fault = f"the length or characters do not fit a {found.name}"
        return ScanResult(raw=raw, structure=found.number, fault=fault)
    return _compound(raw, data) if found.number == COMPOUND else _single(raw, found, data)


def _length(found: Structure, data: str) -> int:
    return len(found.identifier) + len(data)


def _single(raw: str, found: Structure, data: str) -> ScanResult:
    reader = _READERS.get(found.number)
    try:
        value = reader(data) if reader else None
    except Unread as problem:
        return ScanResult(raw=raw, structure=found.number, fault=str(problem))
    return ScanResult(raw=raw, structure=found.number, value=value)


def _compound(raw: str, data: str) -> ScanResult:
    """Structure 023: ``aabbb`` and then ``aa`` structures with nothing between them."""
    place, stated = len("=+") + len(data), int(data[:2])
    parts: list[ScanResult] = []
    while place < len(raw) and len(parts) <= stated:
        found = identify(raw, place)
        inner = content(found, raw, place) if found and found.number != COMPOUND else None
        if found is None or inner is None:
            return _spoiled(raw, "a compound message with a part that cannot be read")
        end = place + _length(found, inner)
        parts.append(_single(raw[place:end], found, inner))
        place = end
    if len(parts) != stated:
        return _spoiled(raw, "a compound message without the number of parts that it states")
    faults = [f"{NAMES[part.structure or '']}: {part.fault}" for part in parts if part.fault]
    if faults:
        return _spoiled(raw, "; ".join(faults))
    return ScanResult(raw=raw, structure=COMPOUND, parts=tuple(parts))


def _spoiled(raw: str, fault: str) -> ScanResult:
    return ScanResult(raw=raw, structure=COMPOUND, fault=fault)


def check_character(din: str) -> str:
    """The check character K of a 13-character DIN (ISO/IEC 7064 modulo 37-2, appendix A)."""
    return str(mod_37_2.calc_check_digit(din))


def read_donation(data: str) -> Donation:
    """A DIN and its two flag characters (table 3). Raises Unread when it is not a bag's number."""
    din, flags = data[:DIN_LENGTH], data[DIN_LENGTH:]
    if flags in _NO_BAG:
        raise Unread(f"{_NO_BAG[flags]}, not a bag")
    if flags.isdigit() and int(flags) in _CHECKED:
        if ALPHABET[int(flags) - _CHECKED.start] != check_character(din):
            raise Unread("the check character does not match the donation number")
    elif flags not in _UNMARKED and flags not in _CONTAINERS:
        raise Unread("the flag characters of the donation number have no published meaning")
    return Donation(din=din, container=_CONTAINERS.get(flags))


def read_group(data: str) -> GroupLabel:
    """Structure 002: group or special message, phenotype, and a reserved zero."""
    group, typed = groups.group_of(data[:2]), groups.phenotype_of(data[2])
    if group is None:
        raise Unread("the code is no published blood group of a unit")
    if typed is None or data[3] != "0":
        raise Unread("the phenotype code is not a published one")
    return GroupLabel(code=data[:2], group=group, antigens=typed)


def read_product_code(data: str) -> ProductLabel:
    """Structure 003. What the last three characters mean depends on the first (2.4.3)."""
    product, last = data[:5], data[5:]
    typed = product[0] in _WITH_COLLECTION or product[:2] == "X0"
    if not typed:
        return ProductLabel(product=product)
    return ProductLabel(product=product, collection=last[0], division=division_of(last[1:]))


def division_of(code: str) -> str | None:
    """The six-character division of a two-character one.

    ``00`` is undivided, ``Aa`` a division, ``99`` says that structure 032 holds it: None, as for
    any code that is no division.
    """
    if code == "00":
        return UNDIVIDED
    is_division = code[0].isupper() and (code[1].islower() or code[1] == "0")
    return code.ljust(len(UNDIVIDED), "0") if is_division else None


def _label_time(means: str) -> Callable[[str], LabelTime]:
    def read(data: str) -> LabelTime:
        clock = time_of(data[6:]) if len(data) > len("cyyjjj") else None
        return LabelTime(means=means, day=_ordinal_day(data[:6]), clock=clock)

    return read


def _ordinal_day(data: str) -> date:
    """``cyyjjj``: century, year, and day of the year from 001."""
    if data[0] not in CENTURIES:
        raise Unread("the century of the date has no published meaning")
    year, ordinal = CENTURIES[data[0]] + int(data[1:3]), int(data[3:])
    day = date(year, 1, 1) + timedelta(days=ordinal - 1)
    if day.year != year or not ordinal:
        raise Unread("the year has no such day")
    return day


def time_of(text: str) -> time:
    """``hhmm``, 0000 to 2359. Raises Unread for any other."""
    hour, minute = int(text[:2]), int(text[2:])
    if hour > 23 or minute > 59:
        raise Unread("the day has no such time")
    return time(hour, minute)


def _day(text: str) -> date:
    try:
        return date(int(text[:4]), int(text[4:6]), int(text[6:8]))
    except ValueError:
        raise Unread("there is no such day") from None


def _general_antigens(data: str) -> RedCellAntigens:
    typed = antigens.general(data)
    if typed is None:
        raise Unread("the Rh antigens are given in both forms")
    return RedCellAntigens(antigens=typed)


def _antigen_history(data: str) -> RedCellAntigens:
    typed = antigens.with_history(data)
    if typed is None:
        raise Unread("a result has no published meaning")
    return RedCellAntigens(antigens=typed)


def _flexible_time(data: str) -> LabelTime:
    """Structure 031 (tables 24 and 25). For blood components it is not yet an option (2.4.31)."""
    if data[0] not in "12" or data[1] != "0" or data[2:4] not in _KINDS_031:
        raise Unread("the time zone or the kind of time has no published meaning")
    clock = time_of(data[12:])
    return LabelTime(
        means=_KINDS_031[data[2:4]], day=_day(data[4:12]), clock=clock, utc=data[0] == "2"
    )


_READERS: dict[str, Callable[[str], Value]] = {
    "001": read_donation,
    "002": read_group,
    "003": read_product_code,
    "004": _label_time("expiry"),
    "005": _label_time("expiry"),
    "006": _label_time("collection"),
    "007": _label_time("collection"),
    "008": _label_time("production"),
    "009": _label_time("production"),
    "012": _general_antigens,
    "017": lambda data: Catalogue(container=data[0], manufacturer=data[1:3], number=data[3:]),
    "018": lambda data: Lot(number=data),
    "020": lambda data: StaffNumber(facility=data[:5], number=data[5:]),
    "021": lambda data: Catalogue(manufacturer=data[:2], number=data[2:]),
    "022": lambda data: Lot(number=data),
    "024": lambda data: BirthDate(place=data[:2], day=_day(data[2:])),
    "025": lambda data: PatientNumber(place=data[:2], number=data[4:]),
    "030": _antigen_history,
    "031": _flexible_time,
    "032": lambda data: Division(division=data),
}
