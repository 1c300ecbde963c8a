"""Band, label, order and issue name one patient, and so do joined records (ID-05)."""

from itertools import combinations

from service.facts.fact import Fact
from service.facts.finding import Finding, Remedy
from service.facts.records import PatientRecord
from service.facts.steps import Band, Step
from service.rules.context import Also, PreStart, Stating
from service.rules.identity_band import patient_systems, temporary_band, was_read
from service.rules.identity_match import (
    Compared,
    Side,
    band_side,
    compare_label,
    compare_records,
    exact,
    joined,
    label_side,
    only_on_label,
    record_sides,
    same_name,
    scan_differs,
)
from service.rules.recipient import is_temporary
from service.rules.supplied import is_emergency_stock, issues_by


def four_ways(pre: PreStart) -> tuple[Finding, ...]:
    """ID-05: band in use, label, the order's patient and the issue's patient are one patient.

    The order and the issue may be reached through an active link; the label must match the band
    itself, field by field (ID-10). A band that was not read is ID-01's to say, and a start
    without a check ID-07's.
    """
    say, facts = Stating(pre, "ID-05"), _identity_facts(pre)
    found = joined((*_by_band(pre), _others(pre)))
    if found.differs:
        text = f"What names the patient differs in {', '.join(dict.fromkeys(found.differs))}."
        reason = "identifier-mismatch" if found.shown else "another-patient"
        return say.failed(reason, text, also=Also(facts=facts, shown=found.shown))
    if pre.check is None:
        return ()
    if found.missing:
        text = f"The patient cannot be compared without {', '.join(found.missing)}."
        also = Also(facts=facts, remedy=_remedy(found.missing))
        return say.missing("identity-incomplete", text, found.missing, also=also)
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


def _by_band(pre: PreStart) -> tuple[Compared, ...]:
    """The band in use against the label and against the patient's records."""
    step = pre.check.body if pre.check is not None else None
    if step is None or step.band is None or not was_read(step.band):
        return ()
    band = band_side(step.band)
    return (_by_label(pre, step, band), _by_records(pre, step.band, band), scan_differs(step.band))


def _by_label(pre: PreStart, step: Step, band: Side) -> Compared:
    if is_emergency_stock(pre):
        return Compared()
    if step.label is None:
        return Compared(missing=("compatibility label",))
    label = label_side(step.label)
    rendering = pre.policy.row("label-rendering", pre.at).words
    found = compare_label(band, label, patient_systems(pre), rendering)
    temporary = step.band is not None and temporary_band(pre, step.band)
    return joined((found, only_on_label(band, label))) if temporary else found


def _by_records(pre: PreStart, band: Band, read: Side) -> Compared:
    """A temporary band is on record by its number alone: a merge may have changed the rest."""
    records = [fact.body for fact in pre.case.of(PatientRecord)]
    if not records:
        return Compared(missing=("patient record",))
    known = {number.token for record in records for number in record.identifiers}
    numbers = {number.token for number in band.identifiers}
    if temporary_band(pre, band) and numbers <= known | pre.case.aliases:
        return Compared()
    sides = tuple(side for record in records for side in record_sides(record))
    return compare_records(read, sides, patient_systems(pre))


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
