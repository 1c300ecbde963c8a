"""An invented ward of any size: patients with running units, and panels of their vital signs.

The n-th patient is the same on every machine. All resources are R4; nobody here exists.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from service.generate.words import (
    ISBT,
    LOINC,
    OWN,
    SNOMED,
    V2,
    Json,
    amount,
    concept,
    crossed,
    named,
    number,
)
from service.scan.isbt128 import check_character

DISPENSE = "BiologicallyDerivedProductDispense"
PRODUCT = "E0398"
GROUP = "A RhD positive"
GROUP_CODE = "62"
VOLUME = 280  # mL
PANEL = ("85353-1", "Vital signs, weight, height, head circumference, oxygen saturation and BMI")
VITALS = (  # LOINC code, display, UCUM code, a well patient's value
    ("8310-5", "Body temperature", "Cel", 36.8),
    ("8867-4", "Heart rate", "/min", 82),
    ("9279-1", "Respiratory rate", "/min", 15),
    ("8480-6", "Systolic blood pressure", "mm[Hg]", 122),
    ("8462-4", "Diastolic blood pressure", "mm[Hg]", 74),
    ("59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry", "%", 97),
)
FAMILIES = ("Amberlow", "Brackenfold", "Coldwhistle", "Dunmarsh", "Elderquill", "Foxhollow")
GIVEN = ("Alba", "Bertil", "Cosima", "Dorian", "Edda", "Florian", "Greta")

SAMPLED = timedelta(hours=26)  # all of these: before the first start
ORDERED = timedelta(hours=2)
ISSUED = timedelta(minutes=14)
BASELINE = timedelta(minutes=9)
CHECKED = timedelta(minutes=4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bag:
    """One unit of red cells: ``number`` makes its donation, ``start`` is when it was hung."""

    number: int
    start: datetime

    @property
    def din(self) -> str:
        """Its donation number, of the facility that published examples use."""
        return f"A9999{self.start:%y}{self.number % 1_000_000:06d}"

    @property
    def expires(self) -> datetime:
        """The end of a day three weeks on."""
        last = self.start + timedelta(days=21)
        return last.replace(hour=23, minute=59, second=0, microsecond=0)

    @property
    def scans(self) -> tuple[str, ...]:
        """What a scanner reads: donation, product, group, expiry."""
        expiry = f"&>0{self.expires:%y%j%H%M}"
        return (f"={self.din}00", f"=<{PRODUCT}V00", f"=%{GROUP_CODE}00", expiry)


@dataclass(frozen=True, slots=True, kw_only=True)
class Patient:
    """The n-th patient with the units that were hung."""

    number: int
    bags: tuple[Bag, ...]

    @property
    def record(self) -> str:
        """The hospital's number."""
        return f"9{self.number:07d}"

    @property
    def sample(self) -> str:
        """The sample's number."""
        return f"HV-{self.number:07d}"

    @property
    def family(self) -> str:
        """An invented name."""
        return FAMILIES[self.number % len(FAMILIES)]

    @property
    def given(self) -> str:
        """An invented name."""
        return GIVEN[self.number % len(GIVEN)]

    @property
    def born(self) -> str:
        """Between 1940 and 1980."""
        return (date(1940, 1, 1) + timedelta(days=self.number * 37 % 14_600)).isoformat()


def patient(number: int, *starts: datetime) -> Patient:
    """The n-th patient, with a unit hung at each of these instants."""
    bags = (
        Bag(number=number * len(starts) + place, start=start) for place, start in enumerate(starts)
    )
    return Patient(number=number, bags=tuple(bags))


