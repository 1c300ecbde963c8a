"""The policy's numbers for vital signs, read once for one unit."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from service.facts.finding import Cited
from service.policy.policy import Policy, RuleRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Thresholds in force at the unit's start: °C, mm[Hg], /min, %, kg; spans of time."""

    policy: Policy
    at: datetime

    fever: Decimal
    fever_rise: Decimal
    stop_rise: Decimal
    high_fever: Decimal
    baseline_fever: Decimal
    hypotension_drop: Decimal
    hypotension_floor: Decimal
    low_pressure: Decimal
    low_pressure_drop: Decimal
    child_drop: Decimal
    child_drop_watch: Decimal
    haemolysis_drop: Decimal
    sepsis_temperature: Decimal
    sepsis_rise: Decimal
    sepsis_rate: Decimal
    sepsis_rate_rise: Decimal
    sepsis_rate_jump: Decimal
    sepsis_drop: Decimal
    saturation_floor: Decimal
    saturation_drop: Decimal
    pressure_rise: Decimal
    infant_weight: Decimal

    set_window: timedelta
    confirm: timedelta
    rearm: timedelta
    after_end: timedelta

    def words(self, row: str) -> tuple[str, ...]:
        """The words of a row."""
        return self.policy.row(row, self.at).words

    def on(self, row: str) -> bool:
        """The value of an option."""
        return self.policy.row(row, self.at).on

    def number(self, row: str) -> Decimal:
        """The value of a numeric row that is seldom asked for."""
        return self.policy.row(row, self.at).number

    def span(self, row: str) -> timedelta:
        """The value of a row of time that is seldom asked for."""
        return self.policy.row(row, self.at).span

    def rule(self, rule: str) -> RuleRow:
        """What a rule says when it fails and when its data is missing."""
        return self.policy.rule(rule, self.at)

    def cite(self, *rows: str) -> tuple[Cited, ...]:
        """Rows as findings quote them."""
        return tuple(self.policy.row(row, self.at).cited for row in rows)


def limits_at(policy: Policy, instant: datetime) -> Limits:
    """The policy's numbers in force at an instant. Raises NoRow where a row is not stated."""

    def number(row: str) -> Decimal:
        return policy.row(row, instant).number

    def span(row: str) -> timedelta:
        return policy.row(row, instant).span

    return Limits(
        policy=policy,
        at=instant,
        fever=number("fever"),
        fever_rise=number("fever-rise"),
        stop_rise=number("fever-rise-stop"),
        high_fever=number("high-fever"),
        baseline_fever=number("baseline-fever"),
        hypotension_drop=number("hypotension-drop"),
        hypotension_floor=number("hypotension-floor"),
        low_pressure=number("low-pressure"),
        low_pressure_drop=number("low-pressure-drop"),
        child_drop=number("child-drop"),
        child_drop_watch=number("child-drop-watch"),
        haemolysis_drop=number("haemolysis-drop"),
        sepsis_temperature=number("sepsis-temperature"),
        sepsis_rise=number("sepsis-rise"),
        sepsis_rate=number("sepsis-heart-rate"),
        sepsis_rate_rise=number("sepsis-heart-rate-rise"),
        sepsis_rate_jump=number("sepsis-heart-rate-jump"),
        sepsis_drop=number("sepsis-pressure-drop"),
        saturation_floor=number("saturation-floor"),
        saturation_drop=number("saturation-drop"),
        pressure_rise=number("pressure-rise"),
        infant_weight=number("infant-weight"),
        set_window=span("observation-set-window"),
        confirm=span("monitor-confirm"),
        rearm=span("monitor-rearm"),
        after_end=span("suspects-after-end"),
    )
