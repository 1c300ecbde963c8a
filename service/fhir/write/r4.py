"""What R4 (4.0.1) shapes in its own way.

- A unit has no place of its own for number, division, expiry and group: they stand in the
  published R5-to-R4 cross-version extensions.
- Procedure.usedReference and AdverseEvent.suspectEntity may not point at a unit: the standard
  ``alternate-reference`` extension does; ``icsr-ext-usedproduct`` beside it for ICSR readers.
- AdverseEvent has no status. The cross-version one is a modifier extension, and a receiver that
  does not know a modifier must reject the resource; so it is written only for entered-in-error,
  where being misread is worse than being refused. Other states stand in the narrative.
- AdverseEvent has no supporting information: the cross-version extension carries candidates and
  observations. ``subjectMedicalHistory`` would turn a screen into history.
- Procedure has no supporting information either: same extension family (the pattern is published,
  this one page was not read).
- DetectedIssue has no status ``mitigated``: final with its mitigation.
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

_XVER = "http://hl7.org/fhir/5.0/StructureDefinition/extension-"
_ALTERNATE = "http://hl7.org/fhir/StructureDefinition/alternate-reference"
_USED_PRODUCT = "http://hl7.org/fhir/us/icsr-ae-reporting/StructureDefinition/icsr-ext-usedproduct"

ISSUE_TYPE = "Basic"


def unit(shown: UnitShown, local: str) -> Resource:
    """The contained BiologicallyDerivedProduct."""
    key = shown.key
    return {
        "resourceType": "BiologicallyDerivedProduct",
        "id": local,
        "extension": [
            _of_unit("biologicalSourceEvent", "valueIdentifier", donation_identifier(key)),
            _of_unit("division", "valueString", key.division),
            *(
                [_of_unit("expirationDate", "valueDateTime", shown.expiry.text)]
                if shown.expiry
                else []
            ),
            *(_property(found) for found in bodies.unit_properties(shown)),
        ],
        "identifier": [unit_identifier(key)],
        "productCode": bodies.product_code(shown),
    }


def _of_unit(element: str, name: str, value: Any) -> Resource:
    return {"url": f"{_XVER}BiologicallyDerivedProduct.{element}", name: value}


def _property(found: Resource) -> Resource:
    (name,) = found.keys() - {"type"}
    return {
        "url": f"{_XVER}BiologicallyDerivedProduct.property",
        "extension": [
            {"url": "type", "valueCodeableConcept": found["type"]},
            {"url": "value", name: found[name]},
        ],
    }


def _procedure(desired: Desired, content: Procedure, context: WriteContext) -> Resource:
    used = unit_reference(content.unit, bodies.UNIT)
    body = bodies.procedure(desired, content, context)
    supporting = bodies.supporting(content, ISSUE_TYPE, context)
    said = bodies.complication(content.complication)
    return body | {
        "contained": [unit(content.unit, bodies.UNIT)],
        "extension": body["extension"]
        + [{"url": f"{_XVER}Procedure.supportingInfo", "valueReference": r} for r in supporting],
        "statusReason": concept(content.status_reason),
        "performedPeriod": period(content.start, content.end),
        "complication": [said] if said else [],
        "usedReference": [_alternate(used, _USED_PRODUCT)],
    }


def _alternate(target: Resource, *also: str) -> Resource:
    """A reference that stands where R4 allows no unit: identifier and display, no type."""
    return {
        "extension": [{"url": url, "valueReference": target} for url in (_ALTERNATE, *also)],
        "identifier": target["identifier"],
        "display": target["display"],
    }


def _issue(desired: Desired, content: Issue, context: WriteContext) -> Resource:
    body = bodies.issue(desired, content, context)
    return body | {
        "contained": [unit(content.unit, bodies.UNIT)] if content.unit else [],
        "status": "final" if content.status == "mitigated" else content.status,
        "patient": reference(content.patient, context),
    }


def _event(desired: Desired, content: Event, context: WriteContext) -> Resource:
    body = bodies.event(desired, content, context)
    happened = content.onset or content.detected
    shown = content.suspects if content.actuality == "potential" else ()
    return body | {
        "contained": [unit(s.unit, f"{bodies.UNIT}-{n}") for n, s in enumerate(shown, 1)],
        "extension": [
            {
                "url": f"{_XVER}AdverseEvent.supportingInfo",
                "extension": [{"url": "item", f"value{kind}": value}],
            }
            for kind, value in bodies.event_support(content, context)
        ],
        "modifierExtension": _withdrawn(content),
        "identifier": body["identifier"][0],
        "event": bodies.event_code(content),
        "date": happened.text if happened else None,
        "outcome": bodies.event_outcome(content),
        "contributor": [service(context)],
        "suspectEntity": [
            {"instance": _suspect(content, n, context)} for n in range(len(content.suspects))
        ],
    }


def _withdrawn(content: Event) -> list[Resource]:
    if content.status != "entered-in-error":
        return []
    return [{"url": f"{_XVER}AdverseEvent.status", "valueCode": content.status}]


def _suspect(content: Event, place: int, context: WriteContext) -> Resource:
    """The unit's record; for a near miss, where none was made, the unit itself."""
    found = content.suspects[place]
    if content.actuality == "potential":
        return _alternate(unit_reference(found.unit, f"{bodies.UNIT}-{place + 1}"))
    return emitted(found.procedure, context)


def _request(desired: Desired, content: Request, context: WriteContext) -> Resource:
    due = {"period": {"end": content.due.text}} if content.due else None
    return bodies.request(desired, content, context) | {
        "contained": [unit(content.unit, bodies.UNIT)] if content.unit else [],
        "statusReason": concept(content.status_reason),
        "restriction": due,
    }


RENDERERS: dict[type, Callable[[Desired, Any, WriteContext], Resource]] = {
    Procedure: _procedure,
    Volume: observations.volume,
    Issue: _issue,
    Event: _event,
    Request: _request,
    Observed: observations.observed,
}
