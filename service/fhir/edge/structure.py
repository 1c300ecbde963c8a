"""Is a parsed resource what its release says it is? The tables answer, then the models.

The tables (generated from the published definitions) know every element, cardinality, primitive
format, required binding and reference target. fhir.resources is asked after them, as a second and
independently written opinion; R4 is read with its R4B models, which have the same shape for every
type handled here.
"""

from collections.abc import Iterable
from typing import Any, Literal

from service.errors import Problem
from service.fhir.edge.models import opinion
from service.fhir.edge.tables import tables
from service.fhir.edge.walk import Walk

Release = Literal["R4", "R5"]

# reliability: bad structure, a missing element and a malformed primitive are 400; a code outside a
# required binding, what is not understood, and a broken constraint are 422.
MALFORMED = frozenset({"structure", "required", "value"})


def accepted(release: Release) -> frozenset[str]:
    """The resource types that may be sent to us in a release."""
    return tables(release).accepted


def check(resource: Any, release: Release, *, models: bool = True) -> tuple[Problem, ...]:
    """Everything wrong with a resource, in document order; empty when it is well formed.

    resource: what ``strict_json.parse`` gave. models: also ask the models, where the tables found
    nothing. No text holds a value that was sent. Never raises for content.
    """
    walk = Walk(tables(release))
    kind = resource.get("resourceType") if isinstance(resource, dict) else None
    known = isinstance(kind, str) and kind in walk.tables.resources
    walk.resource(resource, (None, str(kind) if known else "Resource", None))
    if walk.problems or not models:
        return tuple(walk.problems)
    return opinion(resource, release)


def status_of(problems: Iterable[Problem]) -> int:
    """The HTTP status for problems of ``check``: 400, 422, or 200 when none is an error."""
    codes = {problem.code for problem in problems if problem.severity in ("error", "fatal")}
    if not codes:
        return 200
    return 400 if codes & MALFORMED else 422
