"""Scans of a patient's band: ISBT 128 structures 024 and 025 beside whatever else a band bears.

Both structures say where the number was read (ST-001 6.2.2, 2.4.24 and 2.4.25). The codes of places
are from memory, the same as those of ICCBBA's media types: 01 is the band; 02 to 10 are an order, a
tube, a list, a label on the container and the like, and never the band.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from service.scan.isbt128 import read_scan
from service.scan.values import BirthDate, PatientNumber, ScanResult

ELSEWHERE = frozenset(f"{place:02}" for place in range(2, 11))


@dataclass(frozen=True, slots=True, kw_only=True)
class BandScans:
    """What the scans of a band say.

    scans: as they came, without those that hold nothing but a date of birth. numbers: a raw scan
    and the patient number it holds. birth_dates: ISO dates, once each.
    """

    scans: tuple[str, ...] = ()
    numbers: tuple[tuple[str, str], ...] = ()
    birth_dates: tuple[str, ...] = ()


def read_band_scans(raws: Iterable[str]) -> BandScans:
    """The scans of one band. A scan from elsewhere than a band stays what it is: no number."""
    scans: list[str] = []
    numbers: list[tuple[str, str]] = []
    dates: dict[str, None] = {}
    for raw in raws:
        parts = _parts(read_scan(raw))
        held = [part.value for part in parts]
        found = [one.number for one in held if isinstance(one, PatientNumber) and _is_band(one)]
        born = [one.day for one in held if isinstance(one, BirthDate) and _is_band(one)]
        whole = len(found) + len(born) == len(parts)
        if not (whole and born and not found):
            scans.append(raw)
        if whole and len(set(found)) == 1:
            numbers.append((raw, found[0]))
        dates |= {day.isoformat(): None for day in born if whole}
    return BandScans(scans=tuple(scans), numbers=tuple(numbers), birth_dates=tuple(dates))


def _parts(found: ScanResult) -> tuple[ScanResult, ...]:
    return found.parts or (found,)


def _is_band(value: PatientNumber | BirthDate) -> bool:
    return value.place not in ELSEWHERE
