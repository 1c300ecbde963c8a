"""Numbers, groups and dates that a person typed: small exact vocabularies, never a guess.

A typed value may carry the spaces and hyphens of print. Nothing else about it is changed.
"""

import re
from dataclasses import dataclass
from datetime import date, time, tzinfo

from service.facts.moment import Moment
from service.facts.unit import Group
from service.scan.isbt128 import (
    DIN_LENGTH,
    check_character,
    read_donation,
    read_product_code,
    read_scan,
)
from service.scan.structures import DONATION, STRUCTURES
from service.scan.values import GroupLabel, LabelTime, ProductLabel

_DIN = re.compile("[A-NP-Z1-9][A-NP-Z0-9]{2}[0-9]{10}", re.ASCII)
_PRODUCT = next(found.pattern for found in STRUCTURES if found.number == "003")
_DESCRIPTION = re.compile("[A-Z][A-Z0-9]{4}", re.ASCII)
_PRINT = str.maketrans("", "", " -")

_RHD = {
    **dict.fromkeys(("POSITIVE", "POS", "+"), "positive"),
    **dict.fromkeys(("NEGATIVE", "NEG", "-"), "negative"),
}
_GROUP = re.compile(
    r"(?P<abo>AB|A|B|O)"
    r"(?:(?: +RH(?: ?D| ?\(D\))?)?(?: *(?P<sign>[+-])| +(?P<word>POSITIVE|NEGATIVE|POS|NEG)))?",
    re.ASCII,
)
_MONTHS = {
    name: number
    for number, name in enumerate(
        ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"), 1
    )
}
_PRINTED = re.compile(
    r"(?P<day>[0-9]{1,2}) (?P<month>[A-Z]{3}) (?P<year>[0-9]{4})(?: (?P<time>[0-9]{2}:[0-9]{2}))?",
    re.ASCII,
)
_ISO = re.compile(
    r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})(?:[T ](?P<time>[0-9]{2}:[0-9]{2}))?",
    re.ASCII,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedDin:
    """A typed donation number.

    din: 13 characters, None when there is a fault. checked: True when a check character or
    checksum flags were typed and match.
    """

    din: str | None = None
    checked: bool = False
    fault: str | None = None


def read_typed_din(text: str) -> TypedDin:
    """A typed donation number: 13 characters, or with check character (14) or flags (15).

    A raw scan is taken as a scan. A check character that does not match is a fault (ST-001 7.5,
    Red Book annex 2), as are flags that say that the label is not a bag's.
    """
    if text.startswith(("=", "&")):
        return _scanned_din(text)
    plain = text.translate(_PRINT)
    din, rest = plain[:DIN_LENGTH], plain[DIN_LENGTH:]
    if not _DIN.fullmatch(din) or len(rest) > len("ff"):
        return TypedDin(fault="not a donation number")
    if not rest:
        return TypedDin(din=din)
    if len(rest) == 1:
        if rest != check_character(din):
            return TypedDin(fault="the check character does not match the donation number")
        return TypedDin(din=din, checked=True)
    return _scanned_din("=" + plain)


def _scanned_din(raw: str) -> TypedDin:
    found = read_scan(raw)
    if found.structure != DONATION.number:
        return TypedDin(fault="not a donation number")
    if found.fault is not None:
        return TypedDin(fault=found.fault)
    data = raw[1:]
    return TypedDin(din=read_donation(data).din, checked="60" <= data[DIN_LENGTH:] <= "96")


def read_product(text: str) -> ProductLabel | None:
    """A product code of eight characters, or a product description code of five; else None.

    Five characters leave division and collection type unknown.
    """
    found = read_scan(text)
    if isinstance(found.value, ProductLabel):
        return found.value
    plain = text.strip(" ")
    if _DESCRIPTION.fullmatch(plain):
        return ProductLabel(product=plain)
    return read_product_code(plain) if _PRODUCT.fullmatch(plain) else None


def read_group_text(text: str) -> Group | None:
    """A group in words such as ``A RhD positive``, ``O NEG``, ``AB+`` or ``B``, or a group scan.

    Any other text is None, above all a scan of another structure (ST-001 2.2).
    """
    found = read_scan(text)
    if isinstance(found.value, GroupLabel):
        return found.value.group
    said = _GROUP.fullmatch(text.strip(" ").upper()) if text.isascii() else None
    if said is None:
        return None
    rhd = said["sign"] or said["word"]
    return Group(abo=said["abo"], rhd=_RHD[rhd] if rhd else None)


def read_expiry_text(text: str, zone: tzinfo) -> Moment | None:
    """An expiry as printed (``31 MAY 2020 23:59``), as a local ISO date or time, or as a scan.

    The instant is that of the label in ``zone``; without a time, the last minute of the day. Any
    other text is None. A FHIR dateTime with an offset is not for this function.
    """
    found = read_scan(text)
    if isinstance(found.value, LabelTime) and found.value.means == "expiry":
        return Moment(text=text, instant=found.value.instant(zone))
    said = _PRINTED.fullmatch(text.strip(" ").upper()) or _ISO.fullmatch(text.strip(" "))
    label = _label(said.groupdict()) if said else None
    return Moment(text=text, instant=label.instant(zone)) if label else None


def _label(said: dict[str, str | None]) -> LabelTime | None:
    month = said["month"] or ""
    number = _MONTHS.get(month) or (int(month) if month.isdigit() else 0)
    try:
        day = date(int(said["year"] or 0), number, int(said["day"] or 0))
        clock = time.fromisoformat(said["time"]) if said["time"] else None
    except ValueError:
        return None
    return LabelTime(means="expiry", day=day, clock=clock)
