"""Which structure a string is: data identifier first, then length and characters.

ST-001 6.2.2, section 2.2: a string is not interpreted before its data identifier says what it is
and its length and format match that structure. Identifiers and formats: table 2 and section 2.4.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

_FIN = "[A-NP-Z1-9][A-NP-Z0-9]{2}[0-9]{2}"
_DAY = "[0-9]{6}"
_MINUTE = "[0-9]{10}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """One structure. ``name`` is what a person calls it; ``pattern`` is of the data content.

    repeats: for a structure of variable length, the pattern of the whole content, given the
    content's own count.
    """

    number: str
    name: str
    identifier: str
    pattern: re.Pattern[str]
    counted: Callable[[str], re.Pattern[str] | None] | None = None


def _fixed(number: str, name: str, identifier: str, pattern: str) -> Structure:
    return Structure(
        number=number, name=name, identifier=identifier, pattern=re.compile(pattern, re.ASCII)
    )


def _counted(
    number: str, name: str, identifier: str, head: str, count: slice, segment: str
) -> Structure:
    start = re.compile(head, re.ASCII)

    def whole(content: str) -> re.Pattern[str] | None:
        found = start.match(content)
        if found is None:
            return None
        return re.compile(f"{head}(?:{segment}){{{int(content[count])}}}", re.ASCII)

    return Structure(number=number, name=name, identifier=identifier, pattern=start, counted=whole)


DONATION = _fixed("001", "donation number", "=", _FIN + "[0-9]{8}[0-9A-HJ-NPR-Y]{2}")

STRUCTURES: tuple[Structure, ...] = (
    _fixed("002", "blood group", "=%", "[A-Za-z0-9]{2}[A-Z0-9]{2}"),
    _fixed("003", "product code", "=<", "[A-Z][A-Z0-9]{4}[A-Za-z0-9][A-Z0-9][a-z0-9]"),
    _fixed("004", "expiry date", "=>", _DAY),
    _fixed("005", "expiry date and time", "&>", _MINUTE),
    _fixed("006", "collection date", "=*", _DAY),
    _fixed("007", "collection date and time", "&*", _MINUTE),
    _fixed("008", "production date", "=}", _DAY),
    _fixed("009", "production date and time", "&}", _MINUTE),
    _fixed("010", "special testing", "&(", "[A-Z0-9]{5}"),
    _fixed("012", "red-cell antigens", "=\\", "[0-9]{18}"),
    _fixed("013", "red-cell antigens (Finnish table)", "&\\", "[0-9]{18}"),
    _fixed("014", "platelet antigens", "&{", "[0-9]{18}"),
    _fixed("017", "container catalogue number", "=)", "[A-Za-z0-9][A-Z0-9]{2}[A-Za-z0-9]{7}"),
    _fixed("018", "container lot number", "&)", "[A-Za-z0-9]{10}"),
    _fixed("019", "donor number", "=;", _FIN + "[0-9]{16}"),
    _fixed("020", "staff number", "='", _FIN + "[A-Z0-9]{6}"),
    _fixed("021", "item catalogue number", "=-", "[A-Z0-9]{2}[A-Za-z0-9]{8}"),
    _fixed("022", "item lot number", "&-", "[A-Za-z0-9]{10}"),
    _fixed("023", "compound message", "=+", "[0-9]{5}"),
    _fixed("024", "patient's date of birth", "=#", "[0-9]{10}"),
    _counted("025", "patient number", "&#", "[0-9]{4}", slice(2, 4), "[A-Za-z0-9]"),
    _fixed("026", "expiry month", "=]", "[0-9]{6}"),
    _fixed("027", "infection markers", '&"', "[0-9]{18}"),
    _fixed("028", "consignment", "=$", _FIN + "[0-9]{11}"),
    _counted("029", "dimensions", "&$", "[0-9]{2}", slice(0, 2), "[0-9]{14}"),
    _counted("030", "red-cell antigens", "&%", "[0-9]{3}", slice(0, 3), "[0-9]{10}"),
    _fixed("031", "date and time", "=(", "[0-9]{16}"),
    _fixed("032", "product division", "=,", "[A-Za-z0-9]{6}"),
    _fixed("033", "processing facility", "&+", "[A-NP-Z0-9]{5}[A-Z0-9]{6}"),
    _fixed("034", "processor product code", "=/", "[A-NP-Z0-9]{5}[A-Z0-9]{11}"),
    _fixed("035", "lot number", "&,1", "[A-Z0-9]{18}"),
    _fixed("036", "supplemental number", "&,2", "[A-Z0-9]{18}"),
    _fixed("038", "Single European Code", "&,4", "[A-Za-z0-9]{40}"),
)

_BY_IDENTIFIER = {structure.identifier: structure for structure in STRUCTURES}
NAMES: dict[str, str] = {found.number: found.name for found in (DONATION, *STRUCTURES)}
_DONATION_START = re.compile("=[A-NP-Z1-9]", re.ASCII)


def identify(text: str, start: int = 0) -> Structure | None:
    """The structure whose data identifier stands at ``start``, or None."""
    if _DONATION_START.match(text, start):
        return DONATION
    two = _BY_IDENTIFIER.get(text[start : start + 2])
    return two or _BY_IDENTIFIER.get(text[start : start + 3])


def content(structure: Structure, text: str, start: int = 0) -> str | None:
    """The data content at ``start``, as long as the structure is; None when it does not fit."""
    begin = start + len(structure.identifier)
    pattern: re.Pattern[str] | None = structure.pattern
    if structure.counted is not None:
        pattern = structure.counted(text[begin : begin + 4])
    found = pattern.match(text, begin) if pattern else None
    return found.group() if found else None
