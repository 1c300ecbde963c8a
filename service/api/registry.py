"""What the API serves, in one place: routes and CapabilityStatement are both made from it."""

from service.fhir.search import PARAMETERS, Parameter

RELEASES = {"r4": "R4", "r5": "R5"}

_SHARED = (
    "BiologicallyDerivedProduct",
    "Consent",
    "Device",
    "Encounter",
    "Location",
    "MedicationAdministration",
    "Observation",
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Procedure",
    "ServiceRequest",
    "Specimen",
    "Task",
)

TYPES: dict[str, tuple[str, ...]] = {
    "R4": tuple(sorted((*_SHARED, "Basic", "DeviceUseStatement"))),
    "R5": tuple(sorted((*_SHARED, "BiologicallyDerivedProductDispense", "DeviceUsage"))),
}

INTERACTIONS = ("read", "vread", "update", "create", "search-type")
SYSTEM_INTERACTIONS = ("transaction", "batch")

# Parameters of the shared table that a release names otherwise.
ABSENT: dict[str, frozenset[tuple[str, str]]] = {
    "R4": frozenset({("MedicationAdministration", "date")}),
    "R5": frozenset({("MedicationAdministration", "effective-time")}),
}


def parameters(type_name: str, release: str) -> tuple[Parameter, ...]:
    """The search parameters of a type in a release, beside ``_id`` and ``_lastUpdated``."""
    absent = ABSENT[release]
    return tuple(p for p in PARAMETERS[type_name] if (type_name, p.name) not in absent)


def serves(type_name: str, release: str) -> bool:
    """True when the release's base serves the type."""
    return type_name in TYPES[release]
