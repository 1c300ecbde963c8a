"""What a scan says, once its whole string has passed: one class per kind of structure."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, tzinfo

from service.facts.unit import Group

LAST_MINUTE = time(23, 59)


@dataclass(frozen=True, slots=True, kw_only=True)
class Donation:
    """A donation identification number (structure 001).

    din: 13 characters. container: 1 to 9 in a set, None where the flags name none.
    """

    din: str
    container: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupLabel:
    """A blood group or special message (structure 002), with the phenotype printed beside it."""

    code: str
    group: Group
    antigens: tuple[tuple[str, bool], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductLabel:
    """A product code (structure 003).

    product: five-character product description code. division: six characters, None when the code
    does not tell (a national code, or one whose division is in structure 032). collection: the
    collection type character, None where the code has none.
    """

    product: str
    division: str | None = None
    collection: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Division:
    """A product division (structure 032): six characters."""

    division: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelTime:
    """A date, and perhaps a time, as a label states it: local to the labelling facility.

    means: expiry, collection or production, or another word of structure 031. ``utc`` is True
    where the label says that the time is UTC.
    """

    means: str
    day: date
    clock: time | None = None
    utc: bool = False

    def instant(self, zone: tzinfo) -> datetime:
        """The UTC instant in a facility's zone; without a time, the last minute of the day.

        A time that the clocks show twice is the earlier of the two: a unit is not used longer
        than its label may mean.
        """
        local = datetime.combine(self.day, self.clock or LAST_MINUTE, UTC if self.utc else zone)
        return min(local.replace(fold=fold).astimezone(UTC) for fold in (0, 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class RedCellAntigens:
    """Typed red-cell antigens (structures 012 and 030): ``("K", False)`` is K negative."""

    antigens: tuple[tuple[str, bool], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """A manufacturer and catalogue number (structure 017: a container, 021: another item)."""

    manufacturer: str
    number: str
    container: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """A lot number (structure 018: of a container, 022: of another item)."""

    number: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StaffNumber:
    """A staff member's number (structure 020), as its facility assigned it."""

    facility: str
    number: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PatientNumber:
    """A patient's number (structure 025). place: code of where the number was found."""

    place: str
    number: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BirthDate:
    """A patient's date of birth (structure 024). place: code of where it was found."""

    place: str
    day: date


Value = (
    Donation
    | GroupLabel
    | ProductLabel
    | Division
    | LabelTime
    | RedCellAntigens
    | Catalogue
    | Lot
    | StaffNumber
    | PatientNumber
    | BirthDate
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanResult:
    """One scan.

    structure: three-digit ISBT 128 number, None when the string is none. fault: why it must not be
    used, None when it passed. value: None for a fault and for structures that are recognised but
    not read. parts: the structures inside a compound message (023), in order.
    """

    raw: str
    structure: str | None = None
    fault: str | None = None
    value: Value | None = None
    parts: tuple["ScanResult", ...] = ()
