"""Runs the two partner stand-ins in a process of their own until it is killed.

Usage: python standins.py FOLDER RECORD_SYSTEM_PORT BLOOD_BANK_PORT
Each keeps what it receives in a synced file, so that it can bear witness.
"""

import asyncio
import sys
from pathlib import Path

from service.standin import serving, stand_in


async def main(folder: Path, ports: dict[str, int]) -> None:
    partners = {
        "record-system": stand_in("record-system", "R4", folder / "record-system.sqlite3"),
        "blood-bank": stand_in("blood-bank", "R5", folder / "blood-bank.sqlite3"),
    }
    async with serving(partners, ports):
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        await asyncio.Event().wait()


if __name__ == "__main__":
    folder, first, second = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    asyncio.run(main(folder, {"record-system": first, "blood-bank": second}))
