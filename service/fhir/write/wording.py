"""The words that people read: verdicts, remedies, findings, candidates, and the cautions."""

from collections.abc import Iterable
from datetime import datetime, tzinfo
from decimal import Decimal

from service.assessment.desired import Procedure, Suspect, UnitShown
from service.facts.finding import Advice, Candidate, Finding, Remedy, Verdict
from service.facts.identity import Ref, Staff
from service.facts.moment import Moment
from service.fhir.write.codes import COMPONENT_TEXT, DISPOSITION_TEXT, group_text

NOT_A_DIAGNOSIS = (
    "Screening support, not a diagnosis. Absence of an alert does not mean absence of a reaction."
)
ACT_ON_SUSPICION = "Stop and call for help on clinical suspicion regardless of this result."
VALUES = "Values entered late or wrong give wrong results; missing values are reported as unknown."
COMPATIBILITY = (
    "Compatibility here means the data given matched the rules; "
    "the laboratory's label and crossmatch govern."
)
CANDIDATES = (
    "Category names are candidates for haemovigilance screening; final grade, severity and "
    "imputability belong to the transfusion physician."
)
LOCAL_POLICY = "Local policy and licensed clinicians decide."

WORD_TEXT = {
    "no-objection": "No rule objects on the facts given.",
    "note": "Worth showing; nothing to do.",
    "caution": "Acknowledge the cautions before the start.",
    "authorise": "Do not start unless an authorised person accepts it.",
    "refuse": "Do not start while these facts stand.",
    "continue": "No trigger met on the facts given.",
    "watch": "Look more often.",
    "pause": "Hold the flow and assess.",
    "stop": "Stop the flow.",
    "escalate": "Review urgently, tell the laboratory and keep the bag.",
    "accept": "The return is accepted.",
    "discard": "Discard the unit.",
}

REMEDY_TEXT = {
    Remedy.RESCAN: "scan again",
    Remedy.REPEAT_CHECK: "repeat the whole check",
    Remedy.COMPLETE_RECORD: "complete the record",
    Remedy.MEASURE_NOW: "measure now",
    Remedy.SECOND_SAMPLE: "send a second sample",
    Remedy.CHANGE_LINE: "change the line",
    Remedy.CALL_LABORATORY: "call the laboratory",
    Remedy.CALL_PRESCRIBER: "call the prescriber",
    Remedy.RETURN_UNIT: "return the unit to the laboratory",
}

CATEGORY_TEXT = {
    "allergic": "allergic",
    "febrile": "febrile non-haemolytic",
    "hypotensive": "hypotensive",
    "trali": "transfusion-related acute lung injury",
    "taco": "transfusion-associated circulatory overload",
    "tad": "transfusion-associated dyspnoea",
    "ahtr": "acute haemolytic",
    "sepsis": "bacterial, suspected",
    "dhtr": "delayed haemolytic",
    "dstr": "delayed serological",
    "ptp": "post-transfusion purpura",
    "gvhd": "transfusion-associated graft-versus-host disease",
    "mixed": "lung injury and circulatory overload not told apart",
    "respiratory": "respiratory, undetermined",
}

STATUS_TEXT = {
    "in-progress": "in progress",
    "on-hold": "interrupted",
    "completed": "completed",
    "stopped": "stopped early",
    "not-done": "not transfused",
    "entered-in-error": "entered in error",
}

_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def word_of(finding: Finding) -> str | None:
    """The finding's verdict, advice or answer to a return; None when it only informs."""
    given = finding.verdict if finding.verdict is not None else finding.advice
    return given.word if given is not None else finding.returned


def gravity(finding: Finding) -> int:
    """0 for nothing to do up to 4, for order on a page."""
    given: Verdict | Advice | None = finding.verdict
    if given is None:
        given = finding.advice
    if given is None:
        return 4 if finding.returned == "discard" else 0
    return int(given)


def gravest_first(findings: Iterable[Finding]) -> list[Finding]:
    """Findings by gravity, then rule and reason."""
    return sorted(findings, key=lambda f: (-gravity(f), f.rule, f.reason, f.text))


def finding_text(finding: Finding) -> str:
    """One finding with what is missing, what ends it, and where the rule was published."""
    parts = [finding.text]
    parts += [f"{label}: {value}." for label, value in finding.shown]
    if finding.missing:
        parts.append(f"Not known: {', '.join(finding.missing)}.")
    if finding.remedy is not None:
        parts.append(f"To resolve: {REMEDY_TEXT[finding.remedy]}.")
    sources = source_text(finding)
    if sources:
        parts.append(f"Policy and source: {sources}.")
    return " ".join(parts)


