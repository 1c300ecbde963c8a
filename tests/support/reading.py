"""Reading resources in tests: the shipped code maps, and references as a stored bundle has them."""

import json
from collections.abc import Iterable
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from service.facts.identity import Identifier, Ref
from service.facts.records import StaffRecord
from service.fhir.codes import Codes, load_codes
from service.fhir.read import ReadContext, Reading, read

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data"
ZONE = ZoneInfo("America/New_York")
OWN = "https://transfusion-events.example/fhir"
CROSS = "http://hl7.org/fhir/5.0/StructureDefinition/extension-"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
HOSPITAL = "https://harrow-vale.example/id"

Json = dict[str, Any]


@cache
def codes() -> Codes:
    """The shipped code maps."""
    return load_codes(ROOT / "mappings" / "codes")


def resolve(reference: Any) -> Ref:
    """A Reference as it stands, with no look-up of its own."""
    literal = reference.get("reference") or ""
    kind, _, own_id = literal.partition("/")
    named = reference.get("identifier") or {}
    identifier = Identifier(named["system"], named["value"]) if named.get("value") else None
    return Ref(
        kind=kind if own_id else reference.get("type", ""),
        id=own_id or None,
        identifier=identifier,
        display=reference.get("display"),
    )


def context(**overrides: Any) -> ReadContext:
    """A context with the shipped code maps and no look-ups."""
    held: Json = {"zone": ZONE, "codes": codes(), "resolve": resolve}
    return ReadContext(**(held | overrides))


def read_one(resource: Json, release: str = "R5", **overrides: Any) -> Reading:
    """Reads one resource that names no other one that matters."""
    return read(resource, release, context(**overrides))


def body(resource: Json, release: str = "R5", **overrides: Any) -> Any:
    """The only fact of a resource without problems."""
    reading = read_one(resource, release, **overrides)
    assert reading.problems == ()
    (only,) = reading.bodies
    return only


def load(path: str) -> Any:
    """A JSON file below tests/data, its decimals as they were sent."""
    return json.loads((DATA / path).read_text(encoding="utf-8"), parse_float=Decimal)


def stored(bundle: Json) -> list[tuple[str, Json]]:
    """The resources of a transaction as they are stored: with our ids in every reference.

    The ids are counted, so that the same bundle in another release has the same ids.
    """
    entries = bundle["entry"]
    ours = {
        entry["fullUrl"]: f"{entry['resource']['resourceType']}/{number}"
        for number, entry in enumerate(entries)
    }
    return [(ours[entry["fullUrl"]], _rewritten(entry["resource"], ours)) for entry in entries]


def _rewritten(value: Any, ours: dict[str, str]) -> Any:
    if isinstance(value, dict):
        copy = {name: _rewritten(inner, ours) for name, inner in value.items()}
        if copy.get("reference") in ours:
            copy["reference"] = ours[copy["reference"]]
        return copy
    return [_rewritten(inner, ours) for inner in value] if isinstance(value, list) else value


# -- resources


def concept(system: str, code: str, display: str | None = None) -> Json:
    """A CodeableConcept of one coding; an empty system is left out."""
    coding = {"system": system, "code": code, "display": display}
    return {"coding": [{name: value for name, value in coding.items() if value}]}


def own(code_system: str, code: str) -> Json:
    """A CodeableConcept in one of our own code systems."""
    return concept(f"{OWN}/CodeSystem/{code_system}", code)


def quantity(value: str, code: str, **more: Any) -> Json:
    """A Quantity with a UCUM code."""
    return {"value": Decimal(value), "system": UCUM, "code": code, **more}


def extension(fact: str, **value: Any) -> Json:
    """The extension that carries a fact."""
    return {"url": codes().elements[fact].url, **value}


def patient_ref() -> Json:
    """A reference to the patient of most tests."""
    return {"reference": "Patient/p1", "type": "Patient"}


def observation(code: Json, **more: Any) -> Json:
    """A final Observation about the patient at a clinical time."""
    held = {
        "resourceType": "Observation",
        "status": "final",
        "code": code,
        "subject": patient_ref(),
        "effectiveDateTime": "2025-06-02T10:00:00Z",
    }
    return held | more


def step(code: str, /, inputs: Iterable[tuple[str, str, Any]] = (), **more: Any) -> Json:
    """A completed bedside step; inputs as (word, value[x] name, value)."""
    held = {
        "resourceType": "Task",
        "identifier": [{"system": f"{HOSPITAL}/step", "value": "ST-9"}],
        "status": "completed",
        "intent": "order",
        "code": own("bedside-step", code),
        "for": patient_ref(),
        "focus": {"reference": "BiologicallyDerivedProduct/u1"},
        "executionPeriod": {"start": "2025-06-02T10:00:00Z"},
        "input": [{"type": own("step-input", word), name: value} for word, name, value in inputs],
    }
    return {name: value for name, value in (held | more).items() if value not in (None, [])}


def staff_known(**people: StaffRecord) -> Any:
    """A look-up of staff by ``Type_id``."""
    held = {name.replace("_", "/", 1): record for name, record in people.items()}

    def look_up(who: Ref) -> StaffRecord | None:
        return held.get(who.local or "")

    return look_up
