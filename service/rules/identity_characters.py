"""Characters that deceive the eye: invisible ones, and letters of two scripts in one word.

Comparing is exact, so they never make two texts equal; they make two unequal ones look equal.
"""

import re
from collections import Counter
from unicodedata import category, decomposition, name, normalize

# What a reader takes for nothing, or for a plain space, by Unicode general category.
UNSEEN = frozenset({"Cc", "Cf", "Cn", "Co", "Cs", "Zl", "Zp", "Zs"})
# Ignorable by default although their category is that of a letter or a mark.
FILLERS = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u3164\uffa0") | {
    *map(chr, range(0x180B, 0x1810)),
    *map(chr, range(0xFE00, 0xFE10)),
    *map(chr, range(0xE0100, 0xE01F0)),
}
# Scripts that one word of a language may mix.
EAST_ASIAN = frozenset({"CJK", "HIRAGANA", "KATAKANA", "HANGUL", "BOPOMOFO", "IDEOGRAPHIC"})
_WORD = re.compile(r"[^\W\d_]+")


def deceptive(text: str) -> tuple[str, ...]:
    """The characters of a text that cannot be told by eye, named, each once.

    Invisible ones; stand-ins for plain letters and digits (full width, mathematical); and in a word
    of several scripts the letters that are not of its commonest one.
    """
    if text.isascii() and text.isprintable():
        return ()
    composed = normalize("NFC", text)
    found = {letter for letter in composed if _is_unseen(letter) or _stands_in(letter)}
    for word in _WORD.findall(composed):
        found |= _foreign(word)
    return tuple(named(letter) for letter in sorted(found))


def telling(one: str, other: str) -> tuple[str, ...]:
    """What tells two unequal texts apart where the eye may not; () for texts of one script."""
    found = dict.fromkeys((*deceptive(one), *deceptive(other)))
    mine, theirs = _letters(one), _letters(other)
    if _scripts(mine) != _scripts(theirs):
        strange = sorted(letter for letter in mine ^ theirs if not letter.isascii())
        found |= dict.fromkeys(named(letter) for letter in strange)
    return tuple(found)


def named(letter: str) -> str:
    """A character as ``U+0410 CYRILLIC CAPITAL LETTER A``."""
    return f"U+{ord(letter):04X} {name(letter, 'without a name')}"


def _is_unseen(letter: str) -> bool:
    return letter != " " and (category(letter) in UNSEEN or letter in FILLERS)


def _stands_in(letter: str) -> bool:
    """A letter or number that is only another shape of plain ones, or a digit of other shape."""
    kind = category(letter)
    shaped = kind[0] in "LN" and decomposition(letter).startswith("<")
    return shaped or (kind == "Nd" and not letter.isascii())


def _foreign(word: str) -> set[str]:
    counted = Counter(_script(letter) for letter in word)
    if len(counted) < 2:
        return set()
    own, _ = min(counted.items(), key=lambda pair: (-pair[1], pair[0] != "LATIN", pair[0]))
    return {letter for letter in word if _script(letter) != own}


def _letters(text: str) -> set[str]:
    return {letter for letter in normalize("NFC", text) if letter.isalpha()}


def _scripts(letters: set[str]) -> set[str]:
    return {_script(letter) for letter in letters}


def _script(letter: str) -> str:
    """The first word of the character's name, which for letters is the script."""
    found = name(letter, "UNKNOWN").partition(" ")[0].partition("-")[0]
    return "EAST ASIAN" if found in EAST_ASIAN else found
