"""Plays a stream of any length: what came of it is counted, and nothing is kept for long."""

from collections import Counter, OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from service.errors import ScenarioFault
from service.facts.acts import Answered as AnswerGiven
from service.replay.scenario import Arrival, Scenario
from service.replay.stage import Answered, Stage, stage
from service.store.port import Change

FORGET = timedelta(hours=48)  # a unit is sealed a day after its end
SHOWN = 20
Progress = Callable[[Arrival, int], None]
Place = tuple[str, str, str]  # partner, type, id


@dataclass(slots=True, kw_only=True)
class Streamed:
    """What came of a stream.

    resources: how many were stored. answers: (name of the message, word) -> how often. emitted:
    (partner, type) -> versions. refused: messages not taken, the first of them in ``faults``.
    """

    messages: int = 0
    resources: int = 0
    answers: Counter[tuple[str, str]] = field(default_factory=Counter)
    emitted: Counter[tuple[str, str]] = field(default_factory=Counter)
    refused: int = 0
    faults: list[str] = field(default_factory=list)

    def add(self, other: "Streamed") -> None:
        """Adds what came of another part of the stream."""
        self.messages += other.messages
        self.resources += other.resources
        self.refused += other.refused
        self.answers += other.answers
        self.emitted += other.emitted
        self.faults = [*self.faults, *other.faults][:SHOWN]


async def replay_stream(
    scenario: Scenario,
    release: str,
    progress: Progress | None = None,
    part: tuple[int, int] = (0, 1),
) -> Streamed:
    """Plays a stream in one release on a service of its own. Raises ScenarioFault.

    part: (n, of): only every of-th order, from the n-th on, so that several processes share it.
    """
    if release not in scenario.releases:
        raise ScenarioFault(f"{scenario.name} has no messages in {release}.")
    async with stage(scenario.settings, scenario.start) as on:
        return await play_on(scenario, release, on, progress, part)


async def play_on(
    scenario: Scenario,
    release: str,
    on: Stage,
    progress: Progress | None = None,
    part: tuple[int, int] = (0, 1),
) -> Streamed:
    """Plays a stream on a stage that is set up. Raises ScenarioFault."""
    found = Streamed()
    held = _Held(on)
    for arrival in scenario.arrivals(release):
        if arrival.order % part[1] != part[0]:
            continue
        await on.wait_until(arrival.at)
        answered = await on.send(arrival.body, release, arrival.source)
        found.messages += 1
        if answered.status >= 300:
            found.refused += 1
            _note(found, f"{arrival.at.isoformat()} {arrival.name}: {_objection(answered)}")
        before = found.resources
        for _, change in on.changes:
            _count(found, change, arrival.name)
            held.sent(arrival.at, change)
        on.changes.clear()
        held.forget(arrival.at)
        if progress is not None:
            progress(arrival, found.resources - before)
    return found


def _objection(answered: Answered) -> str:
    said = [str(one.get("diagnostics", "")) for one in answered.content.get("issue", ())]
    return f"HTTP {answered.status} {' '.join(said)}"


def _note(found: Streamed, fault: str) -> None:
    if len(found.faults) < SHOWN:
        found.faults.append(fault)


def _count(found: Streamed, change: Change, name: str) -> None:
    found.resources += len(change.resources)
    found.emitted.update((row.partner, row.type) for row in change.outbox)
    for _, act in change.acts:
        if isinstance(act.body, AnswerGiven):
            found.answers[(name, act.body.word)] += 1


class _Held:
    """What the stand-ins hold, so that it can be taken from them when no version can follow."""

    def __init__(self, on: Stage) -> None:
        self._on = on
        self._places: OrderedDict[Place, datetime] = OrderedDict()

    def sent(self, at: datetime, change: Change) -> None:
        """Marks what goes to a partner."""
        for row in change.outbox:
            place = (row.partner, row.type, row.resource_id)
            self._places[place] = at
            self._places.move_to_end(place)

    def forget(self, now: datetime) -> None:
        """Takes what was last written long ago."""
        while self._places:
            place, at = next(iter(self._places.items()))
            if at > now - FORGET:
                return
            del self._places[place]
            partner, kind, own_id = place
            self._on.partners[partner].shelf.forget(kind, own_id)
