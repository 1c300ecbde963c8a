"""The default policy as tests see it, with a row replaced where a test needs another value."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

from service.facts.finding import Remedy
from service.policy.policy import Matrix, Policy, Row, RuleRow

SINCE = date(2020, 1, 1)
SOURCE = "rules under test"

THRESHOLDS = """
check-life 10 min
check-valid 60 min
no-check-grace 2 min
settle 60 s
recorded-late 15 min
second-check-gap 5 s
identifiers-required identifier,family,given,birth-date words
identifiers-minimum 3 {count}
checkers two-or-machine words
sample-validity 72 h
sample-validity-rule hours words
sample-validity-extended 0 h
recent-event-window 90 d
childbearing-age 50 a
young-male-age 18 a
infant-age 4 mo
infant-weight 12 kg
kell-negative false option
single-sample-ok false option
cryo-any-abo false option
low-titre-programme false option
platelet-rhd-task true option
leukoreduced-counts-as-cmv-safe false option
pathogen-reduced-counts-as-irradiated false option
antibody-significance - words
may-start - words
band-pattern - words
authorisation-life 60 min
emergency-statement 24 h
"""

# id, on failure, when missing, remedy, remedy when missing, in an emergency, never loosened
RULES = """
COMP-01 refuse refuse return-unit rescan - never
COMP-02 authorise authorise call-laboratory call-laboratory - -
COMP-03 refuse authorise call-laboratory call-laboratory - -
COMP-04 refuse refuse return-unit rescan - -
COMP-05 refuse refuse return-unit rescan - -
COMP-06 refuse refuse return-unit rescan - -
COMP-07 caution note - - - -
COMP-08 refuse refuse return-unit rescan - never
COMP-09 refuse refuse return-unit rescan - never
COMP-10 refuse authorise call-laboratory call-laboratory - -
COMP-11 stop off - - - -
COMP-12 refuse authorise call-laboratory call-laboratory - -
COMP-13 refuse authorise call-laboratory call-laboratory - -
COMP-14 authorise off call-laboratory call-laboratory - -
COMP-15 authorise authorise call-laboratory call-laboratory - -
COMP-16 refuse authorise call-laboratory call-laboratory - -
ID-01 refuse refuse rescan rescan - -
ID-02 refuse refuse complete-record complete-record - -
ID-03 refuse refuse repeat-check repeat-check - -
ID-04 refuse refuse repeat-check repeat-check - -
ID-05 refuse refuse call-laboratory rescan - never
ID-06 refuse refuse call-laboratory rescan - never
ID-07 refuse refuse repeat-check repeat-check - -
ID-08 refuse off repeat-check repeat-check - -
ID-09 refuse off repeat-check repeat-check - -
ID-10 authorise refuse call-laboratory call-laboratory - -
ID-11 caution off - - - -
ID-12 refuse off rescan rescan - never
ID-13 authorise refuse complete-record complete-record - -
ID-20 refuse refuse repeat-check repeat-check - -
ID-21 refuse refuse repeat-check repeat-check - -
ID-22 caution off - - - -
ID-23 refuse refuse repeat-check repeat-check - -
ID-24 refuse refuse repeat-check repeat-check - -
ID-25 refuse off repeat-check repeat-check - -
ID-36 refuse authorise call-laboratory call-laboratory - -
ID-37 authorise authorise call-laboratory call-laboratory - -
ID-38 refuse authorise call-laboratory call-laboratory - -
ID-39 refuse off call-laboratory call-laboratory - -
ID-40 refuse authorise call-laboratory call-laboratory - -
"""

GROUPS = ("O", "A", "B", "AB")

# recipient rows O, A, B, AB, unknown; unit columns O, A, B, AB (rules.md 1.2 to 1.7)
MATRICES = {
    "red-cells": """
        no-objection refuse       refuse       refuse
        no-objection no-objection refuse       refuse
        no-objection refuse       no-objection refuse
        no-objection no-objection no-objection no-objection
        authorise    refuse       refuse       refuse""",
    "plasma": """
        no-objection no-objection no-objection no-objection
        refuse       no-objection authorise    no-objection
        refuse       authorise    no-objection no-objection
        refuse       authorise    authorise    no-objection
        refuse       authorise    refuse       no-objection""",
    "cryoprecipitate": """
        no-objection no-objection no-objection no-objection
        authorise    no-objection authorise    no-objection
        authorise    authorise    no-objection no-objection
        authorise    authorise    authorise    no-objection
        authorise    caution      authorise    no-objection""",
    "platelets": """
        no-objection note         note         note
        minor-o      no-objection minor-ab     note
        minor-o      minor-ab     no-objection note
        minor-o      minor-ab     minor-ab     no-objection
        minor-o      minor-ab     minor-ab     note""",
    "whole-blood": """
        no-objection refuse       refuse       refuse
        refuse       no-objection refuse       refuse
        refuse       refuse       no-objection refuse
        refuse       refuse       refuse       no-objection
        refuse       refuse       refuse       refuse""",
}


@cache
def default_policy() -> Policy:
    """The default profile."""
    return with_rows({})


def with_rows(
    rows: Mapping[str, Any], rules: Mapping[str, Mapping[str, Any]] | None = None
) -> Policy:
    """The default profile with threshold values, or fields of rule rows, replaced."""
    held = {row.id: row for row in map(_row, THRESHOLDS.split("\n")) if row}
    for key, value in rows.items():
        held[key] = replace(held[key], value=value)
    stated = {row.id: row for row in map(_rule, RULES.split("\n")) if row}
    for key, fields in (rules or {}).items():
        stated[key] = replace(stated[key], **fields)
    return Policy(
        profile="default",
        digest="digest of the tests' policy",
        rows={key: (row,) for key, row in held.items()},
        rules={key: (row,) for key, row in stated.items()},
        matrices={key: (_matrix(key, text),) for key, text in MATRICES.items()},
    )


def _row(line: str) -> Row | None:
    if not line:
        return None
    key, value, unit = line.split()
    held: Any = Decimal(value) if value[0].isdigit() else value
    if unit == "option":
        held = value == "true"
    if unit == "words":
        held = tuple(word for word in value.split(",") if word != "-")
    shown = "" if unit in ("words", "option") else unit
    return Row(id=key, value=held, unit=shown, since=SINCE, source=SOURCE)


def _rule(line: str) -> RuleRow | None:
    if not line:
        return None
    key, failure, missing, remedy, again, emergency, never = line.split()
    return RuleRow(
        id=key,
        text=key,
        on_failure=failure,
        when_missing=missing,
        since=SINCE,
        source=SOURCE,
        remedy=None if remedy == "-" else Remedy(remedy),
        remedy_missing=None if again == "-" else Remedy(again),
        in_emergency=None if emergency == "-" else emergency,
        never_loosen=never == "never",
    )


def _matrix(key: str, text: str) -> Matrix:
    rows = [line.split() for line in text.strip().split("\n")]
    cells = {
        (recipient, unit): word
        for recipient, line in zip((*GROUPS, "unknown"), rows, strict=True)
        for unit, word in zip(GROUPS, line, strict=True)
    }
    return Matrix(id=key, cells=cells, since=SINCE, source=SOURCE)
