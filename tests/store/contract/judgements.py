"""What every store promises of judgements: kept with their case, and easily forgotten."""

from service.store.port import Store
from tests.support.stored import FACILITY, a_state, commit


class Judgements:
    """The last that was kept is read with the case; a person who became another has none."""

    def test_none_before_any_was_kept(self, store: Store) -> None:
        assert store.case(FACILITY, ["p1"]).judged is None

    def test_the_last_takes_the_place_of_those_before(self, store: Store) -> None:
        commit(store, people=(a_state("p1"),), judged=(("p1", b"first"),))
        commit(store, people=(a_state("p1", 1),), judged=(("p1", b"second"),))

        assert store.case(FACILITY, ["p1"]).judged == b"second"
        assert store.case(FACILITY, ["p2"]).judged is None
        assert store.case("elsewhere", ["p1"]).judged is None

    def test_stay_where_nothing_new_is_kept(self, store: Store) -> None:
        commit(store, people=(a_state("p1"),), judged=(("p1", b"first"),))
        commit(store, people=(a_state("p1", 1),))

        assert store.case(FACILITY, ["p1"]).judged == b"first"

    def test_of_a_merged_person_are_forgotten(self, store: Store) -> None:
        commit(store, people=(a_state("p1"),), judged=(("p1", b"first"),))
        commit(store, people=(a_state("p2"),), merged=(("p1", "p2"),), judged=(("p1", b"late"),))

        assert store.case(FACILITY, ["p1"]).judged is None
