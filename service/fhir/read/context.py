"""What reading needs from its caller, and what it gives back."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any, Protocol

from service.errors import Problem
from service.facts.fact import Body
from service.facts.identity import Identifier, Ref
from service.facts.records import StaffRecord
from service.fhir.codes import Codes
from service.fhir.own import EMITTED_SYSTEM
from service.fhir.products import Product, shipped

MALFORMED = frozenset({"structure", "required", "value", "invariant"})


class Resolve(Protocol):
    """Turns a FHIR Reference (never a contained one) into a Ref."""

    def __call__(self, reference: Mapping[str, Any]) -> Ref:
        """The Ref; its id only where the target is one of our own resources."""
        ...


def nobody(who: Ref) -> StaffRecord | None:
    """A look-up that knows no staff."""
    return None


def unchanged(emitted: Identifier) -> Identifier:
    """A look-up that leaves an emitted identifier as it is."""
    return emitted


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadContext:
    """The facility's zone, the code maps and the caller's look-ups.

    zone: used only for dates on labels. products: what product description codes say, with the
    site's own rows. temporary_systems: identifier systems of temporary patient
    numbers. staff_record: what is held about a Practitioner or PractitionerRole. ours: turns an
    emitted identifier into the identity it was emitted under.
    """

    zone: tzinfo
    codes: Codes
    resolve: Resolve
    staff_record: Callable[[Ref], StaffRecord | None] = nobody
    ours: Callable[[Identifier], Identifier] = unchanged
    products: Mapping[str, Product] = field(default_factory=shipped)
    temporary_systems: frozenset[str] = frozenset()
    emitted_system: str = EMITTED_SYSTEM


@dataclass(frozen=True, slots=True, order=True)
class Unmapped:
    """A code that no row of a code map knows, for the list an integration engineer works off."""

    concept: str
    system: str
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one resource says.

    bodies: its facts, none when it says nothing this service uses. retracted: entered in error or
    cancelled: the facts stand no longer. stamp: the sender's own time of this version. subject:
    the patient it names. problems: what makes it a 4xx. warnings: what was stored but not used.
    """

    bodies: tuple[Body, ...] = ()
    retracted: bool = False
    stamp: datetime | None = None
    subject: Ref | None = None
    identifiers: tuple[Identifier, ...] = ()
    problems: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()
    unmapped: tuple[Unmapped, ...] = field(default=())

    @property
    def status(self) -> int:
        """The HTTP status for the problems: 400 for a malformed resource, else 422; 200 without."""
        if not self.problems:
            return 200
        return 400 if any(problem.code in MALFORMED for problem in self.problems) else 422
