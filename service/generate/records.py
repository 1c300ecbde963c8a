"""What the record system and the blood bank state, in either release."""

from datetime import datetime, timedelta
from typing import Any

from service.generate.people import Person
from service.generate.plans import Bag, Plan, UnitPlan
from service.generate.words import (
    FACILITY_NUMBER,
    GROUPS,
    ISBT,
    LOINC,
    SNOMED,
    V2,
    Json,
    amount,
    at,
    concept,
    crossed,
    named,
    number,
    of_worker,
    ours,
    own,
    urn,
    ward,
)

DISPENSE = "BiologicallyDerivedProductDispense"
DISPENSE_CODES = "http://hl7.org/fhir/CodeSystem/biologicallyderivedproductdispense"
UNIT = "BiologicallyDerivedProduct"
KINDS = "http://hl7.org/fhir/biologicallyderived-product-property-type-codes"
STATES = "http://hl7.org/fhir/biologicallyderived-product-status"
K_NEGATIVE = "0060010101"  # ISBT 128 structure 030: antigen 006001, result 01, general use
VALID = timedelta(hours=72)
ORDERED = {
    "red_cells": ("71493000", "Transfusion of packed red blood cells"),
    "platelets": ("5447007", "Transfusion"),
    "plasma": ("5447007", "Transfusion"),
    "cryoprecipitate": ("5447007", "Transfusion"),
}
COMPONENT_CODES = {
    "red_cells": "red-cells",
    "platelets": "platelets",
    "plasma": "plasma",
    "cryoprecipitate": "cryoprecipitate",
}
REASONS = {
    "red_cells": ("Symptomatic anaemia", "Anaemia after operation", "Bleeding"),
    "platelets": ("Prophylaxis at a low count", "Bleeding at a low count"),
    "plasma": ("Bleeding with long clotting times",),
    "cryoprecipitate": ("Low fibrinogen with bleeding",),
}
PRIORITIES = {"routine": "routine", "urgent": "urgent", "life-threatening": "stat"}


def of_person(who: Person) -> Json:
    """A reference to a patient by number."""
    return named("Patient", number("patient", who.number))


def patient(who: Person, release: str) -> Json:
    """The record system's record of a patient."""
    kind = concept(f"{V2}/v2-0203", "MR", "Medical record number")
    return {
        "resourceType": "Patient",
        "identifier": [number("patient", who.number) | {"use": "official", "type": kind}],
        "active": True,
        "name": [{"use": "official", "family": who.family, "given": [who.given]}],
        "gender": "female" if who.female else "male",
        "birthDate": who.born.isoformat(),
    }


def order(plan: Plan, release: str) -> Json:
    """The order: children's in mL, all others' in units."""
    who = plan.person
    dose = sum(unit.bag.volume for unit in plan.units)
    wanted = amount(dose, "mL") if who.child else amount(plan.wanted, "{unit}", "unit")
    made: Json = {
        "resourceType": "ServiceRequest",
        "identifier": [number("order", plan.order)],
        "status": "active",
        "intent": "order",
        "priority": PRIORITIES[plan.urgency],
        "category": [own("component", COMPONENT_CODES[plan.component])],
        "quantityQuantity": wanted,
        "subject": of_person(who),
        "occurrencePeriod": {
            "start": at(plan.ordered),
            "end": at(plan.ordered + timedelta(hours=36)),
        },
        "authoredOn": at(plan.ordered),
        "requester": of_worker(plan.doctor),
        "specimen": [named("Specimen", number("sample", who.sample))],
    }
    return made | (_ordered_r4(plan) if release == "R4" else _ordered_r5(plan))


def _ordered_r4(plan: Plan) -> Json:
    required = [concept(f"{V2}/v2-0508", "IR", "Irradiated")] if plan.irradiated else []
    parts = [
        {"url": "code", "valueCodeableConcept": own("order-parameter", "rate")},
        {"url": "value", "valueQuantity": _ordered_rate(plan)},
    ]
    rate = {
        "extension": [crossed("ServiceRequest.orderDetail.parameter", extension=parts)],
        "text": "Rate after the slow start",
    }
    return {
        "code": concept(SNOMED, *ORDERED[plan.component]),
        "orderDetail": [*required, rate],
        "reasonCode": [{"text": _reason(plan)}],
    }


