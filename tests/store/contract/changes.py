"""What every store promises of a change: whole or not at all, and only when nothing moved on."""

import threading
from collections.abc import Callable
from concurrent.futures import wait
from dataclasses import replace
from typing import Any

import pytest

from service.errors import Stale, StoreError
from service.facts.records import LocationRecord
from service.store.port import Change, FactRow, Received, Store
from tests.support.stored import (
    ELSEWHERE,
    FACILITY,
    LAB,
    START,
    UNIT,
    a_fact,
    a_row,
    a_start,
    a_state,
    a_version,
    an_act,
    an_audit,
    an_emission,
    commit,
    done,
    minute,
    of,
    token,
)

FIRST: dict[str, Any] = {
    "people": (a_state(),),
    "touched_units": (UNIT.text,),
    "resources": (a_version(),),
    "facts": (of("1", "Patient/1"),),
    "subjects": (("Patient/1", "p1"),),
    "acts": (("p1", an_act()),),
    "emitted": (an_emission(),),
    "outbox": (a_row(),),
    "starts": (a_start("Task/1"),),
    "urls": (("record-system", "https://records.example/Patient/9", "Patient", None),),
    "audit": (an_audit(),),
}

STALE: dict[str, dict[str, Any]] = {
    "a case that moved on": {"people": (a_state("p1", 0),)},
    "a case that was read too far": {"people": (a_state("p1", 2),)},
    "a unit that moved on": {"expect_units": ((UNIT.text, 0),)},
    "a resource that moved on": {"expect_heads": (("Observation", "v1", 0),)},
    "a resource that is not there": {"expect_heads": (("Observation", "v2", 1),)},
    "a version that exists": {"resources": (a_version(),)},
    "a key that is another resource's": {"resources": (a_version("v2", keys=a_version().keys),)},
    "a fact's version that exists": {"facts": (of("1", "Patient/1"),)},
    "an act that exists": {"acts": (("p2", an_act()),)},
    "an emission at the version held": {"emitted": (an_emission(digest="other"),)},
    "an emission in another case": {"emitted": (an_emission(version=2, person="p2"),)},
    "a row to send that exists": {"outbox": (a_row(),)},
}


