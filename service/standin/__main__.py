"""``python -m service.standin NAME``: one stand-in in a process of its own, until it is ended."""

import argparse
import asyncio
import sys
from pathlib import Path

from service.standin import serving, stand_in


def main() -> None:
    """Serves one stand-in on loopback and writes its base URL to standard output."""
    parser = argparse.ArgumentParser(prog="python -m service.standin", description=__doc__)
    parser.add_argument("name", help="what the stand-in calls itself")
    parser.add_argument("--release", choices=("R4", "R5"), default="R4")
    parser.add_argument("--port", type=int, default=0, help="0: any free port")
    parser.add_argument("--keep", type=Path, help="file that holds what was received, synced")
    asyncio.run(_serve(parser.parse_args()))


async def _serve(given: argparse.Namespace) -> None:
    partners = {given.name: stand_in(given.name, given.release, given.keep)}
    async with serving(partners, {given.name: given.port}) as urls:
        sys.stdout.write(f"{urls[given.name]}\n")
        sys.stdout.flush()
        await asyncio.Event().wait()


if __name__ == "__main__":
    main()