def admitted(who: Patient) -> Iterator[Json]:
    """Everything up to the start of the first unit: record, order, consent, sample, laboratory."""
    first = who.bags[0].start
    yield {
        "resourceType": "Patient",
        "identifier": [number("patient", who.record)],
        "active": True,
        "name": [{"use": "official", "family": who.family, "given": [who.given]}],
        "gender": "female" if who.number % 2 else "male",
        "birthDate": who.born,
    }
    yield _order(who, first - ORDERED)
    yield _consent(who, first - ORDERED)
    yield {
        "resourceType": "Specimen",
        "identifier": [number("sample", who.sample)],
        "accessionIdentifier": number("sample", who.sample),
        "status": "available",
        "type": concept(SNOMED, "122555007"),
        "subject": _of(who),
        "collection": {"collectedDateTime": _at(first - SAMPLED)},
    }
    yield _grouped(who, first - SAMPLED + timedelta(hours=1))
    yield _screened(who, first - SAMPLED + timedelta(hours=1))


def hung(who: Patient, bag: Bag) -> Iterator[Json]:
    """One unit from its description to its start."""
    yield _unit(bag)
    yield _issue(who, bag)
    yield _crossmatch(who, bag)
    yield panel(who, bag.start - BASELINE, f"{bag.number}-baseline")
    yield _check(who, bag)
    scans = [("bag-scan", "String", scan) for scan in bag.scans[:2]]
    rate = ("rate", "Quantity", amount(120, "mL/h"))
    yield _step("start", who, bag, bag.start, rate, *scans)


def down(who: Patient, bag: Bag, at: datetime) -> Json:
    """The unit is through."""
    volume = ("volume-given", "Quantity", amount(VOLUME, "mL"))
    return _step("end", who, bag, at, volume)


def rate(who: Patient, bag: Bag, at: datetime, value: int) -> Json:
    """A new rate, in mL/h."""
    return _step("change-rate", who, bag, at, ("rate", "Quantity", amount(value, "mL/h")))


def panel(who: Patient, at: datetime, name: str) -> Json:
    """One set of a well patient's vital signs as a panel with components."""
    components = [
        {"code": concept(LOINC, code, display), "valueQuantity": amount(value, ucum)}
        for code, display, ucum, value in VITALS
    ]
    return _observed(who, at, name, PANEL) | {"component": components}


def singles(who: Patient, at: datetime, name: str) -> Iterator[Json]:
    """One set of vital signs as five Observations, the blood pressure's with components."""
    for code, display, ucum, value in VITALS:
        if code not in ("8480-6", "8462-4"):
            found = _observed(who, at, f"{name}-{code}", (code, display))
            yield found | {"valueQuantity": amount(value, ucum)}
    pressure = _observed(who, at, f"{name}-bp", ("85354-9", "Blood pressure panel"))
    components = [
        {"code": concept(LOINC, code, display), "valueQuantity": amount(value, ucum)}
        for code, display, ucum, value in VITALS
        if code in ("8480-6", "8462-4")
    ]
    yield pressure | {"component": components}


def _observed(who: Patient, at: datetime, name: str, code: tuple[str, str]) -> Json:
    return {
        "resourceType": "Observation",
        "identifier": [number("observation", f"V-{who.number}-{name}")],
        "status": "final",
        "category": [concept(f"{V2}/observation-category", "vital-signs")],
        "code": concept(LOINC, *code),
        "subject": _of(who),
        "effectiveDateTime": _at(at),
        "performer": [_nurse()],
    }


def _order(who: Patient, at: datetime) -> Json:
    period = {"start": _at(at), "end": _at(at + timedelta(hours=24))}
    return {
        "resourceType": "ServiceRequest",
        "identifier": [_order_number(who)],
        "status": "active",
        "intent": "order",
        "priority": "routine",
        "code": concept(SNOMED, "71493000", "Transfusion of packed red blood cells"),
        "quantityQuantity": amount(len(who.bags), "{unit}"),
        "subject": _of(who),
        "occurrencePeriod": period,
        "authoredOn": _at(at),
        "requester": named("Practitioner", number("staff", "S-0417"), "Dr O. Vanewright"),
        "reasonCode": [{"text": "Symptomatic anaemia"}],
        "specimen": [named("Specimen", number("sample", who.sample))],
    }


