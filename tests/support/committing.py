"""A process that commits numbered changes and tells each one that was acknowledged.

Run as ``python -m tests.support.committing PATH FIRST COUNT``: one line ``ack N`` per change, said
only after its future is done, or ``refused N``. A change is of several tables, so that a torn one
shows.
``deliver`` in place of the numbers claims and records, one line ``sent ID`` per row.
"""

import sys
from dataclasses import replace
from datetime import timedelta

from service.errors import StoreError
from service.facts.records import LocationRecord
from service.store.port import Change, FactRow, Received
from service.store.sqlite import SqliteStore, open_store
from tests.support.stored import (
    FACILITY,
    PARTNER,
    START,
    a_fact,
    a_row,
    a_state,
    a_version,
    an_attempt,
    an_audit,
    done,
)


def a_change(number: int) -> Change:
    """A change whose parts are found again by its number."""
    name = f"{number:06}"
    key = f"Location/{name}"
    return Change(
        facility=FACILITY,
        people=(a_state(f"p{name}"),),
        received=Received(
            id=name, source="s", at=START, release="R4", interaction="create", body=b"{}"
        ),
        resources=(a_version(name, type="Location"),),
        facts=(FactRow(fact=a_fact(key, LocationRecord(name=name))),),
        outbox=tuple(a_row(name, stream=name, partner=p) for p in (PARTNER, "record-system")),
        audit=(an_audit(name),),
    )


def parts_of(store: SqliteStore, number: int) -> list[bool]:
    """Which parts of a change are there."""
    name = f"{number:06}"
    key = f"Location/{name}"
    rows = [row for row in store.outbox(limit=10**6) if row.key == name]
    audited = [row for _, row in store.audited(FACILITY, limit=10**6) if row.action == name]
    return [
        store.states(FACILITY, [f"p{name}"])[0].seq == 1,
        store.head(FACILITY, "Location", name) is not None,
        bool(store.case(FACILITY, ["nobody"], resources=[key]).facts),
        len(rows) == 2,
        len(audited) == 1,
    ]


def tell(line: str) -> None:
    """Says a line at once: what stays in a buffer was not said."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def commits(path: str, first: int, count: int) -> None:
    """Commits in pairs, so that groups form, and acknowledges each after its future."""
    store = open_store(path)
    for number in range(first, first + count, 2):
        futures = [(n, store.commit(a_change(n))) for n in (number, number + 1)]
        for n, future in futures:
            try:
                done(future)
            except StoreError:
                tell(f"refused {n}")
            else:
                tell(f"ack {n}")
    try:
        store.close()
    except StoreError:
        tell("closed badly")


def delivers(path: str) -> None:
    """Claims every stream and records its rows as delivered."""
    store = open_store(path)
    lease = START + timedelta(minutes=5)
    for rows in done(store.claim_streams(PARTNER, START, limit=10**6, lease=lease)):
        for row in rows:
            attempt = an_attempt([row])
            done(store.record(attempt, [replace(row, state="delivered", attempts=1)]))
            tell(f"sent {row.id}")
    store.close()


if __name__ == "__main__":
    path, *numbers = sys.argv[1:]
    if numbers == ["deliver"]:
        delivers(path)
    else:
        commits(path, *map(int, numbers))
