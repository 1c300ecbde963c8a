"""Rule 2: the same messages in any order, with any repeated, end in the same active desired set."""

import random
from collections.abc import Sequence

from service.store.port import Emitted
from tests.support.apps import House
from tests.support.apps import house as opened
from tests.support.authoring.words import Both
from tests.support.worlds import (
    BAG,
    WREN,
    a_check,
    a_start,
    admission,
    an_end,
    baseline,
    supply,
    tell,
    token,
    vitals,
)

ROUNDS = 12
FEVER = f"notice/{BAG.sid}/"

CLEAN: tuple[tuple[Both, ...], ...] = (
    *((one,) for one in admission()),
    supply(),
    (baseline(),),
    (a_check(),),
    (a_start(),),
    (vitals(WREN, "10:20"),),
    (vitals(WREN, "11:05"),),
    (an_end(),),
)
FEVERISH = (*CLEAN[:-1], (vitals(WREN, "10:40", temperature=39.2),))


def lived(
    messages: Sequence[tuple[Both, ...]], release: str, seed: int | None
) -> dict[str, object]:
    """What is active after the messages, in their order or shuffled with some sent twice."""
    sent = list(messages)
    if seed is not None:
        chance = random.Random(seed)
        sent += chance.sample(sent, 3)
        chance.shuffle(sent)
    with opened(at="2027-06-08T11:00:00+00:00") as house:
        for one in sent:
            tell(house, one, release)
            if seed is not None and seed % 2:
                house.settle()
        house.until("2027-06-08T11:30:00+00:00")
        return dict(house.told(token(WREN)))


class TestAnyOrder:
    """One message at a time: patient last, start before its check, vitals before everything."""

    def test_a_clean_unit(self, release: str) -> None:
        plain = lived(CLEAN, release, None)
        for seed in range(ROUNDS):
            assert lived(CLEAN, release, seed) == plain, seed

    def test_a_unit_with_a_fever(self, release: str) -> None:
        """The notice is raised once, under the name of its unit."""
        plain = lived(FEVERISH, release, None)
        assert any(key.startswith(f"event/{BAG.sid}/1/") for key in plain)
        for seed in range(ROUNDS):
            assert lived(FEVERISH, release, seed) == plain, seed

    def test_that_the_release_makes_no_difference(self) -> None:
        assert lived(FEVERISH, "R4", None) == lived(FEVERISH, "R5", None)


class TestWithdrawnOnTheWay:
    """Keys that were active on the way and are not in the end are few, and end terminal."""

    def test_they_are_few(self, release: str) -> None:
        gone = 0
        for seed in range(ROUNDS):
            gone += withdrawn(seed, release)
        assert gone / ROUNDS < 6


def withdrawn(seed: int, release: str) -> int:
    chance = random.Random(seed)
    sent = list(CLEAN)
    chance.shuffle(sent)
    with opened(at="2027-06-08T11:00:00+00:00") as house:
        for one in sent:
            tell(house, one, release)
        house.until("2027-06-08T11:30:00+00:00")
        return sum(1 for row in _emitted(house) if row.state == "withdrawn")


def _emitted(house: House) -> list[Emitted]:
    return list(house.emitted(token(WREN)).values())
