"""The crossmatch of red cells, whole blood and granulocytes (COMP-10, COMP-15).

An abbreviated crossmatch in massive transfusion counts as one (COMP-16): neither an issue's match
status nor a result tells the method, so the laboratory's word stands, and ABO and RhD are judged
by their own rules as ever.
"""

from service.facts.case import EARLIEST
from service.facts.fact import Fact
from service.facts.finding import Finding
from service.facts.records import UNRECOGNISED, CrossmatchResult
from service.rules.compatibility_pair import Pair
from service.rules.recipient import free_of_maternal_antibody, known_by

WORST_FIRST = ("incompatible", "least-incompatible", UNRECOGNISED, "compatible")
AS_ISSUED = {
    UNRECOGNISED: UNRECOGNISED,
    "crossmatched": "compatible",
    "selected": "compatible",
    "least-incompatible": "least-incompatible",
}
TEXTS = {
    "incompatible": "The crossmatch is incompatible.",
    "least-incompatible": "The unit is the least incompatible one that was found.",
}


def crossmatch(pair: Pair) -> tuple[Finding, ...]:
    """COMP-10: the worse of the newest result and the issue's match status."""
    if not pair.bag.bears_red_cells:
        return ()
    results = _newest(pair)
    word = _worst(pair, results)
    if word is None or (word == UNRECOGNISED and _is_unmatched(pair)):
        return _unmatched(pair)
    if word == UNRECOGNISED:
        return _unread(pair, results)
    also = pair.also(*(fact.key for fact in results), shown=pair.concession)
    if word == "compatible":
        text = "The unit was crossmatched or selected as compatible."
        return pair.say("COMP-10").passed("crossmatch-compatible", text, also=also)
    row = f"crossmatch-as.{word}"
    return pair.say("COMP-10").failed(
        f"crossmatch-{word}", TEXTS[word], verdict=pair.verdict(row), also=also
    )


def _newest(pair: Pair) -> tuple[Fact[CrossmatchResult], ...]:
    """The newest dated results with the undated ones, which nothing can overtake."""
    pre = pair.pre
    known = [
        fact
        for fact in pre.unit.crossmatches
        if fact.body.result in WORST_FIRST and known_by(fact.body.at, pre.at, pre.site.zone)
    ]
    times = {fact.key: fact.body.at.instant for fact in known if fact.body.at is not None}
    newest = max((time for time in times.values() if time is not None), default=EARLIEST)
    return tuple(fact for fact in known if times.get(fact.key) in (None, newest))


def _worst(pair: Pair, results: tuple[Fact[CrossmatchResult], ...]) -> str | None:
    said = {fact.body.result for fact in results}
    issue = pair.bag.issue
    if issue is not None:
        said.add(AS_ISSUED.get(issue.body.match or ""))
    return next((word for word in WORST_FIRST if word in said), None)


def _unmatched(pair: Pair) -> tuple[Finding, ...]:
    """No crossmatch: refused when the laboratory says so, otherwise missing data."""
    unmatched = _is_unmatched(pair)
    if pair.pre.emergency:
        return _emergency(pair, unmatched)
    if unmatched:
        text = "The unit was issued unmatched outside a life-threatening emergency."
        verdict = pair.verdict("crossmatch-as.unmatched")
        return pair.say("COMP-10").failed("unit-unmatched", text, verdict=verdict, also=pair.also())
    if free_of_maternal_antibody(pair.pre, pair.who):
        text = "No crossmatch is asked for: a newborn without maternal antibody."
        return pair.say("COMP-10").passed("crossmatch-not-asked", text, also=pair.also())
    text = "Nobody said that the unit was crossmatched or selected."
    return pair.say("COMP-10").missing(
        "crossmatch-missing", text, ("crossmatch",), also=pair.also()
    )


def _is_unmatched(pair: Pair) -> bool:
    issue = pair.bag.issue
    return issue is not None and issue.body.match == "unmatched"


def _unread(pair: Pair, results: tuple[Fact[CrossmatchResult], ...]) -> tuple[Finding, ...]:
    """A result in no known word may be an incompatible one: no other result makes up for it."""
    text = "What the laboratory says of the crossmatch is in no known word."
    also = pair.also(*(fact.key for fact in results))
    return pair.say("COMP-10").missing("crossmatch-not-read", text, ("crossmatch",), also=also)


def _emergency(pair: Pair, unmatched: bool) -> tuple[Finding, ...]:
    """COMP-15: uncrossmatched blood in a life-threatening emergency, authorised by name."""
    verdict = pair.verdict("crossmatch-as.unmatched-emergency")
    also = pair.also(cited=(pair.say("COMP-10").row.cited,))
    text = "Uncrossmatched blood in a life-threatening emergency."
    say = pair.say("COMP-15")
    if unmatched:
        return say.failed("emergency-uncrossmatched", text, verdict=verdict, also=also)
    return say.missing(
        "emergency-uncrossmatched", text, ("crossmatch",), verdict=verdict, also=also
    )
