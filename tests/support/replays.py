"""Replays in tests: a scenario played once per release, however many tests look at it."""

import asyncio
from functools import cache
from pathlib import Path

from service.replay.files import scenarios
from service.replay.play import replay
from service.replay.played import Played
from service.replay.scenario import load

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "fixtures"
FOLDERS = scenarios(FIXTURES)
NAMES = tuple(folder.name for folder in FOLDERS)


@cache
def played(name: str, release: str) -> Played:
    """A shipped scenario, played in a release."""
    return asyncio.run(replay(load(FIXTURES / name), release))