def _ordered_r5(plan: Plan) -> Json:
    required = {
        "code": own("order-parameter", "special-requirement"),
        "valueCodeableConcept": concept(f"{V2}/v2-0508", "IR", "Irradiated"),
    }
    rate = {"code": own("order-parameter", "rate"), "valueQuantity": _ordered_rate(plan)}
    return {
        "code": {"concept": concept(SNOMED, *ORDERED[plan.component])},
        "orderDetail": [{"parameter": [*([required] if plan.irradiated else []), rate]}],
        "reason": [{"concept": {"text": _reason(plan)}}],
    }


def _ordered_rate(plan: Plan) -> Json:
    return amount(plan.units[0].rates[1], "mL/h")


def _reason(plan: Plan) -> str:
    reasons = REASONS[plan.component]
    return reasons[plan.index % len(reasons)]


def consent(plan: Plan, release: str) -> Json:
    """Consent to transfusion, given by the patient."""
    who = of_person(plan.person)
    shared: Json = {
        "resourceType": "Consent",
        "identifier": [number("consent", f"C-{plan.index}")],
        "status": "active",
        "category": [concept(LOINC, "59284-0", "Consent Document")],
    }
    covered = {"code": [concept(SNOMED, "116859006", "Transfusion of blood product")]}
    when = at(plan.ordered - timedelta(minutes=10))
    if release == "R5":
        return shared | {
            "subject": who,
            "date": when[:10],
            "grantor": [who],
            "decision": "permit",
            "provision": [covered],
        }
    return shared | {
        "scope": concept(f"{V2}/consentscope", "treatment", "Treatment"),
        "patient": who,
        "dateTime": when,
        "performer": [who],
        "policyRule": {"text": "Harrow Vale form for consent to transfusion"},
        "provision": {"type": "permit"} | covered,
    }


def sample(plan: Plan, release: str) -> Json:
    """The sample that compatibility rests on, with the laboratory's expiry."""
    numbered = number("sample", plan.person.sample)
    until = ours("sample-valid-until", valueDateTime=at(plan.sampled + VALID))
    return {
        "resourceType": "Specimen",
        "extension": [until],
        "identifier": [numbered],
        "accessionIdentifier": numbered,
        "status": "available",
        "type": concept(SNOMED, "122555007", "Venous blood specimen"),
        "subject": of_person(plan.person),
        "collection": {"collectedDateTime": at(plan.sampled)},
    }


def group(plan: Plan, release: str) -> Json:
    """The patient's ABO and RhD group; in an emergency without crossmatch from one sample only."""
    _, code, display = GROUPS[plan.person.group]
    confirmed = ours("group-confirmed", valueBoolean=plan.crossmatched)
    found = _result(plan, f"G-{plan.index}", "882-1", "ABO and Rh group [Type] in Blood", 20)
    return found | {
        "extension": [confirmed],
        "valueCodeableConcept": concept(SNOMED, code, display),
    }


def antibody_screen(plan: Plan, release: str) -> Json:
    """A negative antibody screen; a newborn's is made on the mother's blood."""
    display = "Blood group antibody screen [Presence] in Serum or Plasma"
    negative = concept(f"{V2}/v3-ObservationInterpretation", "NEG", "Negative")
    found = _result(plan, f"AS-{plan.index}", "890-4", display, 25)
    if plan.person.newborn:
        found["extension"] = [ours("maternal", valueBoolean=True)]
    return found | {"valueCodeableConcept": {"text": "Negative"}, "interpretation": [negative]}


