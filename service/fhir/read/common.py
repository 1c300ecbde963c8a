"""One resource being read: look-ups with their warnings, the same for every topic and release.

No text of a problem or warning holds a value that was sent.

A Reader sees a resource in the shape of R5, whatever release it came in; ``expression`` turns a
path of that shape back into a path of the sender's release.
"""

from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Any

from service.errors import Problem
from service.facts.identity import Identifier, Ref, Staff
from service.facts.moment import Moment
from service.facts.records import StaffRecord
from service.fhir.read.context import ReadContext, Unmapped
from service.fhir.read.datatypes import (
    Json,
    choice,
    codings,
    each,
    identifier_of,
    name_text,
    number_of,
    one,
    parse_moment,
    text_of,
    wording,
)
from service.fhir.units import to_unit

UCUM = "http://unitsofmeasure.org"
ROLE = "PractitionerRole"
PERSONS = frozenset({"Practitioner", ROLE, ""})
STAMPS = ("issued", "lastModified")


class Reader:
    """One resource, what it may look up, and what was noticed while reading it.

    resource: in the shape of R5. subject and retracted are set by the topic that reads it.
    """

    def __init__(
        self, resource: Json, context: ReadContext, expression: Callable[[str], str] = str
    ) -> None:
        self.resource = resource
        self.context = context
        self.codes = context.codes
        self.kind: str = resource["resourceType"]
        self.subject: Ref | None = None
        self.retracted = False
        self.problems: list[Problem] = []
        self.warnings: list[Problem] = []
        self.unmapped: list[Unmapped] = []
        self._expression = expression
        self._contained = {held.get("id"): held for held in each(resource, "contained")}

    # -- what was noticed

    def problem(self, code: str, text: str, path: str) -> None:
        """Refuses the resource. ``path`` is relative to it, in the shape of R5."""
        place = self._expression(f"{self.kind}.{path}")
        self.problems.append(Problem(code=code, text=text, expression=place))

    def require(self, held: object, path: str) -> None:
        """Refuses the resource when something it cannot do without was not sent."""
        if not held:
            place = self._expression(f"{self.kind}.{path}")
            self.problem("required", f"{place} is required.", path)

    def warn(self, text: str, path: str, code: str = "informational") -> None:
        """Notes something that is stored but not used."""
        place = self._expression(f"{self.kind}.{path}")
        self.warnings.append(Problem(code=code, text=text, expression=place, severity="warning"))

    # -- times

    def moment(self, element: Json, name: str, path: str | None = None) -> Moment | None:
        """The date or time under a name; one without a zone refuses the resource."""
        text = element.get(name)
        return self.moment_of(text, path or name) if isinstance(text, str) else None

    def moment_of(self, text: str, path: str) -> Moment | None:
        """A date or time; one that FHIR does not allow refuses the resource."""
        try:
            return parse_moment(text)
        except ValueError as error:
            place = self._expression(f"{self.kind}.{path}")
            self.problem("value", f"{place}: {error}.", path)
            return None

    def period(self, element: Json, name: str) -> tuple[Moment | None, Moment | None]:
        """Start and end of a Period under a name."""
        held = one(element, name)
        start = self.moment(held, "start", f"{name}.start")
        return start, self.moment(held, "end", f"{name}.end")

    def span(self, element: Json, stem: str) -> tuple[Moment | None, Moment | None]:
        """Start and end of a ``stem[x]``: a Period, or a point in time as both."""
        found = choice(element, stem)
        if found is None:
            return None, None
        kind, value = found
        if kind == "Period":
            return self.period(element, f"{stem}Period")
        if kind == "Timing":
            bounds = one(one(value, "repeat"), "boundsPeriod")
            path = f"{stem}Timing.repeat.boundsPeriod"
            start = self.moment(bounds, "start", f"{path}.start")
            return start, self.moment(bounds, "end", f"{path}.end")
        point = self.moment(element, f"{stem}{kind}")
        return point, point

    def stamp(self) -> datetime | None:
        """The sender's own time of this version; None when none was sent or it has no time."""
        found = [self.moment(one(self.resource, "meta"), "lastUpdated", "meta.lastUpdated")]
        found += [self.moment(self.resource, name) for name in STAMPS]
        return next((moment.instant for moment in found if moment and moment.instant), None)

    # -- identifiers and references

    def identifiers(self, name: str = "identifier") -> tuple[Identifier, ...]:
        """The identifiers under a name that can be compared, in order, once each."""
        found: dict[Identifier, None] = {}
        for element in each(self.resource, name):
            identifier = identifier_of(element)
            if identifier is None:
                self.warn("An identifier without system and value is not used.", name)
            else:
                found[identifier] = None
        return tuple(found)

    @property
    def echo(self) -> bool:
        """True for a resource that bears our own emitted identifier: never a fact."""
        tags = each(one(self.resource, "meta"), "tag")
        named = [*each(self.resource, "identifier"), *tags]
        return any(held.get("system") == self.context.emitted_system for held in named)

    def contained(self, reference: Json) -> Json | None:
        """The contained resource a reference points at; None for any other reference."""
        text = text_of(reference, "reference") or ""
        if not text.startswith("#"):
            return None
        held = self._contained.get(text[1:])
        if held is None:
            self.problem("not-found", "No contained resource has that id.", "contained")
        return held

    def ref(self, reference: Json, kind: str = "") -> Ref | None:
        """A reference, or None for an empty one; a contained one goes by its identifier.

        kind: what a reference by identifier points at where it does not say so itself.
        """
        if not reference:
            return None
        held = self.contained(reference)
        if held is not None:
            return contained_ref(held, reference)
        literal = text_of(reference, "reference") or ""
        if literal.startswith("#"):
            return None
        named = {**reference, "type": kind} if kind and not literal else reference
        return self.context.resolve(reference if text_of(reference, "type") else named)

    def refs(self, element: Json, name: str, kind: str = "") -> tuple[Ref, ...]:
        """The references under a name."""
        found = (self.ref(reference, kind) for reference in each(element, name))
        return tuple(ref for ref in found if ref is not None)

    def patient(self, name: str) -> Ref | None:
        """The patient a reference names; any other kind of target refuses the resource."""
        found = self.ref(one(self.resource, name), "Patient")
        if found is None or found.kind in ("Patient", ""):
            return found
        self.problem("value", f"{self.kind}.{name} must be a Patient, not {found.kind}.", name)
        return None

    def staff(self, reference: Json) -> Staff | None:
        """The person a reference names; None for none, or for a target that is no person of staff.

        A role resolves to its person; one that does not resolve is nobody's number. A mention that
        names nobody by id or identifier has no keys and is never the same person as another.
        """
        ref = self.ref(reference, "Practitioner")
        if ref is None:
            return None
        kind = kind_in(text_of(reference, "reference") or "") or ref.kind
        if kind not in PERSONS:
            return None
        held = self.contained(reference)
        record = staff_record(self, held) if held else self.context.staff_record(ref)
        if kind != ROLE:
            return staff_of(ref, ref, record, record)
        person = record.practitioner if record else None
        if person is None or person.kind not in PERSONS - {ROLE}:
            return staff_of(ref, None, record, None)
        inside = self.contained(one(held, "practitioner")) if held else None
        about = staff_record(self, inside) if inside else self.context.staff_record(person)
        return staff_of(ref, person, record, about)

    # -- codes

    def word(self, concept: str, codeable: Json, path: str) -> str | None:
        """The word of a CodeableConcept; None when it has none, or several that contradict."""
        found = self.codes.words(concept, codings(codeable))
        if len(found) == 1:
            return next(iter(found))
        if found:
            listed = ", ".join(sorted(found))
            self.warn(f"The codings contradict each other ({listed}).", path, "code-invalid")
            return None
        return self.codes.text_word(concept, text_of(codeable, "text"))

    def known(self, concept: str, codeable: Json, path: str) -> str | None:
        """As ``word``, and lists the codings that have none."""
        found = self.word(concept, codeable, path)
        if found is None:
            self.unknown(concept, codeable, path)
        return found

    def unknown(self, concept: str, codeable: Json, path: str) -> None:
        """Lists the codings of a CodeableConcept as unmapped."""
        if wording(codeable):
            self.warn(f"What was sent has no word among the {concept}.", path, "code-invalid")
        self.unmapped_only(concept, codeable)

    def unmapped_only(self, concept: str, codeable: Json) -> None:
        """Lists the codings of a CodeableConcept as unmapped, without a warning."""
        for coding in codings(codeable):
            system, code = text_of(coding, "system") or "", text_of(coding, "code") or ""
            self.unmapped.append(Unmapped(concept, system, code))

    def own(self, element: Json, fact: str) -> Any:
        """The value of the extension that carries a fact on an element, or None."""
        return next(iter(self.every_own(element, fact)), None)

    def every_own(self, element: Json, fact: str) -> list[Any]:
        """Every value of the extension that carries a fact on an element.

        A value of another type than the table says is not used.
        """
        row = self.codes.elements[fact]
        wanted = f"value{row.type[:1].upper()}{row.type[1:]}"
        held = [ext for ext in each(element, "extension") if ext.get("url") == row.url]
        for extension in held:
            if wanted not in extension:
                self.warn(f"The extension {row.url} needs {wanted}.", "extension", "value")
        return [extension[wanted] for extension in held if wanted in extension]

    # -- amounts

    def amount(self, quantity: Json, unit: str, path: str) -> Decimal | None:
        """A quantity in a UCUM unit; None, with a warning, when it cannot be read as a number."""
        if not quantity:
            return None
        value, reason = self.measure(quantity, unit)
        if reason is not None:
            self.warn(f"{reason}; the amount is not used.", path, "value")
        return value

    def measure(self, quantity: Json, unit: str) -> tuple[Decimal | None, str | None]:
        """A quantity in a UCUM unit, or why it is none. Only ``code`` counts, never ``unit``."""
        value, code = number_of(quantity.get("value")), text_of(quantity, "code")
        if value is None:
            return None, "No value was sent"
        if text_of(quantity, "comparator"):
            return None, "The value is only a bound"
        if code is None or quantity.get("system") != UCUM:
            return None, "The unit of measure has no UCUM code"
        found = to_unit(value, code, unit)
        return (
            (found, None)
            if found is not None
            else (None, f"The unit of measure is not one like {unit}")
        )


