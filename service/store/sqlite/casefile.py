"""A case read whole from one snapshot: the patient's facts and everything they point at."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.facts.case import OtherStart
from service.facts.fact import Fact
from service.facts.naming import resources
from service.facts.records import BloodUnit, CrossmatchResult, Issue
from service.facts.steps import Step
from service.facts.unit import UnitKey
from service.store.port import Person, PersonState, StoredCase
from service.store.sqlite.codec import (
    act_of,
    emitted_of,
    fact_of,
    instant,
    json_list,
    moment,
)
from service.store.sqlite.reader import Reader

# Kinds of facts that say which unit, order, place or device they are about.
POINTING = frozenset({"step", "issue", "unit", "crossmatch", "order", "device-use", "encounter"})


def read_case(
    reader: Reader,
    facility: str,
    people: Sequence[Person],
    units: Iterable[str],
    names: Iterable[str],
) -> StoredCase:
    """The case of the first person, with what is known of the others; see the port."""
    with reader.snapshot():
        who = json_list(people)
        tokens = frozenset(row[0] for row in reader.rows("tokens", (facility, who)))
        search = Search(reader=reader, facility=facility, units=set(units), names=set(names))
        search.take(reader.rows("facts_of_subjects", (facility, json_list(tokens))))
        search.follow()
        listed = sorted(search.units)
        units_of = (facility, json_list(listed))
        seqs = dict(reader.rows("unit_seqs", units_of)) if listed else {}
        starts = reader.rows("starts_of_units", units_of) if listed else []
        return StoredCase(
            state=states(reader, facility, people[:1])[0],
            tokens=tokens,
            facts=tuple(search.found.values()),
            acts=tuple(act_of(*row) for row in reader.rows("acts_of", (facility, who))),
            emitted=tuple(emitted_of(row) for row in reader.rows("emitted_of", (facility, who))),
            elsewhere=tuple(
                OtherStart(unit=unit_key(unit), at=moment(at), step=step)
                for unit, at, step, subject in starts
                if subject not in tokens
            ),
            units=tuple((unit, seqs.get(unit, 0)) for unit in listed),
            judged=next((row[0] for row in reader.rows("judged_of", (facility, people[0]))), None),
        )


@dataclass(slots=True, kw_only=True)
class Search:
    """Facts found so far, and the units and names they speak of, followed until none is new."""

    reader: Reader
    facility: str
    units: set[str]
    names: set[str]
    found: dict[tuple[str, int], Fact[Any]] = field(default_factory=dict)

    def take(self, rows: Iterable[tuple[str, int, str, str | None, bytes]]) -> None:
        """Adds facts, and what they name."""
        for key, version, kind, unit, body in rows:
            if (key, version) not in self.found:
                fact = self.found[key, version] = fact_of(kind, body)
                if kind in POINTING:
                    self.names |= resources(fact)
                    self.units |= units_named(fact)
                if unit is not None:
                    self.units.add(unit)

    def follow(self) -> None:
        """Reads what is named until nothing new is."""
        units_read: set[str] = set()
        names_read: set[str] = set()
        while True:
            units = self.units - units_read
            names = self.names - names_read
            if not units and not names:
                return
            units_read |= units
            names_read |= names
            if units:
                self.take(self.reader.rows("facts_of_units", (self.facility, json_list(units))))
            # What describes a unit may itself be pointed at by what describes it elsewhere.
            names |= self.names - names_read
            names_read |= names
            if names:
                self.take(self.reader.rows("facts_named", (self.facility, json_list(names))))


def units_named(fact: Fact[Any]) -> set[str]:
    """Texts of the units that a fact names in full."""
    body = fact.body
    refs = [body.unit] if isinstance(body, Step | Issue | BloodUnit | CrossmatchResult) else []
    if isinstance(body, Step) and body.focus is not None:
        refs.append(body.focus)
    if isinstance(body, BloodUnit):
        refs += body.parents
    return {ref.key.text for ref in refs if ref.key is not None}


def states(reader: Reader, facility: str, people: Sequence[Person]) -> tuple[PersonState, ...]:
    """Where each case stands; a person not yet stored stands at 0."""
    rows = reader.rows("states", (facility, json_list(people)))
    held = {
        person: PersonState(
            person=person, seq=seq, as_of=instant(as_of), next_wake=instant(next_wake)
        )
        for person, seq, as_of, next_wake in rows
    }
    return tuple(held.get(person) or PersonState(person=person, seq=0) for person in people)


def unit_key(text: str) -> UnitKey:
    """The key of a unit from its text."""
    din, product, division = text.split("/")
    return UnitKey(din, product, division)
