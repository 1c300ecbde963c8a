"""Narratives: XHTML that any viewer shows and any printer prints, written from the content.

Every text is escaped. A narrative says more than the elements do (cautions, the content list of a
notice), so its status is ``additional``.
"""

from collections.abc import Iterable
from datetime import tzinfo
from html import escape as _escape

from service.assessment.desired import Event, Issue, Observed, Procedure, Request, Volume
from service.facts.quantity import UNIT_OF, Reading
from service.fhir.write import wording
from service.fhir.write.common import Resource
from service.fhir.write.context import WriteContext
from service.fhir.write.ids import resource_id
from service.fhir.write.times import when
from service.fhir.write.vocabulary import detail_text, items_text, spoken

_XHTML = "http://www.w3.org/1999/xhtml"
_TELEPHONE = "Telephone the laboratory now."
_ERROR = "Entered in error: this is withdrawn and must not be acted on."

Rows = Iterable[tuple[str, str]]


def procedure(content: Procedure, context: WriteContext) -> Resource:
    """The transfusion of one unit, or that it was not given."""
    zone, given = context.zone, content.status != "not-done"
    rows = [
        *wording.patient_rows(content.patient),
        *wording.unit_rows(content.unit, zone),
        ("State", wording.STATUS_TEXT.get(content.status, content.status)),
        ("Reason", content.status_reason or ""),
        *(_course(content, zone) if given or content.start or content.end else ()),
        ("Disposition", wording.disposition_text(content.disposition or "")),
        ("Complication", content.complication or ""),
        ("Orders", ", ".join(wording.name_of(order) for order in content.orders)),
        ("Issues", ", ".join(issue.value for issue in content.issue_numbers)),
        ("Place", wording.name_of(content.location)),
        ("Match of patient and unit", wording.match_text(content, zone) or "not recorded"),
        *((_ROLES.get(role, role), wording.name_of(who)) for role, who in content.performers),
    ]
    if content.disposition is None:
        rows = [row for row in rows if row[0] != "Disposition"]
    what = wording.component_text(content.unit)
    return _text(
        _heading(wording.route_text(content.unit) if given else f"Not transfused: {what}"),
        _error(content.status),
        _table(rows),
        _cautions(wording.CAUTION),
        _origin(context),
    )


def _course(content: Procedure, zone: tzinfo) -> list[tuple[str, str]]:
    return [
        ("Route", "intravenous"),
        ("Start", when(content.start, zone)),
        ("End", when(content.end, zone)),
        ("Amount given", _amount(content)),
    ]


def issue(content: Issue, context: WriteContext) -> Resource:
    """What one or more rules found."""
    zone = context.zone
    found = wording.gravest_first(content.findings)
    stages = dict.fromkeys(wording.STAGE_TEXT[finding.stage] for finding in found)
    rows = [
        *wording.patient_rows(content.patient),
        *(wording.unit_rows(content.unit, zone) if content.unit else ()),
        ("State", wording.STATUS_TEXT.get(content.status, content.status)),
        ("Found", when(content.at, zone)),
        ("Stage", ", ".join(stages)),
        ("Step", wording.name_of(content.step) if content.step else ""),
        *(("What was done", spoken(action, zone)) for action in content.mitigation),
        ("By", wording.name_of(content.mitigated_by) if content.mitigated_by else ""),
        ("When", when(content.mitigated_at, zone) if content.mitigated_at else ""),
    ]
    return _text(
        _heading(wording.heading_of(found[0]) if found else "Finding"),
        _error(content.status),
        _list(wording.finding_text(finding, zone) for finding in found),
        _table(rows),
        _cautions(wording.CAUTION, wording.VALUES, wording.SOURCES),
        _origin(context),
    )


def event(content: Event, context: WriteContext) -> Resource:
    """A suspected reaction or a near miss, complete for somebody who has only this page."""
    zone, replaced = context.zone, content.replaces
    return _text(
        _heading(content.title),
        _error(content.status),
        _strong(_TELEPHONE if content.telephone_now else None),
        _strong("Another patient may be at risk." if content.another_patient else None),
        _paragraph(f"Replaces notice {resource_id(replaced, context)}." if replaced else None),
        _table(_event_rows(content, zone)),
        _section("Units", (wording.suspect_text(suspect, zone) for suspect in content.suspects)),
        _table_under("For the laboratory", _event_lines(content, zone)),
        _section("Findings", (wording.finding_text(found, zone) for found in content.findings)),
        _section(
            "Screening",
            [
                *map(wording.candidate_text, content.candidates),
                *map(wording.not_excluded_text, content.not_excluded),
            ],
        ),
        _cautions(wording.CAUTION, wording.ACT_ON_SUSPICION, wording.CANDIDATES),
        _cautions(wording.SOURCES) if content.findings else "",
        _origin(context),
    )


def _event_rows(content: Event, zone: tzinfo) -> list[tuple[str, str]]:
    reaction = content.actuality == "actual"
    return [
        *wording.patient_rows(content.patient),
        ("Onset", when(content.onset, zone) if reaction or content.onset else ""),
        ("Reported", when(content.detected, zone)),
        ("State", wording.STATUS_TEXT.get(content.status, content.status)),
        ("Outcome", content.outcome or ""),
        ("Place", wording.name_of(content.location)),
        ("Recorded by", wording.name_of(content.recorder)),
    ]


