"""Laws: whatever befalls the exchange, each version arrives once and in order, or is parked with a
reason; and nothing that was acknowledged is undone."""

import asyncio
import tempfile
from dataclasses import dataclass
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from service.standin import Trouble
from service.store.port import OutboxRow
from tests.support.partners import Bench, a_bench, a_row, edit, held_there

STREAMS = 3
KINDS = ("drop-before", "drop-after", "cut-off", "html", "error-200", "accepted", "none")
STATUSES = (400, 401, 403, 404, 405, 408, 409, 412, 413, 422, 429, 500, 501, 502, 503, 504, 599)

statuses = st.builds(
    Trouble,
    kind=st.just("status"),
    status=st.sampled_from(STATUSES),
    retry_after=st.sampled_from([None, "0", "17", "soon"]),
    outcome=st.booleans(),
)
troubles = statuses | st.builds(Trouble, kind=st.sampled_from(KINDS))
read_troubles = st.builds(
    Trouble, kind=st.just("status"), status=st.sampled_from([401, 429, 500, 503])
) | st.builds(Trouble, kind=st.sampled_from(["drop-before", "html", "none"]))


@dataclass(frozen=True)
class Step:
    """One commit of a unit, what befalls the next requests, and how long nothing else happens."""

    unit: int
    kinds: tuple[str, ...]
    critical: bool
    troubles: tuple[Trouble, ...]
    read_troubles: tuple[Trouble, ...]
    seconds: float
    by_hand: bool


steps = st.builds(
    Step,
    unit=st.integers(0, STREAMS - 1),
    kinds=st.sets(st.sampled_from(["a", "b", "c"]), min_size=1).map(lambda s: tuple(sorted(s))),
    critical=st.booleans(),
    troubles=st.lists(troubles, max_size=4).map(tuple),
    read_troubles=st.lists(read_troubles, max_size=2).map(tuple),
    seconds=st.sampled_from([0.0, 1.0, 3.0, 70.0, 400.0]),
    by_hand=st.booleans(),
)
stories = st.lists(steps, min_size=1, max_size=8)


class Counter:
    """Counts the versions of each identity."""

    def __init__(self) -> None:
        self.held: dict[str, int] = {}

    def rows(self, step: Step, number: int) -> list[OutboxRow]:
        """The rows of one commit."""
        found = []
        for kind in step.kinds:
            key = f"{kind}-{step.unit}"
            self.held[key] = self.held.get(key, 0) + 1
            found.append(
                a_row(
                    key,
                    f"unit-{step.unit}",
                    version=self.held[key],
                    critical=step.critical,
                    group=f"commit-{number}",
                )
            )
        return found


async def live(bench: Bench, story: list[Step], *, edits: bool = False) -> None:
    """Plays a story and then lets the partner be well until all is settled."""
    counter = Counter()
    for number, step in enumerate(story):
        bench.give(*counter.rows(step, number))
        bench.knobs.troubles.extend(step.troubles)
        bench.knobs.read_troubles.extend(step.read_troubles)
        await bench.worker.once()
        key = f"{step.kinds[0]}-{step.unit}"
        if edits and step.by_hand and bench.there(key):
            waiting = bench.knobs.troubles.copy(), bench.knobs.read_troubles.copy()
            bench.knobs.troubles.clear()
            bench.knobs.read_troubles.clear()
            await edit(bench, key, location={"display": "Larch"})
            bench.knobs.troubles.extend(waiting[0])
            bench.knobs.read_troubles.extend(waiting[1])
        bench.pass_time(step.seconds)
        await bench.worker.once()
    bench.knobs.troubles.clear()
    bench.knobs.read_troubles.clear()
    await bench.work(rounds=60, step=400)


def played(story: list[Step], judge: object, *, edits: bool = False) -> None:
    """Runs one story and the judge on its bench."""

    async def run() -> None:
        with tempfile.TemporaryDirectory() as folder:
            async with a_bench(Path(folder)) as bench:
                await live(bench, story, edits=edits)
                await judge(bench)  # type: ignore[operator]

    asyncio.run(run())


class TestOnceAndInOrder:
    """At least once, once in effect, in order per stream, at a partner with versions."""

    @settings(max_examples=80, deadline=None)
    @given(stories)
    def test_that_each_version_arrives_once_or_is_parked_with_a_reason(
        self, story: list[Step]
    ) -> None:
        async def judge(bench: Bench) -> None:
            parked_streams = {row.stream for row in bench.rows("parked")}
            for row in bench.rows():
                there = bench.there(row.key)
                text = f"{row.key} version {row.version}"
                if row.state == "delivered":
                    assert there.count(text) == 1
                elif row.state == "parked":
                    assert row.last_outcome
                elif row.state == "superseded":
                    assert there.count(text) <= 1
                else:
                    assert row.stream in parked_streams
                    assert not row.critical
                    assert there.count(text) == 0
            for key in {row.key for row in bench.rows()}:
                assert bench.there(key) == sorted(bench.there(key))

        played(story, judge)

    @settings(max_examples=40, deadline=None)
    @given(stories)
    def test_that_what_others_wrote_stays_and_the_newest_of_ours_is_there(
        self, story: list[Step]
    ) -> None:
        async def judge(bench: Bench) -> None:
            delivered = [row for row in bench.rows() if row.state == "delivered"]
            edited = {
                key
                for key in {row.key for row in bench.rows()}
                for version in bench.partner.history("Procedure", a_row(key).resource_id)
                if b"Larch" in version.body
            }
            for key in {row.key for row in delivered}:
                newest = max(row.version for row in delivered if row.key == key)
                held = await held_there(bench, key)
                tried = [r for r in bench.rows() if r.key == key and r.version > newest]
                allowed = {newest, *(row.version for row in tried if row.attempts)}
                assert int(held["note"][0]["text"].rpartition(" ")[2]) in allowed
                assert ("location" in held) == (key in edited)

        played(story, judge, edits=True)

    @settings(max_examples=40, deadline=None)
    @given(stories)
    def test_that_it_ends_the_same_without_transactions(self, story: list[Step]) -> None:
        async def judge(bench: Bench) -> None:
            for row in bench.rows():
                if row.state == "delivered":
                    assert bench.there(row.key).count(f"{row.key} version {row.version}") == 1
            for key in {row.key for row in bench.rows()}:
                assert bench.there(key) == sorted(bench.there(key))

        async def run() -> None:
            with tempfile.TemporaryDirectory() as folder:
                async with a_bench(Path(folder)) as bench:
                    bench.knobs.transactions = "absent"
                    await live(bench, story)
                    await judge(bench)

        asyncio.run(run())