def allowed_groups(plan: Plan, release: str) -> Json:
    """The laboratory's list for a newborn: the group that it will issue."""
    code, _, _ = GROUPS[plan.units[0].bag.group]
    found = _result(plan, f"AG-{plan.index}", "", "", 30)
    found["code"] = own("laboratory-test", "allowed-groups")
    label = concept(f"{ISBT}/ABORhD", code, plan.units[0].bag.group)
    part = {
        "code": own("component", COMPONENT_CODES[plan.component]),
        "valueCodeableConcept": label,
    }
    return found | {"component": [part]}


def crossmatch(plan: Plan, unit: UnitPlan, release: str) -> Json:
    """The crossmatch of one unit with the patient's sample."""
    found = _result(plan, f"XM-{unit.index}", "1250-0", "Major crossmatch [Interpretation]", 35)
    focus = {"reference": urn(_numbered(unit.bag)), "type": UNIT}
    until = ours("crossmatch-valid-until", valueDateTime=at(plan.sampled + VALID))
    return found | {
        "extension": [until],
        "valueCodeableConcept": {"text": "Compatible"},
        "focus": [focus],
    }


def _result(plan: Plan, value: str, code: str, display: str, minutes: int) -> Json:
    when = at(plan.sampled + timedelta(minutes=minutes))
    return {
        "resourceType": "Observation",
        "identifier": [number("observation", value)],
        "status": "final",
        "category": [concept(f"{V2}/observation-category", "laboratory", "Laboratory")],
        "code": concept(LOINC, code, display),
        "subject": of_person(plan.person),
        "effectiveDateTime": when,
        "issued": when,
        "specimen": named("Specimen", number("sample", plan.person.sample)),
    }


def _numbered(bag: Bag) -> Json:
    value = f"{FACILITY_NUMBER}{bag.product}{bag.din}000000"
    return {"identifier": [{"system": f"{ISBT}/MPHOUniqueIdentifier", "value": value}]}


def unit(made: UnitPlan, release: str) -> Json:
    """A unit as its producer describes it."""
    bag = made.bag
    donation = {"system": f"{ISBT}/DonationIdentificationNumber", "value": bag.din}
    shared: Json = (
        {"resourceType": UNIT}
        | _numbered(bag)
        | {"productCode": concept(f"{ISBT}/productdescriptioncode", bag.product)}
    )
    expires = at(bag.expires)
    if release == "R5":
        return shared | {
            "productCategory": {"system": "http://hl7.org/fhir/product-category", "code": "fluid"},
            "productStatus": {"system": STATES, "code": "available"},
            "biologicalSourceEvent": donation,
            "division": "000000",
            "expirationDate": expires,
            "property": [{"type": kind, **value} for kind, value in _properties(bag)],
        }
    return shared | {
        "productCategory": "fluid",
        "status": "available",
        "extension": [
            crossed(f"{UNIT}.biologicalSourceEvent", valueIdentifier=donation),
            crossed(f"{UNIT}.division", valueString="000000"),
            crossed(f"{UNIT}.expirationDate", valueDateTime=expires),
            *(_property_r4(kind, value) for kind, value in _properties(bag)),
        ],
    }


def _properties(bag: Bag) -> list[tuple[Json, Json]]:
    code, _, _ = GROUPS[bag.group]
    typed = concept(f"{ISBT}/RedCellAntigen", K_NEGATIVE, "K negative")
    part = own("component", COMPONENT_CODES[bag.component])
    found = [
        (concept(KINDS, "ABORhD"), concept(f"{ISBT}/ABORhD", code, bag.group)),
        (concept(KINDS, "CollectionType"), concept(f"{ISBT}/CollectionType", "V", "Volunteer")),
        (own("property-type", "component"), part),
        *([(concept(KINDS, "RedCellAntigen"), typed)] if bag.kell_negative else []),
    ]
    coded = [(kind, {"valueCodeableConcept": value}) for kind, value in found]
    return [*coded, (own("property-type", "volume"), {"valueQuantity": amount(bag.volume, "mL")})]


def _property_r4(kind: Json, value: Json) -> Json:
    ((name, held),) = value.items()
    parts = [{"url": "type", "valueCodeableConcept": kind}, {"url": "value", name: held}]
    return crossed(f"{UNIT}.property", extension=parts)


