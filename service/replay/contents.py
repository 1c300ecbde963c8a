"""The few fields of emitted content that a scenario's expectation states."""

from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Any

from service.assessment.desired import (
    Content,
    Event,
    Issue,
    Observed,
    Procedure,
    Request,
    Volume,
)
from service.facts.finding import Candidate, Finding
from service.facts.identity import Staff
from service.facts.moment import Moment
from service.facts.quantity import UNIT_OF, Reading

FindingLine = Callable[[Finding], str]
When = Callable[[datetime], str]
Json = dict[str, Any]


def told(content: Content, finding_line: FindingLine, when: When) -> Json:
    """The status and the fields that matter, empty ones left out."""
    reads: dict[type, Callable[[Any, FindingLine, When], Json]] = {
        Procedure: _procedure,
        Volume: _volume,
        Issue: _issue,
        Event: _event,
        Request: _request,
        Observed: _observed,
    }
    made = {"status": content.status} | reads[type(content)](content, finding_line, when)
    return {name: value for name, value in made.items() if value not in (None, "", [], False)}


def _procedure(content: Procedure, finding_line: FindingLine, when: When) -> Json:
    return {
        "reason": content.status_reason,
        "start": _moment(content.start, when),
        "end": _moment(content.end, when),
        "performers": [f"{role} {_staff(who)}" for role, who in content.performers],
        "checked": _moment(content.checked_at, when),
        "check-answer": content.check_answer,
        "disposition": content.disposition,
        "complication": content.complication,
        "volume": _amount(content.volume, "mL"),
    }


def _volume(content: Volume, finding_line: FindingLine, when: When) -> Json:
    return {
        "volume": _amount(content.value, "mL"),
        "measured": content.measured,
        "taken": _moment(content.at, when),
    }


def _issue(content: Issue, finding_line: FindingLine, when: When) -> Json:
    return {
        "severity": content.severity,
        "findings": [finding_line(finding) for finding in content.findings],
        "mitigation": list(content.mitigation),
        "mitigated-by": _staff(content.mitigated_by),
        "mitigated-at": _moment(content.mitigated_at, when),
    }


def _event(content: Event, finding_line: FindingLine, when: When) -> Json:
    return {
        "actuality": content.actuality,
        "title": content.title,
        "onset": _moment(content.onset, when),
        "suspects": [suspect.unit.key.text for suspect in content.suspects],
        "candidates": [_candidate(candidate) for candidate in content.candidates],
        "not-excluded": list(content.not_excluded),
        "findings": [finding_line(finding) for finding in content.findings],
        "telephone-now": content.telephone_now,
        "another-patient": content.another_patient,
        "outcome": content.outcome,
        "says": [f"{label}: {text}" for label, text in content.lines],
    }


def _request(content: Request, finding_line: FindingLine, when: When) -> Json:
    return {
        "reason": content.status_reason,
        "task": content.code,
        "owner": content.owner,
        "priority": content.priority,
        "due": _moment(content.due, when),
        "details": [f"{label}: {text}" for label, text in content.details],
    }


def _observed(content: Observed, finding_line: FindingLine, when: When) -> Json:
    return {
        "label": content.label,
        "readings": [_reading(reading, content.at, when) for reading in content.readings],
        "signs": list(content.signs),
        "taken": _moment(content.at, when),
    }


def _moment(moment: Moment | None, when: When) -> str | None:
    if moment is None:
        return None
    return when(moment.instant) if moment.instant is not None else moment.text


def _staff(who: Staff | None) -> str | None:
    if who is None:
        return None
    return who.identifier.value if who.identifier else who.display


def _amount(value: Decimal | None, unit: str) -> str | None:
    return None if value is None else f"{value} {unit}"


def _candidate(candidate: Candidate) -> str:
    met = f": {', '.join(candidate.met)}" if candidate.met else ""
    return f"{candidate.category} {candidate.grade.value}{met}"


def _reading(reading: Reading, taken: Moment | None, when: When) -> str:
    """A reading with its own time, where the whole set has none."""
    text = f"{reading.vital.value} {reading.value} {UNIT_OF[reading.vital]}"
    return text if taken is not None else f"{text} at {_moment(reading.at, when)}"