class Changes:
    """A write is one change, committed whole or not at all."""

    def test_what_was_committed_is_read_by_any_thread_once_the_future_is_done(
        self, store: Store
    ) -> None:
        commit(store, **FIRST)
        seen: list[object] = []
        reader = threading.Thread(target=lambda: seen.append(store.head(*HEAD)))
        reader.start()
        reader.join()
        assert seen == [store.head(*HEAD)] != [None]

    @pytest.mark.parametrize("parts", STALE.values(), ids=STALE)
    def test_is_stale_when_the_same_is_there_or_moved_on(
        self, store: Store, parts: dict[str, Any]
    ) -> None:
        commit(store, **FIRST)
        with pytest.raises(Stale):
            commit(store, **parts)

    @pytest.mark.parametrize("parts", STALE.values(), ids=STALE)
    def test_writes_nothing_at_all_when_it_is_stale(
        self, store: Store, parts: dict[str, Any]
    ) -> None:
        """Everything else in the change would have been written before what is stale."""
        commit(store, **FIRST)
        rest = {
            "people": (a_state("p9"),),
            "touched_units": ("u9",),
            "resources": (a_version("v9"),),
            "subjects": (("Patient/9", "p9"),),
            "nudges": (("p9", "why"),),
            "audit": (an_audit("more"),),
        }
        change = Change(facility=FACILITY, **{**rest, **parts})
        with pytest.raises(Stale):
            done(store.commit(change))
        assert store.head(FACILITY, "Observation", "v9") is None
        assert store.people(FACILITY, ["Patient/9"]) == {}
        assert store.states(FACILITY, ["p9"]) == (a_state("p9"),)
        assert not store.nudged(9)
        assert [row.action for _, row in store.audited(FACILITY)] == ["create"]

    def test_redone_from_what_is_there_now_is_no_longer_stale(self, store: Store) -> None:
        commit(store, **FIRST)
        commit(
            store,
            people=(a_state("p1", 1),),
            expect_units=((UNIT.text, 1),),
            expect_heads=(("Observation", "v1", 1), ("Observation", "v2", 0)),
            resources=(a_version(version=2), a_version("v2")),
            emitted=(an_emission(version=2),),
        )
        assert store.states(FACILITY, ["p1"])[0].seq == 2

    def test_that_cannot_be_written_at_all_is_an_error_that_no_redoing_helps(
        self, store: Store
    ) -> None:
        with pytest.raises(StoreError) as caught:
            commit(store, outbox=(a_row(state="lost"),))
        assert not isinstance(caught.value, Stale)

    def test_of_one_facility_is_not_seen_by_another(self, store: Store) -> None:
        commit(store, **FIRST)
        commit(store, **{**FIRST, "facility": ELSEWHERE})
        assert store.states(ELSEWHERE, ["p1"])[0].seq == 1
        commit(store, facility=ELSEWHERE, people=(a_state("p1", 1),))
        assert store.states(FACILITY, ["p1"])[0].seq == 1
        other = "third-facility"
        assert store.head(other, "Observation", "v1") is None
        assert store.people(other, ["Patient/1"]) == {}
        assert store.people_of_unit(other, UNIT.text) == frozenset()
        assert store.case(other, ["p1"]).facts == ()
        assert store.claim(other, UNIT.text) is None
        assert store.act(other, an_act().key) is None
        assert store.emission(other, an_emission().key) is None
        assert store.audited(other) == []
        assert store.url(other, "record-system", "https://records.example/Patient/9") is None

    def test_of_many_callers_at_once_is_kept_or_refused_by_the_sequence_read(
        self, store: Store
    ) -> None:
        """Each caller adds one to the case it has just read; none of the additions is lost."""
        commit(store, people=(a_state(),))

        def add(number: int) -> None:
            while True:
                (state,) = store.states(FACILITY, ["p1"])
                try:
                    commit(store, people=(state,), acts=(("p1", an_act(f"a{number}")),))
                    return
                except Stale:
                    continue

        threads = [threading.Thread(target=add, args=(number,)) for number in range(12)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert store.states(FACILITY, ["p1"])[0].seq == 13
        assert len(store.case(FACILITY, ["p1"]).acts) == 12

    def test_that_is_stale_does_not_hurt_those_beside_it(self, store: Store) -> None:
        futures = [
            store.commit(
                Change(
                    facility=FACILITY,
                    people=(a_state(f"q{number}", seq=number % 2),),
                    resources=(a_version(f"o{number}"),),
                )
            )
            for number in range(40)
        ]
        wait(futures, timeout=30)
        kept = [number for number, one in enumerate(futures) if one.exception() is None]
        assert kept == list(range(0, 40, 2))
        there = [n for n in range(40) if store.head(FACILITY, "Observation", f"o{n}")]
        assert there == kept

    def test_received_twice_under_one_id_is_stale(self, store: Store) -> None:
        got = Received(
            id="r1", source="s", at=START, release="R4", interaction="create", body=b"\x00{"
        )
        commit(store, received=got)
        with pytest.raises(Stale):
            commit(store, received=got)


HEAD = (FACILITY, "Observation", "v1")


class Resources:
    """Resources: every version is kept; the newest is current."""

    def test_come_back_as_they_were_stored_but_for_search_values(self, store: Store) -> None:
        told = a_version(
            received="r1",
            stamp=minute(-3.5),
            retracted=True,
            keys=(f"{LAB}|1", "content:abc"),
            values=(token("status", "final"),),
        )
        commit(store, resources=(told,))
        held = store.head(*HEAD)
        assert held == replace(told, values=())

    def test_have_the_newest_version_as_head_whatever_its_release(self, store: Store) -> None:
        commit(store, resources=(a_version(),))
        commit(store, resources=(a_version(version=2, release="R5"),))
        head = store.head(*HEAD)
        assert head is not None
        assert (head.version, head.release) == (2, "R5")
        assert [one.version for one in store.versions(*HEAD)] == [2, 1]
        first = store.version(*HEAD, 1)
        assert first is not None
        assert first.body == a_version().body
        assert store.version(*HEAD, 3) is None

    def test_are_found_by_any_of_their_keys_within_source_and_type(self, store: Store) -> None:
        commit(store, resources=(a_version(keys=("s|1", "s|2")), a_version("v2", keys=("s|3",))))
        ask = (FACILITY, "record-system", "Observation")
        assert store.keyed(*ask, ["s|2", "s|1"]) == ("v1",)
        assert store.keyed(*ask, ["s|3", "s|1", "s|9"]) == ("v1", "v2")
        assert store.keyed(*ask, []) == ()
        assert store.keyed(FACILITY, "blood-bank", "Observation", ["s|1"]) == ()
        assert store.keyed(FACILITY, "record-system", "Task", ["s|1"]) == ()

    def test_of_two_sources_may_bear_one_identifier(self, store: Store) -> None:
        commit(store, resources=(a_version(keys=("s|1",)),))
        commit(store, resources=(a_version("v2", keys=("s|1",), source="blood-bank"),))
        assert store.identified(FACILITY, "Observation", "s", "1") == ("v1", "v2")
        assert store.identified(FACILITY, "Observation", "s", "2") == ()

    def test_keep_a_key_that_a_later_version_no_longer_sends(self, store: Store) -> None:
        commit(store, resources=(a_version(keys=("s|1",)),))
        commit(store, resources=(a_version(version=2, keys=("s|2",)),))
        ask = (FACILITY, "record-system", "Observation")
        assert store.keyed(*ask, ["s|1"]) == store.keyed(*ask, ["s|2"]) == ("v1",)

    def test_behind_a_url_are_waiting_until_known_and_never_waiting_again(
        self, store: Store
    ) -> None:
        url = "https://records.example/Patient/9"
        for id, meant in ((None, None), ("p9", "p9"), (None, "p9")):
            commit(store, urls=(("record-system", url, "Patient", id),))
            assert store.url(FACILITY, "record-system", url) == ("Patient", meant)
        assert store.url(FACILITY, "blood-bank", url) is None


class People:
    """Cases, who they are, and when they wake."""

    def test_start_at_zero_and_gain_one_with_each_change(self, store: Store) -> None:
        assert store.states(FACILITY, ["p1", "p2"]) == (a_state("p1"), a_state("p2"))
        commit(store, people=(a_state("p1"),))
        assert [s.seq for s in store.states(FACILITY, ["p2", "p1"])] == [0, 1]

    def test_never_go_back_in_time(self, store: Store) -> None:
        """Design: as_of per case is a high-water mark."""
        marks = (minute(5), minute(3), None, minute(9))
        for seq, (as_of, held) in enumerate(zip(marks, (5, 5, 5, 9), strict=True)):
            commit(store, people=(a_state(seq=seq, as_of=as_of),))
            assert store.states(FACILITY, ["p1"])[0].as_of == minute(held)

    def test_are_due_at_their_next_wake_the_earliest_first(self, store: Store) -> None:
        wakes = {"p1": minute(3), "p2": minute(1), "p3": None, "p4": minute(7)}
        commit(store, people=tuple(a_state(p, next_wake=wake) for p, wake in wakes.items()))
        assert store.next_due() == minute(1)
        assert store.due(minute(3), 9) == [(FACILITY, "p2"), (FACILITY, "p1")]
        assert store.due(minute(3), 1) == [(FACILITY, "p2")]
        assert store.due(minute(0), 9) == []
        commit(store, people=(a_state("p2", 1), a_state("p1", 1), a_state("p4", 1)))
        assert store.next_due() is None
        assert store.due(minute(99), 9) == []

    def test_are_nudged_until_somebody_answers(self, store: Store) -> None:
        commit(store, nudges=(("p2", "unit changed"), ("p1", "again")))
        nudges = store.nudged(9)
        assert [nudge[1:] for nudge in nudges] == [
            (FACILITY, "p2", "unit changed"),
            (FACILITY, "p1", "again"),
        ]
        assert store.nudged(1) == nudges[:1]
        commit(store, nudges_done=(nudges[0][0],))
        assert store.nudged(9) == nudges[1:]

    def test_who_are_joined_bring_their_tokens_acts_emissions_starts_and_nudges(
        self, store: Store
    ) -> None:
        commit(
            store,
            people=(a_state("p1"), a_state("p2", next_wake=minute(5))),
            facts=(of("1", "Patient/1"), of("2", "Patient/2")),
            subjects=(("Patient/1", "p1"), ("Patient/2", "p2")),
            acts=(("p2", an_act()),),
            emitted=(an_emission(person="p2"),),
            starts=(a_start("Task/2", id="2"),),
            nudges=(("p2", "before"),),
        )
        commit(
            store,
            people=(a_state("p1", 1), a_state("p2", 1)),
            merged=(("p2", "p1"),),
            acts=(("p2", an_act("later")),),
            emitted=(an_emission(version=2, person="p2"),),
            nudges=(("p2", "after"),),
        )
        case = store.case(FACILITY, ["p1"])
        assert case.tokens == {"Patient/1", "Patient/2"}
        assert {fact.key for fact in case.facts} == {"Patient/1", "Patient/2"}
        assert [act.key for act in case.acts] == [an_act().key, "later"]
        assert [(one.person, one.version) for one in case.emitted] == [("p1", 2)]
        held = store.claim(FACILITY, UNIT.text)
        assert held is not None
        assert held.person == "p1"
        assert [nudge[2:] for nudge in store.nudged(9)] == [("p1", "before"), ("p1", "after")]

    def test_who_were_joined_to_another_never_wake_and_are_stale_for_earlier_readers(
        self, store: Store
    ) -> None:
        commit(store, people=(a_state("p1"), a_state("p2", next_wake=minute(5))))
        commit(store, people=(a_state("p1", 1),), merged=(("p2", "p1"),))
        assert store.next_due() is None
        with pytest.raises(Stale):
            commit(store, people=(a_state("p2", 1),))

    def test_who_are_joined_twice_pass_nudges_on_to_the_last(self, store: Store) -> None:
        commit(store, people=(a_state("p1"), a_state("p2"), a_state("p3")))
        commit(store, merged=(("p3", "p2"),))
        commit(store, merged=(("p2", "p1"),), nudges=(("p3", "late"),))
        assert [nudge[2] for nudge in store.nudged(9)] == ["p1"]

    def test_who_are_split_take_their_tokens_along(self, store: Store) -> None:
        commit(store, subjects=(("Patient/1", "p1"), ("Patient/2", "p1")))
        commit(store, subjects=(("Patient/2", "p2"),))
        tokens = ["Patient/1", "Patient/2", "Patient/3"]
        assert store.people(FACILITY, tokens) == {"Patient/1": "p1", "Patient/2": "p2"}


class Audit:
    """Audit rows are in order, and none can be changed or taken away unseen."""

    def test_is_read_in_order_page_by_page(self, store: Store) -> None:
        rows = tuple(an_audit(f"action-{n}", subject="s", detail=b'{"n":1}') for n in range(5))
        commit(store, audit=rows)
        first = store.audited(FACILITY, limit=3)
        rest = store.audited(FACILITY, limit=3, after=first[-1][0])
        assert [row for _, row in (*first, *rest)] == list(rows)

    def test_holds_as_long_as_nothing_touched_it(self, store: Store) -> None:
        assert store.audit_fault(FACILITY) is None
        for number in range(3):
            commit(store, audit=(an_audit(f"a{number}"), an_audit("b", detail=b"\xff")))
            commit(store, facility=ELSEWHERE, audit=(an_audit("there"),))
        assert store.audit_fault(FACILITY) is None
        assert store.audit_fault(ELSEWHERE) is None


class Learned:
    """What was learned about a partner."""

    def test_is_kept_replaced_and_forgotten(self, store: Store) -> None:
        done(store.learn("blood-bank", "limit", "10"))
        done(store.learn("blood-bank", "release", "R4"))
        done(store.learn("blood-bank", "limit", "5"))
        assert store.learned("blood-bank") == {"limit": "5", "release": "R4"}
        done(store.learn("blood-bank", "limit", None))
        assert store.learned("blood-bank") == {"release": "R4"}
        assert store.learned("record-system") == {}

    def test_first_stays_where_the_first_counts(self, store: Store) -> None:
        done(store.learn_first("blood-bank", "namespace", "one"))
        done(store.learn_first("blood-bank", "namespace", "two"))
        assert store.learned("blood-bank") == {"namespace": "one"}


class Closing:
    """Closing finishes what is queued."""

    def test_keeps_everything_that_was_queued(
        self, store: Store, again: Callable[[], Store]
    ) -> None:
        names = [f"Location/{number}" for number in range(200)]
        rows = [FactRow(fact=a_fact(name, LocationRecord(name=name))) for name in names]
        futures = [store.commit(Change(facility=FACILITY, facts=(row,))) for row in rows]
        store.close()
        assert [future.result(timeout=0) for future in futures] == [None] * 200
        kept = again().case(FACILITY, ["p1"], resources=names).facts
        assert {fact.key for fact in kept} == set(names)

    def test_refuses_what_comes_afterwards(self, store: Store) -> None:
        store.close()
        with pytest.raises(StoreError):
            commit(store, people=(a_state(),))
        with pytest.raises(StoreError):
            store.next_due()
        store.close()
