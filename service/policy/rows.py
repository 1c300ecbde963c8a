"""Threshold rows and severity rows, built from what one file states and the row below it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from service.facts.finding import Remedy
from service.policy.policy import Row, RuleRow, Value
from service.policy.read import Entry
from service.policy.words import GRAVITY, TIME_UNITS, family, milder, source_fault

DEFAULT_ONLY = ("choices", "least", "most", "never_loosen")
SEVERITIES = ("on_failure", "when_missing", "in_emergency", "missing_in_emergency")
REMEDIES = ("remedy", "remedy_missing")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What any layer's value of one row must keep to; the default file states them."""

    choices: tuple[str, ...] | None = None
    least: Decimal = Decimal(0)
    most: Decimal | None = None

    def fault(self, value: Value) -> str | None:
        """What is wrong with a value, or None."""
        if self.choices is not None:
            words = value if isinstance(value, tuple) else (value,)
            strange = [str(word) for word in words if word not in self.choices]
            if strange:
                return f"'{', '.join(strange)}' is not one of {', '.join(self.choices)}"
        if isinstance(value, Decimal):
            if value < self.least:
                return f"{value} is below {self.least}"
            if self.most is not None and value > self.most:
                return f"{value} is above {self.most}"
        return None


def limits_of(entry: Entry) -> Limits:
    """The limits that an entry of the default file states."""
    given = entry.given
    return Limits(
        choices=tuple(given["choices"]) if "choices" in given else None,
        least=Decimal(given.get("least", 0)),
        most=Decimal(given["most"]) if "most" in given else None,
    )


def value_of(given: bool | int | Decimal | str | list[str]) -> Value:
    """A TOML value as the policy holds it: exact decimals and tuples of words."""
    if isinstance(given, bool | str | Decimal):
        return given
    return Decimal(given) if isinstance(given, int) else tuple(given)


def row_of(
    entry: Entry, base: Row | None, limits: Limits, tags: frozenset[str], profile: str
) -> tuple[Row | None, list[str]]:
    """A threshold row, on the row below it (None in the default file), with its faults."""
    faults = _common(entry, base, ("value", "unit", "text"), tags)
    if faults:
        return None, faults
    if base is None:
        base = _first_row(entry)
    row = replace(
        base,
        value=value_of(entry.given.get("value", base.value)),
        unit=entry.given.get("unit", base.unit),
        since=entry.since,
        source=entry.source,
        profile=profile,
        note=entry.given.get("note", ""),
        text=entry.given.get("text", base.text),
    )
    wrong = _kind_fault(row, base) or limits.fault(row.value)
    return (None, [f"{entry.place}: {wrong}"]) if wrong else (row, [])


def rule_of(
    entry: Entry, base: RuleRow | None, tags: frozenset[str], profile: str
) -> tuple[RuleRow | None, list[str]]:
    """A severity row, on the row below it (None in the default file), with its faults."""
    faults = _common(entry, base, ("text", "on_failure", "when_missing"), tags)
    faults += _remedy_faults(entry)
    if faults:
        return None, faults
    given = dict(entry.given)
    if base is not None and given.get("site_data") is False and base.site_data:
        given.setdefault("when_missing", given.get("on_failure", base.on_failure))
    if base is None:
        base = _first_rule(entry)
    faults = _word_faults(given, base, entry.place)
    if faults:
        return None, faults
    given |= {key: Remedy(given[key]) for key in REMEDIES if key in given}
    given.setdefault("note", "")
    return replace(base, **given, profile=profile), []


def loosening(row: RuleRow, below: RuleRow) -> str | None:
    """How a severity row is milder than one below that may not be loosened, or None."""
    if not below.never_loosen:
        return None
    for key in ("on_failure", "when_missing"):
        word, before = getattr(row, key), getattr(below, key)
        if milder(word, than=before):
            return f"{key} '{word}' is milder than '{before}', and this rule may not be loosened"
    if row.in_emergency != below.in_emergency or (
        row.missing_in_emergency != below.missing_in_emergency
    ):
        return "urgency would soften it, and this rule may not be loosened"
    if row.site_data and not below.site_data:
        return "it would wait for the site's data, and this rule may not be loosened"
    return None


def _first_row(entry: Entry) -> Row:
    given = entry.given
    return Row(
        id=entry.id,
        value=value_of(given["value"]),
        unit=given["unit"],
        since=entry.since,
        source=entry.source,
    )


def _first_rule(entry: Entry) -> RuleRow:
    given = entry.given
    return RuleRow(
        id=entry.id,
        text=given["text"],
        on_failure=given["on_failure"],
        when_missing=given["when_missing"],
        since=entry.since,
        source=entry.source,
    )


def _common(
    entry: Entry, base: Row | RuleRow | None, needed: tuple[str, ...], tags: frozenset[str]
) -> list[str]:
    wrong: list[str | None] = [source_fault(entry.source, tags)]
    if base is None:
        wrong += [f"{key} is missing" for key in needed if key not in entry.given]
    else:
        wrong += [
            f"{key} may only be set in the default file"
            for key in DEFAULT_ONLY
            if key in entry.given
        ]
    return [f"{entry.place}: {fault}" for fault in wrong if fault]


def _kind_fault(row: Row, base: Row) -> str | None:
    if type(row.value) is not type(base.value):
        return "value is of another kind than the default's"
    if row.unit != base.unit and not {row.unit, base.unit} <= TIME_UNITS:
        return f"unit '{row.unit}' does not measure the same as '{base.unit}'"
    return None


def _word_faults(given: Mapping[str, Any], base: RuleRow, place: str) -> list[str]:
    allowed = family(base.on_failure, base.when_missing) | {base.in_emergency or "note", "note"}
    allowed &= set(GRAVITY)
    return [
        f"{place}: {key} '{given[key]}' is not a word of this rule"
        for key in SEVERITIES
        if key in given and given[key] not in allowed
    ]


def _remedy_faults(entry: Entry) -> list[str]:
    return [
        f"{entry.place}: {key} '{entry.given[key]}' is not a remedy"
        for key in REMEDIES
        if key in entry.given and entry.given[key] not in set(Remedy)
    ]