def _event_lines(content: Event, zone: tzinfo) -> list[tuple[str, str]]:
    """The content list without what the page says elsewhere: findings, and the call itself."""
    said = {finding.text for finding in content.findings}
    said |= {_TELEPHONE} if content.telephone_now else set()
    return [detail_text(label, text, zone) for label, text in content.lines if text not in said]


def request(content: Request, context: WriteContext) -> Resource:
    """Something asked of somebody."""
    zone = context.zone
    rows = [
        ("Asked of", wording.OWNER_TEXT.get(content.owner, content.owner)),
        *wording.patient_rows(content.patient),
        *(wording.unit_rows(content.unit, zone) if content.unit else ()),
        ("Due", when(content.due, zone) if content.due else ""),
        ("Priority", wording.PRIORITY_TEXT.get(content.priority, content.priority)),
        ("State", wording.STATUS_TEXT.get(content.status, content.status)),
        ("Reason", content.status_reason or ""),
        ("Orders", ", ".join(wording.name_of(order) for order in content.orders)),
        ("Place", wording.name_of(content.location)),
        *(detail_text(label, text, zone) for label, text in content.details),
    ]
    return _text(
        _heading(content.text),
        _error(content.status),
        _table(_merged(rows)),
        _cautions(wording.CAUTION),
        _origin(context),
    )


def volume(content: Volume, context: WriteContext) -> Resource:
    """The amount given of one unit."""
    how = "measured" if content.measured else "calculated, not measured"
    rows = [
        *wording.patient_rows(content.patient),
        *wording.unit_rows(content.unit, context.zone),
        ("Amount given", f"{wording.amount(content.value)} ({how})"),
        ("At", when(content.at, context.zone)),
    ]
    return _text(
        _heading("Volume of blood component given"),
        _error(content.status),
        _table(rows),
        _origin(context),
    )


def observed(content: Observed, context: WriteContext) -> Resource:
    """Readings and signs that led to a notice."""
    zone = context.zone
    label = wording.LABEL_TEXT.get(content.label, content.label)
    times = {reading.at.text for reading in content.readings}
    one = content.readings[0].at if len(times) == 1 else content.at
    rows = [
        *wording.patient_rows(content.patient),
        *(wording.unit_rows(content.unit, zone) if content.unit else ()),
        ("At", when(one, zone) if len(times) < 2 else ""),
        *(_reading(reading, zone, dated=len(times) > 1) for reading in content.readings),
        ("Signs", items_text(content.signs)),
    ]
    return _text(
        _heading(f"Observations, {label}" if label else "Observations"),
        _error(content.status),
        _table(rows),
        _origin(context),
    )


def _reading(reading: Reading, zone: tzinfo, *, dated: bool) -> tuple[str, str]:
    said = wording.reading_text(reading, UNIT_OF[reading.vital])
    at = f", at {when(reading.at, zone)}" if dated else ""
    return wording.VITAL_TEXT[reading.vital], f"{said}{at}"


_ROLES = {"PPRF": "Given by", "VRF": "Checked by"}


def _merged(rows: Rows) -> Rows:
    """One row per label: a Task whose details speak of its state too says both in one place."""
    found: dict[str, list[str]] = {}
    for label, text in rows:
        if text.strip() and text not in found.setdefault(label, []):
            found[label].append(text)
    return [(label, "; ".join(texts)) for label, texts in found.items()]


def _amount(content: Procedure) -> str:
    if content.volume is None:
        return "not recorded"
    how = "measured" if content.volume_measured else "calculated, not measured"
    return f"{wording.amount(content.volume)} ({how})"


def escape(text: str) -> str:
    """A text as XHTML content."""
    return _escape(text, quote=False)


def _text(*parts: str) -> Resource:
    return {"status": "additional", "div": f'<div xmlns="{_XHTML}">{"".join(parts)}</div>'}


def _heading(text: str) -> str:
    return f"<h2>{escape(text)}</h2>" if text.strip() else ""


def _paragraph(text: str | None) -> str:
    return f"<p>{escape(text)}</p>" if text else ""


def _strong(text: str | None) -> str:
    return f"<p><b>{escape(text)}</b></p>" if text else ""


def _error(status: str) -> str:
    return _strong(_ERROR) if status == "entered-in-error" else ""


def _list(items: Iterable[str]) -> str:
    rows = "".join(f"<li>{escape(item)}</li>" for item in items if item.strip())
    return f"<ul>{rows}</ul>" if rows else ""


def _section(title: str, items: Iterable[str]) -> str:
    listed = _list(items)
    return f"<h3>{escape(title)}</h3>{listed}" if listed else ""


def _table(rows: Rows) -> str:
    shown = "".join(
        f"<tr><th>{escape(label)}</th><td>{escape(text)}</td></tr>"
        for label, text in rows
        if text.strip()
    )
    return f"<table><tbody>{shown}</tbody></table>" if shown else ""


def _table_under(title: str, rows: Rows) -> str:
    shown = _table(rows)
    return f"<h3>{escape(title)}</h3>{shown}" if shown else ""


def _cautions(*sentences: str) -> str:
    return _paragraph(" ".join(sentences))


def _origin(context: WriteContext) -> str:
    return _paragraph(f"Written by the transfusion event service for {context.facility.name}.")