def source_text(finding: Finding) -> str:
    """The policy rows a finding rests on, each with its day and its published source."""
    rows = (f"{c.row} = {c.value}, since {c.since}, {c.source}" for c in finding.cited)
    return "; ".join(dict.fromkeys(rows))


def candidate_text(candidate: Candidate) -> str:
    """One candidate with its criteria. Never a diagnosis."""
    name = CATEGORY_TEXT.get(candidate.category, candidate.category)
    parts = [f"Candidate for screening: {name}, {candidate.grade.value}"]
    for label, items in (
        ("met", candidate.met),
        ("not met", candidate.not_met),
        ("not known", candidate.unknown),
    ):
        if items:
            parts.append(f"{label}: {', '.join(items)}")
    return "; ".join(parts) + ". Not a diagnosis."


def not_excluded_text(category: str) -> str:
    """A category that stays possible although its criteria are not met."""
    return f"Not excluded: {CATEGORY_TEXT.get(category, category)}."


def disposition_text(code: str) -> str:
    """A table 0513 code in words, with whose use of the table this is."""
    said = DISPOSITION_TEXT.get(code, code)
    return f"{said} (HL7 table 0513, used here by this service's own convention)"


def when(moment: Moment | None, zone: tzinfo) -> str:
    """A time as people write it: an instant on the hospital's clock, a coarser time as sent."""
    if moment is None:
        return "not recorded"
    if moment.instant is None:
        return _day(moment.text)
    local = _local(moment.instant, zone)
    seconds = f":{local:%S}" if local.second else ""
    return f"{_day(local.date().isoformat())} {local:%H:%M}{seconds} {_offset(local)}"


def _local(instant: datetime, zone: tzinfo) -> datetime:
    try:
        return instant.astimezone(zone)
    except OverflowError:  # 9999-12-31 stands for "never" in some systems
        return instant


def _day(text: str) -> str:
    parts = text.split("-")
    if len(parts) != 3 or not all(part.isdecimal() for part in parts):
        return text
    return f"{int(parts[2])} {_MONTHS[int(parts[1]) - 1]} {parts[0]}"


def _offset(local: datetime) -> str:
    text = f"{local:%z}"
    return "UTC" if text == "+0000" else f"UTC{text[:3]}:{text[3:5]}"


def amount(value: Decimal | None) -> str:
    """A volume in mL, or that none is recorded."""
    return "not recorded" if value is None else f"{value:f} mL"


def name_of(who: Ref | Staff | None) -> str:
    """A display name, else an identifier, else that nothing is recorded."""
    if who is None:
        return "not recorded"
    number = who.identifier.value if who.identifier else None
    return who.display or number or "name not recorded"


def component_text(unit: UnitShown) -> str:
    """What is in the bag."""
    own = COMPONENT_TEXT[unit.component] if unit.component else None
    return unit.product_text or own or "component not recorded"


def route_text(unit: UnitShown) -> str:
    """What was done, by which route."""
    what = component_text(unit)
    return f"Transfusion of {what[:1].lower()}{what[1:]}, intravenous route"


def unit_rows(unit: UnitShown, zone: tzinfo) -> list[tuple[str, str]]:
    """A unit for a table of two columns."""
    group = group_text(unit.group) if unit.group else "not recorded"
    return [
        ("Component", component_text(unit)),
        ("Donation number", unit.key.din),
        ("Product code", f"{unit.key.product}, division {unit.key.division}"),
        ("Group", group),
        ("Expiry", when(unit.expiry, zone)),
    ]


def suspect_text(suspect: Suspect, zone: tzinfo) -> str:
    """A unit of an episode in one line."""
    unit = suspect.unit
    group = group_text(unit.group) if unit.group else "group not recorded"
    began = f"started {when(suspect.start, zone)}" if suspect.start else "not started"
    ended = f"ended {when(suspect.end, zone)}" if suspect.end else "no end recorded"
    return (
        f"{component_text(unit)}, {group}, {unit.key.din}, product {unit.key.product}, "
        f"division {unit.key.division}; {began}; {ended if suspect.start else 'not given'}"
    )


def match_text(content: Procedure, zone: tzinfo) -> str | None:
    """What is recorded of the matching of patient and unit, or None."""
    if content.checked_at is None:
        return None
    names = ", ".join(name_of(staff) for _, staff in content.performers) or "name not recorded"
    answer = f"; answer then: {content.check_answer}" if content.check_answer else ""
    at = when(content.checked_at, zone)
    return f"Patient and unit compared at the bedside {at} ({names}){answer}."
