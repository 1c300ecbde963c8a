"""What is known of the unit at a judgement: the bag's own label before any record of it."""

from collections.abc import Iterable
from dataclasses import dataclass

from service.facts.clinical import changed_after
from service.facts.fact import Fact
from service.facts.once import once
from service.facts.records import UNRECOGNISED, BloodUnit, Issue
from service.facts.steps import BagLabel, CompatibilityLabel
from service.facts.unit import Component, Group
from service.rules.context import PreStart
from service.rules.recipient import known_by

RED_CELL_BEARING = frozenset({Component.RED_CELLS, Component.WHOLE_BLOOD, Component.GRANULOCYTES})
OVER = frozenset({"unfulfilled", "entered-in-error"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Supplied:
    """The unit as bag and records describe it.

    component: None when nobody said, or when two descriptions contradict each other. abo: None
    when not read, pooled, or contradicted. rhd: None when not read; contradicting labels count as
    positive. titre: the worse one said. attributes: None when nobody said any. antigens: what was
    typed, positive where two typings contradict each other. issue: the patient's own. facts: keys.
    """

    component: Component | None
    contradicted: bool = False
    abo: str | None = None
    rhd: str | None = None
    pooled: bool = False
    titre: str | None = None
    additive_solution: bool = False
    attributes: frozenset[str] | None = None
    antigens: dict[str, bool]
    issue: Fact[Issue] | None = None
    facts: tuple[str, ...] = ()

    @property
    def bears_red_cells(self) -> bool:
        """True for red cells, whole blood and granulocytes."""
        return self.component in RED_CELL_BEARING

    @property
    def name(self) -> str:
        """The component in words."""
        return (self.component or "unit").replace("_", " ")


@once
def supplied(pre: PreStart) -> Supplied:
    """The unit of a judgement."""
    described = [fact.body for fact in pre.unit.described]
    kinds = {body.component for body in described if body.component is not None}
    groups = _groups(pre, described)
    abos = {group.abo for group in groups if group.abo is not None}
    issue = own_issue(pre)
    keys = [fact.key for fact in (*pre.unit.described, issue, pre.check) if fact is not None]
    return Supplied(
        component=next(iter(kinds)) if len(kinds) == 1 else None,
        contradicted=len(kinds) > 1,
        abo=next(iter(abos)) if len(abos) == 1 else None,
        rhd=_worse((group.rhd for group in groups), "positive"),
        pooled=any(group.pooled for group in groups) and not abos,
        titre=_worse((body.titre for body in described), "high"),
        additive_solution={body.additive_solution for body in described} - {None} == {True},
        attributes=_attributes(described),
        antigens=_antigens(pre, described),
        issue=issue,
        facts=tuple(keys),
    )


@once
def own_issue(pre: PreStart) -> Fact[Issue] | None:
    """The latest issue of the unit that names this patient, or none."""
    mine = [
        issue
        for issue in issues_by(pre)
        if issue.body.patient is None or pre.case.is_me(issue.body.patient)
    ]
    return mine[-1] if mine else None


@once
def issues_by(pre: PreStart) -> tuple[Fact[Issue], ...]:
    """The unit's issues handed over by the judgement; all of them where none was by then.

    Latest hand-over last, and after that what is issued to another patient and not returned: the
    unit is not this patient's while that stands.
    """
    standing = [issue for issue in pre.unit.issues if issue.body.status not in OVER]
    by_then = [i for i in standing if known_by(i.body.handed_over, pre.at, pre.site.zone)]
    return tuple(sorted(by_then or standing, key=lambda issue: _is_anothers(pre, issue)))


def _is_anothers(pre: PreStart, issue: Fact[Issue]) -> bool:
    patient = issue.body.patient
    if patient is None or pre.case.is_me(patient):
        return False
    return issue.body.status != "returned" or changed_after(issue, pre.at)


@once
def bags(pre: PreStart) -> tuple[BagLabel, ...]:
    """The bag's own label as read at the check and at the start."""
    steps = (pre.check, pre.start)
    return tuple(s.body.bag for s in steps if s is not None and s.body.bag is not None)


def is_emergency_stock(pre: PreStart) -> bool:
    """A unit without issue and patient label in a life-threatening emergency (ID-13)."""
    label = pre.check.body.label if pre.check is not None else None
    bare = label is None or not _names_a_patient(label)
    return pre.emergency and pre.check is not None and bare and not issues_by(pre)


def _names_a_patient(label: CompatibilityLabel) -> bool:
    said = (label.name.family, label.name.given, label.birth_date, label.sample_number)
    return bool(label.identifiers) or any(said)


def _groups(pre: PreStart, described: list[BloodUnit]) -> list[Group]:
    said = [*(bag.group for bag in bags(pre)), *(body.group for body in described)]
    return [group for group in said if group is not None]


def _worse(said: Iterable[str | None], worst: str) -> str | None:
    found = {word for word in said if word is not None}
    unread = UNRECOGNISED if UNRECOGNISED in found else None
    return worst if worst in found else unread or next(iter(sorted(found)), None)


def _attributes(described: list[BloodUnit]) -> frozenset[str] | None:
    said = [body.attributes for body in described if body.attributes is not None]
    return frozenset().union(*said) if said else None


def _antigens(pre: PreStart, described: list[BloodUnit]) -> dict[str, bool]:
    typed: dict[str, bool] = {}
    sources = [*(bag.antigens for bag in bags(pre)), *(body.antigens for body in described)]
    for antigen, positive in (pair for source in sources for pair in source):
        typed[antigen] = positive or typed.get(antigen, False)
    return typed
