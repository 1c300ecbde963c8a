"""Who and which: identifiers, names, staff and references."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Identifier:
    """A business identifier. Equal only when system and value are equal byte for byte."""

    system: str
    value: str

    @property
    def token(self) -> str:
        """``system|value``, the form used as a key."""
        return f"{self.system}|{self.value}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonName:
    """A name as printed. ``given`` holds all given names joined by one space."""

    family: str | None = None
    given: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ref:
    """A reference to another resource, after resolution at the edge.

    ``kind`` is a FHIR resource type. ``id`` is our own id where the target is known to us,
    ``identifier`` the target's business identifier.
    """

    kind: str
    id: str | None = None
    identifier: Identifier | None = None
    display: str | None = None

    @property
    def local(self) -> str | None:
        """``Type/id`` of our own copy, or None."""
        return f"{self.kind}/{self.id}" if self.id else None

    @property
    def tokens(self) -> frozenset[str]:
        """Every key under which the target may be known."""
        found = {self.local, self.identifier.token if self.identifier else None}
        return frozenset(key for key in found if key)


@dataclass(frozen=True, slots=True, kw_only=True)
class Staff:
    """A member of staff, as Practitioner, after resolving PractitionerRole and identifiers.

    Two mentions are the same person when their ``keys`` (``Practitioner/id`` or
    ``system|value``) overlap. ``roles`` are local role codes, empty when none was sent.
    """

    keys: frozenset[str]
    identifier: Identifier | None = None
    display: str | None = None
    roles: frozenset[str] = frozenset()

    def same_as(self, other: "Staff | None") -> bool:
        """True when both mentions are one person."""
        return other is not None and not self.keys.isdisjoint(other.keys)
