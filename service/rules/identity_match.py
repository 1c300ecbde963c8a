"""Comparing identities exactly (rules.md 2.1): nothing fuzzy, no majority vote.

After Unicode NFC and trimming, names compare without regard to case, everything else byte by
byte; an identifier compares with its system; a date that is not a full date matches nothing.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from types import MappingProxyType
from unicodedata import normalize

from service.facts.identity import Identifier, PersonName
from service.facts.records import PatientRecord
from service.facts.steps import Band, CompatibilityLabel
from service.rules.identity_characters import telling

NAMES = ("family", "given")
FIELDS = (*NAMES, "birth date")
Shown = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the things that name a patient. ``where`` completes *family on the ...*.

    cuts: how the label's printer shortens what stands here, such as ``family:20``.
    """

    where: str
    identifiers: tuple[Identifier, ...] = ()
    texts: tuple[tuple[str, str], ...] = ()
    cuts: tuple[str, ...] = ()

    def text(self, field: str) -> str | None:
        """The text of a field, None where it was not read."""
        return next((text for name, text in self.texts if name == field), None)

    def identifying(self, systems: frozenset[str]) -> tuple[Identifier, ...]:
        """The numbers in systems whose numbers identify a patient."""
        return tuple(number for number in self.identifiers if number.system in systems)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """differs: fields that differ. shown: both strings of each. missing: what could not compare."""

    differs: tuple[str, ...] = ()
    shown: Shown = ()
    missing: tuple[str, ...] = ()


NOTHING = Compared()


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
    """Band in use against label: every text on the band must be on the label, and equal.

    Numbers are equal in every system that both carry, and in one at least that identifies a
    patient; the others are for the record to confirm. A sample number compares where both carry
    one. ``systems``: those whose numbers identify a patient. ``rendering``: the policy's rows for a
    printer that cuts names, such as ``family:20``.
    """
    read = replace(band, cuts=rendering)
    texts = [_text(read, label, field) for field in FIELDS]
    sample = _text(band, label, "sample number") if label.text("sample number") else Compared()
    return joined((_numbers_alike(band, label, systems), *texts, sample))


def only_on_one(band: Side, label: Side, systems: frozenset[str]) -> Compared:
    """What one of band in use and label carries and the other does not: whole against whole."""
    fields = [f for f in FIELDS if label.text(f) is not None and band.text(f) is None]
    mine, theirs = _by_system(band.identifiers), _by_system(label.identifiers)
    if theirs.keys() - mine.keys():
        fields.append("every identifier of the label")
    lacking = [f"{field} on the band" for field in fields]
    if (mine.keys() - theirs.keys()) & systems:
        lacking.append("every identifier of the band on the label")
    return Compared(missing=tuple(lacking))


def compare_records(read: Side, records: tuple[Side, ...], systems: frozenset[str]) -> Compared:
    """Band or label against the record it fits best, whole against whole.

    A record may hold several numbers of one system after a join. Every number that identifies a
    patient must be on one of the records. A record that lacks a field never hides another one that
    differs.
    """
    found = [
        joined(
            (
                _numbers_held(read, record, systems),
                *(_text(read, record, field) for field in FIELDS),
            )
        )
        for record in records
    ]
    best = min(found, key=lambda c: (len(c.missing), len(c.differs)))
    return joined((_numbers_known(read, records, systems), best))


def joined(parts: Iterable[Compared]) -> Compared:
    """Several comparisons as one, each thing said once."""
    held = [part for part in parts if part.differs or part.missing]
    if len(held) < 2:
        return held[0] if held else NOTHING
    return Compared(
        differs=tuple(dict.fromkeys(field for part in held for field in part.differs)),
        shown=tuple(dict.fromkeys(pair for part in held for pair in part.shown)),
        missing=tuple(dict.fromkeys(name for part in held for name in part.missing)),
    )


def scan_parts(
    scan: str, patterns: tuple[str, ...], numbers: Mapping[str, str] = MappingProxyType({})
) -> frozenset[str]:
    """What a band scan says: the first group of each pattern that it fits as a whole.

    The whole scan where a pattern has no group, and where there are no patterns, or then the
    patient number that it holds; nothing for a scan that fits none of them.
    """
    text = exact(scan)
    if not patterns:
        return frozenset({exact(numbers.get(scan, text))} - {""})
    fits = [found for p in patterns if (made := _compiled(p)) and (found := made.fullmatch(text))]
    parts = (found.group(1) if found.re.groups else text for found in fits)
    return frozenset(exact(part) for part in parts if part)


def scan_differs(band: Band, patterns: tuple[str, ...] = ()) -> Compared:
    """Scans of the band that are none of the numbers read from the same band.

    A scan that fits no pattern is ID-01's to say.
    """
    said = [number.value for number in band.identifiers]
    if not said:
        return NOTHING
    numbers = {exact(value) for value in (*said, band.sample_number or "")} - {""}
    held = dict(band.numbers)
    parts = [(scan, scan_parts(scan, patterns, held)) for scan in band.scans]
    strange = [scan for scan, found in parts if not found & numbers and (found or not patterns)]
    if not strange:
        return NOTHING
    shown = [("scan of the band", scan) for scan in strange]
    shown += [("number on the band", value) for value in said]
    return Compared(differs=("band scan",), shown=tuple(shown))


