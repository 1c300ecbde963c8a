"""Searches over current versions, newest first, page by page."""

import base64
import binascii
from collections.abc import Sequence
from typing import Any

from service.errors import BadInput, Problem
from service.fhir.search import SearchValue
from service.store.port import ResourceVersion, Term
from service.store.sqlite.codec import RESOURCE_COLUMNS, span, us

Clause = tuple[str, list[Any]]

# A stored value may mean any instant in [v.low, v.high], the parameter any in [low, high]; what a
# prefix asks of the two ranges is said under "Prefixes" in the search pages of R4 and R5.
WITHIN = "(v.low >= {low} AND v.high <= {high})"
DATES = {
    "eq": WITHIN,  # the parameter's range contains the value's
    "ne": f"NOT {WITHIN}",
    "gt": "v.high > {high}",  # the range above the parameter meets the value's
    "lt": "v.low < {low}",
    "ge": f"(v.high > {{high}} OR {WITHIN})",
    "le": f"(v.low < {{low}} OR {WITHIN})",
    "sa": "v.low > {high}",
    "eb": "v.high < {low}",
}


def statements(
    facility: str, release: str, type_: str, terms: Sequence[Term], after: str | None
) -> tuple[Clause, Clause]:
    """(page, total), each a query and its values; the page's query lacks the value of LIMIT.

    Raises BadInput (400) for a cursor that is not ours.
    """
    parts = ["r.facility = ? AND r.type = ? AND r.release = ? AND r.current = 1"]
    values: list[Any] = [facility, type_, release]
    narrow = any(_is_selective(term) for term in terms)
    for term in terms:
        clause, more = _term(facility, type_, term, listed=_is_selective(term) or not narrow)
        parts.append(clause)
        values += more
    where = " AND ".join(parts)
    place = list(cursor_of(after)) if after is not None else []
    paged = f"{where} AND (r.at, r.id) < (?, ?)" if place else where
    # Only our own clauses are put together; every value is bound.
    page = (
        f"SELECT {RESOURCE_COLUMNS} FROM resource r WHERE {paged} "  # noqa: S608
        "ORDER BY r.at DESC, r.id DESC LIMIT ?"
    )
    total = f"SELECT count(*) FROM resource r WHERE {where}"  # noqa: S608
    return (page, values + place), (total, values)


def cursor(last: ResourceVersion) -> str:
    """Where a page ended, opaque to callers."""
    return base64.urlsafe_b64encode(f"{us(last.at)}|{last.id}".encode()).decode().rstrip("=")


def cursor_of(text: str) -> tuple[int, str]:
    """The place a cursor means. Raises BadInput (400) for one that is not ours."""
    try:
        plain = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)).decode()
        at, bar, id_ = plain.partition("|")
        if bar and abs(int(at)) < 2**62:
            return int(at), id_
    except (ValueError, binascii.Error):
        pass
    raise BadInput(400, Problem(code="value", text="This page address is not one of ours."))


def _is_selective(term: Term) -> bool:
    """True for what few resources share: a patient, a number, an id."""
    return term.kind == "reference" or term.param in ("_id", "identifier")


def _term(facility: str, type_: str, term: Term, *, listed: bool) -> Clause:
    """One term: any of its alternatives. ``_id`` and ``_lastUpdated`` are columns, not values.

    listed: looked up first by its value; else looked at for each resource that others found.
    """
    if term.param == "_id":
        return _any([("r.id = ?", [value.value]) for value in term.alternatives])
    if term.param == "_lastUpdated":
        dates = [_date(term.prefix, value) for value in term.alternatives]
        return _any([(_on_column(clause), values) for clause, values in dates])
    clause, values = _any([_alternative(term, value) for value in term.alternatives])
    said = f"v.facility = ? AND v.type = ? AND v.param = ? AND {clause}"
    found = (
        f"r.id IN (SELECT v.id FROM search_value v WHERE {said})"  # noqa: S608
        if listed
        else f"EXISTS (SELECT 1 FROM search_value v WHERE v.id = r.id AND {said})"  # noqa: S608
    )
    return found, [facility, type_, term.param, *values]


def _any(clauses: Sequence[Clause]) -> Clause:
    joined = " OR ".join(clause for clause, _ in clauses) or "0"
    return f"({joined})", [value for _, values in clauses for value in values]


def _alternative(term: Term, value: SearchValue) -> Clause:
    if term.kind == "date":
        return _date(term.prefix, value)
    return _token(value) if term.kind == "token" else _reference(value)


def _token(value: SearchValue) -> Clause:
    """System None: any; system "": none. Value None: any of the system."""
    parts, values = ["v.value IS NOT NULL"], []
    if value.value is not None:
        parts, values = ["v.value = ?"], [value.value]
    if value.system is not None:
        parts.append("v.system IS NULLIF(?, '')")
        values.append(value.system)
    return f"({' AND '.join(parts)})", values


def _reference(value: SearchValue) -> Clause:
    """By ``Type/id``, or by the identifier of what is pointed at."""
    if value.extra is None:
        return "v.value = ?", [value.value]
    if value.system is None:
        return "v.extra = ?", [value.extra]
    return "(v.extra = ? AND v.system IS NULLIF(?, ''))", [value.extra, value.system]


def _date(prefix: str, value: SearchValue) -> Clause:
    low, high = span(value)
    clause, values = DATES[prefix], []
    while "{" in clause:
        start, end = clause.index("{"), clause.index("}")
        values.append(low if clause[start + 1 : end] == "low" else high)
        clause = f"{clause[:start]}?{clause[end + 1 :]}"
    return clause, values


def _on_column(clause: str) -> str:
    return clause.replace("v.low", "r.at").replace("v.high", "r.at")
