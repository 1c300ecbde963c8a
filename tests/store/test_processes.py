"""Two processes write one database at once: every promise about order and uniqueness holds."""

import multiprocessing
from concurrent.futures import wait
from multiprocessing.synchronize import Barrier
from pathlib import Path

from service.errors import Stale
from service.store.port import Change
from service.store.sqlite import SqliteStore, open_store
from tests.support.stored import (
    FACILITY,
    PARTNER,
    START,
    UNIT,
    a_row,
    a_start,
    a_state,
    a_version,
    an_act,
    an_audit,
    commit,
    done,
    minute,
)

SPAWN = multiprocessing.get_context("spawn")
ROUNDS = 25
CASES = ("p1", "p2")


def both(work: object, path: Path) -> list[object]:
    """Runs a piece of work in two processes that start together."""
    with SPAWN.Manager() as manager, SPAWN.Pool(2) as pool:
        barrier = manager.Barrier(2)
        waiting = [pool.apply_async(work, (str(path), name, barrier)) for name in "ab"]  # type: ignore[arg-type]
        return [one.get(timeout=120) for one in waiting]


def adds(path: str, name: str, barrier: Barrier) -> int:
    """Reads a case, adds an act to it, and redoes what was stale; returns how often it was."""
    store = open_store(path)
    barrier.wait()
    stale = 0
    for number in range(ROUNDS):
        for person in CASES:
            while not _added(store, person, f"{name}-{number}-{person}"):
                stale += 1
    store.close()
    return stale


def _added(store: SqliteStore, person: str, key: str) -> bool:
    (state,) = store.states(FACILITY, [person])
    try:
        commit(store, people=(state,), acts=((person, an_act(key)),), audit=(an_audit(key),))
    except Stale:
        return False
    return True


def starts(path: str, name: str, barrier: Barrier) -> int:
    """Starts the same unit as the other process in each round, a little earlier or later."""
    store = open_store(path)
    for number in range(ROUNDS):
        at = minute(number % 3 if name == "a" else number % 2)
        start = a_start(f"Task/{name}{number}", id=name, at=at)
        barrier.wait()
        commit(store, starts=(start,), resources=(a_version(f"{name}{number}"),))
    store.close()
    return ROUNDS


def same_keys(path: str, name: str, barrier: Barrier) -> list[bool]:
    """Stores a resource with the same key as the other process; one of the two is refused."""
    store = open_store(path)
    kept = []
    for number in range(ROUNDS):
        version = a_version(f"{name}{number}", keys=(f"s|{number}",))
        barrier.wait()
        future = store.commit(Change(facility=FACILITY, resources=(version,)))
        wait([future])
        error = future.exception()
        assert error is None or isinstance(error, Stale)
        kept.append(error is None)
    store.close()
    return kept


def claims(path: str, name: str, barrier: Barrier) -> list[int]:
    """Claims streams until none is left; returns the ids of the rows it got."""
    store = open_store(path)
    barrier.wait()
    found: list[int] = []
    while True:
        got = done(store.claim_streams(PARTNER, START, limit=3, lease=minute(5)))
        if not got:
            store.close()
            return found
        found += [row.id for rows in got for row in rows]


class TestTwoProcesses:
    def test_lose_no_addition_to_a_case(self, tmp_path: Path) -> None:
        path = tmp_path / "events.sqlite3"
        store = open_store(path)
        commit(store, people=tuple(a_state(person) for person in CASES))
        both(adds, path)
        for state in store.states(FACILITY, CASES):
            assert state.seq == 1 + 2 * ROUNDS
            assert len(store.case(FACILITY, [state.person]).acts) == 2 * ROUNDS
        assert len(store.audited(FACILITY, limit=999)) == 4 * ROUNDS
        assert store.audit_fault(FACILITY) is None
        assert store.damage() is None
        store.close()

    def test_give_a_unit_to_the_earliest_start_and_keep_both(self, tmp_path: Path) -> None:
        path = tmp_path / "events.sqlite3"
        store = open_store(path)
        assert both(starts, path) == [ROUNDS, ROUNDS]
        case = store.case(FACILITY, ["p1"], units=[UNIT.text])
        assert len(case.elsewhere) == 2 * ROUNDS
        first = min(case.elsewhere, key=lambda start: (start.at, f"laboratory|{start.step}"))
        held = store.claim(FACILITY, UNIT.text)
        assert held is not None
        assert held.step == first.step
        store.close()

    def test_store_one_of_two_resources_with_the_same_key(self, tmp_path: Path) -> None:
        path = tmp_path / "events.sqlite3"
        one, other = both(same_keys, path)
        assert isinstance(one, list)
        assert isinstance(other, list)
        assert [a + b for a, b in zip(one, other, strict=True)] == [1] * ROUNDS

    def test_never_hold_one_stream_together(self, tmp_path: Path) -> None:
        path = tmp_path / "events.sqlite3"
        store = open_store(path)
        for number in range(60):
            commit(store, outbox=(a_row(f"k{number}", stream=f"s{number}"),))
        one, other = both(claims, path)
        assert isinstance(one, list)
        assert isinstance(other, list)
        assert sorted(one + other) == sorted(row.id for row in store.outbox(limit=99))
        store.close()
