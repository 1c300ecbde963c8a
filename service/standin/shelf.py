"""What a stand-in holds: every version of every resource, in memory and, if asked, in a file."""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

Place = tuple[str, str]  # type, id

SCHEMA = """
PRAGMA journal_mode = DELETE;
PRAGMA synchronous = FULL;
CREATE TABLE IF NOT EXISTS version (
  seq INTEGER PRIMARY KEY, type TEXT NOT NULL, id TEXT NOT NULL, version INTEGER NOT NULL,
  at TEXT NOT NULL, body BLOB NOT NULL, UNIQUE (type, id, version)
) STRICT;
"""


class _Identifier(msgspec.Struct):
    system: str | None = None
    value: str | None = None


class _Tag(msgspec.Struct):
    system: str | None = None
    code: str | None = None


class _Meta(msgspec.Struct):
    tag: list[_Tag] = []


class Head(msgspec.Struct):
    """What the stand-in reads of a resource."""

    resourceType: str
    id: str | None = None
    identifier: list[_Identifier] | _Identifier | None = None
    meta: _Meta | None = None

    def tokens(self) -> set[tuple[str, str]]:
        """(parameter, system|value) pairs by which the resource is found."""
        held = self.identifier if isinstance(self.identifier, list) else [self.identifier]
        found = {("identifier", f"{i.system or ''}|{i.value or ''}") for i in held if i}
        tags = self.meta.tag if self.meta else []
        return found | {("_tag", f"{tag.system or ''}|{tag.code or ''}") for tag in tags}


HEAD = msgspec.json.Decoder(Head)


@dataclass(frozen=True, slots=True)
class Version:
    """One version as it was received."""

    number: int
    at: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Write:
    """One resource to store."""

    type: str
    id: str
    body: bytes
    head: Head


class Shelf:
    """Resources by place, each with all its versions, oldest first."""

    def __init__(self, keep: Path | None = None) -> None:
        self._held: dict[Place, list[Version]] = {}
        self._found: dict[tuple[str, str, str], dict[str, None]] = {}
        self._tokens: dict[Place, set[tuple[str, str]]] = {}
        self._file = _opened(keep) if keep else None
        if self._file is not None:
            self._load(self._file)

    def versions(self, type: str, id: str) -> Sequence[Version]:
        """All versions of a resource, oldest first; empty for one that was never stored."""
        return self._held.get((type, id), ())

    def latest(self, type: str, id: str) -> Version | None:
        """The current version."""
        held = self._held.get((type, id))
        return held[-1] if held else None

    def places(self) -> Iterable[Place]:
        """Every resource, in the order of its first version."""
        return self._held.keys()

    def find(self, type: str, parameter: str, token: str) -> list[str]:
        """Ids of resources whose current version carries a token."""
        return list(self._found.get((type, parameter, token), ()))

    def store(self, writes: Sequence[Write], at: str) -> list[int]:
        """Stores all of them, in one transaction of the file. Returns their version numbers."""
        numbers: list[int] = []
        for write in writes:
            numbers.append(self._add(write.type, write.id, at, write.body, write.head))
        if self._file is not None:
            rows = [
                (write.type, write.id, number, at, write.body)
                for write, number in zip(writes, numbers, strict=True)
            ]
            with self._file:
                self._file.executemany(
                    "INSERT INTO version (type, id, version, at, body) VALUES (?, ?, ?, ?, ?)", rows
                )
        return numbers

    def forget(self, type: str, id: str) -> None:
        """Loses a resource that was acknowledged; for as long as the process runs."""
        for parameter, token in self._tokens.pop((type, id), set()):
            del self._found[(type, parameter, token)][id]
        self._held.pop((type, id), None)

    def close(self) -> None:
        """Closes the file."""
        if self._file is not None:
            self._file.close()

    def _add(self, type: str, id: str, at: str, body: bytes, head: Head) -> int:
        place = (type, id)
        held = self._held.setdefault(place, [])
        held.append(Version(len(held) + 1, at, body))
        tokens = head.tokens()
        for parameter, token in self._tokens.get(place, set()) - tokens:
            del self._found[(type, parameter, token)][id]
        for parameter, token in tokens:
            self._found.setdefault((type, parameter, token), {})[id] = None
        self._tokens[place] = tokens
        return len(held)

    def _load(self, file: sqlite3.Connection) -> None:
        for type_, id_, at, body in file.execute(
            "SELECT type, id, at, body FROM version ORDER BY seq"
        ):
            self._add(type_, id_, at, body, HEAD.decode(body))


def _opened(keep: Path) -> sqlite3.Connection:
    file = sqlite3.connect(keep, check_same_thread=False)
    file.executescript(SCHEMA)
    return file
