"""Sets of readings: what was read within the set window counts together (derived)."""

from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from service.facts.quantity import Vital
from service.rules.observed import ObservedSet, Read, best_set, fullest, missing_of, sets
from tests.support.bedside import after
from tests.support.cases import a_reading

VITALS = (Vital.TEMPERATURE, Vital.HEART_RATE, Vital.SYSTOLIC, Vital.WEIGHT)
WINDOW = timedelta(minutes=10)
courses = st.lists(st.tuples(st.integers(0, 60), st.sampled_from(VITALS)), max_size=25).map(sorted)
needs = st.sets(st.sampled_from(VITALS[:3])).map(frozenset)


def read(course: list[tuple[int, Vital]]) -> tuple[Read, ...]:
    return tuple(
        Read(after(minute), f"Observation/{place:02d}", a_reading(vital, place, after(minute)))
        for place, (minute, vital) in enumerate(course)
    )


def plainly(taken: tuple[Read, ...]) -> list[ObservedSet]:
    """Every instant's set, by its definition."""
    found = []
    for at in sorted({one.at for one in taken}):
        latest = {one.reading.vital: one for one in taken if at - WINDOW <= one.at <= at}
        found.append(ObservedSet(at=at, latest=tuple(latest[key] for key in sorted(latest))))
    return found


class TestSets:
    """One pass gives what the definition gives."""

    @settings(max_examples=300, deadline=None)
    @given(courses)
    def test_there_is_one_for_every_instant(self, course: list[tuple[int, Vital]]) -> None:
        taken = read(course)
        assert list(sets(taken, WINDOW)) == plainly(taken)

    @settings(max_examples=300, deadline=None)
    @given(courses, needs)
    def test_the_best_is_the_first_complete_one_else_the_fullest(
        self, course: list[tuple[int, Vital]], needed: frozenset[Vital]
    ) -> None:
        taken = read(course)
        complete = [one for one in plainly(taken) if not missing_of(needed, one)]
        expected = complete[0] if complete else fullest(plainly(taken), needed)
        assert best_set(taken, WINDOW, needed) == expected
