"""Special requirements of the order against the attributes of the unit: PRE-03."""

from dataclasses import dataclass

from service.facts.fact import Fact
from service.facts.finding import Finding, Verdict
from service.facts.records import Issue, Order
from service.facts.unit import Restriction
from service.policy.policy import VERDICTS
from service.rules.context import Also, PreStart, Stating
from service.rules.orders import OVER
from service.rules.planned import orders_of
from service.rules.supplied import Supplied, bags, issues_by, supplied

ANTIGENS = "antigen-negative"

# Attributes that always meet a requirement besides the attribute of the same name: a CMV-negative
# donor is one way of being CMV safe; autologous and directed may stand in the group code alone.
ALSO_MEETS: dict[str, frozenset[str]] = {"cmv-safe": frozenset({"cmv-negative"})}

# Attributes that meet a requirement where the policy row says so (POL-27, POL-28).
BY_POLICY: dict[str, tuple[str, str]] = {
    "cmv-safe": ("leukoreduced", "leukoreduced-counts-as-cmv-safe"),
    "cmv-negative": ("leukoreduced", "leukoreduced-counts-as-cmv-safe"),
    "irradiated": ("pathogen-reduced", "pathogen-reduced-counts-as-irradiated"),
}
RESTRICTED: dict[Restriction, str] = {
    Restriction.AUTOLOGOUS: "autologous",
    Restriction.DIRECTED: "directed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unmet:
    """A requirement the unit does not meet.

    word: the verdict's word for one that is shown unmet, None for one that was only not sent.
    """

    requirement: str
    word: str | None = None


def requirements(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-03: what the orders require, where it applies to the component, is true of the unit."""
    say = Stating(pre, "PRE-03")
    unit = supplied(pre)
    orders = tuple(f for f in orders_of(pre) if pre.case.mine(f) and f.body.status not in OVER)
    wanted = sorted(
        word for order in orders for word in order.body.requirements if _applies(pre, unit, word)
    )
    antigens = sorted(a for order in orders for a in order.body.antigens_negative)
    if not _applies(pre, unit, ANTIGENS):
        antigens = []
    found = [_judged(pre, say, unit, word) for word in dict.fromkeys(wanted)]
    found += [_typed(pre, say, unit, antigen) for antigen in dict.fromkeys(antigens)]
    also = Also(facts=_facts(pre, unit, orders))
    return _stated(say, [unmet for unmet in found if unmet is not None], found, also)


def _stated(
    say: Stating, unmet: list[_Unmet], judged: list[_Unmet | None], also: Also
) -> tuple[Finding, ...]:
    if not judged:
        return ()
    if not unmet:
        return say.passed("special-requirements-met", "Special requirements are met.", also=also)
    against = [one for one in unmet if one.word is not None]
    unsaid = tuple(one.requirement for one in unmet if one.word is None)
    if not against:
        text = f"Whether the unit meets this requirement was not sent: {', '.join(unsaid)}."
        return say.missing("special-requirement-unknown", text, unsaid, also=also)
    names = ", ".join(one.requirement for one in against)
    text = f"The unit does not meet a special requirement: {names}."
    if unsaid:
        text += f" Not sent: {', '.join(unsaid)}."
    words = [one.word for one in against] + [say.row.when_missing] * bool(unsaid)
    gravest = max(VERDICTS.get(word or "", Verdict.NO_OBJECTION) for word in words)
    return say.failed("special-requirement-unmet", text, verdict=gravest, also=also)


def _facts(pre: PreStart, unit: Supplied, orders: tuple[Fact[Order], ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*(order.key for order in orders), *unit.facts)))


def _applies(pre: PreStart, unit: Supplied, word: str) -> bool:
    """By the policy's row for the requirement; one without a row applies to every component."""
    key = f"requirement-applies.{word}"
    if unit.component is None or key not in pre.policy.rows:
        return True
    return unit.component in pre.policy.row(key, pre.at).words


def _judged(pre: PreStart, say: Stating, unit: Supplied, word: str) -> _Unmet | None:
    if word in _attested(pre) or not _meeting(pre, word).isdisjoint(_attributes(pre, unit)):
        return None
    if unit.attributes is None:
        return _Unmet(requirement=word)
    return _shown_unmet(word, _failing(pre, say, word))


def _typed(pre: PreStart, say: Stating, unit: Supplied, antigen: str) -> _Unmet | None:
    """As COMP-03: typed positive refuses, not typed or not sent asks for authorisation."""
    name = f"{antigen} negative"
    match unit.antigens.get(antigen):
        case True:
            return _shown_unmet(name, _failing(pre, say, ANTIGENS))
        case None if ANTIGENS not in _attested(pre):
            return _Unmet(requirement=name)
        case _:
            return None


def _shown_unmet(requirement: str, word: str) -> _Unmet | None:
    return None if word == "off" else _Unmet(requirement=requirement, word=word)


def _failing(pre: PreStart, say: Stating, word: str) -> str:
    """The row's word for the grave ones, softened by a concession or the emergency itself."""
    if word not in pre.policy.row("requirement-refuse", pre.at).words:
        return pre.policy.row("requirement-unmet-as", pre.at).words[0]
    conceded = any(issue.body.concession for issue in _own_issues(pre))
    if not conceded and not pre.emergency:
        return say.row.on_failure
    return pre.policy.row("concession-as", pre.at).words[0]


def _meeting(pre: PreStart, word: str) -> frozenset[str]:
    meets = frozenset({word}) | ALSO_MEETS.get(word, frozenset())
    instead = BY_POLICY.get(word)
    if instead is not None and pre.policy.row(instead[1], pre.at).on:
        return meets | {instead[0]}
    return meets


def _attributes(pre: PreStart, unit: Supplied) -> frozenset[str]:
    groups = [bag.group for bag in bags(pre)] + [f.body.group for f in pre.unit.described]
    said = {RESTRICTED.get(group.restriction) for group in groups if group is not None}
    return (unit.attributes or frozenset()) | {word for word in said if word}


def _attested(pre: PreStart) -> frozenset[str]:
    return frozenset(word for issue in _own_issues(pre) for word in issue.body.attested)


def _own_issues(pre: PreStart) -> tuple[Fact[Issue], ...]:
    return tuple(
        issue
        for issue in issues_by(pre)
        if issue.body.patient is not None and pre.case.is_me(issue.body.patient)
    )
