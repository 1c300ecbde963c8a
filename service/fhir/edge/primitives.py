"""The primitive types: what each accepts, and plain words for what it does not.

Formats are those of the FHIR R4 and R5 data types pages. Every pattern is linear in the length of
the text and matched against the whole of it; a published one that is not (base64Binary in R4) is
replaced by a decoder.
"""

import binascii
import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

MAX_ID = 64
MAX_STRING = 1024 * 1024
MAX_TIME = 64  # characters; beyond it no published format fits

Check = Callable[[Any], str | None]

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_ID = re.compile(r"[A-Za-z0-9.-]{1,64}")
_OID = re.compile(r"urn:oid:[0-2](?:\.(?:0|[1-9][0-9]*))+")
_UUID = re.compile(r"urn:uuid:[0-9a-fA-F]{8}-(?:[0-9a-fA-F]{4}-){3}[0-9a-fA-F]{12}")
_CLOCK = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]:(?:[0-5][0-9]|60)(?:\.[0-9]+)?"
_OFFSET = r"(?:Z|[+-](?:(?:0[0-9]|1[0-3]):[0-5][0-9]|14:00))"
_DAY = r"(?P<day>[0-9]{4}-[0-9]{2}-[0-9]{2})"
_TIME = re.compile(_CLOCK)
_MONTH = re.compile(r"(?P<year>[0-9]{4})(?:-(?:0[1-9]|1[0-2]))?")
_DATE = re.compile(_DAY)
_INSTANT = re.compile(f"{_DAY}T{_CLOCK}{_OFFSET}")
_NO_OFFSET = re.compile(f"{_DAY}T{_CLOCK}")

OFFSET_MISSING = (
    "has a time without an offset from UTC; write for example 2026-11-24T08:00:00-05:00 or ...Z"
)
TEXT = "must be a JSON string"


def _string(value: Any) -> str | None:
    if type(value) is not str:
        return TEXT
    if not value or value.isspace():
        return "must not be empty"
    if len(value) > MAX_STRING:
        return "is longer than 1 MB"
    if value.isprintable():
        return None
    return "holds a control character" if _CONTROL.search(value) else None


def _uri(value: Any) -> str | None:
    wrong = _string(value)
    if wrong is None and any(character.isspace() for character in value):
        return "must not hold spaces"
    return wrong


def _code(value: Any) -> str | None:
    wrong = _string(value)
    if wrong is None and " ".join(value.split()) != value:
        return "is not a code: it has spaces around it or doubled"
    return wrong


def _identity(value: Any) -> str | None:
    if type(value) is not str:
        return TEXT
    if _ID.fullmatch(value):
        return None
    return f"must have 1 to {MAX_ID} characters out of letters, digits, - and ."


def _pattern(pattern: re.Pattern[str], wrong: str) -> Check:
    def check(value: Any) -> str | None:
        if type(value) is not str:
            return TEXT
        fits = len(value) <= MAX_STRING and pattern.fullmatch(value)
        return None if fits else wrong

    return check


def _boolean(value: Any) -> str | None:
    return None if type(value) is bool else "must be true or false without quotes"


def _integer(least: int, most: int, words: str) -> Check:
    def check(value: Any) -> str | None:
        if type(value) is not int:
            return "must be a JSON number without fraction"
        return None if least <= value <= most else f"must be {words}"

    return check


def _integer64(value: Any) -> str | None:
    if type(value) is not str:
        return "must be a JSON string of digits"
    digits = value.removeprefix("-")
    is_number = digits.isascii() and digits.isdigit() and len(digits) <= len(str(2**63))
    if is_number and -(2**63) <= int(value) < 2**63:
        return None
    return "must be a whole number of 64 bits"


def _decimal(value: Any) -> str | None:
    if type(value) is Decimal:
        return None if value.is_finite() else "must be a number"
    return None if type(value) in (int, float) else "must be a JSON number without quotes"


def _real_day(text: str) -> bool:
    try:
        date(int(text[:4]), int(text[5:7]), int(text[8:10]))
    except ValueError:
        return False
    return True


def _date(value: Any) -> str | None:
    if type(value) is not str:
        return TEXT
    return None if _is_date(value) else "is not a date: YYYY, YYYY-MM or YYYY-MM-DD"


def _is_date(text: str) -> bool:
    if len(text) > MAX_TIME:
        return False
    if _DATE.fullmatch(text):
        return _real_day(text)
    month = _MONTH.fullmatch(text)
    return month is not None and month["year"] != "0000"


def _moment(value: Any, wrong: str) -> str | None:
    if type(value) is not str:
        return TEXT
    if len(value) > MAX_TIME:
        return wrong
    if _INSTANT.fullmatch(value):
        return None if _real_day(value) else "names a day that does not exist"
    return OFFSET_MISSING if _NO_OFFSET.fullmatch(value) else wrong


def _date_time(value: Any) -> str | None:
    if type(value) is str and _is_date(value):
        return None
    wrong = "is not a date, nor a date and time with seconds and an offset from UTC"
    return _moment(value, wrong)


def _instant(value: Any) -> str | None:
    return _moment(value, "is not a full date and time with seconds and an offset from UTC")


def _base64(value: Any) -> str | None:
    if type(value) is not str:
        return TEXT
    try:
        binascii.a2b_base64("".join(value.split()).encode("ascii"), strict_mode=True)
    except (ValueError, UnicodeEncodeError):
        return "is not base64"
    return None if value else "must not be empty"


def _xhtml(value: Any) -> str | None:
    wrong = _string(value)
    if wrong is None and not value.lstrip().startswith("<div"):
        return "must be one XHTML div"
    return wrong


CHECKS: dict[str, Check] = {
    "base64Binary": _base64,
    "boolean": _boolean,
    "canonical": _uri,
    "code": _code,
    "date": _date,
    "dateTime": _date_time,
    "decimal": _decimal,
    "id": _identity,
    "instant": _instant,
    "integer": _integer(-(2**31), 2**31 - 1, "a whole number of 32 bits"),
    "integer64": _integer64,
    "markdown": _string,
    "oid": _pattern(_OID, "is not an OID as urn:oid:..."),
    "positiveInt": _integer(1, 2**31 - 1, "a whole number from 1"),
    "string": _string,
    "time": _pattern(_TIME, "is not a time of day as hh:mm:ss"),
    "unsignedInt": _integer(0, 2**31 - 1, "a whole number from 0"),
    "uri": _uri,
    "url": _uri,
    "uuid": _pattern(_UUID, "is not a UUID as urn:uuid:..."),
    "xhtml": _xhtml,
}
WRONG_JSON = frozenset(
    {
        TEXT,
        "must be true or false without quotes",
        "must be a JSON number without fraction",
        "must be a JSON number without quotes",
        "must be a JSON string of digits",
    }
)
