"""What the record system and the blood bank state: patient, order, consent, sample, unit, issue."""

from collections.abc import Iterable
from typing import Any

from tests.support.authoring.words import (
    GROUPS,
    ISBT,
    LOINC,
    MARL,
    PEMBER,
    SNOMED,
    VANE,
    Bag,
    Both,
    Json,
    Person,
    amount,
    at,
    concept,
    crossed,
    instant,
    named,
    number,
    of_person,
    of_worker,
    ours,
    own,
    same,
    urn,
    ward,
)

V2 = "http://terminology.hl7.org/CodeSystem"
DISPENSE = "http://hl7.org/fhir/CodeSystem/biologicallyderivedproductdispense"
BEFORE = "2027-06-07"  # the day of the sample
VITALS = (  # word, LOINC code, display, UCUM code
    ("temperature", "8310-5", "Body temperature", "Cel"),
    ("heart_rate", "8867-4", "Heart rate", "/min"),
    ("respiratory_rate", "9279-1", "Respiratory rate", "/min"),
    ("systolic", "8480-6", "Systolic blood pressure", "mm[Hg]"),
    ("diastolic", "8462-4", "Diastolic blood pressure", "mm[Hg]"),
    ("saturation", "59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry", "%"),
)
WELL = {
    "temperature": 36.8,
    "heart_rate": 82,
    "respiratory_rate": 15,
    "systolic": 122,
    "diastolic": 74,
    "saturation": 97,
}
RED_CELLS = concept(SNOMED, "71493000", "Transfusion of packed red blood cells")
PLATELETS = concept(f"{V2}/v2-0566", "PLT", "Platelets")
REQUIREMENTS = {
    "irradiated": ("IR", "Irradiated"),
    "leukoreduced": ("LR", "Leukoreduced"),
    "cmv-negative": ("CM", "CMV Negative"),
}


def patient(person: Person, *, replaced_by: Person | None = None) -> Both:
    """The record system's record of a patient; a number that is temporary says so."""
    kind = concept(f"{V2}/v2-0203", "MR", "Medical record number")
    if person.temporary:
        kind = concept(f"{V2}/v2-0203", "MRT", "Temporary Medical Record Number")
    found: Json = {
        "resourceType": "Patient",
        "identifier": [number("patient", person.number) | {"use": "official", "type": kind}],
        "active": replaced_by is None,
        "name": [{"use": "official", "family": person.family, "given": [person.given]}],
        "gender": person.gender,
    }
    if person.born:
        found["birthDate"] = person.born
    if replaced_by is not None:
        found["link"] = [{"other": of_person(replaced_by), "type": "replaced-by"}]
    return same(found)


def order(
    person: Person,
    value: str,
    *,
    units: int = 1,
    requirements: Iterable[str] = (),
    rate: int = 150,
    reason: str = "Symptomatic anaemia",
    millilitres: int | None = None,
    code: Json = RED_CELLS,
    kind: str | None = None,
    based_on: str | None = None,
) -> Both:
    """An order to give red cells on the day. Rates in mL/h.

    millilitres: the quantity where it is not in units. code: what is ordered. kind: ``prepare`` or
    ``administer``, where the code does not tell. based_on: the order it follows from.
    """
    wanted = [REQUIREMENTS[word] for word in requirements]
    quantity = amount(units, "{unit}", "unit")
    shared: Json = {
        "resourceType": "ServiceRequest",
        "identifier": [number("order", value)],
        "status": "active",
        "intent": "order",
        "priority": "routine",
        "quantityQuantity": amount(millilitres, "mL") if millilitres else quantity,
        "subject": of_person(person),
        "occurrencePeriod": {"start": at("08:00"), "end": at("23:00")},
        "authoredOn": at("08:10"),
        "requester": of_worker(VANE),
        "specimen": [named("Specimen", number("sample", person.sample))],
    }
    if kind:
        shared["category"] = [own("order-kind", kind)]
    if based_on:
        shared["basedOn"] = [named("ServiceRequest", number("order", based_on))]
    r4 = shared | {
        "code": code,
        "orderDetail": [
            *(concept(f"{V2}/v2-0508", code, display) for code, display in wanted),
            {"extension": [_rate_r4(rate)], "text": f"Run at {rate} mL/h after a slow start"},
        ],
        "reasonCode": [{"text": reason}],
    }
    r5 = shared | {
        "code": {"concept": code},
        "orderDetail": [
            {
                "parameter": [
                    *(_required(code, display) for code, display in wanted),
                    {"code": own("order-parameter", "rate"), "valueQuantity": _per_hour(rate)},
                ]
            }
        ],
        "reason": [{"concept": {"text": reason}}],
    }
    return {"R4": r4, "R5": r5}


def _per_hour(rate: int) -> Json:
    return amount(rate, "mL/h")


def _rate_r4(rate: int) -> Json:
    parts = [
        {"url": "code", "valueCodeableConcept": own("order-parameter", "rate")},
        {"url": "value", "valueQuantity": _per_hour(rate)},
    ]
    return crossed("ServiceRequest.orderDetail.parameter", extension=parts)


