"""Narratives: XHTML that any viewer shows and any printer prints, written from the content.

Every text is escaped. A narrative says more than the elements do (cautions, the content list of a
notice), so its status is ``additional``.
"""

from collections.abc import Iterable
from html import escape as _escape

from service.assessment.desired import Event, Issue, Procedure, Request
from service.fhir.write import wording
from service.fhir.write.common import Resource
from service.fhir.write.context import WriteContext
from service.fhir.write.ids import resource_id

_XHTML = "http://www.w3.org/1999/xhtml"
_ERROR = "Entered in error: this is withdrawn and must not be acted on."

Rows = Iterable[tuple[str, str]]


def procedure(content: Procedure, context: WriteContext) -> Resource:
    """The transfusion of one unit."""
    rows = [
        ("Patient", wording.name_of(content.patient)),
        ("Patient number", _number(content)),
        *wording.unit_rows(content.unit, context.zone),
        ("State", wording.STATUS_TEXT.get(content.status, content.status)),
        ("Reason", content.status_reason or ""),
        ("Route", "intravenous"),
        ("Start", wording.when(content.start, context.zone)),
        ("End", wording.when(content.end, context.zone)),
        ("Amount given", _amount(content)),
        ("Disposition", wording.disposition_text(content.disposition or "")),
        ("Complication", content.complication or ""),
        ("Orders", ", ".join(wording.name_of(order) for order in content.orders)),
        ("Issues", ", ".join(issue.value for issue in content.issue_numbers)),
        ("Place", wording.name_of(content.location)),
        ("Match of patient and unit", wording.match_text(content, context.zone) or "not recorded"),
        *((_ROLES.get(role, role), wording.name_of(who)) for role, who in content.performers),
    ]
    if content.disposition is None:
        rows = [row for row in rows if row[0] != "Disposition"]
    return _text(
        _heading(wording.route_text(content.unit)),
        _error(content.status),
        _table(rows),
        _cautions(wording.COMPATIBILITY, wording.LOCAL_POLICY),
        _origin(context),
    )


def issue(content: Issue, context: WriteContext) -> Resource:
    """What one or more rules found."""
    found = wording.gravest_first(content.findings)
    rows = [
        ("Patient", wording.name_of(content.patient)),
        *(wording.unit_rows(content.unit, context.zone) if content.unit else ()),
        ("Found", wording.when(content.at, context.zone)),
        ("Step", wording.name_of(content.step) if content.step else ""),
        *(("What was done", action) for action in content.mitigation),
        ("By", wording.name_of(content.mitigated_by) if content.mitigation else ""),
        ("When", wording.when(content.mitigated_at, context.zone) if content.mitigation else ""),
    ]
    return _text(
        _heading("Findings" if len(found) > 1 else "Finding"),
        _error(content.status),
        _list(
            f"{wording.word_of(f) or 'for information'}: {wording.finding_text(f)}" for f in found
        ),
        _table(rows),
        _cautions(wording.COMPATIBILITY, wording.VALUES, wording.LOCAL_POLICY),
        _origin(context),
    )


def event(content: Event, context: WriteContext) -> Resource:
    """A suspected reaction or a near miss, complete for somebody who has only this page."""
    rows = [
        ("Patient", wording.name_of(content.patient)),
        ("Patient number", _number(content)),
        ("Onset", wording.when(content.onset, context.zone)),
        ("Reported", wording.when(content.detected, context.zone)),
        ("State", wording.STATUS_TEXT.get(content.status, content.status)),
        ("Outcome", content.outcome or ""),
        ("Place", wording.name_of(content.location)),
        ("Recorded by", wording.name_of(content.recorder)),
    ]
    replaced = content.replaces
    return _text(
        _heading(content.title),
        _error(content.status),
        _strong("Telephone the laboratory now." if content.telephone_now else None),
        _strong("Another patient may be at risk." if content.another_patient else None),
        _paragraph(f"Replaces notice {resource_id(replaced, context)}." if replaced else None),
        _table(rows),
        _section(
            "Units", (wording.suspect_text(suspect, context.zone) for suspect in content.suspects)
        ),
        _table(content.lines),
        _section("Findings", map(wording.finding_text, content.findings)),
        _section(
            "Screening",
            [
                *map(wording.candidate_text, content.candidates),
                *map(wording.not_excluded_text, content.not_excluded),
            ],
        ),
        _cautions(
            wording.NOT_A_DIAGNOSIS,
            wording.ACT_ON_SUSPICION,
            wording.CANDIDATES,
            wording.LOCAL_POLICY,
        ),
        _origin(context),
    )


def request(content: Request, context: WriteContext) -> Resource:
    """Something asked of somebody."""
    rows = [
        ("Patient", wording.name_of(content.patient)),
        *(wording.unit_rows(content.unit, context.zone) if content.unit else ()),
        ("Due", wording.when(content.due, context.zone) if content.due else ""),
        ("Priority", content.priority),
        ("State", content.status),
        ("Reason", content.status_reason or ""),
        ("Place", wording.name_of(content.location)),
        *content.details,
    ]
    return _text(
        _heading(content.text),
        _error(content.status),
        _table(rows),
        _cautions(wording.NOT_A_DIAGNOSIS, wording.LOCAL_POLICY),
        _origin(context),
    )


_ROLES = {"PPRF": "Given by", "VRF": "Checked by"}


def _number(content: Procedure | Event) -> str:
    number = content.patient.identifier
    return number.value if number else "not recorded"


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


def _cautions(*sentences: str) -> str:
    return _paragraph(" ".join(sentences))


def _origin(context: WriteContext) -> str:
    return _paragraph(f"Written by the transfusion event service for {context.facility.name}.")
