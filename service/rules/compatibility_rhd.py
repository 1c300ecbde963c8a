"""RhD of red cells, whole blood and granulocytes (COMP-02) and of platelets (COMP-07)."""

from service.facts.case import Case
from service.facts.finding import Finding, Verdict
from service.facts.unit import Component
from service.policy.policy import VERDICTS
from service.rules.compatibility_pair import Pair
from service.rules.planned import orders_of
from service.rules.recipient import (
    antibody_results,
    can_bear_children,
    is_newborn,
    is_young_male,
)


def red_cell_rhd(pair: Pair) -> tuple[Finding, ...]:
    """COMP-02: the table of rules.md 1.3, from anti-D downwards."""
    if not pair.bag.bears_red_cells or pair.bag.abo is None:
        return ()
    if pair.lists:
        return _anti_d(pair) if pair.bag.rhd == "positive" else ()
    if pair.bag.rhd is None:
        text = "The bag carries no readable RhD type."
        return pair.say("COMP-02").missing(
            "unit-rhd-unknown", text, ("unit RhD type",), also=pair.also()
        )
    if pair.bag.rhd == "negative" or _is_positive(pair):
        text = f"RhD {pair.bag.rhd} {pair.bag.name} for {_patient(pair)}."
        return pair.say("COMP-02").passed("rhd-compatible", text, also=pair.also())
    return _anti_d(pair) or _by_patient(pair)


def platelet_rhd(pair: Pair) -> tuple[Finding, ...]:
    """COMP-07: a caution where the patient can bear children, else a note."""
    if pair.bag.component is not Component.PLATELETS or pair.lists:
        return ()
    say = pair.say("COMP-07")
    if pair.bag.rhd is None:
        text = "The RhD type of the platelets was not read."
        return say.missing("unit-rhd-unknown", text, ("unit RhD type",), also=pair.also())
    text = f"RhD {pair.bag.rhd} platelets for {_patient(pair)}."
    if pair.bag.rhd == "negative" or _is_positive(pair):
        return say.passed("rhd-compatible", text, also=pair.also())
    if can_bear_children(pair.who, pair.pre.policy, pair.pre.at):
        text = f"{text[:-1]} who can bear children, or whose sex is not known."
        return _negative(pair, "COMP-07", "rhd-platelets-childbearing", text)
    return _negative(pair, "COMP-07", "rhd-platelets", text, Verdict.NOTE)


def has_anti_d(case: Case, pair: Pair) -> tuple[str, ...]:
    """Keys of the results that show the patient's own anti-D, now or ever."""
    pre = pair.pre
    newborn = is_newborn(pair.who, pre.policy, pre.at)
    return tuple(
        fact.key
        for fact in antibody_results(case, pre.site, pre.at, newborn=newborn)
        if any(a.antigen == "D" and not a.passive for a in fact.body.antibodies)
    )


def _is_positive(pair: Pair) -> bool:
    return pair.who.typed.rhd == "positive"


def _patient(pair: Pair) -> str:
    rhd = pair.who.typed.rhd
    return f"an RhD {rhd} patient" if rhd is not None else "a patient of unknown RhD type"


def _anti_d(pair: Pair) -> tuple[Finding, ...]:
    """Refused, or authorised with the laboratory's concession or in an emergency [S97]."""
    results = has_anti_d(pair.pre.case, pair)
    if not results or _is_positive(pair):
        return ()
    verdict, quoted = pair.softened()
    text = f"RhD positive {pair.bag.name} for a patient who has or had anti-D."
    return pair.say("COMP-02").failed(
        "anti-d-and-rhd-positive-unit",
        text,
        verdict=verdict,
        also=pair.also(*results, cited=quoted, shown=pair.concession),
    )


def _by_patient(pair: Pair) -> tuple[Finding, ...]:
    """RhD positive red cells for a patient who is negative or unknown and has no anti-D."""
    pre, who = pair.pre, pair.who
    text = f"RhD positive {pair.bag.name} for {_patient(pair)}"
    if can_bear_children(who, pre.policy, pre.at):
        reason = "rhd-positive-to-negative-childbearing"
        text = f"{text} who can bear children, or whose sex is not known."
        return _negative(pair, "COMP-02", reason, text, Verdict.AUTHORISE)
    if is_young_male(who, pre.policy, pre.at):
        reason = "rhd-positive-to-negative-young-male"
        return _negative(pair, "COMP-02", reason, f"{text}, a young male.", Verdict.AUTHORISE)
    if any(order.body.long_term_dependent for order in orders_of(pre)):
        reason = "rhd-positive-to-negative-dependent"
        text = f"{text} likely to depend on transfusion."
        return _negative(pair, "COMP-02", reason, text, Verdict.AUTHORISE)
    if who.typed.rhd is None and pre.emergency:
        text = f"{text} in a life-threatening emergency."
        return _negative(pair, "COMP-02", "rhd-positive-to-unknown", text, Verdict.NO_OBJECTION)
    issue = pair.bag.issue
    switched = issue is not None and issue.body.d_switch
    verdict = Verdict.CAUTION if switched else Verdict.AUTHORISE
    told = ", under the laboratory's D-switch policy" if switched else ""
    kind = "unknown" if who.typed.rhd is None else "negative"
    return _negative(pair, "COMP-02", f"rhd-positive-to-{kind}", f"{text}{told}.", verdict)


def _negative(
    pair: Pair, rule: str, reason: str, text: str, verdict: Verdict | None = None
) -> tuple[Finding, ...]:
    """A row of the table for a negative patient; for an unknown one it rests on missing data."""
    say = pair.say(rule)
    also = pair.also(*pair.who.facts, cited=pair.cited("childbearing-age"))
    if pair.who.typed.rhd is not None:
        return say.failed(reason, text, verdict=verdict, also=also)
    chosen = verdict if verdict is not None else VERDICTS[say.row.on_failure]
    return say.missing(reason, text, ("recipient RhD type",), verdict=chosen, also=also)
