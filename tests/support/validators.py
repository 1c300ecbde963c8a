"""Checks a resource with two independent validators and with what both of them miss.

1. The fhir.resources models: structure and primitive types (R4B stands for R4).
2. pyrofile over the published definitions: cardinality, reference targets, invariants, bindings.
3. Here: required codes of R5 (the R5 package holds no value sets), where each extension may stand,
   the order of a period, and what JSON forbids.

The definitions are data inside two wheels; ``.ci/fetch-definitions`` fetches them.
"""

import json
import os
import re
from collections.abc import Iterator
from datetime import datetime
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import Any

import msgspec
from pydantic import ValidationError
from pyrofile_validator.config import TerminologyConfig, ValidatorConfig
from pyrofile_validator.core.engine import Validator
from pyrofile_validator.models import Severity

RELEASES = ("R4", "R5")

_ENCODER = msgspec.json.Encoder(decimal_format="number")
_MODELS = {"R4": "fhir.resources.R4B", "R5": "fhir.resources"}

# Rules of pyrofile 0.3.0 that count nested lists wrongly (its other cardinality rules still
# fire), and its period rule, which compares text and not instants; _periods is ours.
_SEVERITIES = {
    "profile.element.cardinality.max": "information",
    "cardinality.min": "information",
    "invariant.per-1": "information",
}
# HL7 added TS and TI to table 0513 after the 4.0.1 package was made.
_NEWER_SYSTEMS = ["http://terminology.hl7.org/CodeSystem/v2-0513"]

_XVER = "http://hl7.org/fhir/5.0/StructureDefinition/extension-"
_ICSR = "http://hl7.org/fhir/us/icsr-ae-reporting/StructureDefinition/"

# Every extension that may be written, with the element it may stand on (and in which releases).
EXTENSIONS: dict[str, tuple[str, tuple[str, ...]]] = {
    f"{_XVER}AdverseEvent.status": ("AdverseEvent", ("R4",)),
    f"{_XVER}AdverseEvent.supportingInfo": ("AdverseEvent", ("R4",)),
    f"{_XVER}BiologicallyDerivedProduct.biologicalSourceEvent": (
        "BiologicallyDerivedProduct",
        ("R4",),
    ),
    f"{_XVER}BiologicallyDerivedProduct.division": ("BiologicallyDerivedProduct", ("R4",)),
    f"{_XVER}BiologicallyDerivedProduct.expirationDate": ("BiologicallyDerivedProduct", ("R4",)),
    f"{_XVER}BiologicallyDerivedProduct.property": ("BiologicallyDerivedProduct", ("R4",)),
    f"{_XVER}Procedure.supportingInfo": ("Procedure", ("R4",)),
    f"{_ICSR}icsr-ext-usedproductamount": ("Procedure", ("R4", "R5")),
    f"{_ICSR}icsr-ext-usedproduct": ("Procedure.usedReference", ("R4",)),
    "http://hl7.org/fhir/StructureDefinition/alternate-reference": ("", ("R4",)),
}

# Required codes of R5 5.0.0 for the elements that the service writes, as words.
REQUIRED_R5: dict[str, str] = {
    "event-status": "preparation in-progress not-done on-hold stopped completed entered-in-error "
    "unknown",
    "task-status": "draft requested received accepted rejected ready cancelled in-progress "
    "on-hold failed completed entered-in-error",
    "task-intent": "unknown proposal plan directive order original-order reflex-order "
    "filler-order instance-order option",
    "request-priority": "routine urgent asap stat",
    "observation-status": "registered preliminary final amended corrected cancelled "
    "entered-in-error unknown",
    "detectedissue-status": "preliminary final entered-in-error mitigated",
    "detectedissue-severity": "high moderate low",
    "adverse-event-status": "in-progress completed entered-in-error unknown",
    "adverse-event-actuality": "actual potential",
    "provenance-entity-role": "revision quotation source instantiates removal",
    "issue-severity": "fatal error warning information success",
    "issue-type": "invalid structure required value invariant security login unknown expired "
    "forbidden suppressed processing not-supported duplicate multiple-matches not-found deleted "
    "too-long code-invalid extension too-costly business-rule conflict limited-filter transient "
    "lock-error no-store exception timeout incomplete throttled informational success",
    "bundle-type": "document message transaction transaction-response batch batch-response "
    "history searchset collection subscription-notification",
    "http-verb": "GET HEAD POST PUT DELETE PATCH",
}


class DefinitionsMissing(AssertionError):
    """The published definitions are not on this machine."""


def definitions(release: str) -> Path:
    """The folder of one release's definitions; fails when they were never fetched."""
    named = os.environ.get("FHIR_DEFINITIONS")
    base = Path(named) if named else Path.home() / ".cache/transfusion-events/fhir"
    if not (base / "complete").is_file():
        raise DefinitionsMissing(f"No FHIR definitions in {base}: run .ci/fetch-definitions first.")
    return base / release.lower()


