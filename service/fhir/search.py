"""The values under which a resource is found, and the parameters that each type takes."""

from calendar import monthrange
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from service.facts.moment import in_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchValue:
    """One value under which a resource is found.

    kind: token (``system``, ``value``), date (``low``, ``high``: the UTC instants the value may
    mean), reference (``value`` is ``Type/id``; ``system`` and ``extra`` its identifier).
    """

    param: str
    kind: str
    system: str | None = None
    value: str | None = None
    extra: str | None = None
    low: datetime | None = None
    high: datetime | None = None


@dataclass(frozen=True, slots=True)
class Parameter:
    """A search parameter of one type: its kind and the element paths it looks at.

    A path is dotted; ``x`` at the end of a name stands for any choice of type.
    """

    name: str
    kind: str
    paths: tuple[str, ...]


IDENTIFIER = Parameter("identifier", "token", ("identifier",))
STATUS = Parameter("status", "token", ("status",))
CODE = Parameter("code", "token", ("code",))
SUBJECT = ("subject", "patient", "for")

_PATIENT = Parameter("patient", "reference", SUBJECT)
_SUBJECT = Parameter("subject", "reference", SUBJECT)
_COMMON = (IDENTIFIER, STATUS)

# What R4 and R5 define for these types and this server keeps; names as in the releases' registries.
PARAMETERS: dict[str, tuple[Parameter, ...]] = {
    "Patient": (
        IDENTIFIER,
        Parameter("birthdate", "date", ("birthDate",)),
    ),
    "Encounter": (
        *_COMMON,
        _PATIENT,
        _SUBJECT,
        Parameter("date", "date", ("period", "actualPeriod")),
    ),
    "Location": (IDENTIFIER, STATUS),
    "Practitioner": (IDENTIFIER,),
    "PractitionerRole": (
        IDENTIFIER,
        Parameter("practitioner", "reference", ("practitioner",)),
    ),
    "ServiceRequest": (
        *_COMMON,
        CODE,
        _PATIENT,
        _SUBJECT,
        Parameter("authored", "date", ("authoredOn",)),
        Parameter("occurrence", "date", ("occurrenceDateTime", "occurrencePeriod")),
    ),
    "Consent": (
        *_COMMON,
        _PATIENT,
        Parameter("date", "date", ("dateTime", "date")),
    ),
    "Specimen": (
        *_COMMON,
        _PATIENT,
        _SUBJECT,
        Parameter("collected", "date", ("collection.collectedDateTime",)),
    ),
    "Observation": (
        *_COMMON,
        CODE,
        _PATIENT,
        _SUBJECT,
        Parameter("date", "date", ("effectiveDateTime", "effectivePeriod", "effectiveInstant")),
    ),
    "BiologicallyDerivedProduct": (
        IDENTIFIER,
        Parameter("code", "token", ("productCode",)),
    ),
    "BiologicallyDerivedProductDispense": (
        *_COMMON,
        _PATIENT,
        Parameter("product", "reference", ("product",)),
    ),
    "Basic": (
        IDENTIFIER,
        CODE,
        _PATIENT,
        _SUBJECT,
    ),
    "MedicationAdministration": (
        *_COMMON,
        _PATIENT,
        _SUBJECT,
        Parameter("effective-time", "date", ("effectiveDateTime", "effectivePeriod")),
        Parameter("date", "date", ("occurenceDateTime", "occurencePeriod")),
    ),
    "Device": (IDENTIFIER,),
    "DeviceUsage": (IDENTIFIER, STATUS, _PATIENT),
    "DeviceUseStatement": (IDENTIFIER, _PATIENT, _SUBJECT),
    "Task": (
        *_COMMON,
        CODE,
        _PATIENT,
        Parameter("subject", "reference", ("for",)),
        Parameter("focus", "reference", ("focus",)),
        Parameter("authored-on", "date", ("authoredOn",)),
        Parameter("period", "date", ("executionPeriod",)),
    ),
    "Procedure": (
        *_COMMON,
        CODE,
        _PATIENT,
        _SUBJECT,
        Parameter("date", "date", ("performedDateTime", "performedPeriod", "occurrencePeriod")),
    ),
}


def values_of(resource: dict[str, Any], release: str) -> tuple[SearchValue, ...]:
    """Every search value of a resource. ``release`` decides nothing yet: paths name both."""
    found: list[SearchValue] = []
    for parameter in PARAMETERS.get(resource["resourceType"], ()):
        for path in parameter.paths:
            for element in _elements(resource, path.split(".")):
                found.extend(_READERS[parameter.kind](parameter.name, element))
    return tuple(dict.fromkeys(found))


def _elements(value: Any, path: list[str]) -> Iterator[Any]:
    if isinstance(value, list):
        for item in value:
            yield from _elements(item, path)
    elif not path:
        yield value
    elif isinstance(value, dict) and path[0] in value:
        yield from _elements(value[path[0]], path[1:])


def _tokens(name: str, element: Any) -> Iterator[SearchValue]:
    if isinstance(element, str):
        yield SearchValue(param=name, kind="token", value=element)
    elif isinstance(element, dict):
        codings = [element, *element.get("coding", ()), element.get("concept", {})]
        codings += element.get("concept", {}).get("coding", ())
        for coding in codings:
            value = coding.get("code") or coding.get("value")
            if isinstance(value, str):
                yield SearchValue(
                    param=name, kind="token", system=coding.get("system"), value=value
                )


def _references(name: str, element: Any) -> Iterator[SearchValue]:
    if not isinstance(element, dict):
        return
    identifier = element.get("identifier") or {}
    literal = element.get("reference")
    if literal or identifier.get("value"):
        yield SearchValue(
            param=name,
            kind="reference",
            value=literal,
            system=identifier.get("system"),
            extra=identifier.get("value"),
        )


def _dates(name: str, element: Any) -> Iterator[SearchValue]:
    if isinstance(element, str):
        low, high = span_of(element)
        yield SearchValue(param=name, kind="date", low=low, high=high)
    elif isinstance(element, dict):
        start, end = element.get("start"), element.get("end")
        begins = span_of(start)[0] if isinstance(start, str) else None
        ends = span_of(end)[1] if isinstance(end, str) else None
        if begins or ends:
            yield SearchValue(param=name, kind="date", low=begins, high=ends)


_READERS: dict[str, Callable[[str, Any], Iterator[SearchValue]]] = {
    "token": _tokens,
    "reference": _references,
    "date": _dates,
}


def span_of(text: str) -> tuple[datetime, datetime]:
    """The first and the last instant that a date, dateTime or instant may mean.

    A time without a zone, and a bare date, are read in UTC (FHIR search leaves it to the server).
    """
    if "T" in text:
        return _second(text)
    year, *rest = (int(part) for part in text.split("-"))
    month = rest[0] if rest else 1
    last_month = rest[0] if rest else 12
    day = rest[1] if len(rest) > 1 else 1
    last_day = rest[1] if len(rest) > 1 else monthrange(year, last_month)[1]
    low = datetime(year, month, day, tzinfo=UTC)
    return low, datetime.combine(date(year, last_month, last_day), time.max, tzinfo=UTC)


_TICK = timedelta(microseconds=1)


def _second(text: str) -> tuple[datetime, datetime]:
    leap = ":60" in text
    instant = datetime.fromisoformat(text.replace(":60", ":59").replace("Z", "+00:00"))
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    low = in_utc(instant, timedelta(seconds=leap))
    if low.microsecond:
        return low, low
    return low, low + timedelta(seconds=1) - _TICK
