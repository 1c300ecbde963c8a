"""Red-cell antibodies, now or ever, against the unit's antigens; and Kell (COMP-03)."""

from service.facts.fact import Fact
from service.facts.finding import Finding
from service.facts.records import UNRECOGNISED, Antibody, AntibodyResult
from service.rules.compatibility_pair import Pair
from service.rules.recipient import antibody_results, can_bear_children, counts, is_newborn

# A screen in no known word may be a positive one.
MAY_BE_POSITIVE = ("positive", UNRECOGNISED)


def antibodies(pair: Pair) -> tuple[Finding, ...]:
    """COMP-03: a unit typed positive for an antigen the patient reacts to is refused."""
    if not pair.bag.bears_red_cells:
        return ()
    results = _results(pair)
    told = [fact.body for fact in results]
    if not any(result.screen is not None or result.antibodies for result in told):
        text = "No antibody screen of the patient is known."
        return pair.say("COMP-03").missing(
            "antibody-screen-missing", text, ("antibody screen",), also=pair.also()
        )
    keys = [fact.key for fact in results]
    antigens = _antigens(pair, results)
    if any(result.screen in MAY_BE_POSITIVE for result in told) and not _named(results):
        text = "The antibody screen is positive, or not read, and no antibody was named."
        also, lacking = pair.also(*keys), ("antibody identification",)
        return pair.say("COMP-03").missing("antibody-not-identified", text, lacking, also=also)
    return _against_unit(pair, antigens, keys, _passive(results))


def kell(pair: Pair) -> tuple[Finding, ...]:
    """COMP-03 with the K-negative policy on: for patients who can bear children."""
    verdict, typed = pair.verdict("kell-as"), pair.bag.antigens.get("K")
    wanted = (
        pair.bag.bears_red_cells
        and pair.on("kell-negative")
        and can_bear_children(pair.who, pair.pre.policy, pair.pre.at)
    )
    if not wanted or verdict is None or typed is False:
        return ()
    if "K" in _antigens(pair, _results(pair)):
        return ()
    also = pair.also(*pair.who.facts, cited=pair.cited("kell-negative", "kell-as"))
    asked = "for a patient who can bear children, for whom K-negative is asked"
    say = pair.say("COMP-03")
    if typed:
        text = f"K-positive {pair.bag.name} {asked}."
        return say.failed("kell-positive-unit", text, verdict=verdict, also=also)
    text = f"{pair.bag.name.capitalize()} not typed for K {asked}."
    return say.missing("kell-not-typed", text, ("unit typing for K",), verdict=verdict, also=also)


def _results(pair: Pair) -> tuple[Fact[AntibodyResult], ...]:
    newborn = is_newborn(pair.who, pair.pre.policy, pair.pre.at)
    return antibody_results(pair.pre.case, pair.pre.site, pair.pre.at, newborn=newborn)


def _named(results: tuple[Fact[AntibodyResult], ...]) -> tuple[Antibody, ...]:
    return tuple(antibody for fact in results for antibody in fact.body.antibodies)


def _antigens(pair: Pair, results: tuple[Fact[AntibodyResult], ...]) -> tuple[str, ...]:
    """Antigens the patient reacts to. Anti-D of a patient who is not positive is COMP-02's."""
    own = {antibody.antigen for antibody in _named(results) if not antibody.passive}
    if pair.who.typed.rhd != "positive":
        own.discard("D")
    return tuple(sorted(a for a in own if counts(a, pair.pre.policy, pair.pre.at)))


def _passive(results: tuple[Fact[AntibodyResult], ...]) -> tuple[tuple[str, str], ...]:
    found = {antibody.antigen for antibody in _named(results) if antibody.passive}
    return tuple(("passive antibody", f"anti-{antigen}") for antigen in sorted(found))


def _typed(pair: Pair, antigen: str) -> bool | None:
    if antigen == "D" and pair.bag.rhd is not None:
        return pair.bag.rhd == "positive"
    return pair.bag.antigens.get(antigen)


def _against_unit(
    pair: Pair, antigens: tuple[str, ...], keys: list[str], passive: tuple[tuple[str, str], ...]
) -> tuple[Finding, ...]:
    say, also = pair.say("COMP-03"), pair.also(*keys, shown=passive)
    positive = [antigen for antigen in antigens if _typed(pair, antigen)]
    untyped = [antigen for antigen in antigens if _typed(pair, antigen) is None]
    if positive:
        verdict, quoted = pair.softened()
        text = f"The unit is {_list(positive)} positive and the patient has or had the antibody."
        also = pair.also(*keys, cited=quoted, shown=(*passive, *pair.concession))
        return say.failed("antigen-positive-for-antibody", text, verdict=verdict, also=also)
    if untyped:
        text = f"The unit is not typed for {_list(untyped)}, against which the patient has or had"
        lacking = tuple(f"unit typing for {antigen}" for antigen in untyped)
        return say.missing("antigen-not-typed", f"{text} an antibody.", lacking, also=also)
    text = "No antibody on record is against an antigen of the unit."
    return say.passed("no-antibody-against-unit", text, also=also)


def _list(antigens: list[str]) -> str:
    return ", ".join(antigens)
