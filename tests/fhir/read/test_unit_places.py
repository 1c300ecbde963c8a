"""Every published place and spelling of a unit, in every release: the same unit is read.

Sources: HL7 core examples of R5 and R6, the cross-version package R5 to R4 (xver 0.1.0), the ICSR
guide 1.0.1, ISBT 128 ST-001 6.2.2. What no source spells is marked *own* or *proposed*.
"""

from typing import Any

import pytest

from service.facts.records import BloodUnit, CrossmatchResult, Issue
from service.facts.steps import Step
from service.facts.unit import UNIT_SYSTEM, Component, Group, UnitRef
from tests.support.reading import (
    CROSS,
    LOINC,
    SNOMED,
    Json,
    concept,
    extension,
    observation,
    own,
    patient_ref,
    quantity,
    read_one,
    step,
)

DIN = "A999926004711"
PDC = "E0398"
DIN_SYSTEM = "https://www.isbt128.org/uri/DonationIdentificationNumber"
MPHO = "https://www.isbt128.org/uri/MPHOUniqueIdentifier"
PRODUCT = "https://www.isbt128.org/uri/productdescriptioncode"
ABO = "https://www.isbt128.org/uri/ABORhD"
PROPERTY = "http://hl7.org/fhir/biologicallyderived-product-property-type-codes"
ICSR = "http://hl7.org/fhir/us/icsr-ae-reporting/StructureDefinition/"
ALTERNATE = "http://hl7.org/fhir/StructureDefinition/alternate-reference"
NAME = "BiologicallyDerivedProduct"
NUMBER = {"system": DIN_SYSTEM, "value": DIN}
CODED = concept(PRODUCT, PDC)
WHOLE = {"system": MPHO, "value": f"A9999{PDC}{DIN}000000"}
OURS = {"system": UNIT_SYSTEM, "value": f"{DIN}/{PDC}/000000"}
UNIT = UnitRef(din=DIN, product=PDC, division="000000")
OLD = ("R4", "R4B")
EVERY = (*OLD, "R5")


def bag(**more: Any) -> Json:
    return {"resourceType": NAME, "productCode": CODED} | more


def crossed(element: str, **value: Any) -> Json:
    return {"url": f"{CROSS}{NAME}.{element}", **value}


def nested(*parts: Json) -> Json:
    """Earlier snapshots of the package: one extension that holds the whole resource."""
    return {"url": f"{CROSS}{NAME}", "extension": list(parts)}


CROSSED = [
    crossed("biologicalSourceEvent", valueIdentifier=NUMBER),
    crossed("division", valueString="000000"),
]
FULL = [
    {"url": f"{CROSS}{NAME}.biologicalSourceEvent", "valueIdentifier": NUMBER},
    {"url": f"{CROSS}{NAME}.division", "valueString": "000000"},
]
SHORT = [
    {"url": "biologicalSourceEvent", "valueIdentifier": NUMBER},
    {"url": "division", "valueString": "000000"},
]
GUIDE = {"url": f"{ICSR}icsr-ext-donationIdentificationNumber", "valueIdentifier": NUMBER}

# place: releases, the unit as it is described
DESCRIBED: dict[str, tuple[tuple[str, ...], Json]] = {
    "source event and division": (("R5",), bag(biologicalSourceEvent=NUMBER, division="000000")),
    "source event without a system": (
        ("R5",),
        bag(biologicalSourceEvent={"value": DIN}, division="000000"),
    ),
    "source event with data identifier and flags": (
        ("R5",),
        bag(biologicalSourceEvent={"system": DIN_SYSTEM, "value": f"={DIN}00"}, division="00"),
    ),
    "unique identifier": (EVERY, bag(identifier=[WHOLE])),
    "unique identifier as the source event": (("R5",), bag(biologicalSourceEvent=WHOLE)),
    "unique identifier, code without a system": (
        EVERY,
        bag(productCode={"coding": [{"code": PDC}]}, identifier=[WHOLE]),
    ),
    "our own identifier": (EVERY, bag(identifier=[OURS])),
    "donation among the identifiers, code of eight": (
        EVERY,
        bag(identifier=[NUMBER], productCode=concept(PRODUCT, f"{PDC}V00")),
    ),
    "cross-version extensions": (OLD, bag(extension=CROSSED)),
    "cross-version extensions as modifiers": (OLD, bag(modifierExtension=CROSSED)),
    "one extension, full names inside": (OLD, bag(extension=[nested(*FULL)])),
    "one extension, short names inside": (OLD, bag(extension=[nested(*SHORT)])),
    "the guide's extension on the collection": (
        OLD,
        bag(collection={"extension": [GUIDE]}, productCode=concept(PRODUCT, f"{PDC}V00")),
    ),
    "the guide's and the cross-version one": (
        OLD,
        bag(extension=CROSSED, collection={"extension": [GUIDE]}),
    ),
}

