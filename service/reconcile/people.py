"""Which tokens are one person: joins on identity-bearing identifiers and links, and splits."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.facts.fact import Fact
from service.facts.identity import Identifier
from service.facts.records import PatientRecord
from service.policy.policy import Site
from service.store.port import Person, Token


@dataclass(frozen=True, slots=True, kw_only=True)
class Grouping:
    """assigned: every token of the people concerned -> person. merged: old -> new person."""

    assigned: dict[Token, Person]
    merged: tuple[tuple[Person, Person], ...]

    @property
    def people(self) -> tuple[Person, ...]:
        """The people after grouping, sorted: the order in which cases are locked."""
        return tuple(sorted(set(self.assigned.values())))


def record_tokens(fact: Fact[PatientRecord], site: Site) -> frozenset[Token]:
    """The tokens that one record ties together.

    Its own id, its identifiers in identity-bearing systems, and the records that an active link
    names. Names and birth dates never join.
    """
    numbers = (n for n in fact.body.identifiers if is_bearing(n, site))
    links = (*fact.body.replaced_by, *fact.body.same_as)
    linked = (token for ref in links for token in ref.tokens)
    return frozenset({fact.resource, *(n.token for n in numbers), *linked})


def is_bearing(number: Identifier, site: Site) -> bool:
    """True when equal values in the number's system mean the same person."""
    return number.system in site.identity_systems or number.system in site.temporary_systems


def group(
    known: Mapping[Token, Person],
    records: Iterable[Fact[PatientRecord]],
    tokens: Iterable[Token],
    site: Site,
    name: Callable[[Token], Person],
    aliases: Iterable[frozenset[Token]] = (),
    weights: Mapping[Token, int] | None = None,
) -> Grouping:
    """Components of tokens tied by records in force.

    known: tokens of the people concerned, as stored. tokens: those that new facts name. weights:
    how many steps were recorded under a token. Of the components that were one person the one with
    the most steps keeps the person, and with it what was emitted; the others get new ones from
    ``name``.
    """
    heavy = weights or {}
    ties = [*(record_tokens(fact, site) for fact in records), *aliases]
    roots = _components({*known, *tokens}, ties)
    members: dict[Token, list[Token]] = defaultdict(list)
    for token, root in roots.items():
        members[root].append(token)
    assigned: dict[Token, Person] = {}
    merged: list[tuple[Person, Person]] = []
    taken: set[Person] = set()
    components = sorted(sorted(found) for found in members.values())
    for component in sorted(components, key=lambda tokens: -sum(heavy.get(t, 0) for t in tokens)):
        held = [known[token] for token in component if token in known]
        free = [person for person in held if person not in taken]
        person = min(free) if free else name(component[0])
        taken.add(person)
        assigned.update(dict.fromkeys(component, person))
        merged.extend((old, person) for old in sorted(set(free)) if old != person)
    gone = {old for old, _ in merged}
    kept = set(assigned.values())
    return Grouping(
        assigned=assigned,
        merged=tuple(pair for pair in dict.fromkeys(merged) if pair[0] in gone - kept),
    )


def _components(tokens: set[Token], ties: list[frozenset[Token]]) -> dict[Token, Token]:
    parent: dict[Token, Token] = {token: token for token in tokens}

    def root(token: Token) -> Token:
        parent.setdefault(token, token)
        while parent[token] != token:
            parent[token] = parent[parent[token]]
            token = parent[token]
        return token

    for tie in ties:
        first, *rest = sorted(tie)
        for other in rest:
            low, high = sorted((root(first), root(other)))
            parent[high] = low
    return {token: root(token) for token in parent}


def patients_of(facts: Iterable[Fact[Any]]) -> list[Fact[PatientRecord]]:
    """The patient records among facts."""
    return [fact for fact in facts if isinstance(fact.body, PatientRecord)]
