"""FHIR's data types as plain values: dates, identifiers, concepts, references, value[x]."""

import re
from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, TypeVar

from service.facts.identity import Identifier, PersonName
from service.facts.moment import Moment, in_utc

Json = dict[str, Any]
T = TypeVar("T")

NO_TIME = "there is no such date or time"

_PARTIAL = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?")
_INSTANT = re.compile(
    r"(\d{4}-\d{2}-\d{2}T\d{2}:\d{2}):(\d{2})(\.\d+)?(Z|[+-](?:0\d|1[0-3]):[0-5]\d|[+-]14:00)"
)
_ZONELESS = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}(\.\d+)?)?")


def each(element: Json, name: str) -> list[Json]:
    """The complex values under a name, one or many, in order."""
    found = element.get(name)
    held = found if isinstance(found, list) else [found]
    return [value for value in held if isinstance(value, dict)]


def one(element: Json, name: str) -> Json:
    """The first complex value under a name, or an empty one."""
    return next(iter(each(element, name)), {})


def text_of(element: Json, name: str) -> str | None:
    """A string without the white space around it; None when empty or not sent."""
    found = element.get(name)
    return found.strip() or None if isinstance(found, str) else None


def flag_of(element: Json, name: str) -> bool | None:
    """A boolean, or None when not sent."""
    found = element.get(name)
    return found if isinstance(found, bool) else None


def choice(element: Json, stem: str) -> tuple[str, Any] | None:
    """What a ``stem[x]`` holds: its type as in the name (``DateTime``, ``Quantity``), its value."""
    for name, value in element.items():
        suffix = name.removeprefix(stem)
        if name.startswith(stem) and suffix[:1].isupper():
            return suffix, value
    return None


def chosen(element: Json, stem: str, *types: str) -> Any:
    """The value of a ``stem[x]`` when it has one of the types, else None."""
    found = choice(element, stem)
    return found[1] if found and found[0] in types else None


def parse_moment(text: str) -> Moment:
    """A FHIR date, dateTime or instant, as exact as it was sent.

    Raises ValueError, in plain words, for a time without a zone or anything else FHIR refuses. A
    leap second counts as the second after it.
    """
    if _PARTIAL.fullmatch(text):
        _checked(lambda: date.fromisoformat(text + "-01-01"[len(text) - 4 :]))
        return Moment(text=text)
    found = _INSTANT.fullmatch(text)
    if found is None:
        zoneless = _ZONELESS.fullmatch(text)
        raise ValueError("a time needs seconds and a time zone" if zoneless else NO_TIME)
    minute, second, fraction, offset = found.groups()
    spare = timedelta(seconds=int(second) == 60)
    whole = f"{minute}:{59 if spare else second}{(fraction or '')[:7]}{offset}"
    instant = _checked(lambda: datetime.fromisoformat(whole))
    return Moment(text=text, instant=in_utc(instant, spare))


def _checked(parse: Callable[[], T]) -> T:
    """A parse whose error says nothing of what was sent."""
    try:
        return parse()
    except ValueError:
        raise ValueError(NO_TIME) from None


def identifier_of(element: Json) -> Identifier | None:
    """An identifier that can be compared: one with both system and value."""
    system, value = text_of(element, "system"), text_of(element, "value")
    return Identifier(system, value) if system and value else None


def codings(concept: Json) -> list[Json]:
    """The codings of a CodeableConcept."""
    return each(concept, "coding")


def wording(concept: Json) -> str | None:
    """What a CodeableConcept says to a reader: its text, else a display, else a code."""
    found = [text_of(concept, "text")]
    found += [text_of(coding, "display") for coding in codings(concept)]
    found += [text_of(coding, "code") for coding in codings(concept)]
    return next((text for text in found if text), None)


def number_of(value: Any) -> Decimal | None:
    """A JSON number as a Decimal with the digits that were sent."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        return None
    return value if isinstance(value, Decimal) else Decimal(str(value))


def person_name(name: Json) -> PersonName:
    """A HumanName; the given names joined by one space."""
    given = " ".join(part.strip() for part in name.get("given", ()) if isinstance(part, str))
    return PersonName(family=text_of(name, "family"), given=given or None)


def name_text(name: Json) -> str | None:
    """A HumanName as one text."""
    parts = person_name(name)
    joined = " ".join(part for part in (parts.given, parts.family) if part)
    return text_of(name, "text") or joined or None