def problems(resource: dict[str, Any], release: str) -> list[str]:
    """Everything that is wrong with a resource; an empty list means that it is valid."""
    sent = json.loads(_ENCODER.encode(resource))
    found = [*_by_models(sent, release), *_by_definitions(sent, release)]
    found += _extensions(sent, sent.get("resourceType", ""), release)
    found += _periods(sent)
    found += _json(sent, sent.get("resourceType", ""))
    if release == "R5":
        found += _required_codes(sent)
    return found


def assert_valid(resource: dict[str, Any], release: str) -> None:
    """Fails with all problems of a resource."""
    found = problems(resource, release)
    assert not found, "\n".join([*found, json.dumps(json.loads(_ENCODER.encode(resource)))])


def _by_models(resource: dict[str, Any], release: str) -> list[str]:
    kind = resource["resourceType"]
    model = getattr(import_module(f"{_MODELS[release]}.{kind.lower()}"), kind)
    try:
        model.model_validate(resource)
    except ValidationError as error:
        return [f"model: {'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()]
    return []


@lru_cache
def _validator(release: str) -> Validator:
    return Validator(
        ValidatorConfig(
            local_package_paths=[str(definitions(release))],
            severity_policy=_SEVERITIES,
            terminology=TerminologyConfig(ignored_code_systems=_NEWER_SYSTEMS),
        )
    )


def _by_definitions(resource: dict[str, Any], release: str) -> list[str]:
    report = _validator(release).validate_resource(resource)
    return [
        f"{issue.code}: {issue.path}: {issue.message}"
        for issue in report.issues
        if issue.severity is Severity.ERROR and issue.code != "extension.unknown"
    ]


def _extensions(node: Any, path: str, release: str) -> Iterator[str]:
    """Extensions that are not in the table, or stand where the table does not allow them."""
    if isinstance(node, list):
        for item in node:
            yield from _extensions(item, path, release)
    if not isinstance(node, dict):
        return
    path = node.get("resourceType", path)
    for name in ("extension", "modifierExtension"):
        for extension in node.get(name, ()):
            place, releases = EXTENSIONS.get(extension["url"], ("?", ()))
            if release not in releases or place not in ("", path):
                yield f"extension {extension['url']} on {path}"
    for name, value in node.items():
        if name not in ("extension", "modifierExtension"):
            yield from _extensions(value, f"{path}.{name}", release)


def _periods(node: Any) -> Iterator[str]:
    """per-1 on instants and on equally precise dates, whatever offsets they carry."""
    if isinstance(node, list):
        for item in node:
            yield from _periods(item)
    if isinstance(node, dict):
        start, end = node.get("start"), node.get("end")
        if isinstance(start, str) and isinstance(end, str) and not _in_order(start, end):
            yield f"per-1: {start} to {end}"
        for value in node.values():
            yield from _periods(value)


def _in_order(start: str, end: str) -> bool:
    if "T" in start and "T" in end:
        return datetime.fromisoformat(start) <= datetime.fromisoformat(end)
    return len(start) == len(end) and start <= end


def _json(node: Any, path: str) -> Iterator[str]:
    """Empty strings, lists and objects, nulls and control characters, which FHIR JSON forbids."""
    if node is None or node in ("", [], {}):
        yield f"empty: {path}"
    elif isinstance(node, str) and re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", node):
        yield f"control character: {path}"
    elif isinstance(node, list):
        for item in node:
            yield from _json(item, path)
    elif isinstance(node, dict):
        for name, value in node.items():
            yield from _json(value, f"{path}.{name}")


def _required_codes(resource: dict[str, Any]) -> Iterator[str]:
    """Codes of R5 elements with a required binding, contained resources and entries included."""
    kind = resource["resourceType"]
    for path, value_set in _bindings(kind):
        for code in _at(resource, path.split(".")[1:]):
            allowed = REQUIRED_R5.get(value_set)
            if allowed is None:
                yield f"{path}: no codes known for {value_set}"
            elif code not in allowed.split():
                yield f"{path}: {code} is not in {value_set}"
    for contained in resource.get("contained", ()):
        yield from _required_codes(contained)
    for entry in resource.get("entry", ()):
        if "resource" in entry:
            yield from _required_codes(entry["resource"])


@lru_cache
def _bindings(kind: str) -> tuple[tuple[str, str], ...]:
    file = definitions("R5") / f"{kind.lower()}.json"
    structure = json.loads(file.read_text(encoding="utf-8"))
    return tuple(
        (element["path"], element["binding"]["valueSet"].partition("|")[0].rpartition("/")[2])
        for element in structure["snapshot"]["element"]
        if element.get("binding", {}).get("strength") == "required"
        and any(t["code"] == "code" for t in element.get("type", ()))
    )


def _at(node: Any, path: list[str]) -> Iterator[str]:
    if isinstance(node, list):
        for item in node:
            yield from _at(item, path)
    elif not path:
        yield node
    elif isinstance(node, dict) and path[0] in node:
        yield from _at(node[path[0]], path[1:])
