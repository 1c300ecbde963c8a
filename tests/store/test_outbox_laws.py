"""Laws of rows to send, over any order of commits, claims, answers, lapses and decisions."""

import tempfile
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from service.errors import Stale
from service.store.port import OutboxRow
from service.store.sqlite import SqliteStore, open_store
from tests.support.stored import PARTNER, START, a_row, an_attempt, commit, done

LEASE = timedelta(minutes=2)
OPEN = ("pending", "sent")
FINAL = ("superseded", "discarded")
KEYS = {"a": "u1", "b": "u1", "c": "u1", "x": "u2", "y": "u2"}  # identity -> stream
PICK = st.integers(min_value=0, max_value=99)


class Outbox(RuleBasedStateMachine):
    """Two workers and a person act on the rows of two streams; time passes now and then.

    hands: stream -> the claim that holds it: (number, until, ids of rows not yet given back).
    seen: id -> the state a row was last seen in.
    """

    @initialize()
    def open(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.store: SqliteStore = open_store(Path(self.folder.name) / "events.sqlite3")
        self.now: datetime = START
        self.versions: dict[str, int] = {}
        self.hands: dict[str, tuple[int, datetime, set[int]]] = {}
        self.held: list[OutboxRow] = []
        self.lost: list[OutboxRow] = []
        self.seen: dict[int, str] = {}

    def teardown(self) -> None:
        if hasattr(self, "store"):
            self.drain()
            self.store.close()
            self.folder.cleanup()

    def rows(self) -> dict[int, OutboxRow]:
        return {row.id: row for row in self.store.outbox(limit=999)}

    # -- what may happen

    @rule(key=st.sampled_from(sorted(KEYS)), critical=st.booleans(), retires=st.booleans())
    def commits(self, key: str, critical: bool, retires: bool) -> None:
        version = self.versions[key] = self.versions.get(key, 0) + 1
        row = a_row(key, version, stream=KEYS[key], critical=critical, retires=retires)
        commit(self.store, outbox=(replace(row, created=self.now),))

    @rule(limit=st.integers(min_value=1, max_value=3))
    def claims(self, limit: int) -> None:
        before = self.rows()
        lease = self.now + LEASE
        claimed = done(self.store.claim_streams(PARTNER, self.now, limit=limit, lease=lease))
        for given in claimed:
            self.check_given(before, list(given))
            stream = given[0].stream
            _, until, _ = self.hands.get(stream, (0, self.now, set()))
            assert until <= self.now, "two claims hold one stream"
            self.lost += [row for row in self.held if row.stream == stream]
            self.held = [row for row in self.held if row.stream != stream] + list(given)
            self.hands[stream] = (given[0].claim, lease, {row.id for row in given})

    def check_given(self, before: dict[int, OutboxRow], given: list[OutboxRow]) -> None:
        """In order, none left out before the last, and only what may go."""
        stream = given[0].stream
        ids = [row.id for row in given]
        assert ids == sorted(ids)
        now = self.rows()
        mine = [row for _, row in sorted(now.items()) if row.stream == stream]
        parked = any(row.state == "parked" for row in mine)
        may = [row for row in mine if row.state in OPEN and (row.critical or not parked)]
        assert ids == [row.id for row in may][: len(ids)], "a row was passed over"
        for row in given:
            assert row.next_at is None or row.next_at <= self.now
            assert before[row.id].state in OPEN
            newer = [o for o in may if o.key == row.key and o.version > row.version]
            untried = row.attempts == 0 and not row.unsettled and row.state == "pending"
            assert not (untried and any(o.state == "pending" for o in newer))

    @precondition(lambda self: self.held)
    @rule(pick=PICK, state=st.sampled_from(["delivered", "sent", "pending", "parked"]), wait=PICK)
    def answers(self, pick: int, state: str, wait: int) -> None:
        row = self.held.pop(pick % len(self.held))
        later = self.now + timedelta(seconds=wait) if state in OPEN else None
        changed = replace(row, state=state, attempts=row.attempts + 1, next_at=later)
        try:
            done(self.store.record(an_attempt([row], state), [changed]))
        except Stale:
            assert self.rows()[row.id].state in FINAL, "refused though the claim was not lost"
            return
        self.give_back(row)

    @precondition(lambda self: self.held)
    @rule(pick=PICK)
    def releases(self, pick: int) -> None:
        row = self.held.pop(pick % len(self.held))
        _, until, _ = self.hands[row.stream]
        done(self.store.release([row.id], until))
        self.give_back(row)

    def give_back(self, row: OutboxRow) -> None:
        number, until, ids = self.hands[row.stream]
        ids.discard(row.id)
        self.hands[row.stream] = (number, until if ids else self.now, ids)

    @precondition(lambda self: self.held)
    @rule()
    def dies(self) -> None:
        """A worker ends without a word; its claims lapse in time."""
        self.lost += self.held
        self.held = []

    @precondition(lambda self: self.lost)
    @rule(pick=PICK)
    def wakes_too_late(self, pick: int) -> None:
        row = self.lost[pick % len(self.lost)]
        number, _, _ = self.hands[row.stream]
        if number == row.claim:
            return
        before = self.rows()[row.id]
        try:
            done(self.store.record(an_attempt([row]), [replace(row, state="delivered")]))
        except Stale:
            pass
        else:
            raise AssertionError("a lost claim was written down")
        assert self.rows()[row.id] == before

    @rule(pick=PICK, state=st.sampled_from(["pending", "discarded"]))
    def a_person_decides(self, pick: int, state: str) -> None:
        parked = [row for row in self.rows().values() if row.state == "parked"]
        if parked:
            row = parked[pick % len(parked)]
            done(self.store.record(an_attempt([row], state), [replace(row, state=state)]))

    @rule(seconds=st.integers(min_value=1, max_value=200))
    def time_passes(self, seconds: int) -> None:
        self.now += timedelta(seconds=seconds)

    # -- what always holds

    @invariant()
    def what_is_final_stays(self) -> None:
        if not hasattr(self, "store"):
            return
        now = {id: row.state for id, row in self.rows().items()}
        assert now.keys() >= self.seen.keys(), "a row is gone"
        for id, state in self.seen.items():
            assert state not in FINAL or now[id] == state
            assert state != "delivered" or now[id] == "delivered"
        self.seen = now

    def drain(self) -> None:
        """When partners answer again and a person has decided, every row comes to an end."""
        for row in self.rows().values():
            if row.state == "parked":
                done(self.store.record(an_attempt([row]), [replace(row, state="pending")]))
        self.now += timedelta(hours=1)
        while True:
            lease = self.now + LEASE
            claimed = done(self.store.claim_streams(PARTNER, self.now, limit=1, lease=lease))
            if not claimed:
                break
            for row in claimed[0]:
                done(self.store.record(an_attempt([row]), [replace(row, state="delivered")]))
        left = [row for row in self.rows().values() if row.state in (*OPEN, "parked")]
        assert left == []
        self.check_newest()

    def check_newest(self) -> None:
        """The newest version of each identity reached the partner, unless it was taken back."""
        newest: dict[str, OutboxRow] = {}
        for row in self.rows().values():
            if row.key not in newest or row.version > newest[row.key].version:
                newest[row.key] = row
        for row in newest.values():
            assert row.state in ("delivered", "discarded") or row.retires


class TestOutbox(Outbox.TestCase):
    settings = settings(max_examples=40, stateful_step_count=40, deadline=None)
