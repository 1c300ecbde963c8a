"""Who checked and who starts (rules.md 2.2: ID-20 to ID-25)."""

from service.facts.case import step_time
from service.facts.fact import Fact
from service.facts.finding import Finding, Stage
from service.facts.identity import Staff
from service.facts.steps import Step
from service.rules.context import Also, PreStart, Stating
from service.rules.identity_band import band_patterns, patient_systems, was_read
from service.rules.identity_match import scanned

COUNTING = ("ID-24", "ID-23", "ID-20")
OWN = "our own id"


def verification(pre: PreStart) -> tuple[Finding, ...]:
    """ID-20, or in its place ID-23 or ID-24: how many checkers, or one with a machine.

    Machine identification comes from the raw scans of band and bag, never from a flag.
    """
    if pre.check is None:
        return ()
    step, say = pre.check.body, _counting(pre)
    if step.band is not None and step.band.read_aloud is False:
        text = "What was read aloud did not match the band."
        return say.failed("read-aloud-differs", text)
    lacking = _inputs_lacking(step)
    if lacking:
        text = f"The check does not show {', '.join(lacking)}."
        return say.missing("checker-input-missing", text, lacking)
    mode = pre.policy.row("checkers", pre.at).words[0]
    two, machine = _distinct(step), _machine(pre, step)
    also = Also(cited=(pre.policy.row("checkers", pre.at).cited,))
    if two or mode == "site-one" or (machine and mode == "two-or-machine"):
        text = "Two people checked." if two else "One person checked, as the policy allows."
        return say.passed("checked", text, also=also)
    if mode == "two":
        text = "Two qualified people must check; a machine does not take the place of one."
        return say.missing("two-qualified-required", text, ("second checker",), also=also)
    text = "There is neither a second checker nor a valid scan of both band and bag."
    if step.second_checker is not None:
        text = "The second checker cannot be told from the first, nor were band and bag scanned."
    return say.missing("second-checker-or-machine", text, ("second checker",), also=also)


def starter(pre: PreStart) -> tuple[Finding, ...]:
    """ID-21: the starter is one of the checkers, and the second checker is another person."""
    if pre.check is None:
        return ()
    step, say = pre.check.body, Stating(pre, "ID-21")
    if step.owner is not None and step.owner.same_as(step.second_checker):
        return say.failed("same-person-twice", "The second checker is the first one again.")
    if pre.stage is not Stage.START or pre.start is None:
        return ()
    also = Also(facts=(pre.check.key, pre.start.key))
    who = pre.start.body.owner
    if who is None or not who.keys:
        text = "Nobody is named as starter by a number of their own."
        return say.missing("starter-unknown", text, ("starter",), also=also)
    if not any(who.same_as(checker) for checker in _checkers(step)):
        shown = (("starter", _name(who)), *(("checker", _name(c)) for c in _checkers(step)))
        text = "The person who started the unit is none of its checkers."
        named = Also(facts=also.facts, shown=shown)
        return say.failed("transfusionist-not-a-verifier", text, also=named)
    return say.passed("starter-checked", "The starter is one of the checkers.", also=also)


def independence(pre: PreStart) -> tuple[Finding, ...]:
    """ID-22: the second check comes a while after the first began, so that it is one of its own."""
    if pre.check is None or not _distinct(pre.check.body):
        return ()
    say, second = Stating(pre, "ID-22"), pre.check.body.second_checked_at
    gap = pre.policy.row("second-check-gap", pre.at)
    also = Also(cited=(gap.cited,))
    if second is None or second.instant is None:
        text = "The time of the second check was not sent."
        return say.missing("second-check-time-missing", text, ("second-checked-at",), also=also)
    if second.instant - step_time(pre.check) < gap.span:
        text = "Both checks bear the same time, so that the second was hardly one of its own."
        return say.failed("checks-not-independent", text, also=also)
    return say.passed("checks-independent", "The second check has a time of its own.", also=also)


def roles(pre: PreStart) -> tuple[Finding, ...]:
    """ID-25: starter and checkers hold a role that may; silent where a role is not sent."""
    allowed = {word for word in pre.policy.row("may-start", pre.at).words if word}
    if not allowed or pre.check is None:
        return ()
    say, people = Stating(pre, "ID-25"), _people(pre, pre.check)
    also = Also(cited=(pre.policy.row("may-start", pre.at).cited,))
    unfit = [person for person in people if person.roles and not person.roles & allowed]
    if unfit:
        shown = tuple((_name(person), ", ".join(sorted(person.roles))) for person in unfit)
        text = "A starter or checker holds no role that may start a unit."
        return say.failed("role-may-not-start", text, also=Also(cited=also.cited, shown=shown))
    if not all(person.roles for person in people):
        text = "The role of a starter or checker was not sent."
        return say.missing("role-unknown", text, ("role",), also=also)
    return say.passed("roles-fit", "Starter and checkers hold a role that may.", also=also)


def _counting(pre: PreStart) -> Stating:
    voices = [Stating(pre, rule) for rule in COUNTING]
    return next((voice for voice in voices if not voice.row.off), voices[-1])


def _inputs_lacking(step: Step) -> tuple[str, ...]:
    """What each checker gives; a band that was not read at all is ID-01's to say."""
    lacking = [] if step.owner is not None and step.owner.keys else ["checker"]
    if step.band is not None and was_read(step.band):
        lacking += [] if step.band.scans else ["band-scan"]
        lacking += [] if step.band.read_aloud is not None else ["read-aloud-match"]
    return tuple(lacking)


def _distinct(step: Step) -> bool:
    """Two persons, shown to be two; a name or the number of a role shows nobody."""
    first, second = step.owner, step.second_checker
    return first is not None and second is not None and told_apart(first, second)


def told_apart(one: Staff, other: Staff) -> bool:
    """True when two mentions are certainly two persons: other numbers of the same kind.

    A staff number and a licence number may be one person's.
    """
    return not one.same_as(other) and bool(_kinds(one) & _kinds(other))


def _kinds(person: Staff) -> frozenset[str]:
    """Where the person's numbers come from; our own ids only where there is no number."""
    found = frozenset(_kind(key) for key in person.keys)
    return found - {OWN} or found


def _kind(key: str) -> str:
    """The system of ``system|value``; of a URL all but its end."""
    system, bar, value = key.partition("|")
    if not bar:
        return OWN
    return f"{system}|{value.rpartition('/')[0]}" if system == "url" else system


def _machine(pre: PreStart, step: Step) -> bool:
    """Both scanned in this check: a scan of the bag at the start comes too late for it."""
    if step.bag is None or not step.bag.scanned or step.band is None:
        return False
    return scanned(step.band, patient_systems(pre), band_patterns(pre))


def _checkers(step: Step) -> tuple[Staff, ...]:
    return tuple(who for who in (step.owner, step.second_checker) if who is not None)


def _people(pre: PreStart, check: Fact[Step]) -> tuple[Staff, ...]:
    """Checkers and starter, each person once."""
    people = list(_checkers(check.body))
    begun = pre.start.body.owner if pre.start is not None else None
    if begun is not None and not any(begun.same_as(person) for person in people):
        people.append(begun)
    return tuple(people)


def _name(person: Staff) -> str:
    return person.display or min(person.keys, default="not named")