def issue(plan: Plan, made: UnitPlan, release: str) -> Json:
    """The hand-over of one unit. The unit's record must be in the same message."""
    matched = "crossmatched" if plan.crossmatched else "unmatched"
    parts: list[tuple[str, str, Any]] = [
        ("basedOn", "Reference", named("ServiceRequest", number("order", plan.order))),
        ("status", "Code", "issued"),
        ("product", "Reference", {"reference": urn(_numbered(made.bag)), "type": UNIT}),
        ("patient", "Reference", of_person(plan.person)),
        ("matchStatus", "CodeableConcept", concept(f"{DISPENSE_CODES}-match-status", matched)),
        ("quantity", "Quantity", amount(made.bag.volume, "mL")),
        ("whenHandedOver", "DateTime", at(made.issued)),
        ("destination", "Reference", ward(plan.person.ward)),
    ]
    if plan.component != "red_cells":
        parts = [part for part in parts if part[0] != "matchStatus"]
    issued: Json = {
        "extension": _issue_extensions(plan),
        "identifier": [number("issue", f"IS-{made.index}")],
    }
    released = concept(f"{DISPENSE_CODES}-performer-function", "release")
    if release == "R5":
        performer = {"function": released, "actor": of_worker(plan.scientist)}
        held = {part: [value] if part == "basedOn" else value for part, _, value in parts}
        return {"resourceType": DISPENSE} | issued | held | {"performer": [performer]}
    performer_r4 = crossed(
        f"{DISPENSE}.performer",
        extension=[
            {"url": "function", "valueCodeableConcept": released},
            {"url": "actor", "valueReference": of_worker(plan.scientist)},
        ],
    )
    issued["extension"] = [
        *(crossed(f"{DISPENSE}.{part}", **{f"value{kind}": value}) for part, kind, value in parts),
        performer_r4,
        *issued["extension"],
    ]
    return {
        "resourceType": "Basic",
        "meta": {"profile": [f"http://hl7.org/fhir/5.0/StructureDefinition/profile-{DISPENSE}"]},
        **issued,
        "code": concept("http://hl7.org/fhir/fhir-types", DISPENSE),
        "subject": of_person(plan.person),
    }


def _issue_extensions(plan: Plan) -> list[Json]:
    kept = ours("issue-container", valueCodeableConcept=own("container", "uncontrolled"))
    if plan.crossmatched:
        return [kept]
    return [kept, ours("emergency-release", valueBoolean=True)]


def vitals(
    who: Person,
    value: str,
    when: datetime,
    readings: dict[str, float],
    performer: Json,
    status: str,
    release: str,
) -> Json:
    """One set of vital signs, entered by a nurse, as a panel with components."""
    return {
        "resourceType": "Observation",
        "identifier": [number("observation", value)],
        "status": status,
        "category": [concept(f"{V2}/observation-category", "vital-signs", "Vital Signs")],
        "code": concept(LOINC, "85353-1", PANEL),
        "subject": of_person(who),
        "effectiveDateTime": at(when),
        "performer": [performer],
        "component": [
            {"code": concept(LOINC, code, display), "valueQuantity": amount(readings[word], ucum)}
            for word, code, display, ucum in VITALS
            if word in readings
        ],
    }


PANEL = "Vital signs, weight, height, head circumference, oxygen saturation and BMI panel"
VITALS = (  # word, LOINC code, display, UCUM code
    ("temperature", "8310-5", "Body temperature", "Cel"),
    ("heart_rate", "8867-4", "Heart rate", "/min"),
    ("respiratory_rate", "9279-1", "Respiratory rate", "/min"),
    ("systolic", "8480-6", "Systolic blood pressure", "mm[Hg]"),
    ("diastolic", "8462-4", "Diastolic blood pressure", "mm[Hg]"),
    ("saturation", "59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry", "%"),
    ("weight", "29463-7", "Body weight", "kg"),
)