# spellings of the code system: fhir-contract 3.7
SPELLINGS = (
    (PRODUCT, PDC),
    ("https://www.isbt128.org/uri/ProductDescriptionCode", PDC),
    ("https://www.isbt128/org/uri/ProductDescriptionCode", PDC),
    ("https://iccbba.org/standardterminology", PDC),
    ("http://hl7.org/fhir/biologicallyderived-productcodes", "e0398"),
    ("http://terminology.hl7.org/CodeSystem/ib", PDC),
    ("urn:oid:2.16.840.1.113883.6.18.2.6", PDC),
    (PRODUCT, f"{PDC}V00"),
)


def unit_of(resource: Json, release: str) -> BloodUnit:
    reading = read_one(resource, release)
    assert reading.problems == ()
    (found,) = reading.bodies
    assert isinstance(found, BloodUnit)
    return found


def cases(table: dict[str, tuple[tuple[str, ...], Json]]) -> list[Any]:
    return [
        pytest.param(release, resource, id=f"{release} {place}")
        for place, (releases, resource) in table.items()
        for release in releases
    ]


class TestDescribed:
    """The unit as its producer describes it (fhir-contract 1.4)."""

    @pytest.mark.parametrize(("release", "resource"), cases(DESCRIBED))
    def test_each_place_names_the_unit(self, release: str, resource: Json) -> None:
        found = unit_of(resource, release).unit
        assert (found.din, found.product, found.division) == (DIN, PDC, "000000")

    @pytest.mark.parametrize("release", EVERY)
    @pytest.mark.parametrize(("system", "code"), SPELLINGS)
    def test_each_spelling_of_the_product(self, release: str, system: str, code: str) -> None:
        resource = bag(productCode=concept(system, code), identifier=[NUMBER])
        assert unit_of(resource, release).component is Component.RED_CELLS


def typed(kind: Json, **value: Any) -> tuple[Json, list[Json]]:
    """A property as R5 has it, and the cross-version extensions that stand for it."""
    parts = [{"url": "type", "valueCodeableConcept": kind}]
    parts += [{"url": "value", **value}]
    choice = [parts[0], {"url": "value[x]", **value}]
    held = [crossed("property", extension=parts), crossed("property", extension=choice)]
    return {"type": kind, **value}, held


A_POSITIVE = Group(abo="A", rhd="positive")
TYPES = (
    {"coding": [{"code": "ABORhD"}]},
    concept(PROPERTY, "ABORhD"),
    concept("https://www.isbt128.org/uri", "ABORhD"),
    concept("urn:oid:2.16.840.1.113883.6.18", "ABORhD"),
)
VALUES = (concept(ABO, "62"), concept(ABO, "6200"), concept(SNOMED, "278149003"))


class TestContents:
    """What the unit is, by property: each type system and each form of the value."""

    @pytest.mark.parametrize("value", VALUES)
    @pytest.mark.parametrize("kind", TYPES)
    def test_the_group(self, kind: Json, value: Json) -> None:
        own_form, others = typed(kind, valueCodeableConcept=value)
        assert unit_of(bag(property=[own_form]), "R5").group == A_POSITIVE
        for release in OLD:
            for other in others:
                assert unit_of(bag(extension=[other]), release).group == A_POSITIVE

    def test_expiry_volume_collection_and_intended_recipient(self) -> None:
        volume, volumes = typed(own("property-type", "volume"), valueQuantity=quantity("280", "mL"))
        kind = concept("https://www.isbt128.org/uri/CollectionType", "2")
        collected, collections = typed(
            concept(PROPERTY, "CollectionType"), valueCodeableConcept=kind
        )
        meant = extension("intended-recipient", valueReference=patient_ref())
        until = "2025-06-30T23:59:00+01:00"
        new = bag(expirationDate=until, property=[volume, collected], extension=[meant])
        expires = crossed("expirationDate", valueDateTime=until)
        old = bag(extension=[expires, volumes[0], collections[0], meant])
        for release, resource in (("R5", new), ("R4", old), ("R4B", old)):
            found = unit_of(resource, release)
            assert found.expiry is not None
            assert found.expiry.text == until
            assert (found.volume, found.unit.collection) == (280, "2")
            assert found.intended is not None
            assert found.intended.local == "Patient/p1"


REFERENCE = {"reference": f"{NAME}/u1", "type": NAME}
BY_NUMBER = {"type": NAME, "identifier": WHOLE}
BY_OURS = {"identifier": OURS}
HELD = [{"resourceType": NAME, "id": "u", "identifier": [WHOLE], "productCode": CODED}]
POINTED = {
    "by reference": (REFERENCE, UnitRef(resource=f"{NAME}/u1")),
    "by unique identifier": (BY_NUMBER, UNIT),
    "by our own identifier": (BY_OURS, UNIT),
    "by donation alone": ({"type": NAME, "identifier": NUMBER}, UnitRef(din=DIN)),
    "contained": ({"reference": "#u"}, UNIT),
}


