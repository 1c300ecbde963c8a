"""Band, label, order and issue name one patient, and so do joined records (ID-05)."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations

from service.facts.fact import Fact
from service.facts.finding import Finding, Remedy, Verdict
from service.facts.records import PatientRecord
from service.facts.steps import Band, Step
from service.rules.context import Also, PreStart, Stating
from service.rules.identity_band import (
    band_patterns,
    patient_systems,
    read_band,
    read_label,
    temporary_band,
    was_read,
    without_unique_number,
)
from service.rules.identity_characters import deceptive
from service.rules.identity_match import (
    NAMES,
    NOTHING,
    Compared,
    Shown,
    Side,
    compare_label,
    compare_records,
    exact,
    joined,
    only_on_one,
    record_sides,
    same_name,
    scan_differs,
)
from service.rules.recipient import is_temporary
from service.rules.supplied import is_emergency_stock, issues_by

# Inputs of a check that name the patient.
NAMING = frozenset(
    f"{side}-{part}"
    for side in ("band", "label")
    for part in ("identifier", "family", "given", "birth-date", "sample-number")
) | {"band-scan"}


def four_ways(pre: PreStart) -> tuple[Finding, ...]:
    """ID-05: band in use, label, the order's patient and the issue's patient are one patient.

    The order and the issue may be reached through an active link; the label must match the band
    itself, field by field (ID-10), and both the patient's record. A band that was not read is
    ID-01's to say, one of somebody unidentified without a number ID-10's, and a start without a
    check ID-07's.
    """
    say, facts = Stating(pre, "ID-05"), _identity_facts(pre)
    found = joined((*_by_band(pre), _by_label(pre), _others(pre), _unusable(pre)))
    if found.differs:
        text = f"What names the patient differs in {', '.join(dict.fromkeys(found.differs))}."
        reason = "identifier-mismatch" if found.shown else "another-patient"
        return say.failed(reason, text, also=Also(facts=facts, shown=found.shown))
    if pre.check is None:
        return ()
    unsaid = {"identifier on the band"} if without_unique_number(pre) else set()
    missing = tuple(name for name in found.missing if name not in unsaid)
    if missing:
        text = f"The patient cannot be compared without {', '.join(missing)}."
        also = Also(facts=facts, remedy=_remedy(missing))
        return say.missing("identity-incomplete", text, missing, also=also)
    if unsaid:
        return ()
    text = "Band, label, order and issue name the same patient."
    return say.passed("identity-matches", text, also=Also(facts=facts))


def joined_records(pre: PreStart) -> tuple[Finding, ...]:
    """ID-05: joined records that contradict each other, but for those of unidentified patients."""
    lasting = [f for f in pre.case.of(PatientRecord) if not is_temporary(f.body, pre.site)]
    shown = tuple(
        dict.fromkeys(
            pair for one, other in combinations(lasting, 2) for pair in _contradiction(one, other)
        )
    )
    if not shown:
        return ()
    text = "Joined records of the patient differ in birth date or family name."
    also = Also(
        facts=tuple(fact.key for fact in lasting), shown=shown, remedy=Remedy.COMPLETE_RECORD
    )
    return Stating(pre, "ID-05").failed("identity-conflict", text, also=also)


def characters(pre: PreStart) -> tuple[Finding, ...]:
    """ID-05: characters on band or label that look like others, or like none.

    A number that bears one was not read as it stands. A name may be spelt so: a note.
    """
    sides = (read_band(pre), read_label(pre))
    systems, say = patient_systems(pre), Stating(pre, "ID-05")
    numbers = _deceptive(
        (f"identifier on the {side.where}", number.value)
        for side in sides
        for number in side.identifying(systems)
    )
    names = _deceptive(
        (f"{field} on the {side.where}", text)
        for side in sides
        for field, text in side.texts
        if field in NAMES
    )
    return (*_unreadable(say, numbers), *_spelt(say, names))


def _unreadable(say: Stating, numbers: Shown) -> tuple[Finding, ...]:
    if not numbers:
        return ()
    places = tuple(dict.fromkeys(place for place, _ in numbers))
    text = f"Characters that no number bears stand in the {' and the '.join(places)}."
    return say.missing("number-unreadable", text, places, also=Also(shown=numbers))


def _spelt(say: Stating, names: Shown) -> tuple[Finding, ...]:
    if not names:
        return ()
    text, also = "A name bears characters that cannot be told by eye.", Also(shown=names)
    return say.failed("look-alike-characters", text, verdict=Verdict.NOTE, also=also)


def _deceptive(texts: Iterable[tuple[str, str]]) -> Shown:
    found = [(place, deceptive(text)) for place, text in texts]
    return tuple((place, ", ".join(letters)) for place, letters in found if letters)


def _by_band(pre: PreStart) -> tuple[Compared, ...]:
    """The band in use against the label, against the patient's records, and against its scans."""
    step = pre.check.body if pre.check is not None else None
    if step is None or step.band is None or not was_read(step.band):
        return ()
    return (
        _band_and_label(pre, step, step.band),
        _by_records(pre, read_band(pre)),
        scan_differs(step.band, band_patterns(pre)),
    )


