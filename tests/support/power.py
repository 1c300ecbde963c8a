"""A disk whose power can be cut: what was not synced is lost, kept or torn, as the seed says.

Run as ``python -m tests.support.power PATH FIRST COUNT`` with a plan as JSON in ``POWER``:
``cut``: the write at which the power goes; ``fail``: the sync that fails, as may every later one
(``for_ever``); ``seed``; ``synchronous``: the setting under test. See tests.support.committing for
what is committed and told.
"""

import json
import os
import random
import sys
import threading
from collections import defaultdict
from pathlib import Path
from typing import Any

import apsw

from service.faults import CRASHED
from service.store.sqlite import connection as settings
from tests.support import committing

VARIABLE = "POWER"
SCRATCH = "None"  # files without a name, which nobody reads after a loss of power
SECTOR = 512
CHECKPOINT = 40  # pages: often, so that the power goes in the middle of one too
Write = tuple[int, bytes, bytes, int]  # offset, what stood there, what was written, size before


class Disk(apsw.VFS):
    """The default file system of SQLite, with a memory of every write since the last sync."""

    def __init__(self, plan: dict[str, Any]) -> None:
        self.base = apsw.vfs_names()[0]
        super().__init__("disk", self.base, makedefault=True)
        self.plan = plan
        self.random = random.Random(plan.get("seed", 0))
        self.lock = threading.RLock()
        self.unsynced: dict[str, list[Write]] = defaultdict(list)
        self.writes = 0
        self.syncs = 0

    def xOpen(self, name: Any, flags: list[int]) -> "Platter":
        """Opens a file of the disk."""
        return Platter(self, name, flags)

    def xDelete(self, name: str, sync: bool) -> None:
        """A file that is gone has nothing to lose."""
        super().xDelete(name, sync)
        self.unsynced.pop(name, None)

    def wrote(self, name: str, write: Write) -> None:
        """Remembers a write; at the one of the plan the power goes."""
        with self.lock:
            if name != SCRATCH:
                self.unsynced[name].append(write)
            self.writes += 1
            if self.writes == self.plan.get("cut"):
                self.cut()

    def sync(self, name: str) -> None:
        """What was written before is on the disk now, or the disk fails."""
        with self.lock:
            self.syncs += 1
            fail = self.plan.get("fail")
            if fail == self.syncs or (self.plan.get("for_ever") and fail and self.syncs > fail):
                raise apsw.IOError("the disk did not sync")
            self.unsynced[name].clear()

    def cut(self) -> None:
        """Some of what was not synced is lost, some torn; then the process is gone."""
        for name, writes in self.unsynced.items():
            with Path(name).open("r+b") as file:
                for offset, before, _, size in reversed(writes):
                    file.seek(offset)
                    file.write(before)
                    file.truncate(size)
                for offset, _, after, _ in writes:
                    file.seek(offset)
                    file.write(after[: self.kept(len(after))])
        os._exit(CRASHED)

    def kept(self, length: int) -> int:
        """How much of an unsynced write is on the disk: all, nothing, or some sectors."""
        sectors = -(-length // SECTOR)
        return self.random.choice((0, 0, length, self.random.randint(0, sectors) * SECTOR))


class Platter(apsw.VFSFile):
    """One file."""

    def __init__(self, disk: Disk, name: Any, flags: list[int]) -> None:
        self.disk = disk
        self.name = name.filename() if isinstance(name, apsw.URIFilename) else str(name)
        super().__init__(disk.base, name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:
        """Writes, and remembers what stood there."""
        with self.disk.lock:
            size = self.xFileSize()
            there = max(0, min(len(data), size - offset))
            before = self.xRead(there, offset) if there else b""
            super().xWrite(data, offset)
            self.disk.wrote(self.name, (offset, before, bytes(data), size))

    def xSync(self, flags: int) -> None:
        """Syncs."""
        self.disk.sync(self.name)
        super().xSync(flags)


def main(path: str, first: str, count: str) -> None:
    """Commits on the disk of the plan."""
    plan = json.loads(os.environ[VARIABLE])
    settings.SETTINGS["synchronous"] = plan.get("synchronous", settings.SETTINGS["synchronous"])
    disk = Disk(plan)
    apsw.connection_hooks.append(lambda opened: opened.wal_autocheckpoint(CHECKPOINT))
    committing.commits(path, int(first), int(count))
    committing.tell(f"writes {disk.writes} syncs {disk.syncs}")


if __name__ == "__main__":
    main(*sys.argv[1:])
