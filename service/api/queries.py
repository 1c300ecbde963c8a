"""Search parameters of a request, checked against the registry and turned into terms."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from service.api.registry import parameters
from service.errors import BadInput, Problem
from service.fhir.search import Parameter, SearchValue, span_of
from service.store.port import Term

PREFIXES = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb")
PAGE = 50
LARGEST_PAGE = 200
MOST_VALUES = 200
CONTROL = frozenset({"_count", "_after", "_format", "_pretty", "_summary"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """A search: its terms, page size and place, and the parameters that were applied."""

    terms: tuple[Term, ...]
    count: int
    after: str | None
    applied: tuple[tuple[str, str], ...]

    def link(self, base: str, type_name: str, after: str | None = None) -> str:
        """The address of this search, or of the page that begins after a cursor."""
        pairs = [*self.applied, ("_count", str(self.count))]
        if after is not None:
            pairs.append(("_after", after))
        return f"{base}/{type_name}?{urlencode(pairs)}"


def query_of(
    type_name: str, release: str, asked: Iterable[tuple[str, str]], *, strict: bool, base: str
) -> Query:
    """Reads a search. Unknown parameters are refused (400) under strict handling, else left out."""
    known = {parameter.name: parameter for parameter in parameters(type_name, release)}
    known["_id"] = Parameter("_id", "token", ())
    known["_lastUpdated"] = Parameter("_lastUpdated", "date", ())
    terms: list[Term] = []
    applied: list[tuple[str, str]] = []
    control: dict[str, str] = {}
    for name, value in asked:
        plain = name.partition(":")[0]
        if name in CONTROL:
            control[name] = value
        elif plain not in known:
            if strict:
                raise BadInput(400, _unknown(type_name))
        elif name != plain and not _takes(known[plain], name):
            raise BadInput(400, _modified(plain))
        elif value:
            terms.append(_term(known[plain], value, base))
            applied.append((name, value))
    if sum(len(term.alternatives) for term in terms) > MOST_VALUES:
        text = f"A search may ask for {MOST_VALUES} values."
        raise BadInput(400, Problem(code="too-costly", text=text))
    return Query(
        terms=tuple(terms),
        count=_count(control.get("_count")),
        after=control.get("_after"),
        applied=tuple(applied),
    )


def _takes(parameter: Parameter, name: str) -> bool:
    """True for the one modifier that is known: a reference by the identifier of its target."""
    return parameter.kind == "reference" and name == f"{parameter.name}:identifier"


def _term(parameter: Parameter, value: str, base: str) -> Term:
    if parameter.kind == "date":
        prefix = value[:2] if value[:2] in PREFIXES else "eq"
        text = value[2:] if value[:2] in PREFIXES else value
        low, high = _span(parameter.name, text)
        found = SearchValue(param=parameter.name, kind="date", low=low, high=high)
        return Term(param=parameter.name, kind="date", alternatives=(found,), prefix=prefix)
    reads: Mapping[str, Sequence[SearchValue]] = {
        "token": [_token(parameter.name, one) for one in _split(value)],
        "reference": [_reference(parameter.name, one, base) for one in _split(value)],
    }
    return Term(
        param=parameter.name, kind=parameter.kind, alternatives=tuple(reads[parameter.kind])
    )


def _split(value: str) -> list[str]:
    """Alternatives at commas that no backslash escapes."""
    parts, current, escaped = [], "", False
    for character in value:
        if escaped:
            current += character
            escaped = False
        elif character == "\\":
            escaped = True
        elif character == ",":
            parts.append(current)
            current = ""
        else:
            current += character
    return [*parts, current]


def _token(name: str, value: str) -> SearchValue:
    """``system|code``, ``|code`` (no system: ``""``), ``system|`` or ``code``."""
    system, bar, code = value.partition("|")
    if not bar:
        return SearchValue(param=name, kind="token", value=value)
    return SearchValue(param=name, kind="token", system=system, value=code or None)


def _reference(name: str, value: str, base: str) -> SearchValue:
    if "|" in value:
        system, _, extra = value.partition("|")
        return SearchValue(param=name, kind="reference", system=system, extra=extra)
    plain = value.removeprefix(f"{base}/")
    typed = plain if "/" in plain else f"Patient/{plain}"
    return SearchValue(param=name, kind="reference", value=typed)


def _span(name: str, text: str) -> tuple[datetime, datetime]:
    try:
        return span_of(text)
    except (ValueError, IndexError, OverflowError) as bad:
        message = f"{name} takes a FHIR date such as 2026-03-01 or 2026-03-01T10:00:00Z."
        raise BadInput(400, Problem(code="value", text=message)) from bad


def _count(text: str | None) -> int:
    if text is None:
        return PAGE
    if not (text.isascii() and text.isdigit()):
        raise BadInput(400, Problem(code="value", text="_count takes a whole number."))
    return min(int(text[:9]), LARGEST_PAGE)


def _unknown(type_name: str) -> Problem:
    text = f"A parameter is none by which {type_name} is searched here; see metadata."
    return Problem(code="not-supported", text=text)


def _modified(name: str) -> Problem:
    text = f"The modifier of {name} is not known here."
    return Problem(code="not-supported", text=text)
