"""What two policies say differently, row by row, with the sources of both."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from service.policy.policy import Matrix, Policy, Row, RuleRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What one policy says under a key: the value in words, its source, file and note."""

    value: str
    source: str
    profile: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One key on which two policies differ; None where one of them says nothing.

    key: a row's or rule's id, or ``table[recipient, unit]``. since: the day of both statements.
    """

    kind: str
    key: str
    since: date
    first: Statement | None
    second: Statement | None


def difference(first: Policy, second: Policy) -> tuple[Difference, ...]:
    """Every row, rule and table cell that two policies state with another value.

    Another source for the same value is no difference.
    """
    ours, theirs = _said(first), _said(second)
    return tuple(
        Difference(kind=kind, key=key, since=since, first=one, second=other)
        for kind, key, since in sorted(ours.keys() | theirs.keys())
        for one, other in [(ours.get((kind, key, since)), theirs.get((kind, key, since)))]
        if _value(one) != _value(other)
    )


def rule_words(rule: RuleRow) -> str:
    """What a severity row says, in one line."""
    parts = [rule.on_failure, f"missing: {rule.when_missing}"]
    if rule.remedy is not None:
        parts.append(f"remedy: {rule.remedy}")
    if rule.remedy_missing is not None:
        parts.append(f"remedy when missing: {rule.remedy_missing}")
    if rule.in_emergency is not None:
        parts.append(f"emergency: {rule.in_emergency}")
    if rule.missing_in_emergency is not None:
        parts.append(f"missing in an emergency: {rule.missing_in_emergency}")
    if rule.site_data:
        parts.append("silent until the site sends the data")
    if rule.never_loosen:
        parts.append("never to be loosened")
    return "; ".join(parts)


def _value(said: Statement | None) -> str | None:
    return said.value if said else None


def _said(policy: Policy) -> Mapping[tuple[str, str, date], Statement]:
    said: dict[tuple[str, str, date], Statement] = {}
    for rows in policy.rows.values():
        said |= {("row", row.id, row.since): _row(row) for row in rows}
    for rules in policy.rules.values():
        said |= {("rule", rule.id, rule.since): _rule(rule) for rule in rules}
    for matrices in policy.matrices.values():
        for matrix in matrices:
            said |= dict(_cells(matrix))
    return said


def _row(row: Row) -> Statement:
    return Statement(value=row.cited.value, source=row.source, profile=row.profile, note=row.note)


def _rule(rule: RuleRow) -> Statement:
    return Statement(
        value=rule_words(rule), source=rule.source, profile=rule.profile, note=rule.note
    )


def _cells(matrix: Matrix) -> Iterator[tuple[tuple[str, str, date], Statement]]:
    for recipient, unit in matrix.cells:
        cited = matrix.cited(recipient, unit)
        said = Statement(
            value=cited.value, source=matrix.source, profile=matrix.profile, note=matrix.note
        )
        yield ("cell", cited.row, matrix.since), said
