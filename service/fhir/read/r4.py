"""R4 in the shape of R5: cross-version extensions become elements, renamed elements move.

Extensions: https://hl7.org/fhir/uv/xver-r5.r4/0.1.0/ (one per element, named by its R5 path, with
nested parts by their short names); earlier snapshots nest a whole resource in one extension.
"""

from collections.abc import Callable, Iterator
from typing import Any

from service.fhir.read.datatypes import Json, choice, codings, each, one, text_of

CROSS = "http://hl7.org/fhir/5.0/StructureDefinition/extension-"
ISSUE = "BiologicallyDerivedProductDispense"
PROFILE = f"http://hl7.org/fhir/5.0/StructureDefinition/profile-{ISSUE}"
UNIT_STATUS = "http://hl7.org/fhir/biologicallyderived-product-status"
ICSR_DIN = "http://hl7.org/fhir/us/icsr-ae-reporting/StructureDefinition/icsr-ext-donationIdentificationNumber"
CHOICES = frozenset({"value", "occurrence", "occurence", "effective", "timing"})
MANY = frozenset(
    {
        "basedOn",
        "partOf",
        "property",
        "performer",
        "parameter",
        "used",
        "orderDetail",
        "parent",
        "productStatus",
    }
)
NESTED = frozenset({"orderDetail"})

# R5 path -> R4 path, for what a refusal may point at.
RENAMED = {
    "Procedure.occurrence": "Procedure.performed",
    "MedicationAdministration.occurence": "MedicationAdministration.effective",
    "DeviceUsage.patient": "DeviceUseStatement.subject",
    "DeviceUsage": "DeviceUseStatement",
    "Consent.subject": "Consent.patient",
    "Consent.date": "Consent.dateTime",
    "Encounter.actualPeriod": "Encounter.period",
    "ServiceRequest.reason": "ServiceRequest.reasonCode",
}
# R5 elements that R4 carries in a cross-version extension on the element above them.
CARRIED = (
    "BiologicallyDerivedProduct.productStatus",
    "BiologicallyDerivedProduct.expirationDate",
    "BiologicallyDerivedProduct.biologicalSourceEvent",
    "BiologicallyDerivedProduct.division",
    "BiologicallyDerivedProduct.property",
    "ServiceRequest.orderDetail.parameter",
)


def neutral(resource: Json) -> Json:
    """A copy in the shape of R5, contained resources included."""
    kind = resource.get("resourceType", "")
    named = ISSUE if kind == "Basic" and _is_issue(resource) else kind
    lifted = _lifted(resource, named)
    lifted["contained"] = [neutral(held) for held in each(resource, "contained")]
    return SHAPES.get(named, _same)(lifted)


def expression(path: str) -> str:
    """An R5 path as the sender of R4 knows it."""
    kind, _, element = path.partition(".")
    if kind == ISSUE:
        return (
            f"Basic.extension('{CROSS}{path}').value"
            if element not in BASIC
            else f"Basic.{element}"
        )
    for carried in CARRIED:
        if path == carried or path.startswith(f"{carried}."):
            above = carried.rpartition(".")[0]
            return f"{above}.extension('{CROSS}{carried}').value" + path[len(carried) :]
    for wide, narrow in RENAMED.items():
        if path == wide or path.startswith((f"{wide}.", f"{wide}Period", f"{wide}DateTime")):
            return narrow + path[len(wide) :]
    return path


BASIC = frozenset({"identifier", "subject", "meta.lastUpdated", "contained", "extension"})


def _same(resource: Json) -> Json:
    return resource


def _is_issue(resource: Json) -> bool:
    """A Basic that stands for an issue: by its code, its profile or its extensions."""
    coded = {text_of(coding, "code") for coding in codings(one(resource, "code"))}
    profiles = one(resource, "meta").get("profile") or []
    urls = {str(ext.get("url")) for ext in _extensions(resource)}
    return (
        ISSUE in coded
        or any(str(profile).split("|")[0] == PROFILE for profile in profiles)
        or any(url.startswith(f"{CROSS}{ISSUE}") for url in urls)
    )