def scanned(band: Band, systems: frozenset[str], patterns: tuple[str, ...] = ()) -> bool:
    """Machine identification of the patient: a raw scan equals a number that identifies.

    Not where any scan is of something else.
    """
    held = dict(band.numbers)
    parts = [scan_parts(scan, patterns, held) for scan in band.scans]
    if not all(parts) or scan_differs(band, patterns).differs:
        return False
    values = {exact(number.value) for number in band.identifiers if number.system in systems}
    return any(found & values for found in parts)


@cache
def _compiled(pattern: str) -> re.Pattern[str] | None:
    """A pattern that can be read; one that cannot fits no scan."""
    try:
        return re.compile(pattern)
    except re.error:
        return None


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


def _numbers_alike(band: Side, label: Side, systems: frozenset[str]) -> Compared:
    """Equal sets of numbers in every common system, one of which must identify a patient."""
    lacking = _without_number((band, label), systems)
    mine, theirs = _by_system(band.identifiers), _by_system(label.identifiers)
    common = mine.keys() & theirs.keys()
    unlike = {system for system in common if mine[system] != theirs[system]}
    if not lacking and not common & systems:
        unlike |= (mine.keys() | theirs.keys()) & systems
    return _numbers(lacking, (band, label), unlike)


def _numbers_held(read: Side, record: Side, systems: frozenset[str]) -> Compared:
    """The numbers read among the record's, in every common system; one must identify a patient."""
    lacking = _without_number((read, record), systems)
    mine, theirs = _by_system(read.identifiers), _by_system(record.identifiers)
    common = mine.keys() & theirs.keys()
    unlike = {system for system in common if not mine[system] <= theirs[system]}
    if not lacking and not common & systems:
        unlike |= (mine.keys() | theirs.keys()) & systems
    return _numbers(lacking, (read, record), unlike)


def _numbers(lacking: tuple[str, ...], sides: tuple[Side, ...], unlike: set[str]) -> Compared:
    if not lacking and not unlike:
        return NOTHING
    return joined((Compared(missing=lacking), _unequal(sides, unlike)))


def _numbers_known(read: Side, records: tuple[Side, ...], systems: frozenset[str]) -> Compared:
    """Every number that identifies a patient is on one of the records."""
    held = [number for record in records for number in record.identifying(systems)]
    known = _by_system(held)
    strange = [
        number
        for number in read.identifying(systems)
        if exact(number.value) not in known.get(number.system, ())
    ]
    if not strange or not held:
        return NOTHING
    pairs = [(f"identifier on the {read.where}", number.token) for number in strange]
    pairs += [(f"identifier on the {records[0].where}", number.token) for number in held]
    return Compared(differs=("identifier",), shown=(*pairs, *_characters(pairs)))


def _without_number(sides: tuple[Side, ...], systems: frozenset[str]) -> tuple[str, ...]:
    lacking = (side for side in sides if not side.identifying(systems))
    return tuple(f"identifier on the {side.where}" for side in lacking)


def _unequal(sides: tuple[Side, ...], systems: set[str]) -> Compared:
    if not systems:
        return NOTHING
    pairs = [
        (f"identifier on the {side.where}", number.token)
        for side in sides
        for number in side.identifiers
        if number.system in systems
    ]
    return Compared(differs=("identifier",), shown=(*pairs, *_characters(pairs)))


def _characters(pairs: list[tuple[str, str]]) -> Shown:
    """Of texts that may look equal: the characters that tell them apart."""
    first, *rest = pairs
    found = dict.fromkeys(name for _, text in rest for name in telling(first[1], text))
    return (("characters to look at", ", ".join(found)),) if found else ()


def _by_system(numbers: Iterable[Identifier]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for number in numbers:
        found.setdefault(number.system, set()).add(exact(number.value))
    return found


def _text(one: Side, other: Side, field: str) -> Compared:
    mine, theirs = one.text(field), other.text(field)
    if mine is None:
        return NOTHING
    if theirs is None:
        return Compared(missing=(f"{field} on the {other.where}",))
    if _same(field, _printed(one, field, mine), _printed(other, field, theirs)):
        return NOTHING
    pairs = [(f"{field} on the {one.where}", mine), (f"{field} on the {other.where}", theirs)]
    return Compared(differs=(field,), shown=(*pairs, *_characters(pairs)))


def _same(field: str, one: str, other: str) -> bool:
    if field in NAMES:
        return same_name(one, other)
    return same_birth_date(one, other) if field == "birth date" else exact(one) == exact(other)


def _printed(side: Side, field: str, text: str) -> str:
    """The text as the label's printer would print it."""
    if not side.cuts:
        return text
    cuts = dict(row.split(":", 1) for row in side.cuts if ":" in row)
    length = cuts.get(field, "")
    return exact(text)[: int(length)] if length.isdecimal() else text
