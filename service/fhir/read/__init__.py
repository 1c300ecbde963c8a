"""From a checked resource to facts: what it says, free of the release it came in."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from service.errors import Problem
from service.facts.fact import Body, Fact
from service.facts.identity import Ref
from service.facts.records import PatientRecord
from service.fhir.read import r4, r5
from service.fhir.read.common import Reader
from service.fhir.read.consent import read_consent
from service.fhir.read.context import ReadContext, Reading, Resolve, Unmapped
from service.fhir.read.datatypes import Json
from service.fhir.read.issue import read_issue
from service.fhir.read.observation import read_observation
from service.fhir.read.order import read_order
from service.fhir.read.patient import (
    read_encounter,
    read_location,
    read_patient,
    read_staff,
)
from service.fhir.read.procedure import read_procedure
from service.fhir.read.sample import read_sample
from service.fhir.read.step import read_task
from service.fhir.read.treatment import read_device, read_device_use, read_medication
from service.fhir.read.unit import read_unit

__all__ = [
    "ReadContext",
    "Reading",
    "Resolve",
    "Unmapped",
    "Version",
    "facts_of",
    "missing_facts",
    "read",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dialect:
    """What differs between releases."""

    neutral: Callable[[Json], Json]
    expression: Callable[[str], str]


_R4 = _Dialect(neutral=r4.neutral, expression=r4.expression)
_R5 = _Dialect(neutral=r5.neutral, expression=r5.expression)
DIALECTS: dict[str, _Dialect] = {"R4": _R4, "R4B": _R4, "R5": _R5}

TOPICS: dict[str, Callable[[Reader], tuple[Body, ...]]] = {
    "Patient": read_patient,
    "Encounter": read_encounter,
    "Location": read_location,
    "Practitioner": read_staff,
    "PractitionerRole": read_staff,
    "ServiceRequest": read_order,
    "Consent": read_consent,
    "Specimen": read_sample,
    "Observation": read_observation,
    "BiologicallyDerivedProduct": read_unit,
    "BiologicallyDerivedProductDispense": read_issue,
    "MedicationAdministration": read_medication,
    "Device": read_device,
    "DeviceUsage": read_device_use,
    "Procedure": read_procedure,
    "Task": read_task,
}

ABOUT_A_PATIENT = frozenset(
    {
        "Encounter",
        "ServiceRequest",
        "Consent",
        "Specimen",
        "Observation",
        "MedicationAdministration",
        "DeviceUsage",
        "Procedure",
    }
)


def read(resource: Json, release: str, context: ReadContext) -> Reading:
    """What a resource says. ``release`` is R4 or R5; the resource has passed the structure check.

    A resource with problems has no bodies. One that bears our own emitted identifier is an echo
    and states nothing, but for a Task, which is a partner's reply.
    """
    dialect = DIALECTS[release]
    reader = Reader(dialect.neutral(resource), context, dialect.expression)
    topic = TOPICS.get(reader.kind)
    echoed = reader.echo and reader.kind != "Task"
    bodies = () if topic is None or echoed else topic(reader)
    if bodies and reader.subject is None and reader.kind in ABOUT_A_PATIENT:
        reader.warn("It names no patient: stored and not used.", "subject")
        bodies = ()
    stamp, identifiers = reader.stamp(), reader.identifiers()
    return Reading(
        bodies=() if reader.problems else bodies,
        retracted=reader.retracted,
        stamp=stamp,
        subject=reader.subject,
        identifiers=identifiers,
        problems=_once(reader.problems),
        warnings=_once(reader.warnings),
        unmapped=tuple(dict.fromkeys(reader.unmapped)),
    )


def _once(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    return tuple(dict.fromkeys(problems))


def facts_of(
    reading: Reading,
    key: str,
    version: int,
    source: str,
    received: datetime,
    digest: str,
) -> tuple[Fact[Any], ...]:
    """The facts of one version of a resource: the first under its key, the next under ``key#2``."""
    facts = []
    for number, body in enumerate(reading.bodies, start=1):
        facts.append(
            Fact(
                key=key if number == 1 else f"{key}#{number}",
                version=version,
                source=source,
                received=received,
                stamp=reading.stamp,
                digest=digest,
                subject=_subject(reading, key, body),
                body=body,
                retracted=reading.retracted,
            )
        )
    return tuple(facts)


def _subject(reading: Reading, key: str, body: Body) -> Ref | None:
    if reading.subject is not None or not isinstance(body, PatientRecord):
        return reading.subject
    named = reading.identifiers[0] if reading.identifiers else None
    return Ref(kind="Patient", id=key.partition("/")[2], identifier=named)


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """One stored version of a resource, whatever it states."""

    version: int
    source: str
    received: datetime
    stamp: datetime | None = None
    digest: str = ""


def missing_facts(facts: Iterable[Fact[Any]], versions: Iterable[Version]) -> tuple[Fact[Any], ...]:
    """Retractions of what some versions of one resource state and others do not.

    facts: every fact of the resource, of any version; versions: all its versions. With the answer
    added, what is in force is what the version in force states, in whatever order they arrived.
    """
    held = sorted(facts, key=lambda fact: fact.version)
    bodies = {fact.key: fact for fact in held}
    said = {(fact.key, fact.version) for fact in held}
    return tuple(
        _withdrawn(fact, version)
        for version in sorted(versions, key=lambda version: version.version)
        for key, fact in sorted(bodies.items())
        if (key, version.version) not in said
    )


def _withdrawn(fact: Fact[Any], version: Version) -> Fact[Any]:
    return replace(
        fact,
        version=version.version,
        source=version.source,
        received=version.received,
        stamp=version.stamp,
        digest=version.digest,
        retracted=True,
    )
