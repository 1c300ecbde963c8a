"""What rendering needs besides the content: the installation, the partner, the present commit."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from uuid import UUID

from service.facts.identity import Identifier


@dataclass(frozen=True, slots=True, kw_only=True)
class Party:
    """An organisation by its identifier and its name."""

    identifier: Identifier
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteContext:
    """One commit for one partner.

    namespace: the installation's secret, under which identities become ids. recorded: the instant
    of the commit, with a zone. software, policy_profile, policy_digest: written into Provenance
    only. zone: the hospital's, for narratives. known: token (``system|value`` or our ``Type/id``)
    -> the partner's own ``Type/id``; only these become literal references. ids: Key.text -> id
    for identities emitted before a join. sign_codes: word of a sign -> (system, code, display) of
    its standard code.
    """

    namespace: UUID
    recorded: datetime
    software: str
    policy_profile: str
    policy_digest: str
    facility: Party
    blood_bank: Party
    zone: tzinfo = UTC
    known: Mapping[str, str] = field(default_factory=dict)
    ids: Mapping[str, str] = field(default_factory=dict)
    sign_codes: Mapping[str, tuple[str, str, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.recorded.utcoffset() is None:
            raise ValueError("recorded needs a zone")
