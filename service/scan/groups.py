"""Blood groups by ISBT 128 code: ST-001 6.2.2, tables 4, 5 and 6.

ISBT 128 is licensed by ICCBBA; only the short published tables that reading needs are here.
"""

from service.facts.unit import Group, LabelMessage, Restriction

NEGATIVE, POSITIVE = "negative", "positive"

# Table 4, second character of the two-digit numbers: the columns of one row lie in this order,
# counted from the code "for directed use only".
_COLUMNS: tuple[tuple[Restriction, LabelMessage | None], ...] = (
    (Restriction.DIRECTED, None),
    (Restriction.EMERGENCY, None),
    (Restriction.DIRECTED, LabelMessage.BIOHAZARD),
    (Restriction.DIRECTED, None),  # eligible for crossover: the laboratory's decision, not ours
    (Restriction.NONE, None),
    (Restriction.AUTOLOGOUS, None),  # eligible for crossover, likewise
    (Restriction.AUTOLOGOUS, None),
    (Restriction.AUTOLOGOUS, LabelMessage.BIOHAZARD),
)
_NUMBERED: dict[int, tuple[str, str]] = {
    91: ("O", NEGATIVE),
    47: ("O", POSITIVE),
    2: ("A", NEGATIVE),
    58: ("A", POSITIVE),
    13: ("B", NEGATIVE),
    69: ("B", POSITIVE),
    24: ("AB", NEGATIVE),
    80: ("AB", POSITIVE),
}
# Rows whose codes are a letter and the column 2 to 9; the default column is 6, but for the groups
# without RhD, which have a number of their own.
_LETTERED: dict[str, tuple[str | None, str | None]] = {
    "P": ("O", None),
    "A": ("A", None),
    "B": ("B", None),
    "C": ("AB", None),
    "D": (None, NEGATIVE),  # para-Bombay
    "E": (None, POSITIVE),
    "G": (None, NEGATIVE),  # Bombay
    "H": (None, POSITIVE),
    "I": (None, NEGATIVE),  # O para-Bombay and, below, A, B and AB para-Bombay
    "J": (None, POSITIVE),
    "K": (None, NEGATIVE),
    "L": (None, NEGATIVE),
    "M": (None, NEGATIVE),
    "N": (None, POSITIVE),
    "O": (None, POSITIVE),
    "Q": (None, POSITIVE),
}
_WITHOUT_RHD = {"55": "O", "66": "A", "77": "B", "88": "AB"}
_POOLED: dict[str, Group] = {
    "A0": Group(abo="A"),
    "B0": Group(abo="B"),
    "C0": Group(abo="AB"),
    "D0": Group(abo="O"),
    "E0": Group(rhd=POSITIVE, pooled=True),
    "F0": Group(rhd=NEGATIVE, pooled=True),
    "G0": Group(pooled=True),
    "H0": Group(pooled=True),
    "I0": Group(abo="A"),
    "J0": Group(abo="A"),
    "K0": Group(abo="AB"),
    "L0": Group(abo="AB"),
}
_MESSAGES: dict[str, Group] = {
    "00": Group(message=LabelMessage.NO_INFORMATION),
    "Ma": Group(message=LabelMessage.AUTOLOGOUS, restriction=Restriction.AUTOLOGOUS),
    "Mb": Group(message=LabelMessage.BIOHAZARD),
    "Md": Group(message=LabelMessage.DISCARD),
    "Mf": Group(message=LabelMessage.FRACTIONATION_ONLY),
    "Mq": Group(message=LabelMessage.QUARANTINE),
    "Mr": Group(message=LabelMessage.RESEARCH),
    "Mx": Group(message=LabelMessage.NOT_FOR_TRANSFUSION),
}


def _row(abo: str | None, rhd: str | None) -> list[Group]:
    return [
        Group(abo=abo, rhd=rhd, restriction=restriction, message=message)
        for restriction, message in _COLUMNS
    ]


def _table() -> dict[str, Group]:
    table = {**_POOLED, **_MESSAGES}
    table |= {code: Group(abo=abo) for code, abo in _WITHOUT_RHD.items()}
    for first, (abo, rhd) in _NUMBERED.items():
        table |= {f"{first + i:02}": group for i, group in enumerate(_row(abo, rhd))}
    for letter, row in _LETTERED.items():
        columns = {f"{letter}{column}": g for column, g in enumerate(_row(*row), start=2)}
        if letter in "PABC":  # the default of these rows is a number of its own
            del columns[f"{letter}6"]
        table |= columns
    return table


GROUPS: dict[str, Group] = _table()

_MARKS = ("-+-+", "++-+", "++++", "+++-", "-+++", "-++-", "+--+", "+-++", "+-+-")  # C c E e
_RH: dict[str, tuple[tuple[str, bool], ...]] = {
    str(digit): tuple(zip("CcEe", (mark == "+" for mark in marks), strict=True))
    for digit, marks in enumerate(_MARKS, start=1)
} | {"0": (), "X": (("C", False), ("E", False))}

# Table 6, three columns: the Rh digit alone, with K negative, with K positive.
_KELL: dict[str, tuple[str, bool | None]] = {
    char: (digit, kell)
    for column, kell in (("0123456789X", None), ("SABCDEFGHIY", False), ("TJKLMNOPQRZ", True))
    for char, digit in zip(column, "0123456789X", strict=True)
}
_MIA: dict[str, tuple[tuple[str, bool], ...]] = {"U": (("Mia", False),), "V": (("Mia", True),)}


def group_of(code: str) -> Group | None:
    """The group or special message of a two-character code (``gg``), or None for any other.

    The code is case-sensitive. Messages for tissue (T1 to T6) are not groups of a unit: None.
    """
    return GROUPS.get(code)


def phenotype_of(code: str) -> tuple[tuple[str, bool], ...] | None:
    """The antigens of the character ``r`` of table 6; None when it is not in the table.

    ``W`` says that they are in another scan: empty.
    """
    if code == "W":
        return ()
    if code in _MIA:
        return _MIA[code]
    if code not in _KELL:
        return None
    digit, kell = _KELL[code]
    return _RH[digit] if kell is None else (*_RH[digit], ("K", kell))
