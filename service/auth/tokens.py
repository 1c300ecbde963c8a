"""Who calls: a static token per source."""

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from hmac import compare_digest
from typing import Any

from service.errors import NotPermitted
from service.fhir.own import EMITTED_SYSTEM
from service.settings import Settings

# The kind of say that each resource type takes.
KIND_OF_TYPE: dict[str, str] = {
    "Patient": "patient",
    "ServiceRequest": "order",
    "Consent": "consent",
    "Specimen": "sample",
    "Observation": "observation",
    "MedicationAdministration": "observation",
    "BiologicallyDerivedProduct": "unit",
    "BiologicallyDerivedProductDispense": "issue",
    "Basic": "issue",
    "Task": "step",
    "Procedure": "step",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A known sender."""

    name: str
    facility: str
    bases: tuple[str, ...]
    asserts: frozenset[str]

    def may_assert(self, resource: Mapping[str, Any]) -> bool:
        """True when the source may state what this resource says."""
        return not self.asserts or kind_of(resource) in self.asserts


def kind_of(resource: Mapping[str, Any]) -> str:
    """The kind of say that a resource takes; a Task that answers one of ours is a reply."""
    type_name = str(resource.get("resourceType"))
    if type_name == "Task" and _answers_ours(resource):
        return "reply"
    return KIND_OF_TYPE.get(type_name, "context")


def _answers_ours(resource: Mapping[str, Any]) -> bool:
    identifiers = resource.get("identifier")
    listed = identifiers if isinstance(identifiers, list) else []
    return any(isinstance(i, dict) and i.get("system") == EMITTED_SYSTEM for i in listed)


class Tokens:
    """Compares bearer tokens in constant time; keeps only their digests.

    open_source: the source that a request without a token belongs to, for a loopback-only
    installation without tokens; None where tokens are configured.
    """

    def __init__(self, settings: Settings) -> None:
        self._by_digest: list[tuple[bytes, Source]] = []
        self.open_source: Source | None = None
        for name, source in settings.source.items():
            found = Source(
                name=name,
                facility=source.facility,
                bases=source.bases,
                asserts=frozenset(source.asserts),
            )
            secret = source.secret()
            if secret:
                self._by_digest.append((_digest(secret), found))
            elif not settings.has_tokens and self.open_source is None:
                self.open_source = found

    def source(self, headers: Mapping[str, str]) -> Source:
        """The source of a request. Raises NotPermitted (401) for anything but one known token."""
        header = headers.get("authorization")
        if header is None:
            if self.open_source is not None and not self._by_digest:
                return self.open_source
            raise NotPermitted(401, "Send the token of a configured source as a bearer token.")
        scheme, _, token = header.partition(" ")
        digest = _digest(token.strip())
        known = [source for held, source in self._by_digest if compare_digest(held, digest)]
        if scheme.lower() != "bearer" or len(known) != 1:
            raise NotPermitted(401, "The token is not that of a configured source.")
        return known[0]


def _digest(token: str) -> bytes:
    return sha256(token.encode()).digest()
