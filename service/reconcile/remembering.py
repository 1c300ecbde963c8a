"""Judgements between two requests: kept with their case, under the rules that made them."""

from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from hashlib import sha256
from importlib.resources import files
from importlib.resources.abc import Traversable
from zlib import compress, decompress

import msgspec

from service.assessment.memory import Memory
from service.facts.finding import Finding

ROOMS = ("facts", "policy", "rules", "assessment")

_ENCODER = msgspec.json.Encoder(decimal_format="number")
_DECODER = msgspec.json.Decoder(dict[str, tuple[Finding, ...]], float_hook=Decimal)


@cache
def edition() -> str:
    """Names the code that judges: another edition remembers nothing of this one."""
    found = sha256()
    for room in ROOMS:
        for source in _sources(files("service").joinpath(room)):
            found.update(source.read_bytes())
    return found.hexdigest()[:16]


def _sources(folder: Traversable) -> Iterator[Traversable]:
    named = sorted(folder.iterdir(), key=lambda one: one.name)
    return (one for one in named if one.name.endswith(".py"))


def recalled(kept: bytes | None) -> Memory:
    """The memory of a case, from what the store kept of it."""
    return Memory(edition(), _DECODER.decode(decompress(kept)) if kept is not None else None)


def to_keep(memory: Memory) -> bytes | None:
    """What the store should keep from now on; None where that is what it keeps already."""
    found = memory.to_keep()
    return None if found is None else compress(_ENCODER.encode(found))