def _consent(who: Patient, at: datetime) -> Json:
    covered = [concept(SNOMED, "116859006", "Transfusion of blood product")]
    return {
        "resourceType": "Consent",
        "identifier": [number("consent", f"C-{who.number}")],
        "status": "active",
        "scope": concept(f"{V2}/consentscope", "treatment"),
        "category": [concept(LOINC, "59284-0", "Consent Document")],
        "patient": _of(who),
        "dateTime": _at(at),
        "performer": [_of(who)],
        "policyRule": {"text": "Harrow Vale form for consent to transfusion"},
        "provision": {"type": "permit", "code": covered},
    }


def _grouped(who: Patient, at: datetime) -> Json:
    confirmed = {"url": f"{OWN}/StructureDefinition/group-confirmed", "valueBoolean": True}
    found = concept(SNOMED, "278149003", "Blood group A Rh(D) positive")
    return _result(who, at, "882-1", "group") | {
        "extension": [confirmed],
        "valueCodeableConcept": found,
    }


def _screened(who: Patient, at: datetime) -> Json:
    return _result(who, at, "890-4", "screen") | {
        "valueCodeableConcept": {"text": "Negative"},
        "interpretation": [concept(f"{V2}/v3-ObservationInterpretation", "NEG")],
    }


def _crossmatch(who: Patient, bag: Bag) -> Json:
    meant = {"system": f"{OWN}/sid/unit", "value": _key(bag)}
    return _result(who, bag.start - ORDERED, "1250-0", f"crossmatch-{bag.number}") | {
        "valueCodeableConcept": {"text": "Compatible"},
        "focus": [named("BiologicallyDerivedProduct", meant)],
    }


def _result(who: Patient, at: datetime, code: str, name: str) -> Json:
    return {
        "resourceType": "Observation",
        "identifier": [number("observation", f"L-{who.number}-{name}")],
        "status": "final",
        "category": [concept(f"{V2}/observation-category", "laboratory")],
        "code": concept(LOINC, code),
        "subject": _of(who),
        "effectiveDateTime": _at(at),
        "issued": _at(at),
        "specimen": named("Specimen", number("sample", who.sample)),
    }


def _unit(bag: Bag) -> Json:
    name = "BiologicallyDerivedProduct"
    donation = {"system": f"{ISBT}/DonationIdentificationNumber", "value": bag.din}
    kinds = "http://hl7.org/fhir/biologicallyderived-product-property-type-codes"
    label = [
        {"url": "type", "valueCodeableConcept": concept(kinds, "ABORhD")},
        {"url": "value", "valueCodeableConcept": concept(f"{ISBT}/ABORhD", GROUP_CODE, GROUP)},
    ]
    return {
        "resourceType": name,
        "identifier": [
            {
                "system": f"{ISBT}/MPHOUniqueIdentifier",
                "value": f"A9999{PRODUCT}{bag.din}000000",
            }
        ],
        "productCode": concept(f"{ISBT}/productdescriptioncode", PRODUCT),
        "productCategory": "fluid",
        "status": "available",
        "extension": [
            crossed(f"{name}.biologicalSourceEvent", valueIdentifier=donation),
            crossed(f"{name}.division", valueString="000000"),
            crossed(f"{name}.expirationDate", valueDateTime=_at(bag.expires)),
            crossed(f"{name}.property", extension=label),
        ],
    }


def _issue(who: Patient, bag: Bag) -> Json:
    labelled = {"system": f"{ISBT}/MPHOUniqueIdentifier", "value": f"A9999{PRODUCT}{bag.din}000000"}
    matched = "http://hl7.org/fhir/CodeSystem/biologicallyderivedproductdispense-match-status"
    kept = concept(f"{OWN}/CodeSystem/container", "monitored-refrigerator")
    parts: tuple[tuple[str, str, Any], ...] = (
        ("basedOn", "Reference", named("ServiceRequest", _order_number(who))),
        ("status", "Code", "issued"),
        ("product", "Reference", named("BiologicallyDerivedProduct", labelled)),
        ("patient", "Reference", _of(who)),
        ("matchStatus", "CodeableConcept", concept(matched, "crossmatched")),
        ("quantity", "Quantity", amount(VOLUME, "mL")),
        ("whenHandedOver", "DateTime", _at(bag.start - ISSUED)),
        ("destination", "Reference", _ward()),
    )
    return {
        "resourceType": "Basic",
        "meta": {"profile": [f"http://hl7.org/fhir/5.0/StructureDefinition/profile-{DISPENSE}"]},
        "extension": [
            *(crossed(f"{DISPENSE}.{part}", **{f"value{kind}": v}) for part, kind, v in parts),
            {"url": f"{OWN}/StructureDefinition/issue-container", "valueCodeableConcept": kept},
        ],
        "identifier": [number("issue", f"I-{bag.number}")],
        "code": concept("http://hl7.org/fhir/fhir-types", DISPENSE),
        "subject": _of(who),
    }


