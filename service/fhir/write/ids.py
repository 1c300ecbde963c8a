"""Ids of emitted resources: stable, the same for every partner, telling nothing of the patient."""

from uuid import UUID, uuid5

from service.assessment.desired import Key
from service.fhir.write.context import WriteContext

TYPE_OF_KIND = {
    "procedure": "Procedure",
    "volume": "Observation",
    "observation": "Observation",
    "issue": "DetectedIssue",
    "event": "AdverseEvent",
    "task": "Task",
}


def resource_type(key: Key) -> str:
    """The FHIR type of the resource that bears an identity."""
    return TYPE_OF_KIND[key.kind]


def resource_id(key: Key, context: WriteContext) -> str:
    """The id of an identity: as emitted before, else the name-based uuid of its text."""
    return context.ids.get(key.text) or named(context.namespace, key.text)


def named(namespace: UUID, name: str) -> str:
    """A lower-case uuid of a name under the installation's namespace."""
    return str(uuid5(namespace, name))
