"""The patient before the start: baseline, fever, premedication, risks, history."""

from collections.abc import Iterator
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal

from service.facts.case import step_time
from service.facts.finding import Finding, Remedy
from service.facts.moment import Moment
from service.facts.quantity import Vital
from service.facts.records import LabResult, Premedication
from service.facts.steps import StepCode
from service.rules.context import Also, PreStart, Stating
from service.rules.observed import (
    ObservedSet,
    between,
    fullest,
    missing_of,
    readings,
    required,
    sets,
)
from service.rules.orders import OVER
from service.rules.planned import orders_of
from service.rules.recipient import antibody_results

EVER = timedelta(days=3650)
TENTH = Decimal("0.1")


def baseline(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-11: a complete set within the policy's age of the start."""
    say = Stating(pre, "PRE-11")
    age = pre.policy.row("baseline-age", pre.at)
    row = pre.policy.row("baseline-required", pre.at)
    needed = required(row.words)
    best = fullest(_sets(pre, age.span), needed)
    lacking = missing_of(needed, best)
    also = Also(
        facts=best.facts if best is not None else (),
        cited=(age.cited, row.cited),
        remedy=Remedy.MEASURE_NOW,
    )
    if not lacking:
        return say.passed("baseline-complete", "The baseline is complete and recent.", also=also)
    if best is None:
        return _no_recent(pre, say, also)
    text = f"The baseline lacks {', '.join(lacking).replace('_', ' ')}."
    return say.missing("baseline-incomplete", text, lacking, also=also)


def _no_recent(pre: PreStart, say: Stating, also: Also) -> tuple[Finding, ...]:
    needed = required(pre.policy.row("baseline-required", pre.at).words)
    old = fullest(_sets(pre, EVER), needed)
    if old is not None and not missing_of(needed, old):
        text = "The last complete set of vital signs is older than the policy allows."
        beside = Also(facts=old.facts, cited=also.cited, remedy=also.remedy)
        return say.failed("baseline-old", text, also=beside)
    text = "No baseline vital signs are on record."
    return say.missing("baseline-missing", text, missing_of(needed, None), also=also)


def _sets(pre: PreStart, age: timedelta) -> Iterator[ObservedSet]:
    window = pre.policy.row("observation-set-window", pre.at).span
    return sets(between(readings(pre.case), pre.at - age, pre.at), window)


def fever(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-12: the last recent temperature is below fever; rounded to 0.1 °C first."""
    say = Stating(pre, "PRE-12")
    age = pre.policy.row("baseline-age", pre.at).span
    limit = pre.policy.row("baseline-fever", pre.at)
    recent = between(readings(pre.case), pre.at - age, pre.at)
    warm = [one for one in recent if one.reading.vital is Vital.TEMPERATURE]
    if not warm:
        text = "No recent temperature is on record."
        return say.missing("temperature-not-sent", text, ("temperature",))
    last = max((one for one in warm if one.at == warm[-1].at), key=lambda t: t.reading.value)
    also = Also(facts=(last.key,), cited=(limit.cited,))
    if last.reading.value.quantize(TENTH, rounding=ROUND_HALF_UP) < limit.number:
        return say.passed("no-baseline-fever", "The baseline is below fever.", also=also)
    text = f"The patient's temperature is at or above {limit.number} °C: ask the prescriber."
    return say.failed("baseline-fever", text, also=also)


def premedication(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-13: premedication, if ordered, given early enough; it is never suggested."""
    wanted = [o for o in orders_of(pre) if o.body.status not in OVER and pre.case.mine(o)]
    said = {order.body.premedication_ordered for order in wanted}
    if True not in said:
        return ()
    say = Stating(pre, "PRE-13")
    lead = pre.policy.row("premedication-lead", pre.at)
    given = [fact for fact in pre.case.of(Premedication) if fact.body.given]
    timed = [fact for fact in given if _instant_by(fact.body.at, pre)]
    also = Also(facts=tuple(fact.key for fact in timed), cited=(lead.cited,))
    if not timed:
        text = "Premedication is ordered; none is on record."
        return say.missing("premedication-not-sent", text, ("premedication",), also=also)
    early = [f for f in timed if f.body.at and _at_least(f.body.at, pre, lead.span)]
    if early:
        return say.passed("premedication-given", "Premedication was given in time.", also=also)
    text = f"Premedication was given less than {lead.number} {lead.unit} before."
    return say.failed("premedication-recent", text, also=also)


def _instant_by(moment: Moment | None, pre: PreStart) -> bool:
    return moment is not None and moment.instant is not None and moment.instant <= pre.at


def _at_least(moment: Moment, pre: PreStart, lead: timedelta) -> bool:
    return moment.instant is not None and moment.instant + lead <= pre.at


def overload_risk(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-14: the checklist of risks of circulatory overload was done."""
    return _attested(pre, "PRE-14", "overload-checklist", "The checklist of overload risks")


def observable(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-15: trained staff can observe the patient, with resuscitation at hand."""
    return _attested(pre, "PRE-15", "observable-here", "That the patient can be observed here")


def _attested(pre: PreStart, rule: str, word: str, subject: str) -> tuple[Finding, ...]:
    say = Stating(pre, rule)
    said = [
        fact
        for fact in pre.case.of(LabResult)
        if fact.body.analyte == word
        and fact.body.word in ("yes", "no")
        and _instant_by(fact.body.at, pre)
    ]
    if not said:
        return say.missing(f"{word}-not-sent", f"{subject} was not sent.", (word,))
    last = max(said, key=lambda fact: (fact.body.at.instant if fact.body.at else None, fact.key))
    also = Also(facts=(last.key,))
    if last.body.word == "yes":
        return say.passed(word, f"{subject} is attested.", also=also)
    return say.failed(f"{word}-no", f"{subject} was answered with no.", also=also)


def history(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-16: earlier reactions and known antibodies, shown to the checker."""
    say = Stating(pre, "PRE-16")
    sent = antibody_results(pre.case, pre.site, pre.at, newborn=False)
    named = [(f"anti-{a.antigen}", f.key) for f in sent for a in f.body.antibodies]
    confirmed = [
        step
        for step in pre.case.steps
        if step.body.code is StepCode.CONFIRM_REACTION and step_time(step) <= pre.at
    ]
    earlier = [(step.body.reason or "confirmed reaction", step.key) for step in confirmed]
    shown = tuple(
        dict.fromkeys(
            [("antibody", text) for text, _ in named]
            + [("earlier reaction", text) for text, _ in earlier]
        )
    )
    facts = tuple(dict.fromkeys(key for _, key in (*named, *earlier)))
    if shown:
        text = "There is a history to know before the start."
        return say.failed("history-to-know", text, also=Also(facts=facts, shown=shown))
    text = "No antibody and no earlier reaction is on record."
    return say.missing("history-not-sent", text, ("history",), also=Also(facts=facts))
