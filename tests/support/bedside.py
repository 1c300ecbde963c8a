"""Readings, signs and results of the invented patient, and the screen of the invented unit.

Minutes count from the unit's start; ``END`` is how many minutes it runs in the tests that end it.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import count
from typing import Any

from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.finding import Advice, Finding, Screen
from service.facts.moment import at
from service.facts.quantity import Vital
from service.facts.records import EncounterRecord, LabResult, Sign, Vitals
from service.facts.steps import Step, StepCode
from service.policy.policy import Policy
from service.rules import reaction
from tests.support.cases import (
    BASELINE,
    START_AT,
    a_baseline,
    a_case,
    a_reading,
    a_running,
    a_step,
    fact,
)

END = 115
_numbers = count(1)

SHORT = {
    "temp": "temperature",
    "hr": "heart_rate",
    "sbp": "systolic",
    "dbp": "diastolic",
    "map": "mean_pressure",
    "rr": "respiratory_rate",
    "spo2": "saturation",
    "flow": "oxygen_flow",
    "awake": "consciousness",
    "weight": "weight",
}


def after(minutes: float) -> datetime:
    """An instant by its minutes after the unit's start."""
    return START_AT + timedelta(minutes=minutes)


def key(kind: str = "Observation") -> str:
    """A fresh fact key."""
    return f"{kind}/t{next(_numbers)}"


def vitals(
    minutes: float,
    *,
    name: str | None = None,
    device: bool = False,
    site: str | None = None,
    on_air: bool | None = None,
    **values: Any,
) -> Fact[Vitals]:
    """One set of readings, ``temp="38.4", sbp=90``; site is that of the temperature."""
    when = after(minutes)
    readings = tuple(
        a_reading(
            vital := Vital(SHORT[short]),
            str(value),
            when,
            device=device,
            site=site if vital is Vital.TEMPERATURE else None,
            room_air=on_air if vital is Vital.SATURATION else None,
        )
        for short, value in values.items()
    )
    return fact(Vitals(readings=readings, at=at(when)), name or key())


def normal(minutes: float, **values: Any) -> Fact[Vitals]:
    """A complete normal set, with some values replaced; None leaves a vital out."""
    usual: dict[str, Any] = {"temp": "36.8", "hr": 78, "sbp": 124, "dbp": 76}
    kept = {name: value for name, value in (usual | values).items() if value is not None}
    return vitals(minutes, **kept)


def sign(
    word: str,
    minutes: float,
    *,
    present: bool = True,
    severity: str | None = None,
    name: str | None = None,
) -> Fact[Sign]:
    """A reported or denied sign."""
    body = Sign(sign=word, present=present, severity=severity, at=at(after(minutes)))
    return fact(body, name or key())


def result(
    analyte: str,
    minutes: float,
    value: str | int | None = None,
    *,
    word: str | None = None,
    unit: str | None = None,
) -> Fact[LabResult]:
    """A laboratory or imaging result."""
    number = None if value is None else Decimal(value)
    body = LabResult(analyte=analyte, value=number, word=word, unit=unit, at=at(after(minutes)))
    return fact(body, key())


def step(code: StepCode, minutes: float, **inputs: Any) -> Fact[Step]:
    """A step on the unit by the first nurse."""
    return a_step(code, key("Task"), after(minutes), **inputs)


def report(minutes: float, *signs: str, **inputs: Any) -> Fact[Step]:
    """A suspected reaction, reported by a nurse."""
    return step(StepCode.SUSPECT_REACTION, minutes, signs=signs, **inputs)


def placed(setting: str, minutes: float | None = None) -> Fact[EncounterRecord]:
    """Where the patient is, from a minute on."""
    start = None if minutes is None else at(after(minutes))
    return fact(EncounterRecord(setting=setting, start=start), key("Encounter"))


def unit_case(
    facts: Iterable[Fact[Any]],
    *,
    ended: float | None = None,
    baseline: Mapping[str, Any] | Fact[Vitals] | bool | None = True,
    born: str | None = "1961-04-12",
    **overrides: Any,
) -> Case:
    """The invented case with the unit started, and ended after so many minutes.

    baseline: True for the usual set, a dict to replace values of it, None for none at all.
    """
    base: Any = {} if baseline is True else baseline
    if isinstance(base, dict):
        base = a_baseline(**{SHORT[name]: value for name, value in base.items()})
    end = None if ended is None else {"start": at(after(ended))}
    return a_case(
        start={},
        end=end,
        baseline=base,
        patient={"birth_date": born},
        extra=tuple(facts),
        **overrides,
    )


def screened(
    *facts: Fact[Any],
    policy: Policy | None = None,
    wrong: tuple[Finding, ...] = (),
    **case: Any,
) -> Screen:
    """The screen of the unit with these facts on top of the usual ones."""
    return reaction.screen(a_running(unit_case(facts, **case), policy=policy), wrong)


def advice(screen: Screen) -> str:
    """The gravest advice of a screen, as callers get it."""
    given = [finding.advice for finding in screen.findings if finding.advice is not None]
    return max(given, default=Advice.CONTINUE).word


def known_advice(screen: Screen) -> Advice:
    """The gravest advice that rests on what is known."""
    given = [f.advice for f in screen.findings if f.advice is not None and f.known]
    return max(given, default=Advice.CONTINUE)


def fired(screen: Screen) -> dict[str, str]:
    """Rule -> advice of the known findings; ``note`` where a finding gives none."""
    return {
        finding.rule: finding.advice.word if finding.advice is not None else "note"
        for finding in screen.findings
        if finding.known
    }


def unknown(screen: Screen) -> dict[str, tuple[str, ...]]:
    """Rule -> what is missing, of the findings that could not be told."""
    return {finding.rule: finding.missing for finding in screen.findings if not finding.known}


def finding(screen: Screen, rule: str) -> Finding:
    """The only finding of a rule."""
    (found,) = [one for one in screen.findings if one.rule == rule]
    return found


def categories(screen: Screen) -> tuple[str, ...]:
    """The candidates' categories in their order."""
    return tuple(one.category for one in screen.candidates)


USUAL = dict(BASELINE)