# -- extensions into elements


def _extensions(element: Json) -> list[Json]:
    return [*each(element, "extension"), *each(element, "modifierExtension")]


def _lifted(element: Json, path: str) -> Json:
    """A copy of an element with its cross-version extensions as elements, and so all inside it."""
    copy: Json = {}
    for name, value in element.items():
        copy[name] = _inner(name, value, f"{path}.{name}")
    for name, value in _crossed(element, path):
        _put(copy, name, value)
    return copy


def _inner(name: str, value: Any, path: str) -> Any:
    if name in ("extension", "modifierExtension", "contained"):
        return value
    if isinstance(value, dict):
        return _lifted(value, path)
    if isinstance(value, list):
        return [_inner(name, item, path) for item in value]
    return value


def _crossed(element: Json, path: str) -> Iterator[tuple[str, Any]]:
    """R5 element names below a path, with their values, from the extensions on the element."""
    for extension in _extensions(element):
        url = str(extension.get("url", ""))
        if url == f"{CROSS}{path}":  # earlier snapshots: one extension holds the whole resource
            for part in each(extension, "extension"):
                yield _short(part), part
        elif url.startswith(f"{CROSS}{path}."):
            yield url[len(f"{CROSS}{path}.") :], extension


def _short(extension: Json) -> str:
    """The element that a nested part stands for: its short name, or the end of a full URL."""
    url = str(extension.get("url", "")).removesuffix("[x]")
    return url.rpartition(".")[2] if url.startswith(CROSS) else url


def _put(copy: Json, name: str, extension: Json) -> None:
    """Adds what an extension carries; a deeper path makes the elements on the way."""
    first, _, rest = name.partition(".")
    if rest:
        _put(
            copy.setdefault(first, {}) if first not in MANY else _fresh(copy, first),
            rest,
            extension,
        )
        return
    if first.startswith("_"):
        return
    found = choice(extension, "value")
    if found is None:
        _add(copy, first, _complex(extension))
    elif first in CHOICES:
        copy.setdefault(f"{first}{found[0]}", found[1])
    elif first == "used":
        _add(
            copy,
            first,
            {"reference": found[1]} if found[0] == "Reference" else {"concept": found[1]},
        )
    else:
        _add(copy, first, found[1])


def _fresh(copy: Json, name: str) -> Json:
    part: Json = {}
    copy.setdefault(name, []).append(part)
    return part


def _add(copy: Json, name: str, value: Any) -> None:
    if name in MANY:
        copy.setdefault(name, []).append(value)
    else:
        copy.setdefault(name, value)


def _complex(extension: Json) -> Json:
    part: Json = {}
    for inner in each(extension, "extension"):
        _put(part, _short(inner), inner)
    return part


# -- renamed elements


def _issue(resource: Json) -> Json:
    return {**resource, "resourceType": ISSUE}


def _unit(resource: Json) -> Json:
    """The unit; the donation number also from the older extension on the collection."""
    shaped = dict(resource)
    shaped["productStatus"] = list(_statuses(resource))
    held = [
        ext for ext in each(one(resource, "collection"), "extension") if ext.get("url") == ICSR_DIN
    ]
    numbers = [one(ext, "valueIdentifier") for ext in held]
    if numbers and not one(resource, "biologicalSourceEvent"):
        shaped["biologicalSourceEvent"] = numbers[0]
    elif numbers:
        shaped["identifier"] = [*each(resource, "identifier"), *map(_as_donation, numbers)]
    return shaped


def _statuses(resource: Json) -> Iterator[Json]:
    """Every status that was sent: the element of R4, and R5's in whatever type it came."""
    status = text_of(resource, "status")
    if status:
        yield {"system": UNIT_STATUS, "code": status}
    sent = resource.get("productStatus", [])
    for value in sent if isinstance(sent, list) else [sent]:
        if not isinstance(value, dict):
            yield {"code": str(value)}
        else:
            yield from codings(value) or [value]


