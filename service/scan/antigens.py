"""Typed red-cell antigens: structures 012 (ST-001 6.2.2, table 9) and 030 (tables 22 and 23).

The two last digits of structure 012 name one more negative antigen from a long table; it is not
read, so that antigen stays unknown. Other characteristics (CMV, HbS, IgA) are not read either.
"""

Antigens = tuple[tuple[str, bool], ...]

_RH = ("C", "c", "E", "e")
_RH_MARKS = ("+-+-", "+++-", "-++-", "+-++", "++++", "-+++", "+--+", "++-+", "-+-+")
# Positions 2 to 16: the pair of antigens whose results one digit gives.
_PAIRS: tuple[tuple[str, str], ...] = (
    ("K", "k"),
    ("Cw", "Mia"),
    ("M", "N"),
    ("S", "s"),
    ("U", "P1"),
    ("Lua", "Kpa"),
    ("Lea", "Leb"),
    ("Fya", "Fyb"),
    ("Jka", "Jkb"),
    ("Doa", "Dob"),
    ("Ina", "Cob"),
    ("Dia", "VS/V"),
    ("Jsa", "C"),
    ("c", "E"),
    ("e", "CMV"),
)
NOT_AN_ANTIGEN = "CMV"
_RESULTS: dict[str, bool | None] = {"t": None, "n": False, "p": True}
# Digits 0 to 8: not tested, negative or positive, for the first and the second of the pair.
_DIGITS = ("tt", "tn", "tp", "nt", "nn", "np", "pt", "pn", "pp")
NO_INFORMATION = 9

# ISBT antigen numbers that a published FHIR example spells out (red-cell-antigen example).
_NUMBERED = {"004002": "C", "004003": "E", "004004": "c", "004005": "e", "006001": "K"}
_INTERPRETATIONS = {"01": False, "03": False, "05": False, "02": True, "04": True, "06": True}
SEGMENT = 10


def general(content: str) -> Antigens | None:
    """The antigens of structure 012; None when the Rh antigens are given in both forms.

    Table 9: Rh antigens come either as a phenotype (position 1) or singly (positions 14 to 16).
    """
    digits = [int(digit) for digit in content[:16]]
    singly = [found for i, digit in enumerate(digits[1:]) for found in _pair(_PAIRS[i], digit)]
    if digits[0] == NO_INFORMATION:
        return tuple(singly)
    if any(antigen in _RH for antigen, _ in singly):
        return None
    marks = _RH_MARKS[digits[0]]
    rh = tuple((name, mark == "+") for name, mark in zip(_RH, marks, strict=True))
    return rh + tuple(singly)


def _pair(names: tuple[str, str], digit: int) -> list[tuple[str, bool]]:
    if digit == NO_INFORMATION:
        return []
    results = zip(names, (_RESULTS[letter] for letter in _DIGITS[digit]), strict=True)
    return [(n, found) for n, found in results if found is not None and n != NOT_AN_ANTIGEN]


def with_history(content: str) -> Antigens | None:
    """The antigens of structure 030 whose numbers are known here; None for an unknown result."""
    segments = [content[i : i + SEGMENT] for i in range(3, len(content), SEGMENT)]
    if any(segment[6:8] not in _INTERPRETATIONS for segment in segments):
        return None
    return tuple(
        (_NUMBERED[segment[:6]], _INTERPRETATIONS[segment[6:8]])
        for segment in segments
        if segment[:6] in _NUMBERED
    )
