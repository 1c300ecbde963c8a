"""Brings a database forward, step by step, and copies a running one."""

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

import apsw

from service.errors import StoreUnfit
from service.faults import reach

NAME = re.compile(r"(\d{4})_[a-z][a-z_]*\.sql")
PAGES = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Migration:
    """One script, applied once and never changed afterwards."""

    number: int
    name: str
    script: str

    @property
    def digest(self) -> str:
        """What was applied, so that a script changed afterwards is found out."""
        return sha256(self.script.encode()).hexdigest()


def migrations(folder: Traversable | None = None) -> tuple[Migration, ...]:
    """Every migration in order. Raises ValueError for a misnamed file or a gap in the numbers."""
    place = folder or files("service.store.sqlite").joinpath("migrations")
    names = sorted(file.name for file in place.iterdir() if file.name.endswith(".sql"))
    found = []
    for expected, name in enumerate(names, start=1):
        match = NAME.fullmatch(name)
        if match is None or int(match.group(1)) != expected:
            raise ValueError(f"{name}: migration {expected:04d}_words.sql was expected")
        script = place.joinpath(name).read_text(encoding="utf-8")
        found.append(Migration(number=expected, name=name, script=script))
    return tuple(found)


def migrate(path: str, writer: apsw.Connection, known: Sequence[Migration]) -> None:
    """Applies what is missing, all in one transaction; a database in use is copied first.

    Other processes wait meanwhile. Raises StoreUnfit for a database that newer software has
    written, or in which a migration was applied that has been changed since.
    """
    writer.execute("BEGIN IMMEDIATE")
    try:
        held = _held(writer)
        missing = _missing(held, known)
        if held and missing:
            _copy_first(path, missing[0])
        for migration in missing:
            writer.execute(migration.script)
            writer.execute(
                "INSERT INTO migration (number, name, digest) VALUES (?, ?, ?)",
                (migration.number, migration.name, migration.digest),
            )
            reach("migrate-before-end")
        writer.execute("COMMIT")
    except BaseException:
        if writer.in_transaction:
            writer.execute("ROLLBACK")
        raise


def _held(connection: apsw.Connection) -> list[tuple[int, str]]:
    """(number, digest) of what was applied."""
    tables = "SELECT count(*) FROM sqlite_schema WHERE name = 'migration'"
    if not connection.execute(tables).get:
        if connection.execute("SELECT count(*) FROM sqlite_schema").get:
            raise StoreUnfit("The file is a database of something else.")
        return []
    query = "SELECT number, digest FROM migration ORDER BY number"
    return [(number, digest) for number, digest in connection.execute(query)]


def _missing(held: list[tuple[int, str]], known: Sequence[Migration]) -> Sequence[Migration]:
    if len(held) > len(known):
        raise StoreUnfit(
            f"The database is of newer software: schema {len(held)}, known {len(known)}."
        )
    for (number, digest), migration in zip(held, known, strict=False):
        if (number, digest) != (migration.number, migration.digest):
            raise StoreUnfit(f"Migration {number} in the database is not {migration.name}.")
    return known[len(held) :]


def _copy_first(path: str, migration: Migration) -> None:
    """The writer holds the lock, so that the copy is of the state before the migration."""
    source = apsw.Connection(path, flags=apsw.SQLITE_OPEN_READONLY)
    back_up(source, f"{path}.before-{migration.number:04d}")
    source.close()


def back_up(connection: apsw.Connection, to: str) -> None:
    """A copy of a database in use, checked and synced before it takes its name.

    The copy is of the moment at which it began. Raises StoreUnfit for one that is damaged.
    """
    partial = Path(f"{to}.partial")
    partial.unlink(missing_ok=True)
    copy = apsw.Connection(str(partial))
    _copy_all(connection, copy)
    # One file to carry away: a copy with its own write-ahead log would be two.
    copy.execute("PRAGMA journal_mode = DELETE").fetchall()
    result = damage(copy)
    copy.close()
    if result is not None:
        raise StoreUnfit(f"The copy {partial} is damaged: {result}")
    with partial.open("rb") as file:
        os.fsync(file.fileno())
    partial.replace(to)


def _copy_all(connection: apsw.Connection, copy: apsw.Connection) -> None:
    """Holds one snapshot: without it, every write of another connection would start it afresh."""
    connection.execute("BEGIN")
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchall()
        with copy.backup("main", connection, "main") as backup:
            while not backup.done:
                backup.step(PAGES)
                reach("backup-between-steps")
    finally:
        connection.execute("COMMIT")


def damage(connection: apsw.Connection) -> str | None:
    """What is broken in a database file or between its tables, or None."""
    try:
        told = [str(row[0]) for row in connection.execute("PRAGMA integrity_check")]
        loose = connection.execute("PRAGMA foreign_key_check").fetchall()
    except apsw.CorruptError as error:
        return str(error)
    found = [text for text in told if text != "ok"]
    found += [f"{table} row {row} points at nothing in {parent}" for table, row, parent, _ in loose]
    return "; ".join(found) or None
