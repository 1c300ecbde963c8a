"""BiologicallyDerivedProduct: a bag as its producer describes it."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from decimal import Decimal

from service.facts.fact import Body
from service.facts.moment import Moment
from service.facts.records import UNRECOGNISED, BloodUnit
from service.facts.unit import Component, Group, UnitRef
from service.fhir.products import Product
from service.fhir.read.antigen import typed_antigen
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import (
    Json,
    chosen,
    codings,
    each,
    flag_of,
    one,
    text_of,
)
from service.fhir.read.group_text import group_of
from service.fhir.read.told import told
from service.fhir.read.which_unit import described_unit, unit_ref

GRAVEST_FIRST = (
    "recalled",
    "quarantined",
    "discarded",
    "unavailable",
    UNRECOGNISED,
    "available",
)
PROPERTY_SYSTEM = "http://hl7.org/fhir/biologicallyderived-product-property-type-codes"
STATUS_SYSTEM = "http://hl7.org/fhir/biologicallyderived-product-status"


@dataclass(slots=True, kw_only=True)
class _Properties:
    """What the properties of a unit say, collected one by one."""

    collection: str | None = None
    group: Group | None = None
    antigens: dict[str, bool] = field(default_factory=dict)
    attributes: set[str] | None = None
    titre: str | None = None
    additive_solution: bool | None = None
    volume: Decimal | None = None
    components: set[Component | None] = field(default_factory=set)


def read_unit(reader: Reader) -> tuple[Body, ...]:
    """A unit. What neither the message nor the product table says stays unknown."""
    unit = reader.resource
    ref = described_unit(reader, unit)
    said = _properties(reader)
    known = reader.context.products.get(ref.product or "")
    attributes = said.attributes
    if known and known.attributes is not None:
        attributes = (attributes or set()) | known.attributes
    intended = reader.own(unit, "intended-recipient")
    return (
        BloodUnit(
            identifiers=reader.identifiers(),
            unit=replace(ref, collection=ref.collection or said.collection),
            component=_kind(reader, said, known),
            group=said.group,
            expiry=_expiry(reader),
            attributes=frozenset(attributes) if attributes is not None else None,
            antigens=tuple(sorted(said.antigens.items())),
            volume=said.volume,
            status=_status(reader),
            container=own_word(reader, "containers", "unit-container"),
            titre=said.titre,
            additive_solution=_solution(said, known),
            parents=_parents(reader),
            intended=reader.ref(intended, "Patient") if intended else None,
            product_text=_text(unit, known),
        ),
    )


def _kind(reader: Reader, said: _Properties, known: Product | None) -> Component | None:
    """The component; none where property and product code contradict, or one has no known word."""
    found = said.components | ({known.component} if known else set())
    if len(found) > 1:
        reader.warn("What the unit is was said in two ways that differ.", "property", "value")
    return next(iter(found)) if len(found) == 1 else None


def _text(unit: Json, known: Product | None) -> str | None:
    """What the product is called: as sent, else as the product table says."""
    code = one(unit, "productCode")
    shown = [text_of(coding, "display") for coding in codings(code)]
    found = [text_of(code, "text"), *shown, known.text if known else None]
    return next((text for text in found if text), None)


def _solution(said: _Properties, known: Product | None) -> bool | None:
    if said.additive_solution is not None or known is None:
        return said.additive_solution
    return known.additive_solution


def own_word(reader: Reader, concept: str, fact: str) -> str | None:
    """The word of an own extension that holds a CodeableConcept."""
    found = reader.own(reader.resource, fact)
    return told(reader, concept, found, "extension") if isinstance(found, dict) else None


def _expiry(reader: Reader) -> Moment | None:
    return reader.moment(reader.resource, "expirationDate")


def _status(reader: Reader) -> str | None:
    """The gravest of all that the element and our own extension say; an unknown word is grave."""
    said = {_status_word(reader, coding) for coding in each(reader.resource, "productStatus")}
    said |= _own_statuses(reader)
    return next((word for word in GRAVEST_FIRST if word in said), None)


def _status_word(reader: Reader, coding: Json) -> str:
    system, code = text_of(coding, "system"), text_of(coding, "code")
    word = reader.codes.word("unit-statuses", system or STATUS_SYSTEM, code)
    if word is not None:
        return word
    reader.warn("The status of the unit is not a known one.", "productStatus", "code-invalid")
    reader.unmapped_only("unit-statuses", {"coding": [coding]})
    return UNRECOGNISED


def _own_statuses(reader: Reader) -> set[str]:
    row = reader.codes.elements["unit-status"]
    sent = [ext for ext in each(reader.resource, "extension") if ext.get("url") == row.url]
    values = reader.every_own(reader.resource, "unit-status")
    words = reader.codes.concepts["unit-statuses"].words
    if len(values) < len(sent) or not words.issuperset(values):
        reader.warn("The status of the unit is not a known one.", "extension", "code-invalid")
        return {UNRECOGNISED, *words.intersection(values)}
    return set(values)


def _parents(reader: Reader) -> tuple[UnitRef, ...]:
    found = (unit_ref(reader, parent) for parent in each(reader.resource, "parent"))
    return tuple(ref for ref in found if ref is not None)


def _properties(reader: Reader) -> _Properties:
    said = _Properties()
    for element in each(reader.resource, "property"):
        word = _property_type(reader, element)
        if word is not None:
            READ[word](reader, element, said)
    return said


def _property_type(reader: Reader, element: Json) -> str | None:
    """What a property says. HL7's examples give its type in three systems, one of them none."""
    for coding in codings(one(element, "type")):
        system = text_of(coding, "system") or PROPERTY_SYSTEM
        word = reader.codes.word("property-types", system, text_of(coding, "code"))
        if word is not None:
            return word
    reader.unmapped_only("property-types", one(element, "type"))
    return None


