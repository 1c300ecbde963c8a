"""The words that policy files may use, their order of gravity, and the form of a source."""

import re

GRAVITY: tuple[str, ...] = (
    "off",
    "no-objection",
    "continue",
    "accept",
    "note",
    "reminder",
    "task",
    "watch",
    "caution",
    "pause",
    "authorise",
    "stop",
    "refuse",
    "discard",
)
"""Every severity word, mildest first, so that one policy can be called milder than another."""

VERDICT_WORDS = frozenset({"no-objection", "note", "caution", "authorise", "refuse"})
ADVICE_WORDS = frozenset({"continue", "watch", "pause", "stop"})
RETURN_WORDS = frozenset({"accept", "discard"})
WARD_WORDS = frozenset({"reminder", "task", "note", "caution"})

FAMILIES: tuple[frozenset[str], ...] = (VERDICT_WORDS, ADVICE_WORDS, RETURN_WORDS, WARD_WORDS)

TIME_UNITS = frozenset({"s", "min", "h", "d"})

_TAG = re.compile(r"S\d{2,3}")
_UNPUBLISHED = re.compile(r"common practice, no source|derived(: .+)?|from memory: .+")


def milder(word: str, than: str) -> bool:
    """True if one severity word is milder than another. Both must be words of GRAVITY."""
    return GRAVITY.index(word) < GRAVITY.index(than)


def family(*words: str) -> frozenset[str]:
    """The words that a rule may use instead of the given ones: their kin and ``off``.

    A rule may always say again what it says by default, whatever its kin.
    """
    kin = [members for members in FAMILIES if words[0] in members]
    allowed = kin[0] if kin else VERDICT_WORDS
    return allowed | set(words) | {"off"}


def source_tags(source: str) -> tuple[str, ...]:
    """The tags that a row's source names, in order."""
    return tuple(_TAG.findall(source))


def source_fault(source: str, known: frozenset[str]) -> str | None:
    """What is wrong with a source, or None.

    A source is one or more parts joined by ``; ``: tags joined by commas, ``common practice, no
    source``, ``derived`` with or without how, or ``from memory: document, section``.
    """
    for part in source.split("; "):
        if _UNPUBLISHED.fullmatch(part):
            continue
        for tag in part.split(", "):
            if not _TAG.fullmatch(tag):
                return f"'{part}' is neither tags nor one of the marks for unpublished sources"
            if tag not in known:
                return f"{tag} is not in sources.toml"
    return None
