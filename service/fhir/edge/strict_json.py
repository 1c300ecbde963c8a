"""JSON that means one thing only, with decimals kept as they were written.

Numbers with a fraction or an exponent become Decimal, integers int. What ordinary parsers let
through (a repeated key, NaN, a lone surrogate, a byte order mark) is refused: a status hidden
behind a second status must not reach a rule, and text that a store cannot hold must not be a
server error.
"""

import json
import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, NoReturn

import msgspec

from service.errors import BadInput, Problem

MAX_DEPTH = 64
MAX_ELEMENTS = 50_000
MAX_NUMBER = 100  # characters of one number
MAX_EXPONENT = 308  # what a double can still hold, so that no reader sees infinity

_BOM = b"\xef\xbb\xbf"
_ESCAPED_NUL = rb"\u0000"
_ESCAPED_SURROGATE = re.compile(rb"\\u[dD][89a-fA-F]")
_ENCODER = msgspec.json.Encoder(decimal_format="number")


def parse(body: bytes) -> Any:
    """The value of a UTF-8 JSON text.

    Raises BadInput (400, one fatal problem) for anything but one whole JSON value: bytes that are
    not UTF-8, a byte order mark, a key twice in one object, NaN or Infinity, a number of more than
    100 characters or beyond the range of a double, a NUL or a lone surrogate in a string, more than
    64 levels, more than 50,000 elements.
    """
    if body.startswith(_BOM):
        _refuse("The body starts with a byte order mark; JSON has none.")
    text = _decoded(body)
    brackets = body.count(b"{") + body.count(b"[")
    if brackets + body.count(b",") > MAX_ELEMENTS:
        _refuse(f"The body has more than {MAX_ELEMENTS} elements.")
    try:
        value = _DECODER.decode(text)
    except json.JSONDecodeError as error:
        _refuse(f"The body is not JSON: {error.msg} at character {error.pos}.")
    except RecursionError:
        _refuse_depth()
    if brackets > MAX_DEPTH:
        _limit_depth(value)
    if _ESCAPED_NUL in body or _ESCAPED_SURROGATE.search(body):
        _check_strings(value)
    return value


def dump(value: Any) -> bytes:
    """The JSON of plain dicts, lists and scalars; decimals as they were written, 37.10 as 37.10.

    Raises ValueError for a Decimal that is not finite, UnicodeEncodeError for a lone surrogate.
    """
    encoded = _ENCODER.encode(value)
    if b"NaN" in encoded or b"Infinity" in encoded:
        _check_finite(value)
    return encoded


def _decoded(body: bytes) -> str:
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError as error:
        _refuse(f"The body is not UTF-8: byte {error.start}.")


def _refuse(text: str) -> NoReturn:
    raise BadInput(400, Problem(code="structure", text=text, severity="fatal"))


def _refuse_depth() -> NoReturn:
    _refuse(f"The body is nested more than {MAX_DEPTH} levels deep.")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        _refuse("An object has the same key twice.")
    return found


def _integer(text: str) -> int:
    if len(text) > MAX_NUMBER:
        _refuse(f"A number has more than {MAX_NUMBER} characters.")
    return int(text)


def _decimal(text: str) -> Decimal:
    if len(text) > MAX_NUMBER:
        _refuse(f"A number has more than {MAX_NUMBER} characters.")
    exponent = text.lower().partition("e")[2]
    number = Decimal(text) if len(exponent) <= len("-9999") else None
    if number is None or number.adjusted() > MAX_EXPONENT:
        _refuse("A number is outside the range that other systems can hold.")
    return number


def _constant(name: str) -> NoReturn:
    _refuse(f"{name} is not a JSON number.")


_DECODER = json.JSONDecoder(
    object_pairs_hook=_object,
    parse_int=_integer,
    parse_float=_decimal,
    parse_constant=_constant,
)


def _limit_depth(value: Any) -> None:
    level = [value]
    for _ in range(MAX_DEPTH):
        level = [inner for outer in level for inner in _inside(outer)]
        if not level:
            return
    _refuse_depth()


def _inside(value: Any) -> Iterator[Any]:
    """The objects and arrays directly inside one."""
    if isinstance(value, dict):
        value = value.values()
    elif not isinstance(value, list):
        return
    for held in value:
        if isinstance(held, (dict, list)):
            yield held


def _check_strings(value: Any) -> None:
    for text in _strings(value):
        if "\0" in text:
            _refuse("A string holds the character NUL.")
        if any("\ud800" <= character <= "\udfff" for character in text):
            _refuse("A string holds half of a surrogate pair.")


def _strings(value: Any) -> Iterator[str]:
    waiting = [value]
    while waiting:
        found = waiting.pop()
        if isinstance(found, str):
            yield found
        elif isinstance(found, dict):
            waiting.extend(found)
            waiting.extend(found.values())
        elif isinstance(found, list):
            waiting.extend(found)


def _check_finite(value: Any) -> None:
    waiting = [value]
    while waiting:
        found = waiting.pop()
        if isinstance(found, Decimal) and not found.is_finite():
            raise ValueError("JSON has no number for NaN and infinity")
        if isinstance(found, dict):
            waiting.extend(found.values())
        elif isinstance(found, (list, tuple)):
            waiting.extend(found)
