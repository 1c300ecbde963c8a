"""Laws of replaying: the same bytes every time, and the order of arrival does not matter."""

import asyncio
import json
import random
import re
from datetime import timedelta
from typing import Any

import pytest

from service.assessment.desired import Content
from service.reconcile.difference import encode
from service.replay.play import replay
from service.replay.scenario import Scenario, Send, load
from service.replay.stage import Stage, stage
from tests.support.replays import FIXTURES, NAMES, played

SEEDS = range(20)
LATER = timedelta(minutes=30)
RESOURCE = re.compile(r"\b([A-Z][A-Za-z]+)/([0-9a-f]{8}-[0-9a-f-]{27})\b")

# a clean routine, and an authorisation among the messages: no order of them raises a notice
QUIET = ("two-units-run-without-event", "unmet-requirement-is-authorised-by-name")
# whatever arrives first names the notice, or raises one that the rest takes back
NOTIFYING = (
    "wrong-band-is-refused-and-read-again",
    "fever-at-fifteen-minutes-is-notified-and-taken-up",
)


class TestByteIdentical:
    """Two replays of one scenario emit the same bytes."""

    @pytest.mark.parametrize("name", NAMES)
    def test_played_again_it_sends_the_same_bytes(self, name: str) -> None:
        first = played(name, "R4")
        again = asyncio.run(replay(load(FIXTURES / name), "R4"))
        assert len(first.sent) > 0
        assert again.sent == first.sent

    @pytest.mark.parametrize("name", NAMES)
    def test_both_releases_mean_the_same(self, name: str) -> None:
        """All content is equal, and not only the fields that an expectation states."""
        by_release = [
            [
                (e.partner, e.key, e.version, e.at, _neutral(e.content))
                for e in played(name, r).emissions
            ]
            for r in ("R4", "R5")
        ]
        assert by_release[0] == by_release[1]


def _neutral(content: Content) -> Any:
    """Content with an issue's R4 name replaced by its R5 one, lists of fact keys in one order."""
    text = encode(content).decode()
    return _sorted(json.loads(text.replace("Basic/", "BiologicallyDerivedProductDispense/")))


def _sorted(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _sorted(inner) for key, inner in value.items()}
    if isinstance(value, list):
        inner = [_sorted(one) for one in value]
        return sorted(inner) if all(isinstance(one, str) for one in inner) else inner
    return value


class TestOrderOfArrival:
    """The same facts, in any order and with any duplicates, end in the same active desired set."""

    @pytest.mark.parametrize("name", QUIET)
    def test_shuffled_and_doubled_messages_end_alike(self, name: str) -> None:
        self._end_alike(name, notices=True)

    @pytest.mark.parametrize("name", NOTIFYING)
    def test_all_but_the_notices_ends_alike(self, name: str) -> None:
        """A notice keeps the identity with which it was first raised, whatever came first."""
        self._end_alike(name, notices=False)

    def _end_alike(self, name: str, *, notices: bool) -> None:
        scenario = load(FIXTURES / name)
        straight = asyncio.run(_ends(scenario, "R5", _in_order(scenario), notices=notices))
        assert straight
        for seed in SEEDS:
            release = ("R4", "R5")[seed % 2]
            order = _shuffled(scenario, seed)
            found = asyncio.run(_ends(scenario, release, order, notices=notices))
            assert found == straight, (seed, [event.file for event in order])


def _in_order(scenario: Scenario) -> list[Send]:
    return [event for event in scenario.timeline if isinstance(event, Send)]


def _shuffled(scenario: Scenario, seed: int) -> list[Send]:
    """Every message at least once, some twice, in an order of the seed's."""
    chosen = random.Random(seed)
    messages = _in_order(scenario)
    messages += chosen.sample(messages, k=len(messages) // 3)
    chosen.shuffle(messages)
    return messages


async def _ends(
    scenario: Scenario, release: str, order: list[Send], *, notices: bool
) -> dict[str, Any]:
    """What is desired in the end when all messages arrive at once, in this order."""
    last = scenario.timeline[-1].at
    async with stage(scenario.settings, scenario.start) as on:
        await on.wait_until(last)
        for event in order:
            body = scenario.message(event.file, release)
            assert (await on.send(body, release, event.source)).status == 200
        await on.wait_until(last + LATER)
        return _desired(on, notices=notices)


def _desired(on: Stage, *, notices: bool) -> dict[str, Any]:
    """identity -> content of all that is desired, our ids replaced by the senders' numbers."""
    people = {(c.facility, state.person) for _, c in on.changes for state in c.people}
    found = {}
    for facility, person in people:
        for want in on.application.reconciler.look(facility, person)[1].desired:
            if notices or not want.stream.startswith("notice/"):
                content = encode(want.content).decode()
                found[want.key.text] = _sorted(
                    json.loads(RESOURCE.sub(_numbered(on, facility), content))
                )
    return found


def _numbered(on: Stage, facility: str) -> Any:
    def number(match: re.Match[str]) -> str:
        head = on.application.store.head(facility, match[1], match[2])
        kind = match[1].replace("Basic", "BiologicallyDerivedProductDispense")
        return match[0] if head is None else f"{kind} {head.keys[0]}"

    return number