def _required(code: str, display: str) -> Json:
    return {
        "code": own("order-parameter", "special-requirement"),
        "valueCodeableConcept": concept(f"{V2}/v2-0508", code, display),
    }


def consent(person: Person, value: str) -> Both:
    """Consent to transfusion, given by the patient."""
    covered = {"code": [concept(SNOMED, "116859006", "Transfusion of blood product")]}
    form = "Harrow Vale form for consent to transfusion"
    return _decided(person, value, "permit", covered, at("08:05"), form)


def advance_refusal(person: Person, value: str, day: str) -> Both:
    """A refusal of red cells that was signed on an earlier day."""
    covered = {"code": [own("component", "red-cells")]}
    made = _decided(person, value, "deny", covered, day, "Harrow Vale form for advance decisions")
    title = "Advance decision: no red cells, also if life is at risk"
    signed = {"contentType": "application/pdf", "title": title}
    return {
        "R4": made["R4"] | {"sourceAttachment": signed},
        "R5": made["R5"] | {"sourceAttachment": [signed]},
    }


def _decided(
    person: Person, value: str, decision: str, covered: Json, when: str, form: str
) -> Both:
    who = of_person(person)
    shared: Json = {
        "resourceType": "Consent",
        "identifier": [number("consent", value)],
        "status": "active",
        "category": [concept(LOINC, "59284-0", "Consent Document")],
    }
    r4 = shared | {
        "scope": concept(f"{V2}/consentscope", "treatment", "Treatment"),
        "patient": who,
        "dateTime": when,
        "performer": [who],
        "policyRule": {"text": form},
        "provision": {"type": decision} | covered,
    }
    r5 = shared | {
        "subject": who,
        "date": when[:10],
        "grantor": [who],
        "decision": decision,
        "provision": [covered],
    }
    return {"R4": r4, "R5": r5}


def sample(person: Person, *, collected: str = "10:05", day: str = BEFORE) -> Both:
    """The sample that compatibility rests on."""
    numbered = number("sample", person.sample)
    return same(
        {
            "resourceType": "Specimen",
            "identifier": [numbered],
            "accessionIdentifier": numbered,
            "status": "available",
            "type": concept(SNOMED, "122555007", "Venous blood specimen"),
            "subject": of_person(person),
            "collection": {"collectedDateTime": at(collected, day)},
        }
    )


def group(person: Person, value: str) -> Both:
    """The patient's confirmed ABO and RhD group."""
    _, code, display = GROUPS[person.group]
    found = _result(person, value, "882-1", "ABO and Rh group [Type] in Blood", at("11:20", BEFORE))
    found["extension"] = [ours("group-confirmed", valueBoolean=True)]
    return same(found | {"valueCodeableConcept": concept(SNOMED, code, display)})


def antibody_screen(person: Person, value: str) -> Both:
    """A negative antibody screen."""
    display = "Blood group antibody screen [Presence] in Serum or Plasma"
    found = _result(person, value, "890-4", display, at("11:40", BEFORE))
    negative = concept(f"{V2}/v3-ObservationInterpretation", "NEG", "Negative")
    said = {"valueCodeableConcept": {"text": "Negative"}, "interpretation": [negative]}
    return same(found | said)


def crossmatch(person: Person, bag: Bag, value: str, result: str = "Compatible") -> Both:
    """The crossmatch of one unit with the patient's sample."""
    found = _result(person, value, "1250-0", "Major crossmatch [Interpretation]", at("08:40"))
    focus = {"reference": urn(unit(bag)["R5"]), "type": "BiologicallyDerivedProduct"}
    return same(found | {"valueCodeableConcept": {"text": result}, "focus": [focus]})


def _result(person: Person, value: str, code: str, display: str, when: str) -> Json:
    return {
        "resourceType": "Observation",
        "identifier": [number("observation", value)],
        "status": "final",
        "category": [concept(f"{V2}/observation-category", "laboratory", "Laboratory")],
        "code": concept(LOINC, code, display),
        "subject": of_person(person),
        "effectiveDateTime": when,
        "issued": when,
        "specimen": named("Specimen", number("sample", person.sample)),
    }


