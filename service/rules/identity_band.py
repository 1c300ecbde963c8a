"""The band in use: that it was read, and that it identifies (ID-01 to ID-03, ID-10)."""

from service.facts.finding import Finding
from service.facts.identity import Identifier
from service.facts.once import once
from service.facts.records import PatientRecord
from service.facts.steps import Band, CompatibilityLabel
from service.policy.policy import VERDICTS
from service.rules.context import Also, PreStart, Stating
from service.rules.identity_match import Side, band_side, label_side, scan_parts
from service.rules.recipient import is_temporary


def band_read(pre: PreStart) -> tuple[Finding, ...]:
    """ID-01: a band was read at the bedside, and no scan looks like a chart sticker."""
    if pre.check is None:
        return ()
    say, band = Stating(pre, "ID-01"), pre.check.body.band
    if band is None or not was_read(band):
        return say.missing("band-not-read", "No band was read.", ("band",))
    row = pre.policy.row("band-pattern", pre.at)
    patterns = band_patterns(pre)
    strange = [scan for scan in band.scans if not scan_parts(scan, patterns)]
    if patterns and strange:
        shown = tuple(("scan", scan) for scan in strange)
        text = "A scan does not look like the scan of a band."
        return say.failed("not-a-band", text, also=Also(cited=(row.cited,), shown=shown))
    return say.passed("band-read", "A band was read at the bedside.")


def identifiers_complete(pre: PreStart) -> tuple[Finding, ...]:
    """ID-02: the band carries every identifier of the profile."""
    band = _known_band(pre)
    if band is None:
        return ()
    row = pre.policy.row("identifiers-required", pre.at)
    found = _counted(pre)
    lacking = tuple(word for word in row.words if word not in found)
    also = Also(cited=(row.cited,))
    if lacking:
        text = f"The band shows no {', no '.join(lacking)}."
        return Stating(pre, "ID-02").missing("band-incomplete", text, lacking, also=also)
    text = "The band carries every identifier that the profile asks for."
    return Stating(pre, "ID-02").passed("band-complete", text, also=also)


def identifiers_enough(pre: PreStart) -> tuple[Finding, ...]:
    """ID-03: enough patient-specific identifiers, of two kinds at least; a room never counts."""
    band = _known_band(pre)
    if band is None:
        return ()
    say, found = Stating(pre, "ID-03"), _counted(pre)
    required = pre.policy.row("identifiers-required", pre.at).words
    minimum = pre.policy.row("identifiers-minimum", pre.at)
    also = Also(cited=(minimum.cited,))
    kinds = {"name" if word in ("family", "given") else word for word in found}
    if len(found & set(required)) >= minimum.number and len(kinds) > 1:
        return say.passed("identifiers-enough", "Enough identifiers were read.", also=also)
    strange = [n for n in band.identifiers if n.system not in patient_systems(pre)]
    if strange:
        shown = tuple(("not an identifier of a patient", number.token) for number in strange)
        text = "A room, a place or another number that is not the patient's does not identify."
        named = Also(cited=also.cited, shown=shown)
        return say.failed("room-not-identifier", text, also=named)
    lacking = tuple(word for word in required if word not in found)
    text = f"Too few identifiers were read: no {', no '.join(lacking)}."
    return say.missing("too-few-identifiers", text, lacking, also=also)


def unidentified(pre: PreStart) -> tuple[Finding, ...]:
    """ID-10: a patient under a temporary number, by the band in use and the sex on record."""
    if pre.check is None or not was_read(pre.check.body.band):
        return ()
    band = pre.check.body.band or Band()
    records = pre.case.of(PatientRecord)
    say, facts = Stating(pre, "ID-10"), (*(record.key for record in records), pre.check.key)
    if without_unique_number(pre):
        text = "The unidentified patient's band shows no unique number."
        lacking = ("identifier on the band",)
        return say.missing("no-unique-identifier", text, lacking, also=Also(facts=facts))
    if not temporary_band(pre, band):
        return ()
    text, also = "The band bears a temporary number: emergency identity.", Also(facts=facts)
    if any(record.body.sex for record in records):
        return say.failed("emergency-identity", text, also=also)
    verdict = VERDICTS[say.row.on_failure]
    text = f"{text[:-1]}, and no sex is on record."
    return say.missing("emergency-identity", text, ("sex",), verdict=verdict, also=also)


def was_read(band: Band | None) -> bool:
    """True when anything was read from the band."""
    return band is not None and bool(band.scans or band.identifiers or band_side(band).texts)


@once
def read_band(pre: PreStart) -> Side:
    """What was read from the band; nothing where none was."""
    band = pre.check.body.band if pre.check is not None else None
    return band_side(band or Band())


@once
def read_label(pre: PreStart) -> Side:
    """What was read from the compatibility label; nothing where none was."""
    label = pre.check.body.label if pre.check is not None else None
    return label_side(label or CompatibilityLabel())


@once
def _known_band(pre: PreStart) -> Band | None:
    """A band that was read, unless it is an unidentified patient's (ID-10 speaks)."""
    band = pre.check.body.band if pre.check is not None else None
    if band is None or not was_read(band) or temporary_band(pre, band):
        return None
    return None if without_unique_number(pre) else band


@once
def without_unique_number(pre: PreStart) -> bool:
    """The band of somebody unidentified was read, and shows no number that identifies (ID-10)."""
    band = pre.check.body.band if pre.check is not None else None
    return was_read(band) and not unique_numbers(pre) and _only_temporary(pre)


def unique_numbers(pre: PreStart) -> tuple[Identifier, ...]:
    """The numbers on the band that identify a patient."""
    return read_band(pre).identifying(patient_systems(pre))


def band_patterns(pre: PreStart) -> tuple[str, ...]:
    """The policy's patterns of a band scan; none where it names none."""
    return tuple(word for word in pre.policy.row("band-pattern", pre.at).words if word)


def _only_temporary(pre: PreStart) -> bool:
    """Every record of the patient is that of somebody unidentified."""
    records = pre.case.of(PatientRecord)
    return bool(records) and all(is_temporary(record.body, pre.site) for record in records)


def temporary_band(pre: PreStart, band: Band) -> bool:
    """The band in use bears a number for unidentified patients."""
    marked = {token for fact in pre.case.of(PatientRecord) for token in fact.body.temporary}
    return any(
        number.system in pre.site.temporary_systems or number.token in marked
        for number in band.identifiers
    )


@once
def patient_systems(pre: PreStart) -> frozenset[str]:
    """Identifier systems whose numbers identify a patient.

    The site's own, and those of numbers that a record types as temporary. A system that only a
    record uses, an insurance's perhaps, may hold one number for several people.
    """
    typed = {
        number.system
        for fact in pre.case.of(PatientRecord)
        for number in fact.body.identifiers
        if number.token in fact.body.temporary
    }
    return frozenset(typed | {*pre.site.identity_systems, *pre.site.temporary_systems})


@once
def _counted(pre: PreStart) -> frozenset[str]:
    """The words of row identifiers-required that the band carries."""
    fields = {"birth date": "birth-date"}
    found = {fields.get(field, field) for field, _ in read_band(pre).texts}
    if unique_numbers(pre):
        found.add("identifier")
    return frozenset(found - {"sample number"})
