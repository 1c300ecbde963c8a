"""Which unit is meant: every published place and spelling of a donation, product and division.

ISBT 128 structures 001, 003 and 032 (ST-001 6.2.2); MPHO Unique Identifier = FIN (5), product
description code (5), donation identification number (13), division (6), as in HL7's examples.
"""

import re
from dataclasses import replace

from service.facts.identity import Identifier
from service.facts.unit import UNDIVIDED, UNIT_SYSTEM, UnitRef
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import Json, codings, each, identifier_of, one, text_of
from service.scan.keyed import read_product, read_typed_din
from service.scan.values import ProductLabel

DIN_SYSTEM = "https://www.isbt128.org/uri/DonationIdentificationNumber"
MPHO_SYSTEM = "https://www.isbt128.org/uri/MPHOUniqueIdentifier"
PRODUCT_SYSTEM = "https://www.isbt128.org/uri/productdescriptioncode"
BAGS = frozenset({"BiologicallyDerivedProduct", "BiologicallyDerivedProductDispense", "Basic"})

_MPHO = re.compile(r"[0-9A-Z]{5}([0-9A-Z]{5})([0-9A-Z]{13})([0-9A-Za-z]{6})")


def plain_din(text: str | None) -> str | None:
    """A donation number without data identifier, flags and check character.

    What is no ISBT 128 number is kept as it was sent.
    """
    return (read_typed_din(text).din or text) if text else None


def full_division(text: str | None) -> str | None:
    """A division as six characters: ``00`` and ``000000`` undivided, ``Aa`` is ``Aa0000``."""
    if text is None or len(text) not in (2, 6):
        return None
    return UNDIVIDED if text == "00" else text.ljust(6, "0")


def unit_of_identifier(identifier: Identifier) -> UnitRef | None:
    """The unit an identifier names by itself: our own form, an MPHO identifier, a donation."""
    if identifier.system == UNIT_SYSTEM:
        parts = [part or None for part in identifier.value.split("/")]
        din, product, division = [*parts, None, None][:3]
        return UnitRef(din=din, product=product, division=full_division(division))
    if identifier.system == MPHO_SYSTEM:
        found = _MPHO.fullmatch(identifier.value)
        if found is None:
            return None
        product, din, division = found.groups()
        return UnitRef(din=din, product=product, division=division)
    if identifier.system == DIN_SYSTEM:
        return UnitRef(din=plain_din(identifier.value))
    return None


def unit_of_text(text: str | None) -> UnitRef | None:
    """The unit a plain text names: ``DIN/PDC/division``, an MPHO identifier or a donation."""
    if not text:
        return None
    if _MPHO.fullmatch(text):
        return unit_of_identifier(Identifier(MPHO_SYSTEM, text))
    if "/" in text:
        return unit_of_identifier(Identifier(UNIT_SYSTEM, text))
    din = read_typed_din(text).din
    return UnitRef(din=din) if din else None


def unit_ref(reader: Reader, reference: Json) -> UnitRef | None:
    """The unit or issue a Reference names; None for an empty one or one to something else."""
    held = reader.contained(reference)
    if held is not None:
        return contained_unit(reader, held)
    ref = reader.ref(reference, "BiologicallyDerivedProduct")
    if ref is None or (ref.kind and ref.kind not in BAGS):
        return None
    named = identifier_of(one(reference, "identifier")) or ref.identifier
    said = (unit_of_identifier(named) if named else None) or UnitRef()
    return replace(said, resource=ref.local)


def contained_unit(reader: Reader, held: Json) -> UnitRef | None:
    """The unit of a contained unit or issue: a contained resource has only its identifiers."""
    if held.get("resourceType") == "BiologicallyDerivedProduct":
        return described_unit(reader, held)
    product = one(held, "product")
    return unit_ref(reader, product) if product else None


def described_unit(reader: Reader, product: Json) -> UnitRef:
    """The unit a BiologicallyDerivedProduct describes; parts that contradict refuse it."""
    named = [identifier_of(element) for element in each(product, "identifier")]
    own = [unit_of_identifier(identifier) for identifier in named if identifier]
    code = product_code(reader, product)
    event = identifier_of(one(product, "biologicalSourceEvent"))
    event_din = plain_din(text_of(one(product, "biologicalSourceEvent"), "value"))
    if event and event.system == MPHO_SYSTEM:
        event_din = None
        own.append(unit_of_identifier(event))
    division = full_division(text_of(product, "division"))
    said = UnitRef(
        din=event_din,
        product=code.product if code else None,
        division=division or (code.division if code else None),
        collection=code.collection if code else None,
    )
    if division and code and code.division not in (None, UNDIVIDED, division):
        _contradiction(reader, "division")
    for other in own:
        said = _joined(reader, said, other) if other else said
    if said.din and read_typed_din(said.din).din is None:
        reader.warn("Not an ISBT 128 donation number; it is kept as sent.", "biologicalSourceEvent")
    return said


def product_code(reader: Reader, product: Json) -> ProductLabel | None:
    """The product description code, upper-cased.

    A coding without a system counts only when an identifier of the unit proves ISBT 128.
    """
    proven = any(
        held.get("system") in (MPHO_SYSTEM, DIN_SYSTEM)
        for held in (*each(product, "identifier"), one(product, "biologicalSourceEvent"))
    )
    for coding in codings(one(product, "productCode")):
        system = reader.codes.system(text_of(coding, "system"))
        if system == PRODUCT_SYSTEM or (not system and proven):
            text = text_of(coding, "code") or ""
            found = read_product(text.upper() if len(text) == len("E0398") else text)
            if found is not None:
                return found
            reader.warn("Not a product description code; it is not used.", "productCode")
    return None


def _joined(reader: Reader, said: UnitRef, other: UnitRef) -> UnitRef:
    for part in ("din", "product", "division"):
        first, second = getattr(said, part), getattr(other, part)
        if first and second and first != second:
            _contradiction(reader, part)
    return replace(
        said,
        din=said.din or other.din,
        product=said.product or other.product,
        division=said.division or other.division,
    )


def _contradiction(reader: Reader, part: str) -> None:
    text = f"The unit names itself in two ways that differ in their {part}."
    reader.problem("business-rule", text, "identifier")
