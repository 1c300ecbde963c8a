"""Connections that keep the promise, or a refusal to start."""

import re
import shutil
from importlib.resources import files
from pathlib import Path

import apsw

from service.errors import StoreUnfit

# 3.51.3 mends a race of checkpoints that could corrupt a WAL database with several writers.
OLDEST = (3, 51, 3)
SETTINGS = {
    "journal_mode": "wal",
    "synchronous": 2,
    "foreign_keys": 1,
    "trusted_schema": 0,
    "cell_size_check": 1,
    "mmap_size": 0,
}
BUSY_MS = 5000
MIGRATION = re.compile(r"(\d{4})_[a-z_]+\.sql")


def connect(path: str) -> apsw.Connection:
    """A connection with every setting made and read back. Raises StoreUnfit."""
    check_version(apsw.sqlite_lib_version())
    connection = apsw.Connection(path)
    connection.set_busy_timeout(BUSY_MS)
    for name, wanted in SETTINGS.items():
        connection.execute(f"PRAGMA {name} = {wanted}").fetchall()
        found = connection.execute(f"PRAGMA {name}").get
        if found != wanted:
            raise StoreUnfit(f"The database answers {name} = {found}; {wanted} is needed.")
    return connection


def reading(path: str) -> apsw.Connection:
    """A connection that cannot write."""
    connection = connect(path)
    connection.execute("PRAGMA query_only = 1").fetchall()
    return connection


def check_version(text: str) -> None:
    """Refuses an SQLite that is too old for several connections in WAL mode."""
    if tuple(int(part) for part in text.split(".")[:3]) < OLDEST:
        oldest = ".".join(str(part) for part in OLDEST)
        raise StoreUnfit(f"SQLite {text} is too old; {oldest} or later is needed.")


def migrations() -> list[tuple[int, str]]:
    """(number, script) of every migration, in order."""
    found = []
    for file in files("service.store.sqlite").joinpath("migrations").iterdir():
        match = MIGRATION.fullmatch(file.name)
        if match:
            found.append((int(match.group(1)), file.read_text(encoding="utf-8")))
    return sorted(found)


def migrate(path: str, connection: apsw.Connection) -> None:
    """Brings a database forward, each step in one transaction; keeps a copy of an existing one."""
    scripts = migrations()
    newest = scripts[-1][0]
    held = int(connection.execute("PRAGMA user_version").get)
    if held > newest:
        raise StoreUnfit(f"The database is of a newer software (schema {held}, known {newest}).")
    if held == newest:
        return
    if held:
        back_up(connection, f"{path}.before-{newest:04d}")
    connection.execute("BEGIN EXCLUSIVE")
    try:
        held = int(connection.execute("PRAGMA user_version").get)
        for number, script in scripts:
            if number > held:
                connection.execute(script)
        connection.execute(f"PRAGMA user_version = {newest}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def back_up(connection: apsw.Connection, to: str) -> None:
    """An online copy of the database, checked before it counts."""
    partial = f"{to}.partial"
    Path(partial).unlink(missing_ok=True)
    copy = apsw.Connection(partial)
    with copy.backup("main", connection, "main") as backup:
        while not backup.done:
            backup.step(1000)
    result = copy.execute("PRAGMA integrity_check").get
    copy.close()
    if result != "ok":
        raise StoreUnfit(f"The copy {partial} is damaged: {result}")
    shutil.move(partial, to)
