"""Searches over current versions, newest first, page by page."""

import base64
import binascii
from collections.abc import Sequence
from typing import Any

from service.errors import BadInput, Problem
from service.fhir.search import SearchValue
from service.store.port import Term
from service.store.sqlite.codec import RESOURCE_COLUMNS, us

Clause = tuple[str, list[Any]]

# A value may mean any instant in [low, high]; FHIR R4 and R5 search, date prefixes.
DATES = {
    "eq": "v.low >= :low AND v.high <= :high",
    "ne": "NOT (v.low >= :low AND v.high <= :high)",
    "gt": "coalesce(v.high, 9e18) > :high",
    "lt": "coalesce(v.low, -9e18) < :low",
    "ge": "coalesce(v.high, 9e18) >= :low",
    "le": "coalesce(v.low, -9e18) <= :high",
    "sa": "v.low > :high",
    "eb": "v.high < :low",
}


def statement(
    facility: str, release: str, type_: str, terms: Sequence[Term], after: str | None
) -> tuple[str, str, list[Any], list[Any]]:
    """(page query, count query, page values, count values); the page query ends with LIMIT ?."""
    where = "r.facility = ? AND r.type = ? AND r.release = ? AND r.current = 1"
    values: list[Any] = [facility, type_, release]
    for term in terms:
        clause, more = _term(term)
        where += f" AND {clause}"
        values += more
    count = f"SELECT count(*) FROM resource r WHERE {where}"  # noqa: S608
    paged, place = where, list(values)
    if after is not None:
        at, id_ = cursor_of(after)
        paged += " AND (r.at, r.id) < (?, ?)"
        place += [at, id_]
    page = (
        f"SELECT {RESOURCE_COLUMNS} FROM resource r WHERE {paged} "  # noqa: S608
        "ORDER BY r.at DESC, r.id DESC LIMIT ?"
    )
    return page, count, place, values


def cursor(at: int, id_: str) -> str:
    """Where a page ended, opaque to callers."""
    return base64.urlsafe_b64encode(f"{at}|{id_}".encode()).decode().rstrip("=")


def cursor_of(text: str) -> tuple[int, str]:
    """The place a cursor means. Raises BadInput (400) for one that is not ours."""
    try:
        plain = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)).decode()
        at, bar, id_ = plain.partition("|")
        if bar:
            return int(at), id_
    except (ValueError, binascii.Error):
        pass
    raise BadInput(
        400, Problem(code="value", text="This page address is not one of ours.")
    )


def _term(term: Term) -> Clause:
    if term.param == "_id":
        ids = [value.value for value in term.alternatives]
        return f"r.id IN ({_marks(ids)})", ids
    if term.param == "_lastUpdated":
        return _updated(term)
    clauses: list[str] = []
    values: list[Any] = [term.param]
    for alternative in term.alternatives:
        clause, more = _alternative(term, alternative)
        clauses.append(f"({clause})")
        values += more
    inner = " OR ".join(clauses)
    return (
        "EXISTS (SELECT 1 FROM search_value v WHERE v.facility = r.facility AND v.type = r.type "
        f"AND v.id = r.id AND v.param = ? AND ({inner}))",  # noqa: S608
        values,
    )


def _alternative(term: Term, value: SearchValue) -> Clause:
    if term.kind == "date":
        return _date(value, term.prefix)
    return _token(value) if term.kind == "token" else _reference(value)


def _token(value: SearchValue) -> Clause:
    parts: list[str] = []
    values: list[Any] = []
    if value.system == "":
        parts.append("v.system IS NULL")
    elif value.system is not None:
        parts.append("v.system = ?")
        values.append(value.system)
    if value.value is not None:
        parts.append("v.value = ?")
        values.append(value.value)
    return " AND ".join(parts) or "1", values


def _reference(value: SearchValue) -> Clause:
    if value.extra is not None:
        return "v.system = ? AND v.extra = ?", [value.system, value.extra]
    return "v.value = ?", [value.value]


def _date(value: SearchValue, prefix: str) -> Clause:
    text = DATES[prefix]
    order = sorted((text.find(name), name) for name in (":low", ":high") if name in text)
    bounds = {":low": us(value.low), ":high": us(value.high)}
    for _, name in order:
        text = text.replace(name, "?")
    return text, [bounds[name] for _, name in order]


def _updated(term: Term) -> Clause:
    clause, values = _date(term.alternatives[0], term.prefix)
    return clause.replace("v.low", "r.at").replace("v.high", "r.at"), values


def _marks(values: Sequence[Any]) -> str:
    return ", ".join("?" for _ in values)