def unit(bag: Bag, *, status: str | None = None, attribute: str | None = None) -> Both:
    """A unit as its producer describes it.

    status: a word of the laboratory's own, ``recalled``. attribute: a word of the requirements.
    """
    kinds = "http://hl7.org/fhir/biologicallyderived-product-property-type-codes"
    code, _, _ = GROUPS[bag.group]
    properties = [
        (concept(kinds, "ABORhD"), concept(f"{ISBT}/ABORhD", code, bag.group)),
        (concept(kinds, "CollectionType"), concept(f"{ISBT}/CollectionType", "V", "Volunteer")),
    ]
    if attribute:
        code, display = REQUIREMENTS[attribute]
        told = concept(f"{V2}/v2-0508", code, display)
        properties.append((own("property-type", "attribute"), told))
    donation = {"system": f"{ISBT}/DonationIdentificationNumber", "value": bag.din}
    shared: Json = {
        "resourceType": "BiologicallyDerivedProduct",
        "identifier": [
            {
                "system": f"{ISBT}/MPHOUniqueIdentifier",
                "value": f"A9999{bag.product}{bag.din}000000",
            }
        ],
        "productCode": concept(f"{ISBT}/productdescriptioncode", bag.product),
    }
    expires = instant(bag.expires)
    name = "BiologicallyDerivedProduct"
    r4 = shared | {
        "productCategory": "fluid",
        "status": "available",
        "extension": [
            crossed(f"{name}.biologicalSourceEvent", valueIdentifier=donation),
            crossed(f"{name}.division", valueString="000000"),
            crossed(f"{name}.expirationDate", valueDateTime=expires),
            *(_property_r4(kind, value) for kind, value in properties),
        ],
    }
    states = "http://hl7.org/fhir/biologicallyderived-product-status"
    r5 = shared | {
        "productCategory": {"system": "http://hl7.org/fhir/product-category", "code": "fluid"},
        "productStatus": {"system": states, "code": "available"},
        "biologicalSourceEvent": donation,
        "division": "000000",
        "expirationDate": expires,
        "property": [{"type": kind, "valueCodeableConcept": value} for kind, value in properties],
    }
    if status:
        withdrawn = ours("unit-status", valueCode=status)
        r4["extension"] = [*r4["extension"], withdrawn]
        r5["extension"] = [withdrawn]
    return {"R4": r4, "R5": r5}


def _property_r4(kind: Json, value: Json) -> Json:
    parts = [
        {"url": "type", "valueCodeableConcept": kind},
        {"url": "value", "valueCodeableConcept": value},
    ]
    return crossed("BiologicallyDerivedProduct.property", extension=parts)


def issue(
    person: Person,
    bag: Bag,
    order_value: str,
    handed_over: str,
    volume: int = 280,
    *,
    container: str = "monitored-refrigerator",
    match: str = "crossmatched",
) -> Both:
    """The hand-over of one unit for one patient, from a monitored refrigerator.

    The unit's record must be in the same message.
    """
    name = "BiologicallyDerivedProductDispense"
    parts: list[tuple[str, str, Any]] = [
        ("basedOn", "Reference", named("ServiceRequest", number("order", order_value))),
        ("status", "Code", "issued"),
        (
            "product",
            "Reference",
            {"reference": urn(unit(bag)["R5"]), "type": "BiologicallyDerivedProduct"},
        ),
        ("patient", "Reference", of_person(person)),
        (
            "matchStatus",
            "CodeableConcept",
            concept(f"{DISPENSE}-match-status", match),
        ),
        ("quantity", "Quantity", amount(volume, "mL")),
        ("whenHandedOver", "DateTime", at(handed_over)),
        ("destination", "Reference", ward()),
    ]
    released = concept(f"{DISPENSE}-performer-function", "release")
    performer = {"function": released, "actor": of_worker(MARL)}
    from_store = ours("issue-container", valueCodeableConcept=own("container", container))
    numbered = [number("issue", bag.issue)]
    performer_r4 = crossed(
        f"{name}.performer",
        extension=[
            {"url": "function", "valueCodeableConcept": released},
            {"url": "actor", "valueReference": of_worker(MARL)},
        ],
    )
    r4: Json = {
        "resourceType": "Basic",
        "meta": {"profile": [f"http://hl7.org/fhir/5.0/StructureDefinition/profile-{name}"]},
        "extension": [
            *(crossed(f"{name}.{part}", **{f"value{kind}": value}) for part, kind, value in parts),
            performer_r4,
            from_store,
        ],
        "identifier": numbered,
        "code": concept("http://hl7.org/fhir/fhir-types", name),
        "subject": of_person(person),
    }
    r5: Json = {"resourceType": name, "extension": [from_store], "identifier": numbered}
    r5 |= {part: [value] if part == "basedOn" else value for part, _, value in parts}
    return {"R4": r4, "R5": r5 | {"performer": [performer]}}


def vitals(
    person: Person, value: str, clock: str, *, status: str = "final", **changed: float
) -> Both:
    """One set of vital signs, entered by a nurse: a well patient's but for what is changed."""
    found = WELL | changed
    components = [
        {"code": concept(LOINC, code, display), "valueQuantity": amount(found[word], ucum)}
        for word, code, display, ucum in VITALS
    ]
    panel = (
        "85353-1",
        "Vital signs, weight, height, head circumference, oxygen saturation and BMI panel",
    )
    return same(
        {
            "resourceType": "Observation",
            "identifier": [number("observation", value)],
            "status": status,
            "category": [concept(f"{V2}/observation-category", "vital-signs", "Vital Signs")],
            "code": concept(LOINC, *panel),
            "subject": of_person(person),
            "effectiveDateTime": at(clock),
            "performer": [of_worker(PEMBER)],
            "component": components,
        }
    )
