"""One emitted resource, one message, one finding: in a few words for a line of a table."""

from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from service.assessment.desired import (
    Content,
    Event,
    Issue,
    Observed,
    Procedure,
    Request,
    Volume,
)
from service.facts.finding import Finding
from service.facts.quantity import UNIT_OF, Reading
from service.fhir.write import wording
from service.fhir.write.vocabulary import detail_text, donation_text, items_text, spoken
from service.replay.expectation import speaks
from service.replay.played import Emission, Given, Happened
from service.replay.scenario import Advance, Reply


def says(content: Content, zone: ZoneInfo, *, again: bool = False) -> str:
    """One emitted resource in a few words; again: what its findings say was told before."""
    if isinstance(content, Procedure):
        given = f", {content.volume} mL given" if content.volume is not None else ""
        confirmed = f", confirmed: {content.complication}" if content.complication else ""
        din = donation_text(content.unit.key.din)
        return f"unit {din} {content.status}{given}{confirmed}"
    if isinstance(content, Volume):
        return f"{content.value} mL given"
    if isinstance(content, Issue):
        tell = word_text if again else _sentence
        found = "; ".join(tell(finding, zone) for finding in content.findings)
        return f"{content.status}, {content.severity}: {found}"
    if isinstance(content, Event):
        return f"{content.status}: {content.title}"
    if isinstance(content, Request):
        pairs = (detail_text(label, text, zone) for label, text in content.details)
        details = "".join(f" {label}: {text}." for label, text in pairs).replace("..", ".")
        return f"{content.status}, {content.priority}: {content.text}{details}"
    return _observed(content)


def _observed(content: Observed) -> str:
    label = wording.LABEL_TEXT.get(content.label, content.label)
    readings = ", ".join(_reading(reading) for reading in content.readings)
    return f"{label}: {readings or items_text(content.signs)}"


def _reading(reading: Reading) -> str:
    name = wording.VITAL_TEXT[reading.vital].lower()
    return f"{name} {wording.measured(reading.value, UNIT_OF[reading.vital])}"


def word_text(finding: Finding, zone: ZoneInfo) -> str:
    """A finding by its rule and word alone."""
    return f"{finding.rule} {wording.word_of(finding) or 'for information'}"


def _sentence(finding: Finding, zone: ZoneInfo) -> str:
    return f"{word_text(finding, zone)}: {spoken(finding.text, zone)}"


def finding_text(finding: Finding, zone: ZoneInfo) -> str:
    """A finding by rule, word and sentence, with what it compares."""
    shown = wording.shown_text(finding, zone)
    text = _sentence(finding, zone)
    return f"{text} ({shown[:1].lower()}{shown[1:]})" if shown else text


def news(content: Content, before: Content | None, zone: ZoneInfo) -> str:
    """What a first version says; of a later version of a notice, what is new in it."""
    if isinstance(content, Event) and isinstance(before, Event):
        known = set(before.lines)
        fresh = [f"{label}: {text}" for label, text in content.lines if (label, text) not in known]
        if fresh and content.status == before.status:
            return spoken("; ".join(fresh), zone)
    return says(content, zone)


def joined(emissions: Sequence[Emission]) -> Iterable[tuple[Emission, tuple[str, ...]]]:
    """One emission for every partner that got the same version of the same thing."""
    found: dict[tuple[str, int], tuple[Emission, tuple[str, ...]]] = {}
    for emission in emissions:
        first, partners = found.get((emission.key, emission.version), (emission, ()))
        found[(emission.key, emission.version)] = (first, (*partners, emission.partner))
    return found.values()


def came_in(line: Happened) -> str:
    """One message: who sent it and what it brought."""
    event = line.event
    if isinstance(event, Reply):
        return f"{event.partner}: {event.task} {event.status}"
    if isinstance(event, Advance):
        return ""
    steps = ", ".join(given.step for given in line.given)
    kinds = [kind for kind in line.created if kind != "Task" or not steps]
    counted = [_counted(kind, kinds.count(kind)) for kind in dict.fromkeys(kinds)]
    corrected = ", ".join(f"{kind} corrected" for kind in line.corrected)
    refused = f"refused with {line.status}" if line.status and line.status >= 300 else ""
    again = f"{line.held} already held" if line.held else ""
    parts = [part for part in (steps, ", ".join(counted), corrected, refused, again) if part]
    return f"{event.source}: {'; '.join(parts) or event.file}"


def _counted(kind: str, count: int) -> str:
    return kind if count == 1 else f"{count} × {kind}"


def silent_rules(given: Given) -> list[Finding]:
    """What an answer lists as not checked."""
    return [finding for finding in given.findings if not speaks(finding)]
