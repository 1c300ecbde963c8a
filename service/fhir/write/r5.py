"""What R5 (5.0.0) shapes in its own way.

A unit has all its elements, ``used`` and ``suspectEntity`` may point at it, AdverseEvent has a
status and supporting information, coded reasons are CodeableReferences, and a Task asks for a
period (``restriction`` is only for the code *fulfill*: tsk-1).
"""

from collections.abc import Callable
from typing import Any

from service.assessment.desired import (
    Desired,
    Event,
    Issue,
    Observed,
    Procedure,
    Request,
    UnitShown,
    Volume,
)
from service.fhir.write import bodies, observations
from service.fhir.write.common import (
    Resource,
    concept,
    donation_identifier,
    emitted,
    period,
    reference,
    service,
    unit_identifier,
    unit_reference,
)
from service.fhir.write.context import WriteContext

ISSUE_TYPE = "BiologicallyDerivedProductDispense"


def unit(shown: UnitShown, local: str) -> Resource:
    """The contained BiologicallyDerivedProduct."""
    return {
        "resourceType": "BiologicallyDerivedProduct",
        "id": local,
        "productCode": bodies.product_code(shown),
        "identifier": [unit_identifier(shown.key)],
        "biologicalSourceEvent": donation_identifier(shown.key),
        "division": shown.key.division,
        "expirationDate": shown.expiry.text if shown.expiry else None,
        "property": bodies.unit_properties(shown),
    }


def _procedure(desired: Desired, content: Procedure, context: WriteContext) -> Resource:
    said = bodies.complication(content.complication)
    return bodies.procedure(desired, content, context) | {
        "contained": [unit(content.unit, bodies.UNIT)],
        "statusReason": concept(content.status_reason),
        "occurrencePeriod": period(content.start, content.end),
        "complication": [{"concept": said}] if said else [],
        "used": [{"reference": unit_reference(content.unit, bodies.UNIT)}],
        "supportingInfo": bodies.supporting(content, ISSUE_TYPE, context),
    }


def _issue(desired: Desired, content: Issue, context: WriteContext) -> Resource:
    return bodies.issue(desired, content, context) | {
        "contained": [unit(content.unit, bodies.UNIT)] if content.unit else [],
        "status": content.status,
        "subject": reference(content.patient, context),
    }


def _event(desired: Desired, content: Event, context: WriteContext) -> Resource:
    happened = content.onset or content.detected
    outcome = bodies.event_outcome(content)
    shown = content.suspects if content.actuality == "potential" else ()
    return bodies.event(desired, content, context) | {
        "contained": [unit(s.unit, f"{bodies.UNIT}-{n}") for n, s in enumerate(shown, 1)],
        "status": content.status,
        "code": bodies.event_code(content),
        "occurrenceDateTime": happened.text if happened else None,
        "outcome": [outcome] if outcome else [],
        "participant": [{"actor": service(context)}],
        "suspectEntity": [
            {"instanceReference": _suspect(content, n, context)}
            for n in range(len(content.suspects))
        ],
        "supportingInfo": [
            {f"item{kind}": value} for kind, value in bodies.event_support(content, context)
        ],
    }


def _suspect(content: Event, place: int, context: WriteContext) -> Resource:
    """The unit's record; for a near miss, where none was made, the unit itself."""
    found = content.suspects[place]
    if content.actuality == "potential":
        return unit_reference(found.unit, f"{bodies.UNIT}-{place + 1}")
    return emitted(found.procedure, context)


def _request(desired: Desired, content: Request, context: WriteContext) -> Resource:
    reason = {"concept": concept(content.status_reason)} if content.status_reason else None
    return bodies.request(desired, content, context) | {
        "contained": [unit(content.unit, bodies.UNIT)] if content.unit else [],
        "statusReason": reason,
        "requestedPeriod": {"end": content.due.text} if content.due else None,
    }


RENDERERS: dict[type, Callable[[Desired, Any, WriteContext], Resource]] = {
    Procedure: _procedure,
    Volume: observations.volume,
    Issue: _issue,
    Event: _event,
    Request: _request,
    Observed: observations.observed,
}