def _check(who: Patient, bag: Bag) -> Json:
    printed = f"{bag.din}{check_character(bag.din)}"
    done = bag.start - CHECKED
    given = (
        ("band-scan", "String", who.record),
        ("band-identifier", "Identifier", number("patient", who.record)),
        ("band-family", "String", who.family),
        ("band-given", "String", who.given),
        ("band-birth-date", "Date", who.born),
        ("band-sample-number", "String", who.sample),
        ("read-aloud-match", "Boolean", True),
        ("spoken-confirmed", "Code", "matches"),
        ("label-identifier", "Identifier", number("patient", who.record)),
        ("label-family", "String", who.family),
        ("label-given", "String", who.given),
        ("label-birth-date", "Date", who.born),
        ("label-sample-number", "String", who.sample),
        ("label-donation-number", "String", printed),
        ("label-product-code", "String", f"{PRODUCT}V00"),
        ("label-patient-group", "String", GROUP),
        ("label-unit-group", "String", GROUP),
        ("label-expiry", "DateTime", _at(bag.expires)),
        *(("bag-scan", "String", scan) for scan in bag.scans),
        ("second-checker", "Reference", _nurse("S-2274", "T. Larkspire, nurse")),
        ("second-checked-at", "DateTime", _at(done)),
        ("appearance", "Code", "normal"),
        ("interrupted", "Boolean", False),
        ("access-gauge", "Integer", 18),
        ("filter", "Quantity", amount(200, "um")),
        ("fluid", "CodeableConcept", {"text": "Sodium chloride 0.9 %"}),
    )
    step = _step("check-unit", who, bag, done - timedelta(minutes=2), *given)
    step["executionPeriod"]["end"] = _at(done)
    return step


def _step(code: str, who: Patient, bag: Bag, at: datetime, *given: tuple[str, str, Any]) -> Json:
    meant = {"system": f"{OWN}/sid/unit", "value": _key(bag)}
    kinds = f"{OWN}/CodeSystem/step-input"
    return {
        "resourceType": "Task",
        "identifier": [number("step", f"{code}-{bag.number}-{at:%H%M%S}")],
        "basedOn": [named("ServiceRequest", _order_number(who))],
        "status": "completed",
        "intent": "order",
        "code": concept(f"{OWN}/CodeSystem/bedside-step", code),
        "focus": named("BiologicallyDerivedProduct", meant),
        "for": _of(who),
        "executionPeriod": {"start": _at(at)},
        "authoredOn": _at(at),
        "owner": _nurse(),
        "location": _ward(),
        "input": [{"type": concept(kinds, name), f"value{kind}": v} for name, kind, v in given],
    }


def _key(bag: Bag) -> str:
    return f"{bag.din}/{PRODUCT}/000000"


def _at(instant: datetime) -> str:
    return instant.replace(microsecond=0).isoformat()


def _order_number(who: Patient) -> Json:
    return number("order", f"O-{who.number}")


def _of(who: Patient) -> Json:
    return named("Patient", number("patient", who.record))


def _nurse(staff: str = "S-2231", name: str = "H. Pemberly, nurse") -> Json:
    return named("Practitioner", number("staff", staff), name)


def _ward() -> Json:
    return named("Location", number("location", "larch"), "Ward Larch")
