"""What every store promises of rows to send: order, leases, overtaking, and what is final."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest

from service.errors import Stale, StoreError
from service.store.port import OutboxRow, Store
from tests.support.stored import (
    FACILITY,
    PARTNER,
    START,
    a_row,
    an_attempt,
    commit,
    done,
    minute,
)

LEASE = minute(5)
STATES = ("pending", "sent", "delivered", "superseded", "parked", "discarded")
MOVES = {
    "pending": {"sent", "delivered", "superseded", "parked", "discarded"},
    "sent": {"pending", "delivered", "superseded", "parked", "discarded"},
    "parked": {"pending", "sent", "delivered", "superseded", "discarded"},
    "delivered": {"pending"},
    "superseded": set(),
    "discarded": set(),
}


def send(store: Store, *rows: OutboxRow) -> None:
    commit(store, outbox=rows)


def claim(
    store: Store, now: datetime = START, limit: int = 9, lease: datetime = LEASE, **more: Any
) -> list[list[OutboxRow]]:
    partner = more.get("partner", PARTNER)
    claimed = done(store.claim_streams(partner, now, limit=limit, lease=lease))
    return [list(rows) for rows in claimed]


def told(claimed: Sequence[Sequence[OutboxRow]]) -> list[list[str]]:
    """What was claimed, in brief."""
    return [[f"{row.key}:{row.version}" for row in rows] for rows in claimed]


def record(store: Store, *rows: OutboxRow, state: str = "delivered", **parts: Any) -> None:
    changed = [replace(row, state=state, attempts=row.attempts + 1, **parts) for row in rows]
    done(store.record(an_attempt(rows, state), changed))


def states(store: Store) -> dict[str, str]:
    return {f"{row.key}:{row.version}": row.state for row in store.outbox()}


class Claiming:
    """A stream is held by one claim at a time; its rows go in the order of their commits."""

    def test_yields_streams_with_their_rows_in_the_order_of_commits(self, store: Store) -> None:
        """Not of ``created``: a clock that steps back must not turn rows round."""
        send(store, a_row("a", stream="u1"), a_row("x", stream="u2"))
        send(store, a_row("b", stream="u1", created=minute(-60)))
        assert told(claim(store)) == [["a:1", "b:1"], ["x:1"]]

    def test_yields_rows_as_they_were_stored(self, store: Store) -> None:
        row = a_row(critical=True, created=minute(1.5))
        send(store, row)
        ((got,),) = claim(store)
        assert got == replace(row, id=got.id, claim=got.claim, facility=FACILITY)
        assert got.id > 0
        assert got.claim > 0

    def test_takes_critical_streams_first_then_the_oldest(self, store: Store) -> None:
        send(store, a_row("a", stream="u1"), a_row("b", stream="u2"))
        send(store, a_row("c", stream="u3", critical=True), a_row("d", stream="u1"))
        assert told(claim(store, limit=2)) == [["c:1"], ["a:1", "d:1"]]
        assert told(claim(store)) == [["b:1"]]

    def test_holds_a_stream_until_the_lease_ends_new_rows_too(self, store: Store) -> None:
        send(store, a_row("a"))
        claim(store, lease=minute(5))
        send(store, a_row("b"))
        assert claim(store, now=minute(4.9)) == []
        assert told(claim(store, now=minute(5), lease=minute(9))) == [["a:1", "b:1"]]

    def test_sees_one_partner_only(self, store: Store) -> None:
        send(store, a_row("a", partner="record-system"))
        assert claim(store) == []
        assert told(claim(store, partner="record-system")) == [["a:1"]]

    def test_keeps_streams_of_two_facilities_apart(self, store: Store) -> None:
        send(store, a_row("a"))
        commit(store, facility="other-facility", outbox=(a_row("a"),))
        claimed = claim(store)
        assert told(claimed) == [["a:1"], ["a:1"]]
        assert {rows[0].facility for rows in claimed} == {FACILITY, "other-facility"}

    def test_passes_over_what_must_wait_and_finds_what_need_not(self, store: Store) -> None:
        """However many streams wait before it: the oldest do not starve the rest."""
        for number in range(5):
            send(store, a_row(f"w{number}", stream=f"w{number}"))
        for (row,) in claim(store):
            record(store, row, state="sent", next_at=minute(3))
        send(store, a_row("a", stream="u9"))
        assert told(claim(store, limit=1)) == [["a:1"]]
        assert len(claim(store, now=minute(3))) == 5

    def test_goes_up_to_the_first_row_that_must_wait(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b"), a_row("c"))
        ((first, second, third),) = claim(store)
        record(store, second, state="pending", next_at=minute(3))
        done(store.release([first.id, third.id], minute(5)))
        assert told(claim(store)) == [["a:1"]]

    def test_keeps_order_behind_a_row_that_must_wait(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b", critical=True))
        ((first, second),) = claim(store)
        record(store, first, state="sent", next_at=minute(3))
        done(store.release([second.id], minute(5)))
        assert claim(store, now=minute(2)) == []
        assert told(claim(store, now=minute(3))) == [["a:1", "b:1"]]


class GivingBack:
    """A claim ends when each of its rows was recorded or released, or when it lapses."""

    def test_frees_the_stream_with_the_last_row(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b"), a_row("c"))
        ((first, second, third),) = claim(store)
        record(store, first)
        assert claim(store) == []
        done(store.release([third.id], minute(5)))
        assert claim(store) == []
        record(store, second, state="parked")
        send(store, a_row("d", critical=True))
        assert told(claim(store)) == [["d:1"]]

    def test_changes_nothing_for_a_claim_that_was_lost(self, store: Store) -> None:
        send(store, a_row("a"))
        ((old,),) = claim(store, lease=minute(5))
        claim(store, now=minute(6), lease=minute(9))
        done(store.release([old.id], minute(5)))
        assert claim(store, now=minute(7)) == []

    def test_unsettles_a_row_whose_claim_lapsed_without_a_word(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b"))
        ((first, _),) = claim(store, lease=minute(5))
        record(store, first, state="pending", next_at=minute(1))
        ((a, b),) = claim(store, now=minute(6), lease=minute(8))
        assert (a.unsettled, b.unsettled) == (False, True)
        done(store.release([a.id, b.id], minute(8)))
        ((a, b),) = claim(store, now=minute(7), lease=minute(9))
        assert (a.unsettled, b.unsettled) == (False, True), "a release settles nothing"
        record(store, a, b, state="sent", next_at=minute(7))
        ((a, b),) = claim(store, now=minute(7), lease=minute(9))
        assert (a.unsettled, b.unsettled) == (False, False)

    def test_leaves_a_released_row_as_it_was(self, store: Store) -> None:
        send(store, a_row("a"))
        ((row,),) = claim(store)
        done(store.release([row.id], minute(5)))
        ((again,),) = claim(store)
        assert again == replace(row, claim=again.claim)


class Fencing:
    """Whoever lost a claim can no longer write down what came of it."""

    def test_refuses_a_record_of_a_claim_that_was_lost(self, store: Store) -> None:
        send(store, a_row("a"))
        ((old,),) = claim(store, lease=minute(5))
        ((new,),) = claim(store, now=minute(6), lease=minute(9))
        with pytest.raises(Stale):
            record(store, old, state="parked")
        assert store.attempts(old.id) == []
        record(store, new)
        assert states(store) == {"a:1": "delivered"}

    def test_takes_a_late_record_while_nobody_else_has_claimed(self, store: Store) -> None:
        send(store, a_row("a"))
        ((row,),) = claim(store, lease=minute(5))
        record(store, row)
        assert states(store) == {"a:1": "delivered"}

    def test_does_not_bind_a_person_who_only_looked_at_the_row(self, store: Store) -> None:
        send(store, a_row("a"))
        claim(store)
        row = store.outbox()[0]
        assert row.claim == 0
        record(store, row, state="discarded")
        assert states(store) == {"a:1": "discarded"}

    def test_keeps_what_a_person_decided_meanwhile(self, store: Store) -> None:
        send(store, a_row("a"))
        ((row,),) = claim(store)
        record(store, store.outbox()[0], state="discarded")
        with pytest.raises(Stale):
            record(store, row)
        assert states(store) == {"a:1": "discarded"}

    @pytest.mark.parametrize("new", STATES)
    @pytest.mark.parametrize("old", STATES)
    def test_allows_only_the_moves_that_make_sense(self, store: Store, old: str, new: str) -> None:
        send(store, a_row(state=old))
        (row,) = store.outbox()
        if new in MOVES[old] | {old}:
            record(store, row, state=new)
            assert states(store) == {"procedure/u1:1": new}
        else:
            with pytest.raises(Stale):
                record(store, row, state=new)
            assert states(store) == {"procedure/u1:1": old}

    def test_writes_all_rows_of_an_attempt_or_none(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b"))
        ((first, second),) = claim(store)
        record(store, store.outbox()[0], state="discarded")
        with pytest.raises(Stale):
            record(store, first, second)
        assert states(store) == {"a:1": "pending", "b:1": "discarded"}
        assert store.attempts(first.id) == []

    def test_refuses_a_row_or_a_state_that_does_not_exist(self, store: Store) -> None:
        send(store, a_row("a"))
        (row,) = store.outbox()
        with pytest.raises(StoreError):
            record(store, row, state="lost")
        with pytest.raises(StoreError):
            record(store, replace(row, id=row.id + 99))


class Parking:
    """Parking holds a stream, loudly; what is critical overtakes, flagged."""

    def test_holds_the_stream_for_routine_rows(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b"), a_row("x", stream="u2"))
        (first, second), _ = claim(store)
        record(store, first, state="parked")
        done(store.release([second.id], minute(5)))
        assert claim(store, now=minute(4)) == []
        assert states(store)["b:1"] == "pending"

    def test_lets_critical_rows_overtake_and_says_so(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b"), a_row("c", critical=True))
        ((first, *rest),) = claim(store)
        record(store, first, state="parked")
        done(store.release([row.id for row in rest], minute(5)))
        ((row,),) = claim(store)
        assert row.key == "c"
        assert row.flagged is not None
        record(store, row)
        assert claim(store) == []

    @pytest.mark.parametrize("decision", ["pending", "discarded", "delivered"])
    def test_ends_when_a_person_decides(self, store: Store, decision: str) -> None:
        send(store, a_row("a"), a_row("b"))
        ((first, second),) = claim(store)
        record(store, first, state="parked")
        done(store.release([second.id], minute(5)))
        record(store, store.outbox(states=["parked"])[0], state=decision)
        left = ["a:1", "b:1"] if decision == "pending" else ["b:1"]
        assert told(claim(store)) == [left]


class Superseding:
    """Only the newest of what was never tried goes out."""

    def test_drops_older_versions_that_were_never_tried(self, store: Store) -> None:
        for version in (1, 2, 3):
            send(store, a_row("a", version), a_row("b", version))
        assert told(claim(store)) == [["a:3", "b:3"]]
        assert states(store)["a:1"] == states(store)["b:2"] == "superseded"

    @pytest.mark.parametrize("state", ["sent", "pending", "parked"])
    def test_keeps_what_was_tried(self, store: Store, state: str) -> None:
        send(store, a_row("a"))
        ((row,),) = claim(store)
        record(store, row, state=state)
        send(store, a_row("a", 2, critical=True))
        rows = [] if state == "parked" else ["a:1"]
        assert told(claim(store)) == [[*rows, "a:2"]]

    def test_keeps_what_may_have_been_tried(self, store: Store) -> None:
        send(store, a_row("a"))
        claim(store, lease=minute(1))
        send(store, a_row("a", 2))
        assert told(claim(store, now=minute(2), lease=minute(3))) == [["a:1", "a:2"]]

    def test_is_of_one_identity_and_partner(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b", 2), a_row("a", partner="record-system"))
        send(store, a_row("a", 2))
        assert told(claim(store, partner="record-system")) == [["a:1"]]


class Retiring:
    """The end of what nobody was told is told to nobody; else it is sent like any version."""

    def test_sends_nothing_when_nothing_was_tried(self, store: Store) -> None:
        send(store, a_row("a"))
        send(store, a_row("a", 2, retires=True))
        assert states(store) == {"a:1": "superseded", "a:2": "superseded"}
        assert claim(store) == []

    @pytest.mark.parametrize("state", ["pending", "sent", "delivered", "parked"])
    def test_is_sent_when_anything_was_tried(self, store: Store, state: str) -> None:
        send(store, a_row("a"))
        ((row,),) = claim(store)
        record(store, row, state=state)
        send(store, a_row("a", 2, retires=True))
        assert states(store) == {"a:1": state, "a:2": "pending"}

    def test_is_sent_while_somebody_may_be_sending(self, store: Store) -> None:
        send(store, a_row("a"))
        claim(store)
        send(store, a_row("a", 2, retires=True))
        assert states(store)["a:2"] == "pending"

    def test_knows_partners_apart(self, store: Store) -> None:
        partners = ("blood-bank", "record-system")
        send(store, *(a_row("a", partner=partner) for partner in partners))
        ((row,),) = claim(store)
        record(store, row)
        send(store, *(a_row("a", 2, partner=partner, retires=True) for partner in partners))
        held = {row.partner: row.state for row in store.outbox() if row.version == 2}
        assert held == {"blood-bank": "pending", "record-system": "superseded"}


class Looking:
    """People and workers can see what was sent, when, and what came of it."""

    def test_lists_rows_newest_first_by_partner_and_state(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b", stream="u2"), a_row("c", partner="record-system"))
        (row,), _ = claim(store)
        record(store, row)
        assert [one.key for one in store.outbox()] == ["c", "b", "a"]
        assert [one.key for one in store.outbox(limit=1)] == ["c"]
        assert [one.key for one in store.outbox(partner=PARTNER)] == ["b", "a"]
        assert [one.key for one in store.outbox(states=["delivered", "parked"])] == ["a"]
        assert [one.key for one in store.outbox(partner=PARTNER, states=["pending"])] == ["b"]

    def test_keeps_every_attempt_with_its_rows_oldest_first(self, store: Store) -> None:
        send(store, a_row("a"), a_row("b"))
        ((a, b),) = claim(store)
        first = an_attempt((a, b), "timeout", at=minute(1), status=None, detail="no answer")
        tried = [replace(row, state="sent", next_at=minute(2)) for row in (a, b)]
        done(store.record(first, tried))
        second = an_attempt((a,), "delivered", at=minute(2))
        done(store.record(second, [replace(a, state="delivered", etag='W/"7"')]))
        assert store.attempts(a.id) == [first, second]
        assert store.attempts(b.id) == [first]
        held = store.outbox_row(a.id)
        assert held is not None
        assert (held.state, held.etag, held.next_at) == ("delivered", 'W/"7"', None)
        assert store.outbox_row(a.id + 99) is None

    def test_knows_the_newest_version_that_a_partner_holds(self, store: Store) -> None:
        for version in (1, 2, 3):
            send(store, a_row("a", version))
            ((row,),) = claim(store)
            record(store, row, state="delivered" if version < 3 else "parked")
        held = store.delivered(PARTNER, FACILITY, "a")
        assert held is not None
        assert held.version == 2
        assert store.delivered(PARTNER, FACILITY, "b") is None
        assert store.delivered("record-system", FACILITY, "a") is None

    def test_knows_the_identity_behind_an_id_that_was_sent(self, store: Store) -> None:
        send(store, a_row("a"))
        assert store.identity("id-of-a") == "a"
        assert store.identity("id-of-b") is None