def _value(element: Json) -> Json:
    found = chosen(element, "value", "CodeableConcept")
    return found if isinstance(found, dict) else {}


def _group(reader: Reader, element: Json, said: _Properties) -> None:
    group = group_of(reader, _value(element), "property")
    if group is None:
        reader.unknown("groups", _value(element), "property")
        said.group = Group()
    elif said.group not in (None, group):
        reader.warn("The unit states two groups; neither is used.", "property", "code-invalid")
        said.group = Group()
    else:
        said.group = group


def _collection(reader: Reader, element: Json, said: _Properties) -> None:
    codes = [text_of(coding, "code") for coding in codings(_value(element))]
    said.collection = next((code for code in codes if code), None)


def _antigen(reader: Reader, element: Json, said: _Properties) -> None:
    """A typed antigen; typed both ways counts as carried."""
    for coding in codings(_value(element)):
        typed = typed_antigen(reader, coding)
        if typed is not None:
            antigen, present = typed
            said.antigens[antigen] = present or said.antigens.get(antigen, False)
            return
    reader.unknown("antigens", _value(element), "property")


def _attribute(reader: Reader, element: Json, said: _Properties) -> None:
    words = reader.codes.words("requirements", codings(_value(element)))
    said.attributes = (said.attributes or set()) | words
    if not words:
        reader.unknown("requirements", _value(element), "property")


def _titre(reader: Reader, element: Json, said: _Properties) -> None:
    """The worse titre; one in no known word stands for no low one."""
    word = told(reader, "titres", _value(element), "property") or UNRECOGNISED
    worst = (word, said.titre)
    said.titre = next(known for known in ("high", UNRECOGNISED, "low") if known in worst)


def _additive(reader: Reader, element: Json, said: _Properties) -> None:
    found = flag_of(element, "valueBoolean")
    said.additive_solution = False if said.additive_solution is False else found


def _volume(reader: Reader, element: Json, said: _Properties) -> None:
    """The volume; of two that differ the larger, for it takes longer."""
    found = reader.amount(one(element, "valueQuantity"), "mL", "property")
    if found is not None:
        said.volume = max(found, said.volume or found)


def _component(reader: Reader, element: Json, said: _Properties) -> None:
    word = told(reader, "components", _value(element), "property")
    said.components.add(Component(word) if word in set(Component) else None)


READ: dict[str, Callable[[Reader, Json, _Properties], None]] = {
    "group": _group,
    "collection-type": _collection,
    "antigen": _antigen,
    "attribute": _attribute,
    "titre": _titre,
    "additive-solution": _additive,
    "volume": _volume,
    "component": _component,
}
