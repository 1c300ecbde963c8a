"""What a partner's answer means: the table ``mappings/delivery/answers.toml`` and its reader."""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any

from service.errors import PolicyFault
from service.policy.files import mappings

Resource = dict[str, Any]
OUTCOME = "OperationOutcome"
FAILED = frozenset({"error", "fatal"})
LONGEST_WORDS = 500
ACCEPTED = "accepted"
DOUBTED = "answered-error"
_ETAG = re.compile(r"[!#-~]{1,100}")


class Asked(StrEnum):
    """What was asked of the partner."""

    TRANSACTION = "transaction"
    PUT = "put"
    GET = "get"


class Error(StrEnum):
    """What went wrong on the way, when no whole answer came."""

    CONNECT = "connect"
    CERTIFICATE = "certificate"
    TIMEOUT = "timeout"
    RESET = "reset"
    TRUNCATED = "truncated"
    OVERSIZED = "oversized"


class Body(StrEnum):
    """What came back, measured by what was asked."""

    EXPECTED = "expected"
    RENAMED = "renamed"
    OUTCOME = "outcome"
    ERROR = "error"
    EMPTY = "empty"
    OTHER = "other"


class Act(StrEnum):
    """What to do about an answer; the table's head says what each word means."""

    RECORD = "record"
    LOOK = "look"
    DOUBT = "doubt"
    AGAIN = "again"
    PAUSE = "pause"
    NARROW = "narrow"
    HALVE = "halve"
    LOWER = "lower"
    REREAD = "reread"
    PARK = "park"
    COMPARE = "compare"
    SEND = "send"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What came back from one request: a whole answer (status), or what went wrong (error).

    content: the body as a JSON object, None when it is not one. has_body: False for no bytes.
    """

    status: int | None = None
    error: Error | None = None
    content: Resource | None = None
    has_body: bool = False
    etag: str | None = None
    location: str | None = None
    retry_after: str | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What was asked, as far as the answer is measured by it.

    type, id: of a single resource. entries: how many a transaction had.
    """

    asked: Asked
    type: str = "Bundle"
    id: str | None = None
    entries: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the table. An empty condition fits everything."""

    id: str
    name: str
    act: Act
    source: str
    on: frozenset[Asked]
    statuses: frozenset[int]
    not_statuses: frozenset[int]
    errors: frozenset[Error]
    bodies: frozenset[Body]
    issues: frozenset[str]
    words: re.Pattern[str] | None
    learn: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What an answer means. words: the partner's own, or what went wrong; at most 500."""

    row: Row
    answer: Answer
    words: str

    @property
    def act(self) -> Act:
        """What to do."""
        return self.row.act

    @property
    def name(self) -> str:
        """The class the attempt is recorded as."""
        return self.row.name

    @property
    def is_failure(self) -> bool:
        """True when it tells of the partner's health and not of what was sent."""
        return self.act in (Act.LOOK, Act.AGAIN, Act.PAUSE) and self.name != ACCEPTED


def classify(request: Request, answer: Answer, table: Iterable[Row] | None = None) -> Reading:
    """The first row that fits. The shipped table ends with one that fits everything."""
    body = body_of(request, answer)
    words = words_of(answer)
    for row in table if table is not None else shipped():
        if _fits(row, request, answer, body, words):
            return Reading(row=row, answer=answer, words=words)
    raise PolicyFault("the table of answers has no last row that fits everything")


def _fits(row: Row, request: Request, answer: Answer, body: Body, words: str) -> bool:
    if row.on and request.asked not in row.on:
        return False
    if row.errors:
        return answer.error in row.errors
    if answer.error is not None and (row.statuses or row.bodies):
        return False
    if row.statuses and answer.status not in row.statuses:
        return False
    if answer.status in row.not_statuses or (row.bodies and body not in row.bodies):
        return False
    if row.issues and not row.issues & {issue.get("code") for issue in issues_of(answer.content)}:
        return False
    return row.words is None or bool(row.words.search(words))


def body_of(request: Request, answer: Answer) -> Body:
    """What the answer's body is, measured by what was asked."""
    content = answer.content
    if not answer.has_body:
        return _located(request, answer, Body.EMPTY)
    if content is None:
        return Body.OTHER
    if content.get("resourceType") == OUTCOME:
        failed = any(issue.get("severity") in FAILED for issue in issues_of(content))
        return Body.ERROR if failed else _located(request, answer, Body.OUTCOME)
    if request.asked is Asked.TRANSACTION:
        return Body.EXPECTED if _answers_all(request, content) else Body.OTHER
    if content.get("resourceType") != request.type:
        return Body.OTHER
    if content.get("id") != request.id:
        return Body.RENAMED
    return _located(request, answer, Body.EXPECTED)


def _answers_all(request: Request, content: Resource) -> bool:
    entries = content.get("entry")
    return (
        content.get("resourceType") == "Bundle"
        and content.get("type") == "transaction-response"
        and isinstance(entries, list)
        and len(entries) == request.entries
        and all(isinstance(entry, dict) for entry in entries)
    )


def _located(request: Request, answer: Answer, body: Body) -> Body:
    """A Location that names another id says that the resource was stored under it."""
    if request.asked is not Asked.PUT or not answer.location:
        return body
    return body if _id_in(answer.location) == request.id else Body.RENAMED