def kind_in(literal: str) -> str:
    """The resource type that a literal reference bears, whatever type is claimed beside it."""
    parts = literal.partition("/_history/")[0].rstrip("/").split("/")
    return parts[-2] if len(parts) > 1 and parts[-2][:1].isupper() else ""


def contained_ref(held: Json, reference: Json) -> Ref:
    """A contained resource as a Ref: it has no identity but its identifier."""
    named = next(filter(None, map(identifier_of, each(held, "identifier"))), None)
    display = text_of(reference, "display")
    return Ref(kind=held.get("resourceType", ""), identifier=named, display=display)


def staff_record(reader: Reader, held: Json) -> StaffRecord:
    """A Practitioner, or a PractitionerRole with the person it points at and its role codes."""
    codes = [text_of(coding, "code") for code in each(held, "code") for coding in codings(code)]
    pointed = one(held, "practitioner")
    return StaffRecord(
        identifiers=tuple(filter(None, map(identifier_of, each(held, "identifier")))),
        name=name_text(one(held, "name")) or text_of(pointed, "display"),
        practitioner=reader.ref(pointed, "Practitioner") if pointed else None,
        roles=frozenset(code for code in codes if code),
    )


def staff_of(
    ref: Ref, person: Ref | None, record: StaffRecord | None, about: StaffRecord | None
) -> Staff:
    """A mention of staff: every key of the person, never the key of a role.

    person: None where the mention is of a role that is not known to be anybody's. record: what is
    held of the mention. about: what is held of the person.
    """
    known = about.identifiers if about else ()
    said = _believed(person, known)
    own = {person.local} if person and person.local else set()
    names = [ref.display, about.name if about else None, record.name if record else None]
    return Staff(
        keys=frozenset(own | {number.token for number in (*said, *known)}),
        identifier=next(iter((*said, *known)), None),
        display=next(filter(None, names), None),
        roles=record.roles if record else frozenset(),
    )


def _believed(person: Ref | None, known: tuple[Identifier, ...]) -> tuple[Identifier, ...]:
    """The number a mention gives, but for one that what is held of the person contradicts."""
    number = person.identifier if person else None
    if number is None or number in known:
        return (number,) if number else ()
    return () if number.system in {held.system for held in known} else (number,)
