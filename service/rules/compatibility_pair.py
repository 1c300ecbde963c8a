"""One patient and one unit, put side by side once for all compatibility rules."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from service.facts.fact import Fact
from service.facts.finding import Cited, Finding, Remedy, Verdict
from service.facts.records import AllowedGroups
from service.facts.unit import Component, Group
from service.policy.policy import VERDICTS, Matrix
from service.rules.context import Also, PreStart, Stating
from service.rules.recipient import Recipient, known_by, recipient_of
from service.rules.supplied import Supplied, supplied


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A judgement's patient and unit.

    lists: the laboratory's newest lists of allowed groups for this component, which take the
    place of every table.
    """

    pre: PreStart
    who: Recipient
    bag: Supplied
    lists: tuple[Fact[AllowedGroups], ...] = ()

    @property
    def concession(self) -> tuple[tuple[str, str], ...]:
        """The laboratory's concession on the unit's issue, as a pair to show."""
        said = self.bag.issue.body.concession if self.bag.issue is not None else None
        return (("concession", said),) if said is not None else ()

    @property
    def conceded(self) -> bool:
        """True with a laboratory concession or while urgency is life-threatening [S97]."""
        return self.pre.emergency or bool(self.concession)

    def softened(self) -> tuple[Verdict | None, tuple[Cited, ...]]:
        """What a refusal becomes when conceded, with the row to quote; nothing otherwise."""
        if not self.conceded:
            return None, ()
        return self.verdict("concession-as"), self.cited("concession-as")

    def say(self, rule: str) -> Stating:
        """A rule's voice at this judgement."""
        return Stating(self.pre, rule)

    def matrix(self, key: str) -> Matrix:
        """The compatibility table in force."""
        return self.pre.policy.matrix(key, self.pre.at)

    def on(self, row: str) -> bool:
        """An option of the policy."""
        return self.pre.policy.row(row, self.pre.at).on

    def verdict(self, row: str) -> Verdict | None:
        """A row that holds a verdict's word; None where it says ``off``."""
        return VERDICTS.get(self.pre.policy.row(row, self.pre.at).words[0])

    def cited(self, *rows: str) -> tuple[Cited, ...]:
        """Policy rows as findings quote them."""
        return tuple(self.pre.policy.row(row, self.pre.at).cited for row in rows)

    def also(
        self,
        *facts: str,
        cited: tuple[Cited, ...] = (),
        shown: tuple[tuple[str, str], ...] = (),
        remedy: Remedy | None = None,
    ) -> Also:
        """The facts both sides rest on, with what else the finding carries."""
        own = {*self.who.typed.facts, *self.bag.facts, *facts}
        return Also(facts=tuple(sorted(own)), cited=cited, shown=shown, remedy=remedy)


PairRule = Callable[[Pair], tuple[Finding, ...]]


def pair_of(pre: PreStart) -> Pair:
    """Patient and unit of a judgement."""
    bag = supplied(pre)
    lists = newest_lists(lists_of(pre), bag.component)
    return Pair(pre=pre, who=recipient_of(pre), bag=bag, lists=lists)


def lists_of(pre: PreStart) -> tuple[Fact[AllowedGroups], ...]:
    """Every allowed-group list of the patient known at the judgement."""
    return tuple(
        fact for fact in pre.case.of(AllowedGroups) if known_by(fact.body.at, pre.at, pre.site.zone)
    )


def newest_lists(
    lists: Iterable[Fact[AllowedGroups]], component: Component | None
) -> tuple[Fact[AllowedGroups], ...]:
    """The newest of those that speak of a component."""
    fitting = [fact for fact in lists if fact.body.component in (None, component)]
    newest = max((_dated(fact) for fact in fitting), default="")
    return tuple(fact for fact in fitting if _dated(fact) == newest)


def listed_by(lists: Iterable[Fact[AllowedGroups]]) -> frozenset[str]:
    """The groups that every one of these lists allows."""
    return frozenset.intersection(*(fact.body.groups for fact in lists))


def is_listed(lists: Iterable[Fact[AllowedGroups]], group: Group) -> bool:
    """True when a group is on every list: as ABO alone, or with its RhD."""
    listed = listed_by(lists)
    return group.abo in listed or f"{group.abo} {group.rhd}" in listed


def overridable(found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings of a never-loosened rule on a point that is not ABO, and may be overridden."""
    return tuple(replace(finding, critical=False) for finding in found)


def _dated(fact: Fact[AllowedGroups]) -> str:
    moment = fact.body.at
    if moment is None:
        return ""
    return moment.instant.isoformat() if moment.instant is not None else moment.text
