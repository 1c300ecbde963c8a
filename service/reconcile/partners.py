"""The partners as reconciling sees them: who they are and which release they speak."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Partner:
    """A remote FHIR endpoint. ``roles``: record-system, blood-bank; ``release``: R4 or R5."""

    name: str
    roles: frozenset[str]
    release: str


def in_roles(partners: Iterable[Partner], roles: frozenset[str]) -> tuple[Partner, ...]:
    """The partners that hold any of the roles, by name."""
    return tuple(sorted((p for p in partners if p.roles & roles), key=lambda p: p.name))
