"""Rule 2: the same messages in any order, with any repeated, end in the same active desired set."""

import random
from collections.abc import Sequence

from service.assessment.desired import Issue
from service.reconcile.difference import decode
from service.store.port import Emitted
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
    """Keys that were active on the way and are not in the end stand in a terminal status."""

    def test_they_end(self, release: str) -> None:
        gone = [row for seed in range(ROUNDS) for row in withdrawn(seed, release)]
        assert gone
        for row in gone:
            content = decode(row.kind, row.content)
            over = {"final", "entered-in-error"} if isinstance(content, Issue) else OVER
            assert content.status in over, row.key

    def test_that_the_patients_facts_first_leave_none(self, release: str) -> None:
        """What is sent in the order in which it is done is never taken back."""
        with opened(at="2027-06-08T11:00:00+00:00") as house:
            for one in CLEAN:
                tell(house, one, release)
            house.until("2027-06-08T11:30:00+00:00")
            states = {row.state for row in house.emitted(token(WREN)).values()}
        assert states == {"active"}


OVER = {"completed", "cancelled", "entered-in-error"}


def withdrawn(seed: int, release: str) -> list[Emitted]:
    """The identities that a shuffled clean case leaves withdrawn."""
    sent = list(CLEAN)
    random.Random(seed).shuffle(sent)
    with opened(at="2027-06-08T11:00:00+00:00") as house:
        for one in sent:
            tell(house, one, release)
        house.until("2027-06-08T11:30:00+00:00")
        held = house.emitted(token(WREN)).values()
        return [row for row in held if row.state == "withdrawn"]
