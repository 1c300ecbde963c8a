"""The CapabilityStatement of each release, made from the registry that makes the routes."""

from typing import Any

from service.api.negotiation import FHIR_RELEASE
from service.api.registry import INTERACTIONS, SYSTEM_INTERACTIONS, TYPES, parameters
from service.fhir.own import BASE, SOFTWARE
from service.fhir.search import Parameter

# The day on which what is declared last changed.
DECLARED_ON = "2026-11-25"
OPERATIONS = {"check-unit": f"{BASE}/OperationDefinition/check-unit"}


def capability_statement(release: str, base_url: str, software: str) -> dict[str, Any]:
    """What this base does, and nothing that it does not."""
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": DECLARED_ON,
        "kind": "instance",
        "software": {"name": SOFTWARE, "version": software},
        "implementation": {
            "description": "Transfusion administration events: intake, checks and notices",
            "url": base_url,
        },
        "fhirVersion": FHIR_RELEASE[release],
        "format": ["application/fhir+json"],
        "rest": [
            {
                "mode": "server",
                "documentation": (
                    "Screening support, not a diagnosis; local policy, the laboratory's label and "
                    "licensed staff decide. Nothing is deleted: a record is withdrawn by sending "
                    "it as entered-in-error. A resource is read in the release it was sent in."
                ),
                "security": {"description": "A bearer token of a configured source."},
                "resource": [_resource(name, release) for name in TYPES[release]],
                "interaction": [{"code": code} for code in SYSTEM_INTERACTIONS],
                "operation": [
                    {"name": name, "definition": url} for name, url in OPERATIONS.items()
                ],
            }
        ],
    }


def _resource(type_name: str, release: str) -> dict[str, Any]:
    common = [
        Parameter("_id", "token", ()),
        Parameter("_lastUpdated", "date", ()),
    ]
    return {
        "type": type_name,
        "interaction": [{"code": code} for code in INTERACTIONS],
        "versioning": "versioned",
        "readHistory": True,
        "updateCreate": False,
        "conditionalCreate": True,
        "conditionalUpdate": True,
        "conditionalDelete": "not-supported",
        "referencePolicy": ["literal", "logical", "enforced"],
        "searchParam": [
            {"name": parameter.name, "type": parameter.kind}
            for parameter in (*common, *parameters(type_name, release))
        ],
    }
