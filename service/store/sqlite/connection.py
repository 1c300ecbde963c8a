"""Connections that keep the promise, or a refusal to start."""

import time
from pathlib import Path

import apsw

from service.errors import StoreUnfit

# 3.51.3 mends a race of checkpoints that could corrupt a WAL database with several writers.
OLDEST = (3, 51, 3)
SETTINGS: dict[str, str | int] = {
    "journal_mode": "wal",
    "synchronous": 2,
    "foreign_keys": 1,
    "trusted_schema": 0,
    "cell_size_check": 1,
    "mmap_size": 0,
    "busy_timeout": 5000,
    "temp_store": 2,  # memory: what patients said does not lie about in temporary files
}
# WAL needs memory shared between processes; locks over a network are not to be trusted.
DISTANT = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "ceph", "fuse.sshfs"})
MOUNTS = Path("/proc/self/mounts")


def connect(path: str) -> apsw.Connection:
    """A connection with every setting made and read back. Raises StoreUnfit."""
    check_version(apsw.sqlite_lib_version())
    check_place(path)
    try:
        connection = apsw.Connection(path, statementcachesize=200)
        connection.set_busy_timeout(int(SETTINGS["busy_timeout"]))
        for name, wanted in SETTINGS.items():
            _set(connection, name, wanted)
    except apsw.Error as error:
        raise StoreUnfit(f"The database {path} cannot be opened: {error}") from error
    return connection


def reading(path: str) -> apsw.Connection:
    """A connection that cannot write and never checkpoints."""
    connection = connect(path)
    connection.wal_autocheckpoint(0)
    _set(connection, "query_only", 1)
    return connection


def _set(connection: apsw.Connection, name: str, wanted: str | int) -> None:
    _run(connection, f"PRAGMA {name} = {wanted}")
    found = connection.execute(f"PRAGMA {name}").get
    if found != wanted:
        raise StoreUnfit(f"The database answers {name} = {found}; {wanted} is needed.")


def _run(connection: apsw.Connection, pragma: str) -> None:
    """Runs a pragma, again while the file is busy.

    Two processes that make one file a WAL database at once could wait for each other, so SQLite
    tells one of them busy without waiting.
    """
    until = time.monotonic() + int(SETTINGS["busy_timeout"]) / 1000
    while True:
        try:
            connection.execute(pragma).fetchall()
            return
        except apsw.BusyError:
            if time.monotonic() > until:
                raise
            time.sleep(0.01)


def check_version(text: str) -> None:
    """Refuses an SQLite that is too old for several connections in WAL mode."""
    if tuple(int(part) for part in text.split(".")[:3]) < OLDEST:
        oldest = ".".join(str(part) for part in OLDEST)
        raise StoreUnfit(f"SQLite {text} is too old; {oldest} or later is needed.")


def check_place(path: str, mounts: Path = MOUNTS) -> None:
    """Refuses a file on a network file system. Where mounts cannot be listed nothing is known."""
    if not mounts.exists():
        return
    place = Path(path).resolve()
    held = [line.split(" ")[1:3] for line in mounts.read_text(encoding="utf-8").splitlines()]
    over = [(point, kind) for point, kind in held if place.is_relative_to(point)]
    kind = max(over, key=lambda pair: len(pair[0]), default=("", ""))[1]
    if kind in DISTANT:
        raise StoreUnfit(f"{path} lies on {kind}; the database needs a local disk.")