def _band_and_label(pre: PreStart, step: Step, band: Band) -> Compared:
    if is_emergency_stock(pre):
        return NOTHING
    if step.label is None:
        return Compared(missing=("compatibility label",))
    read, label, systems = read_band(pre), read_label(pre), patient_systems(pre)
    found = compare_label(read, label, systems, _rendering(pre))
    if not temporary_band(pre, band):
        return found
    return joined((found, only_on_one(read, label, systems)))


def _by_label(pre: PreStart) -> Compared:
    """The label's numbers, and its texts that the band lacks, against the patient's records."""
    step = pre.check.body if pre.check is not None else None
    if step is None or step.label is None or is_emergency_stock(pre):
        return NOTHING
    band, label = read_band(pre), read_label(pre)
    own = tuple((field, text) for field, text in label.texts if band.text(field) is None)
    return _by_records(pre, replace(label, texts=own), _rendering(pre))


def _by_records(pre: PreStart, read: Side, cuts: tuple[str, ...] = ()) -> Compared:
    """Under a temporary band the patient's numbers alone count: a merge may change the rest."""
    records = [fact.body for fact in pre.case.of(PatientRecord)]
    if not records:
        return Compared(missing=("patient record",))
    band = (pre.check.body.band if pre.check is not None else None) or Band()
    known = {number.token for record in records for number in record.identifiers}
    numbers = {number.token for number in read.identifying(patient_systems(pre))}
    if temporary_band(pre, band) and numbers and numbers <= known | pre.case.aliases:
        return NOTHING
    sides = [side for record in records for side in record_sides(record)]
    printed = [replace(side, cuts=cuts) for side in sides] if any(cuts) else sides
    return compare_records(read, tuple(printed), patient_systems(pre))


def _rendering(pre: PreStart) -> tuple[str, ...]:
    return pre.policy.row("label-rendering", pre.at).words


def _unusable(pre: PreStart) -> Compared:
    """What was read from band or label and cannot be used might have been another patient's."""
    lost = pre.check.body.unusable if pre.check is not None else ()
    return Compared(missing=tuple(f"usable {word}" for word in lost if word in NAMING))


def _others(pre: PreStart) -> Compared:
    """The order's patient and the issue's patient are this one; without saying who else."""
    differs = ["order" for order in pre.orders if not pre.case.mine(order)]
    missing = []
    issue = next(iter(issues_by(pre)[-1:]), None)
    if issue is None:
        missing = [] if is_emergency_stock(pre) else ["issue"]
    elif issue.body.patient is None:
        missing = ["patient of the issue"]
    elif not pre.case.is_me(issue.body.patient):
        differs.append("issue")
    return Compared(
        differs=tuple(f"patient of the {what}" for what in differs), missing=tuple(missing)
    )


def _remedy(missing: tuple[str, ...]) -> Remedy | None:
    """Rescan where band or label lacks something; else the record or the laboratory."""
    if all("patient record" in name for name in missing):
        return Remedy.COMPLETE_RECORD
    return Remedy.CALL_LABORATORY if all("issue" in name for name in missing) else None


def _contradiction(
    one: Fact[PatientRecord], other: Fact[PatientRecord]
) -> tuple[tuple[str, str], ...]:
    shown: list[tuple[str, str]] = []
    mine, theirs = one.body.birth_date, other.body.birth_date
    if mine and theirs and exact(mine) != exact(theirs):
        shown += [(f"birth date in {one.key}", mine), (f"birth date in {other.key}", theirs)]
    families = [[n.family for n in fact.body.names if n.family] for fact in (one, other)]
    shared = any(same_name(a, b) for a in families[0] for b in families[1])
    if all(families) and not shared:
        shown += [
            (f"family in {fact.key}", name)
            for fact, names in zip((one, other), families, strict=True)
            for name in names
        ]
    return tuple(shown)


def _identity_facts(pre: PreStart) -> tuple[str, ...]:
    facts = (*pre.case.of(PatientRecord), *pre.orders, *issues_by(pre)[-1:], pre.check)
    return tuple(sorted({fact.key for fact in facts if fact is not None}))
