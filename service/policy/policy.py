"""The policy in force: dated, sourced rows, looked up by a rule's own instant."""

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from decimal import Decimal
from functools import cached_property
from typing import TypeVar

from service.facts.finding import Advice, Cited, Remedy, Verdict

Value = Decimal | bool | str | tuple[str, ...]

T = TypeVar("T", "Row", "RuleRow", "Matrix")

VERDICTS: dict[str, Verdict] = {verdict.word: verdict for verdict in Verdict}
ADVICE: dict[str, Advice] = {advice.word: advice for advice in Advice}


SECONDS = {"s": 1, "min": 60, "h": 3600, "d": 86400}


@dataclass(frozen=True, kw_only=True)
class Row:
    """One threshold or option: its value in ``unit`` from the day ``since`` on.

    source: tags of mappings/sources.toml, or ``common practice, no source``, or
    ``from memory: ...``, or ``derived: ...``, joined by semicolons. profile: the file that
    stated it. note: where published sources disagree, and what was chosen.
    """

    id: str
    value: Value
    unit: str
    since: date
    source: str
    profile: str = "default"
    note: str = ""
    text: str = ""

    @cached_property
    def cited(self) -> Cited:
        """The row as findings quote it."""
        shown = ", ".join(self.value) if isinstance(self.value, tuple) else str(self.value)
        value = f"{shown} {self.unit}".strip()
        return Cited(row=self.id, value=value, since=self.since.isoformat(), source=self.source)

    @property
    def number(self) -> Decimal:
        """The value of a numeric row."""
        if not isinstance(self.value, Decimal):
            raise TypeError(f"policy row {self.id} holds no number")
        return self.value

    @cached_property
    def span(self) -> timedelta:
        """The value of a row in seconds, minutes, hours or days."""
        return timedelta(seconds=float(self.number * SECONDS[self.unit]))

    @property
    def on(self) -> bool:
        """The value of an option."""
        if not isinstance(self.value, bool):
            raise TypeError(f"policy row {self.id} is no option")
        return self.value

    @property
    def words(self) -> tuple[str, ...]:
        """The value of a list row; a single word counts as a list of one."""
        if isinstance(self.value, tuple):
            return self.value
        return (str(self.value),)


@dataclass(frozen=True, kw_only=True)
class RuleRow:
    """What one rule says when it fails and when its data is missing.

    on_failure, when_missing: a verdict's or an advice's word; ``reminder`` or ``task`` for a Task
    to the ward; ``off`` when silent; ``accept`` or ``discard`` for a return. site_data: silent
    until the site says that it sends the data (then missing counts as failed). in_emergency: the
    word that replaces both while urgency is life-threatening, or None. missing_in_emergency: the
    same for missing data alone. never_loosen: no overlay may make it milder or switch it off.
    """

    id: str
    text: str
    on_failure: str
    when_missing: str
    since: date
    source: str
    remedy: Remedy | None = None
    remedy_missing: Remedy | None = None
    in_emergency: str | None = None
    missing_in_emergency: str | None = None
    site_data: bool = False
    never_loosen: bool = False
    profile: str = "default"
    note: str = ""

    @cached_property
    def off(self) -> bool:
        """True where the profile does not use the rule at all."""
        return self.on_failure == "off" and self.when_missing == "off"

    @cached_property
    def cited(self) -> Cited:
        """The row as findings quote it."""
        return Cited(
            row=self.id, value=self.on_failure, since=self.since.isoformat(), source=self.source
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """A total recipient-by-unit table. Cells hold a verdict's word or a named case of the rule.

    never_loosen: no overlay may make a cell milder.
    """

    id: str
    cells: Mapping[tuple[str, str], str]
    since: date
    source: str
    never_loosen: bool = False
    profile: str = "default"
    text: str = ""
    note: str = ""

    def cell(self, recipient: str | None, unit: str) -> str:
        """The cell for a recipient's ABO (None: unknown) and a unit's ABO."""
        return self.cells[(recipient or "unknown", unit)]

    def cited(self, recipient: str | None, unit: str) -> Cited:
        """The cell as findings quote it."""
        row = f"{self.id}[{recipient or 'unknown'}, {unit}]"
        word = self.cell(recipient, unit)
        return Cited(row=row, value=word, since=self.since.isoformat(), source=self.source)


class NoRow(LookupError):
    """A rule asked for a policy row that no file states."""


class Policy:
    """A profile's rows with a site's overlay on top.

    profile: the name shown in every answer. digest: hash of all effective rows, stamped into
    Provenance and never into content.
    """

    def __init__(
        self,
        *,
        profile: str,
        digest: str,
        rows: Mapping[str, tuple[Row, ...]],
        rules: Mapping[str, tuple[RuleRow, ...]],
        matrices: Mapping[str, tuple[Matrix, ...]],
    ) -> None:
        self.profile = profile
        self.digest = digest
        self._rows = {key: _dated(found) for key, found in rows.items()}
        self._rules = {key: _dated(found) for key, found in rules.items()}
        # Most rows were never changed: one look-up finds them.
        self._lasting_rows = {key: found[0] for key, found in rows.items() if len(found) == 1}
        self._lasting_rules = {key: found[0] for key, found in rules.items() if len(found) == 1}
        self._matrices = {key: _dated(found) for key, found in matrices.items()}

    def row(self, key: str, instant: datetime) -> Row:
        """The threshold or option in force at an instant.

        Before the first day that any row states, the first row stands in: a record from that time
        is judged by it rather than not at all.
        """
        return self._lasting_rows.get(key) or _at(self._rows, key, instant)

    def rule(self, key: str, instant: datetime) -> RuleRow:
        """The severity row of a rule in force at an instant."""
        return self._lasting_rules.get(key) or _at(self._rules, key, instant)

    def matrix(self, key: str, instant: datetime) -> Matrix:
        """The compatibility table in force at an instant."""
        return _at(self._matrices, key, instant)

    @cached_property
    def rows(self) -> Mapping[str, tuple[Row, ...]]:
        """Every dated row by id, for pages that show the policy."""
        return {key: found for key, (_, found) in self._rows.items()}

    @property
    def rules(self) -> Mapping[str, tuple[RuleRow, ...]]:
        """Every dated severity row by rule id."""
        return {key: found for key, (_, found) in self._rules.items()}

    @property
    def matrices(self) -> Mapping[str, tuple[Matrix, ...]]:
        """Every dated compatibility table by id."""
        return {key: found for key, (_, found) in self._matrices.items()}


def _dated(found: tuple[T, ...]) -> tuple[list[datetime], tuple[T, ...]]:
    ordered = tuple(sorted(found, key=lambda row: row.since))
    return [datetime.combine(row.since, time.min, tzinfo=UTC) for row in ordered], ordered


def _at(
    table: Mapping[str, tuple[list[datetime], tuple[T, ...]]], key: str, instant: datetime
) -> T:
    held = table.get(key)
    if held is None:
        raise NoRow(key)
    days, rows = held
    if len(rows) == 1:
        return rows[0]
    return rows[max(bisect_right(days, instant), 1) - 1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """What is the facility's own: its key, its zone, its identity-bearing systems.

    identity_systems: identifier systems in which equal values mean the same person, the one to
    show first. temporary_systems: systems of numbers for unidentified patients. receive_only: the
    blood bank takes notices but cannot answer them. laboratory: sources that speak for the blood
    bank, None where sources are not told apart.
    """

    facility: str
    zone: tzinfo
    identity_systems: tuple[str, ...] = ()
    temporary_systems: tuple[str, ...] = ()
    receive_only: bool = False
    laboratory: frozenset[str] | None = None
