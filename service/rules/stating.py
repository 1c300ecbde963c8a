"""Statements before the start whose word is not the rule row's own."""

from dataclasses import replace

from service.facts.finding import Finding
from service.policy.policy import VERDICTS
from service.rules.context import Also, Stating

NOTHING = Also()


def failed_as(
    say: Stating, word: str, reason: str, text: str, *, also: Also = NOTHING
) -> tuple[Finding, ...]:
    """The rule was not met, in the word of another policy row; nothing where that says ``off``."""
    verdict = VERDICTS.get(word)
    return () if verdict is None else say.failed(reason, text, verdict=verdict, also=also)


def in_part(
    say: Stating, reason: str, text: str, missing: tuple[str, ...], *, also: Also = NOTHING
) -> tuple[Finding, ...]:
    """What could be checked was met, the rest was not checked: no verdict, and what is missing.

    Not for a rule whose own *when missing* verdict covers what is missing.
    """
    met = say.met(reason, text, also=also)
    return tuple(replace(finding, verdict=None, known=False, missing=missing) for finding in met)


def not_checked(
    say: Stating, reason: str, text: str, missing: tuple[str, ...]
) -> tuple[Finding, ...]:
    """The data is missing and another rule says so: listed, so that one cause prompts once."""
    lacking = say.missing(reason, text, missing)
    return tuple(replace(finding, verdict=None, remedy=None) for finding in lacking)
