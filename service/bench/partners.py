"""Two stand-ins in a process of their own, which bear witness to every byte they were given.

Usage: python -m service.bench.partners PORT RELEASE PORT RELEASE
Says ``ready``; for every line on standard input writes one line of JSON: name -> Type/id -> the
SHA-256 of each version's body, oldest first.
"""

import asyncio
import sys
from hashlib import sha256

import msgspec

from service.standin import StandIn, serving, stand_in

NAMES = ("first", "second")


async def witness(ports: dict[str, int], releases: dict[str, str]) -> None:
    """Serves until standard input ends."""
    partners = {name: stand_in(name, releases[name]) for name in ports}
    loop = asyncio.get_running_loop()
    async with serving(partners, ports):
        _say(b"ready")
        while await loop.run_in_executor(None, sys.stdin.readline):
            _say(msgspec.json.encode({name: _held(one) for name, one in partners.items()}))


def _held(partner: StandIn) -> dict[str, list[str]]:
    return {
        f"{kind}/{id_}": [
            sha256(version.body).hexdigest() for version in partner.history(kind, id_)
        ]
        for kind, id_ in partner.shelf.places()
    }


def _say(line: bytes) -> None:
    sys.stdout.buffer.write(line + b"\n")
    sys.stdout.flush()


if __name__ == "__main__":
    first, first_release, second, second_release = sys.argv[1:]
    asyncio.run(
        witness(
            dict(zip(NAMES, (int(first), int(second)), strict=True)),
            dict(zip(NAMES, (first_release, second_release), strict=True)),
        )
    )
