"""The right patient and the right unit, shown at the bedside (rules.md 2.1 and 2.2)."""

from service.facts.case import step_finished, step_time
from service.facts.fact import Fact
from service.facts.finding import Finding, Stage
from service.facts.identity import Ref
from service.facts.steps import Step, StepCode
from service.policy.policy import VERDICTS
from service.rules.context import Also, PreStart, PreStartRule, Stating
from service.rules.identity_band import (
    band_read,
    identifiers_complete,
    identifiers_enough,
    unidentified,
    was_read,
)
from service.rules.identity_checkers import independence, roles, starter, verification
from service.rules.identity_patient import characters, four_ways, joined_records
from service.rules.identity_unit import check_character, emergency_stock, unit_label

# Who may confirm for a patient unable to speak: a person, and not a patient.
CONFIRMING = frozenset({"Practitioner", "PractitionerRole", "RelatedPerson", "Person", ""})
UNCHECKED = ("band", "spoken identity", "compatibility label", "bag label", "checkers")


def covered(pre: PreStart) -> tuple[Finding, ...]:
    """ID-07: a check at the bedside for this very unit; all that it would show lacks without it."""
    say = Stating(pre, "ID-07")
    if pre.check is None:
        text = "No check of this unit covers the start."
        started = (pre.start.key,) if pre.start is not None else ()
        return say.missing("no-check", text, UNCHECKED, also=Also(facts=started))
    if not was_read(pre.check.body.band):
        return ()
    return say.passed("checked-at-bedside", "The band was read in the check of this unit.")


def spoken(pre: PreStart) -> tuple[Finding, ...]:
    """ID-04: the patient said name and birth date; unable needs a reason and who confirmed."""
    if pre.check is None:
        return ()
    say, step = Stating(pre, "ID-04"), pre.check.body
    if step.spoken == "matches":
        return say.passed("spoken-matches", "Name and birth date were spoken and match.")
    if step.spoken == "differs":
        return say.failed("spoken-differs", "The spoken name or birth date differs from the band.")
    if step.spoken != "unable":
        text = "Nobody said whether the spoken name and birth date match."
        return say.missing("spoken-missing", text, ("spoken-confirmed",))
    said = {"spoken-unable": step.spoken_unable, "confirmed-by": _confirmed(step.confirmed_by)}
    lacking = tuple(name for name, value in said.items() if not value)
    if lacking:
        text = f"The patient was unable to speak; {' and '.join(lacking)} is missing."
        return say.missing("spoken-unable-unconfirmed", text, lacking)
    row = pre.policy.row("spoken-unable-as", pre.at)
    text = f"The patient was unable to speak ({step.spoken_unable}); somebody else confirmed."
    also = Also(cited=(row.cited,))
    return say.failed("spoken-unable", text, verdict=VERDICTS[row.words[0]], also=also)


def _confirmed(by: Ref | None) -> bool:
    """Somebody is named, who is not the patient, a thing or a place."""
    return by is not None and by.kind in CONFIRMING and bool(by.tokens or by.display)


def uninterrupted(pre: PreStart) -> tuple[Finding, ...]:
    """ID-08: one session, not interrupted, not too long, and no other unit meanwhile."""
    if pre.check is None:
        return ()
    say, step = Stating(pre, "ID-08"), pre.check.body
    life = pre.policy.row("check-life", pre.at)
    if step.interrupted:
        text = "The check was interrupted and must be done again from the beginning."
        return say.failed("check-interrupted", text)
    if step_finished(pre.check) - step_time(pre.check) > life.span:
        text = f"The check took longer than {life.value} {life.unit}."
        return say.failed("check-too-long", text, also=Also(cited=(life.cited,)))
    overlapping = _overlapping(pre, pre.check)
    if overlapping:
        text = "The same person checked another unit at the same time."
        facts = (pre.check.key, *overlapping)
        return say.failed("check-overlapped", text, also=Also(facts=facts))
    if step.interrupted is None:
        text = "Nobody said whether the check was interrupted."
        return say.missing("interruption-unknown", text, ("interrupted",))
    return say.passed("check-uninterrupted", "The check was one session.")


def paper(pre: PreStart) -> tuple[Finding, ...]:
    """ID-09: no fact tells a label from a report form, so that this is listed as not checked."""
    if pre.check is None or pre.check.body.label is None:
        return ()
    text = "Whether the label itself or a report form was read is not told."
    return Stating(pre, "ID-09").missing("label-or-form", text, ("what was read",))


def label_stays(pre: PreStart) -> tuple[Finding, ...]:
    """ID-11: no fact tells whether the label stayed on the bag; listed as not checked."""
    if pre.stage is not Stage.START or pre.check is None:
        return ()
    text = "Whether the compatibility label stays on the bag is not told."
    return Stating(pre, "ID-11").missing("label-stays", text, ("label on the bag",))


def _overlapping(pre: PreStart, check: Fact[Step]) -> tuple[str, ...]:
    """Checks of another unit by the same person during this one."""
    return tuple(
        other.key
        for other in pre.case.steps
        if other.body.code is StepCode.CHECK_UNIT
        and pre.case.unit_of_step(other.body) != pre.case.unit_of_step(check.body)
        and check.body.owner is not None
        and check.body.owner.same_as(other.body.owner)
        and step_time(other) < step_finished(check)
        and step_time(check) < step_finished(other)
    )


RULES: tuple[PreStartRule, ...] = (
    covered,
    band_read,
    identifiers_complete,
    identifiers_enough,
    spoken,
    four_ways,
    joined_records,
    characters,
    unit_label,
    uninterrupted,
    paper,
    unidentified,
    label_stays,
    check_character,
    emergency_stock,
    verification,
    starter,
    independence,
    roles,
)
