"""Writing FHIR: version-neutral content becomes a resource of one release.

R4 and R5 share ``bodies``, ``observations`` and ``narrative``; each release's module adds only
what differs. Rendering is pure: equal content and context give equal dicts, key for key.
"""

from service.assessment.desired import Desired
from service.fhir.write import r4, r5
from service.fhir.write.answers import answer, operation_outcome
from service.fhir.write.bundle import provenance, transaction
from service.fhir.write.common import Resource, closed
from service.fhir.write.context import Party, WriteContext
from service.fhir.write.ids import resource_id, resource_type

__all__ = [
    "Party",
    "Resource",
    "WriteContext",
    "answer",
    "operation_outcome",
    "provenance",
    "render",
    "resource_id",
    "resource_type",
    "transaction",
]

_RENDERERS = {"R4": r4.RENDERERS, "R5": r5.RENDERERS}


def render(desired: Desired, release: str, context: WriteContext) -> Resource:
    """The resource for one identity, in R4 or R5. Raises ValueError for another release."""
    if release not in _RENDERERS:
        raise ValueError(f"no such release: {release}")
    return closed(_RENDERERS[release][type(desired.content)](desired, desired.content, context))
