"""The words that people read: verdicts, remedies, findings, candidates, and the cautions."""

from collections.abc import Iterable
from datetime import tzinfo
from decimal import Decimal

from service.assessment.desired import Procedure, Suspect, UnitShown
from service.facts.finding import Advice, Candidate, Cited, Finding, Remedy, Stage, Verdict
from service.facts.identity import Ref, Staff
from service.facts.quantity import Reading, Vital
from service.fhir.write.codes import (
    COMPONENT_TEXT,
    DISPOSITION_TEXT,
    UNIT_TEXT,
    group_text,
)
from service.fhir.write.times import day_text, when
from service.fhir.write.vocabulary import (
    CATEGORY_TEXT,
    division_text,
    donation_text,
    item_text,
    items_text,
    policy_value,
    spoken,
    unit_key_text,
)

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
# What every verdict carries, on whatever it is told.
CAUTION = f"{NOT_A_DIAGNOSIS} {COMPATIBILITY} {LOCAL_POLICY}"
SOURCES = "S and a number: a published source, listed with the service in mappings/sources.toml."

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
    "accept": "Within the return limits on the facts given; the laboratory decides.",
    "discard": "Discard the unit.",
}

# The same words on a unit that was started all the same: nobody is told not to start it.
AFTER_START_TEXT = {
    "caution": "Worth acting on while the unit runs.",
    "authorise": "Started without the acceptance by an authorised person that this needs.",
    "refuse": "Started although these facts stand against it.",
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

STATUS_TEXT = {
    "in-progress": "in progress",
    "on-hold": "interrupted",
    "completed": "completed",
    "stopped": "stopped early",
    "not-done": "not transfused",
    "entered-in-error": "entered in error",
}

PRIORITY_TEXT = {
    "routine": "routine",
    "urgent": "urgent",
    "asap": "as soon as possible",
    "stat": "at once",
}
OWNER_TEXT = {"ward": "the ward", "blood-bank": "the blood bank"}
STAGE_TEXT = {
    Stage.CHECK: "bedside check",
    Stage.START: "start",
    Stage.RUNNING: "while the unit runs",
    Stage.ENDED: "after the unit was taken down",
    Stage.RETURN: "return of the unit",
}
LABEL_TEXT = {
    "baseline": "baseline before the start",
    "worst": "worst since the start",
    "at onset": "at the onset",
}

VITAL_TEXT: dict[Vital, str] = {
    Vital.TEMPERATURE: "Temperature",
    Vital.HEART_RATE: "Heart rate",
    Vital.RESPIRATORY_RATE: "Respiratory rate",
    Vital.SYSTOLIC: "Systolic pressure",
    Vital.DIASTOLIC: "Diastolic pressure",
    Vital.MEAN_PRESSURE: "Mean pressure",
    Vital.SATURATION: "Oxygen saturation",
    Vital.OXYGEN_FLOW: "Oxygen flow",
    Vital.CONSCIOUSNESS: "Level of consciousness",
    Vital.WEIGHT: "Weight",
}


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


def heading_of(finding: Finding) -> str:
    """A finding's word and what it asks for, as the headline of a page about it."""
    word = word_of(finding)
    if word is None:
        return "For information"
    started = finding.stage in (Stage.START, Stage.RUNNING, Stage.ENDED)
    asked = AFTER_START_TEXT.get(word) if started else None
    return f"{_headed(word)}: {_lowered(asked or WORD_TEXT[word])}"


def finding_text(finding: Finding, zone: tzinfo | None = None) -> str:
    """One finding: its word and rule, what was found, what ends it, where the rule is from.

    zone: the hospital's; None leaves times on the clock they came with.
    """
    return (
        f"{_headed(word_of(finding) or 'for information')} (rule {finding.rule}): "
        + reason_text(finding, zone)
    )


def reason_text(finding: Finding, zone: tzinfo | None = None) -> str:
    """A finding without its word and rule, for a page that shows both beside it."""
    parts = [spoken(finding.text, zone)]
    if finding.shown:
        parts.append(f"{shown_text(finding, zone)}.")
    if finding.missing:
        parts.append(f"Not known: {items_text(finding.missing, zone)}.")
    if finding.remedy is not None:
        parts.append(f"To resolve: {REMEDY_TEXT[finding.remedy]}.")
    sources = source_text(finding)
    if sources:
        parts.append(f"Policy and source: {sources}.")
    return " ".join(parts)


def shown_text(finding: Finding, zone: tzinfo | None = None) -> str:
    """What a finding sets side by side, such as band and label."""
    pairs = (_pair(label, value, zone) for label, value in finding.shown)
    return _capital("; ".join(f"{label}: {value}" for label, value in pairs))


def _pair(label: str, value: str, zone: tzinfo | None) -> tuple[str, str]:
    """Only a number under the name of a donation number is grouped like one."""
    first, _, rest = label.partition(" ")
    if first == "din":
        return f"{item_text(first)} {rest}".strip(), donation_text(value)
    return spoken(label, zone), spoken(value, zone)


def source_text(finding: Finding) -> str:
    """The policy rows a finding rests on, those of one day and source together."""
    rows: dict[tuple[str, str], dict[str, None]] = {}
    for cited in finding.cited:
        rows.setdefault((cited.since, cited.source), {})[_row(cited)] = None
    return "; ".join(
        f"{' and '.join(named)}, since {day_text(since)}, {source}"
        for (since, source), named in rows.items()
    )


def _row(cited: Cited) -> str:
    return f"{cited.row} = {policy_value(cited.value)}"


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
            parts.append(f"{label}: {items_text(items)}")
    return "; ".join(parts) + ". Not a diagnosis."


def not_excluded_text(category: str) -> str:
    """A category that stays possible although its criteria are not met."""
    return f"Not excluded: {CATEGORY_TEXT.get(category, category)}."


def disposition_text(code: str) -> str:
    """A table 0513 code in words, with whose use of the table this is."""
    said = DISPOSITION_TEXT.get(code, code)
    return f"{said} (HL7 table 0513, used here by this service's own convention)"


def amount(value: Decimal | None) -> str:
    """A volume in mL, or that none is recorded."""
    return "not recorded" if value is None else f"{value:f} mL"


def measured(value: Decimal, code: str) -> str:
    """A value with its UCUM unit as people write it: ``38.4 °C``, ``82/min``."""
    unit = UNIT_TEXT.get(code, code)
    return f"{value:f}{unit}" if unit.startswith("/") else f"{value:f} {unit}"


def name_of(who: Ref | Staff | None) -> str:
    """A display name, else an identifier, else that nothing is recorded."""
    if who is None:
        return "not recorded"
    number = who.identifier.value if who.identifier else None
    return who.display or number or "name not recorded"


def patient_rows(patient: Ref | None) -> list[tuple[str, str]]:
    """Whom a page is about: name and number."""
    number = patient.identifier if patient is not None else None
    return [
        ("Patient", name_of(patient)),
        ("Patient number", number.value if number else "not recorded"),
    ]


def component_text(unit: UnitShown) -> str:
    """What is in the bag."""
    own = COMPONENT_TEXT[unit.component] if unit.component else None
    return unit.product_text or own or "component not recorded"


def route_text(unit: UnitShown) -> str:
    """What was done, by which route."""
    return f"Transfusion of {_lowered(component_text(unit))}, intravenous route"


def unit_rows(unit: UnitShown, zone: tzinfo) -> list[tuple[str, str]]:
    """A unit for a table of two columns."""
    group = group_text(unit.group) if unit.group else "not recorded"
    din, printed = unit.key.din, donation_text(unit.key.din)
    number = din
    if printed != din:
        number = f"{printed} (check character {printed[-1]}; as scanned {din})"
    return [
        ("Component", component_text(unit)),
        ("Donation number", number),
        ("Product code", f"{unit.key.product}, {division_text(unit.key.division)}"),
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
        f"{component_text(unit)}, {group}, {unit_key_text(unit.key)}; "
        f"{began}; {ended if suspect.start else 'not given'}"
    )


def match_text(content: Procedure, zone: tzinfo) -> str | None:
    """What is recorded of the matching of patient and unit, or None."""
    if content.checked_at is None:
        return None
    names = "; ".join(name_of(staff) for _, staff in content.performers) or "name not recorded"
    at = when(content.checked_at, zone)
    return f"Patient and unit compared at the bedside {at} ({names}){_answer(content)}."


def _answer(content: Procedure) -> str:
    word = content.check_answer
    return f"; answer then: {word} ({_said(word)})" if word else ""


def _said(word: str) -> str:
    return _lowered(WORD_TEXT.get(word, word)).removesuffix(".")


def reading_text(reading: Reading, code: str) -> str:
    """The value of a reading for a table: with its unit, and whence it came."""
    said = measured(reading.value, code)
    if reading.room_air is not None:
        said += ", on room air" if reading.room_air else ", on added oxygen"
    return f"{said}, from a device" if reading.device else said


def _headed(word: str) -> str:
    return _capital(word.replace("-", " "))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _lowered(text: str) -> str:
    return text[:1].lower() + text[1:]