def _as_donation(number: Json) -> Json:
    system = "https://www.isbt128.org/uri/DonationIdentificationNumber"
    return {"system": system, "value": number.get("value")}


def _order(resource: Json) -> Json:
    shaped = dict(resource)
    shaped["code"] = {"concept": one(resource, "code")}
    shaped["reason"] = _reasons(resource)
    shaped["orderDetail"] = [_detail(detail) for detail in each(resource, "orderDetail")]
    return shaped


def _detail(detail: Json) -> Json:
    """An order detail: its parameters, and the concept that R4 has in place of them.

    A text beside parameters only says in words what they say.
    """
    parameters = each(detail, "parameter")
    concept: Json = {name: detail[name] for name in ("coding", "text") if name in detail}
    told = codings(concept) or (text_of(concept, "text") and not parameters)
    loose = [{"valueCodeableConcept": concept}] if told else []
    return {"parameter": [*parameters, *loose]}


def _reasons(resource: Json) -> list[Json]:
    coded = [{"concept": concept} for concept in each(resource, "reasonCode")]
    return [*coded, *({"reference": ref} for ref in each(resource, "reasonReference"))]


def _consent(resource: Json) -> Json:
    provision = one(resource, "provision")
    shaped = dict(resource)
    shaped["subject"] = one(resource, "patient")
    shaped["date"] = resource.get("dateTime")
    shaped["category"] = [*each(resource, "category"), *each(resource, "scope")]
    shaped["decision"] = provision.get("type")
    shaped["provision"] = [provision] if provision else []
    return shaped


def _procedure(resource: Json) -> Json:
    shaped = _moved(resource, "performed", "occurrence")
    references = [{"reference": used} for used in each(resource, "usedReference")]
    shaped["used"] = [*each(resource, "used"), *references]
    return shaped


def _moved(resource: Json, old: str, new: str) -> Json:
    """A copy with ``old[x]`` as ``new[x]``."""
    return {
        (new + name[len(old) :] if _is_choice(name, old) else name): value
        for name, value in resource.items()
    }


def _is_choice(name: str, stem: str) -> bool:
    return name.startswith(stem) and name[len(stem) :][:1].isupper()


def _medication(resource: Json) -> Json:
    shaped = _moved(resource, "effective", "occurence")  # R5 spells it so
    concept, reference = (
        one(resource, "medicationCodeableConcept"),
        one(resource, "medicationReference"),
    )
    shaped["medication"] = {"concept": concept, "reference": reference}
    return shaped


def _device_use(resource: Json) -> Json:
    shaped = {**resource, "resourceType": "DeviceUsage"}
    shaped["patient"] = one(resource, "subject")
    shaped["device"] = {"reference": one(resource, "device")}
    return shaped


def _encounter(resource: Json) -> Json:
    shaped = dict(resource)
    shaped["class"] = [{"coding": [one(resource, "class")]}] if one(resource, "class") else []
    shaped["actualPeriod"] = one(resource, "period")
    return shaped


def _location(resource: Json) -> Json:
    return {**resource, "contact": [{"telecom": each(resource, "telecom")}]}


def _task(resource: Json) -> Json:
    reason = one(resource, "statusReason")
    return {**resource, "statusReason": {"concept": reason}} if reason else resource


SHAPES: dict[str, Callable[[Json], Json]] = {
    ISSUE: _issue,
    "BiologicallyDerivedProduct": _unit,
    "ServiceRequest": _order,
    "Consent": _consent,
    "Procedure": _procedure,
    "MedicationAdministration": _medication,
    "DeviceUseStatement": _device_use,
    "Encounter": _encounter,
    "Location": _location,
    "Task": _task,
}
