"""Replays in tests: a scenario played once per release, however many tests look at it."""

import asyncio
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from service.replay.files import scenarios
from service.replay.play import play
from service.replay.played import Played
from service.replay.scenario import load
from service.replay.stage import Answered, Stage, stage

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "fixtures"
FOLDERS = scenarios(FIXTURES)
NAMES = tuple(folder.name for folder in FOLDERS)


@dataclass(slots=True, kw_only=True)
class _Listening(Stage):
    """A stage that keeps what every sender was answered, with the release it was answered in."""

    answered: list[tuple[str, Answered]] = field(default_factory=list)

    async def send(self, body: bytes, release: str, source: str) -> Answered:
        found = await Stage.send(self, body, release, source)
        self.answered.append((release, found))
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A replay and the answers to its messages."""

    played: Played
    answered: tuple[tuple[str, Answered], ...]


@cache
def heard(name: str, release: str) -> Heard:
    """A shipped scenario, played in a release, with every answer."""
    return asyncio.run(_heard(name, release))


def played(name: str, release: str) -> Played:
    """A shipped scenario, played in a release."""
    return heard(name, release).played


async def _heard(name: str, release: str) -> Heard:
    scenario = load(FIXTURES / name)
    async with stage(scenario.settings, scenario.start) as on:
        listening = _Listening(
            application=on.application,
            clock=on.clock,
            door=on.door,
            partners=on.partners,
            changes=on.changes,
        )
        found = await play(scenario, release, listening)
    return Heard(played=found, answered=tuple(listening.answered))
