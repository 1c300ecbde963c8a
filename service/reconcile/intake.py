"""What a door hands in, and what it gets back."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from service.assessment.assess import Answer
from service.errors import Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """Whose credential a request carries.

    source: the name under which its facts are kept. bases: URL prefixes registered for it, under
    which its absolute references are aliases. actor: who is audited.
    """

    facility: str
    source: str
    actor: str
    bases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One resource to create or update; it has passed the structure check.

    method: POST or PUT. id: the id in the URL of an update. full_url: as in the bundle.
    if_none_exist: the raw query of a conditional create. if_match: a version, from If-Match.
    match: the raw query of a conditional update.
    """

    method: str
    type: str
    resource: dict[str, Any]
    id: str | None = None
    full_url: str | None = None
    if_none_exist: str | None = None
    if_match: int | None = None
    match: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """One request: all its entries are stored together or none is."""

    caller: Caller
    release: str
    interaction: str
    body: bytes
    entries: tuple[Entry, ...]


@dataclass(slots=True, kw_only=True)
class Outcome:
    """What became of one entry. status: 201 created, 200 updated or already there."""

    status: int
    type: str
    id: str
    version: int
    at: datetime
    body: bytes
    warnings: tuple[Problem, ...] = ()
    answer: Answer | None = None
    changed: bool = field(default=False)
