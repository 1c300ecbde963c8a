"""The shipped policy as tests see it, with a row replaced where a test needs another value."""

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from functools import cache
from typing import Any

from service.policy.files import mappings
from service.policy.load import load
from service.policy.policy import Policy


@cache
def profile(name: str) -> Policy:
    """A shipped profile by name."""
    return load(name, mappings())


def default_policy() -> Policy:
    """The default profile."""
    return profile("default")


def with_rows(
    rows: Mapping[str, Any] | None = None,
    *,
    rules: Mapping[str, Mapping[str, Any]] | None = None,
    base: str = "default",
) -> Policy:
    """A shipped profile with the values of rows, or fields of rule rows, replaced.

    Numbers may be given as int; every dated version of the row gets the value.
    """
    policy = profile(base)
    held = dict(policy.rows)
    for key, value in (rows or {}).items():
        given = Decimal(value) if type(value) is int else value
        held[key] = tuple(replace(row, value=given) for row in held[key])
    stated = dict(policy.rules)
    for key, fields in (rules or {}).items():
        stated[key] = tuple(replace(row, **fields) for row in stated[key])
    return Policy(
        profile=policy.profile,
        digest="digest of a policy under test",
        rows=held,
        rules=stated,
        matrices=policy.matrices,
    )