def issued(release: str, product: Json, form: str) -> Json:
    held = {"contained": HELD} if product.get("reference") == "#u" else {}
    if release == "R5":
        kind = {"resourceType": "BiologicallyDerivedProductDispense", "status": "issued"}
        return kind | {"product": product, "patient": patient_ref()} | held
    name = f"{CROSS}BiologicallyDerivedProductDispense"
    said = [
        ("status", {"valueCode": "issued"}),
        ("product", {"valueReference": product}),
        ("patient", {"valueReference": patient_ref()}),
    ]
    flat = [{"url": f"{name}.{part}", **value} for part, value in said]
    short = [{"url": part, **value} for part, value in said]
    shapes = {"flat": flat, "nested": [{"url": name, "extension": short}]}
    shapes["nested in full"] = [{"url": name, "extension": flat}]
    code = concept("http://hl7.org/fhir/fhir-types", "BiologicallyDerivedProductDispense")
    return {"resourceType": "Basic", "code": code, "extension": shapes[form]} | held


class TestPointedAt:
    """A reference to the unit, wherever one stands."""

    @pytest.mark.parametrize(("product", "unit"), POINTED.values(), ids=POINTED)
    @pytest.mark.parametrize("form", ["flat", "nested", "nested in full"])
    @pytest.mark.parametrize("release", EVERY)
    def test_by_an_issue(self, release: str, form: str, product: Json, unit: UnitRef) -> None:
        (found,) = read_one(issued(release, product, form), release).bodies
        assert isinstance(found, Issue)
        assert found.unit == unit

    @pytest.mark.parametrize(("product", "unit"), POINTED.values(), ids=POINTED)
    @pytest.mark.parametrize("release", EVERY)
    def test_by_a_crossmatch(self, release: str, product: Json, unit: UnitRef) -> None:
        more = {"contained": HELD} if product.get("reference") == "#u" else {}
        made = observation(
            concept(LOINC, "1250-0"), focus=[product], valueString="Compatible", **more
        )
        (found,) = read_one(made, release).bodies
        assert isinstance(found, CrossmatchResult)
        assert found.unit == unit

    @pytest.mark.parametrize(
        ("value", "unit"),
        [
            ({"valueString": WHOLE["value"]}, UNIT),
            ({"valueString": OURS["value"]}, UNIT),
            ({"valueString": DIN}, UnitRef(din=DIN)),
            ({"valueString": f"={DIN}00"}, UnitRef(din=DIN)),
            ({"valueCodeableConcept": {"text": DIN}}, UnitRef(din=DIN)),
            ({"valueCodeableConcept": {"coding": [{"code": DIN}]}}, UnitRef(din=DIN)),
        ],
    )
    def test_by_the_unit_number_of_a_crossmatch(self, value: Json, unit: UnitRef) -> None:
        """LOINC 936-5, proposed: HL7 gives no place."""
        part = {"code": concept(LOINC, "936-5"), **value}
        made = observation(concept(LOINC, "1250-0"), component=[part], valueString="Compatible")
        for release in EVERY:
            (found,) = read_one(made, release).bodies
            assert isinstance(found, CrossmatchResult)
            assert found.unit == unit

    @pytest.mark.parametrize(("product", "unit"), POINTED.values(), ids=POINTED)
    @pytest.mark.parametrize("release", EVERY)
    def test_by_a_step(self, release: str, product: Json, unit: UnitRef) -> None:
        more = {"contained": HELD} if product.get("reference") == "#u" else {}
        (found,) = read_one(step("start", focus=product, **more), release).bodies
        assert isinstance(found, Step)
        assert found.unit == unit

    @pytest.mark.parametrize("product", [REFERENCE, BY_NUMBER, BY_OURS, {"reference": "#u"}])
    @pytest.mark.parametrize(
        "place", ["used", "plain", "alternate", "guide", "crossed", "crossed in full", "nested"]
    )
    def test_by_a_procedure(self, place: str, product: Json) -> None:
        name = f"{CROSS}Procedure.used"
        shapes: dict[str, Json] = {
            "used": {"used": [{"reference": product}]},
            "plain": {"usedReference": [product]},
            "alternate": {
                "usedReference": [{"extension": [{"url": ALTERNATE, "valueReference": product}]}]
            },
            "guide": {
                "usedReference": [
                    {
                        "extension": [
                            {"url": f"{ICSR}icsr-ext-usedproduct", "valueReference": product}
                        ]
                    }
                ]
            },
            "crossed": {"extension": [{"url": name, "valueReference": product}]},
            "crossed in full": {
                "extension": [{"url": f"{name}.reference", "valueReference": product}]
            },
            "nested": {
                "extension": [
                    {"url": name, "extension": [{"url": "reference", "valueReference": product}]}
                ]
            },
        }
        made = {
            "resourceType": "Procedure",
            "status": "in-progress",
            "code": concept(SNOMED, "116859006"),
            "subject": patient_ref(),
            "contained": HELD,
        } | shapes[place]
        for release in ("R5",) if place == "used" else OLD:
            period = "occurrencePeriod" if release == "R5" else "performedPeriod"
            timed = made | {period: {"start": "2025-06-02T10:00:00Z"}}
            (found,) = read_one(timed, release).bodies
            assert isinstance(found, Step)
            expected = UnitRef(resource=f"{NAME}/u1") if product == REFERENCE else UNIT
            assert found.unit == expected