def issues_of(content: Resource | None) -> list[Resource]:
    """The issues of an OperationOutcome; of anything else none."""
    if content is None or content.get("resourceType") != OUTCOME:
        return []
    issues = content.get("issue")
    return [one for one in issues if isinstance(one, dict)] if isinstance(issues, list) else []


def words_of(answer: Answer) -> str:
    """The partner's own words, else the status or what went wrong on the way."""
    said = [text for issue in issues_of(answer.content) for text in _texts(issue)]
    plain = answer.detail or (f"HTTP {answer.status}" if answer.status else str(answer.error))
    return ("; ".join(said) or plain)[:LONGEST_WORDS]


def _texts(issue: Resource) -> Iterable[str]:
    details = issue.get("details")
    text = details.get("text") if isinstance(details, dict) else None
    diagnostics = issue.get("diagnostics")
    if isinstance(text, str) and text:
        yield text
    if isinstance(diagnostics, str) and diagnostics and diagnostics != text:
        yield diagnostics
    if not text and not diagnostics and isinstance(issue.get("code"), str):
        yield str(issue["code"])


def entry_answer(entry: Resource) -> Answer:
    """One entry of a transaction-response, as the answer to a PUT would have been."""
    response = entry.get("response")
    said: Resource = response if isinstance(response, dict) else {}
    outcome, resource = said.get("outcome"), entry.get("resource")
    status = str(said.get("status", ""))[:3]
    content = outcome if isinstance(outcome, dict) else resource
    return Answer(
        status=int(status) if status.isdecimal() and len(status) == 3 else 0,
        content=content if isinstance(content, dict) else None,
        has_body=content is not None,
        etag=_text(said.get("etag")) or version_of(resource),
        location=_text(said.get("location")),
    )


def entry_answers(ids: Sequence[str], content: Resource | None) -> list[Answer]:
    """The answers to the entries with these ids. Entries in another order are matched by id."""
    entries = content["entry"] if content else []
    by_id = {_id_of(entry): entry for entry in entries}
    if by_id.keys() == set(ids) and len(by_id) == len(entries):
        entries = [by_id[id] for id in ids]
    return [entry_answer(entry) for entry in entries]


def _id_of(entry: Resource) -> str | None:
    resource, response = entry.get("resource"), entry.get("response")
    if isinstance(resource, dict) and resource.get("resourceType") != OUTCOME:
        return _text(resource.get("id"))
    location = _text(response.get("location")) if isinstance(response, dict) else None
    return _id_in(location) if location else None


def _id_in(location: str) -> str:
    return location.split("/_history/")[0].rstrip("/").rpartition("/")[2]


def version_of(resource: object) -> str | None:
    """``meta.versionId`` of a resource."""
    meta = resource.get("meta") if isinstance(resource, dict) else None
    return _text(meta.get("versionId")) if isinstance(meta, dict) else None


def etag_of(answer: Answer) -> str | None:
    """The ETag in the one form every server takes, ``W/"3"``, from wherever the version stands."""
    found = answer.etag or version_of(answer.content) or _version_in(answer.location)
    bare = found.strip().removeprefix("W/").strip('"') if found else ""
    return f'W/"{bare}"' if _ETAG.fullmatch(bare) else None


def _version_in(location: str | None) -> str | None:
    return location.partition("/_history/")[2] or None if location else None


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


@cache
def shipped() -> tuple[Row, ...]:
    """The table that ships with the service. Raises PolicyFault with every fault."""
    return load(mappings() / "delivery" / "answers.toml")


def load(path: Path) -> tuple[Row, ...]:
    """Reads a table. Raises PolicyFault with every fault."""
    found = tomllib.loads(path.read_text(encoding="utf-8")).get("answer", [])
    rows, faults = [], []
    for number, entry in enumerate(found, start=1):
        try:
            rows.append(_row(entry))
        except (KeyError, ValueError, TypeError, re.error) as fault:
            faults.append(f"{path.name} row {number} ({entry.get('id')}): {fault!r}")
    names = [row.id for row in rows]
    faults += [f"{path.name}: {name} stands twice" for name in sorted(_twice(names))]
    if faults:
        raise PolicyFault(*faults)
    return tuple(rows)


def _row(entry: Mapping[str, Any]) -> Row:
    unknown = set(entry) - _FIELDS
    if unknown:
        raise ValueError(f"unknown fields {sorted(unknown)}")
    return Row(
        id=entry["id"],
        name=entry["class"],
        act=Act(entry["act"]),
        source=entry["source"],
        on=frozenset(Asked(one) for one in entry.get("on", ())),
        statuses=_statuses(entry.get("status", ())),
        not_statuses=_statuses(entry.get("not_status", ())),
        errors=frozenset(Error(one) for one in entry.get("error", ())),
        bodies=frozenset(Body(one) for one in entry.get("body", ())),
        issues=frozenset(entry.get("issue", ())),
        words=re.compile(entry["words"]) if "words" in entry else None,
        learn=entry.get("learn"),
    )


_CONDITIONS = frozenset({"on", "status", "not_status", "error", "body", "issue", "words"})
_FIELDS = _CONDITIONS | {"id", "class", "act", "learn", "source"}


def _statuses(values: Iterable[int | str]) -> frozenset[int]:
    found: set[int] = set()
    for value in values:
        if isinstance(value, int):
            found.add(value)
        else:
            hundred = int(value.removesuffix("xx")) * 100
            found.update(range(hundred, hundred + 100))
    return frozenset(found)


def _twice(names: list[str]) -> set[str]:
    return {name for name in names if names.count(name) > 1}
