"""Comparing identities exactly (rules.md 2.1): nothing fuzzy, no majority vote.

After Unicode NFC and trimming, names compare without regard to case, everything else byte by
byte; an identifier compares with its system; a date that is not a full date matches nothing.
"""

from dataclasses import dataclass
from datetime import date
from unicodedata import normalize

from service.facts.identity import Identifier, PersonName
from service.facts.records import PatientRecord
from service.facts.steps import Band, CompatibilityLabel

NAMES = ("family", "given")
FIELDS = (*NAMES, "birth date")
Shown = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the things that name a patient. ``where`` completes *family on the ...*."""

    where: str
    identifiers: tuple[Identifier, ...] = ()
    texts: tuple[tuple[str, str], ...] = ()

    def text(self, field: str) -> str | None:
        """The text of a field, None where it was not read."""
        return next((text for name, text in self.texts if name == field), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """differs: fields that differ. shown: both strings of each. missing: what could not compare."""

    differs: tuple[str, ...] = ()
    shown: Shown = ()
    missing: tuple[str, ...] = ()


def exact(text: str) -> str:
    """The text as it is compared: NFC, without leading or trailing white space."""
    return text.strip() if text.isascii() else normalize("NFC", text).strip()


def same_name(one: str, other: str) -> bool:
    """Equal but for case."""
    return exact(one).lower() == exact(other).lower()


def same_birth_date(one: str, other: str) -> bool:
    """The same full date."""
    return exact(one) == exact(other) and is_full_date(exact(one))


def is_full_date(text: str) -> bool:
    """A calendar day with year, month and day."""
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def band_side(band: Band) -> Side:
    """What was read from the band."""
    return _side("band", band.identifiers, band.name, band.birth_date, band.sample_number)


def label_side(label: CompatibilityLabel) -> Side:
    """What was read from the compatibility label."""
    numbers = label.identifiers
    return _side("label", numbers, label.name, label.birth_date, label.sample_number)


def record_sides(record: PatientRecord) -> tuple[Side, ...]:
    """A patient's record, once for each name it holds."""
    names = record.names or (PersonName(),)
    where = "patient record"
    return tuple(_side(where, record.identifiers, name, record.birth_date, None) for name in names)


def compare_label(
    band: Side, label: Side, systems: frozenset[str], rendering: tuple[str, ...] = ()
) -> Compared:
    """Band in use against label: every field on the band must be on the label, and equal.

    A sample number compares where both carry one. ``systems``: those whose numbers identify a
    patient. ``rendering``: the policy's rows for a printer that cuts names, such as ``family:20``.
    """
    numbers = _numbers(band, label, systems, every=True)
    texts = [_text(band, label, field, rendering) for field in FIELDS]
    sample = _text(band, label, "sample number", ()) if label.text("sample number") else Compared()
    return joined((numbers, *texts, sample))


def only_on_label(band: Side, label: Side) -> Compared:
    """What the label carries and the band in use does not: whole band against whole label."""
    fields = [f for f in FIELDS if label.text(f) is not None and band.text(f) is None]
    if _by_system(label).keys() - _by_system(band).keys():
        fields.append("every identifier of the label")
    return Compared(missing=tuple(f"{field} on the band" for field in fields))


def compare_records(band: Side, records: tuple[Side, ...], systems: frozenset[str]) -> Compared:
    """Band in use against the record it fits best, whole against whole.

    A record may hold several numbers of one system after a join. A record that lacks a field
    never hides another one that differs.
    """
    found = [
        joined(
            (
                _numbers(band, record, systems, every=False),
                *(_text(band, record, field, ()) for field in FIELDS),
            )
        )
        for record in records
    ]
    return min(found, key=lambda c: (len(c.missing), len(c.differs)))


def joined(parts: tuple[Compared, ...]) -> Compared:
    """Several comparisons as one."""
    return Compared(
        differs=tuple(field for part in parts for field in part.differs),
        shown=tuple(pair for part in parts for pair in part.shown),
        missing=tuple(name for part in parts for name in part.missing),
    )


def scan_differs(band: Band) -> Compared:
    """A band scan that holds none of the numbers read from the same band."""
    values = [exact(number.value) for number in band.identifiers]
    if not band.scans or not values:
        return Compared()
    if any(value in exact(scan) for scan in band.scans for value in values):
        return Compared()
    shown = (("scan of the band", ", ".join(band.scans)), ("number on the band", ", ".join(values)))
    return Compared(differs=("band scan",), shown=shown)


def scanned(band: Band) -> bool:
    """Machine identification of the patient: a raw scan equals a number of the band."""
    values = {exact(number.value) for number in band.identifiers}
    return any(exact(scan) in values for scan in band.scans)


def _side(
    where: str,
    identifiers: tuple[Identifier, ...],
    name: PersonName,
    birth_date: str | None,
    sample: str | None,
) -> Side:
    said = {
        "family": name.family,
        "given": name.given,
        "birth date": birth_date,
        "sample number": sample,
    }
    texts = tuple([(field, text) for field, text in said.items() if text and exact(text)])
    return Side(where=where, identifiers=identifiers, texts=texts)


def _numbers(band: Side, other: Side, systems: frozenset[str], *, every: bool) -> Compared:
    """Identifiers by system: equal sets, or for a record the band's among the record's.

    At least one number that identifies a patient must be of a system that both sides carry.
    """
    if not band.identifiers:
        return Compared()
    if not other.identifiers:
        return Compared(missing=(f"identifier on the {other.where}",))
    mine, theirs = _by_system(band), _by_system(other)
    common = mine.keys() & theirs.keys()
    unlike = {s for s in common if not mine[s] <= theirs[s] or (every and mine[s] != theirs[s])}
    identified = bool(common & systems) or not mine.keys() & systems
    if identified and not unlike:
        return Compared()
    pairs = tuple(
        (f"identifier on the {side.where}", number.token)
        for side in (band, other)
        for number in side.identifiers
        if number.system in unlike or not identified
    )
    return Compared(differs=("identifier",), shown=pairs)


def _by_system(side: Side) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for number in side.identifiers:
        found.setdefault(number.system, set()).add(exact(number.value))
    return found


def _text(band: Side, other: Side, field: str, rendering: tuple[str, ...]) -> Compared:
    mine, theirs = band.text(field), other.text(field)
    if mine is None:
        return Compared()
    if theirs is None:
        return Compared(missing=(f"{field} on the {other.where}",))
    if _same(field, _rendered(mine, field, rendering), theirs):
        return Compared()
    shown = ((f"{field} on the band", mine), (f"{field} on the {other.where}", theirs))
    return Compared(differs=(field,), shown=shown)


def _same(field: str, one: str, other: str) -> bool:
    if field in NAMES:
        return same_name(one, other)
    return same_birth_date(one, other) if field == "birth date" else exact(one) == exact(other)


def _rendered(text: str, field: str, rendering: tuple[str, ...]) -> str:
    cuts = dict(row.split(":", 1) for row in rendering if ":" in row)
    return exact(text)[: int(cuts[field])] if field in cuts else text
