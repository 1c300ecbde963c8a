"""Compatibility of a unit with its patient before the start (rules.md 1), and news while it runs.

Every rule of the family sees one ``Pair``; the rules of one component lie in the modules beside.
"""

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.unit import Group
from service.rules.compatibility_abo import (
    cryoprecipitate,
    granulocytes,
    plasma,
    platelets,
    red_cells,
    whole_blood,
)
from service.rules.compatibility_antibodies import antibodies, kell
from service.rules.compatibility_crossmatch import crossmatch
from service.rules.compatibility_news import news
from service.rules.compatibility_pair import (
    Pair,
    PairRule,
    is_listed,
    listed_by,
    lists_of,
    pair_of,
)
from service.rules.compatibility_rhd import platelet_rhd, red_cell_rhd
from service.rules.context import PreStart, PreStartRule
from service.rules.recipient import is_newborn

__all__ = ["RULES", "compatibility", "news"]


def compatibility(pre: PreStart) -> tuple[Finding, ...]:
    """Every compatibility rule on one judgement; a unit of unknown kind is refused at once."""
    pair = pair_of(pre)
    if pair.bag.component is None:
        return component_unknown(pair)
    return tuple(finding for rule in PAIR_RULES for finding in rule(pair))


def component_unknown(pair: Pair) -> tuple[Finding, ...]:
    """No table can be chosen for a unit whose component nobody said, or two said differently."""
    say, also = pair.say("COMP-01"), pair.also(remedy=Remedy.RESCAN)
    if pair.bag.contradicted:
        text = "Two descriptions of the unit name different components."
        return say.missing("component-contradicted", text, ("component",), also=also)
    text = "Nobody said what component the unit is, so that no table can judge it."
    return say.missing("component-unknown", text, ("component",), also=also)


def allowed_groups(pair: Pair) -> tuple[Finding, ...]:
    """COMP-12 and, under 4 months, COMP-13: the laboratory's list takes the tables' place."""
    newborn = is_newborn(pair.who, pair.pre.policy, pair.pre.at)
    say = pair.say("COMP-13" if newborn else "COMP-12")
    if pair.lists:
        return _by_list(pair, "COMP-13" if newborn else "COMP-12")
    asked = lists_of(pair.pre) or (newborn and pair.bag.bears_red_cells)
    if not asked:
        return ()
    text = f"The laboratory sent no list of groups allowed for {pair.bag.name}."
    lacking = ("allowed-group list",)
    also = pair.also(*pair.who.facts)
    return say.missing("allowed-groups-missing", text, lacking, also=also)


def discrepant_group(pair: Pair) -> tuple[Finding, ...]:
    """COMP-14: a discrepant group is shown; the tables take it as unknown."""
    if not pair.who.typed.discrepant or pair.lists:
        return ()
    text = "The patient's group is discrepant and counts as unknown until the laboratory says."
    return pair.say("COMP-14").failed(
        "recipient-group-discrepant", text, verdict=Verdict.NOTE, also=pair.also()
    )


def _by_list(pair: Pair, rule: str) -> tuple[Finding, ...]:
    say, abo, rhd = pair.say(rule), pair.bag.abo, pair.bag.rhd
    if abo is None:
        return say.missing(
            "unit-group-unknown",
            "The bag carries no readable ABO group, so that no list can judge it.",
            ("unit ABO group",),
            verdict=Verdict.REFUSE,
            also=pair.also(remedy=Remedy.RESCAN),
        )
    allowed = ", ".join(sorted(listed_by(pair.lists)))
    also = pair.also(*(fact.key for fact in pair.lists), shown=(("allowed groups", allowed),))
    if is_listed(pair.lists, Group(abo=abo, rhd=rhd)):
        text = f"Group {abo} is on the laboratory's list for {pair.bag.name}."
        return say.passed("group-allowed", text, also=also)
    text = f"Group {abo} RhD {rhd or 'unknown'} is not on the laboratory's list."
    return say.failed("group-not-allowed", text, also=also)


PAIR_RULES: tuple[PairRule, ...] = (
    allowed_groups,
    discrepant_group,
    red_cells,
    plasma,
    cryoprecipitate,
    platelets,
    whole_blood,
    granulocytes,
    red_cell_rhd,
    platelet_rhd,
    antibodies,
    kell,
    crossmatch,
)

RULES: tuple[PreStartRule, ...] = (compatibility,)
