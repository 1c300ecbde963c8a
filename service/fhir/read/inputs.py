"""The inputs of a bedside step, each read as the type that the contract gives it.

What was sent but cannot be used is named in ``unusable`` and warned of: it is then missing, and
what missing means is for the rules to say.
"""

from collections import defaultdict
from decimal import Decimal

from service.facts.identity import Identifier, Ref, Staff
from service.facts.moment import Moment
from service.facts.unit import Group
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import (
    Json,
    choice,
    codings,
    each,
    identifier_of,
    one,
    text_of,
    wording,
)
from service.fhir.read.group_text import group_of, group_of_text
from service.scan.keyed import read_expiry_text

TEXTS = ("String", "Code", "Markdown", "Id", "Uri")
TIMES = ("DateTime", "Date", "Instant")
ENUMERATED: dict[str, frozenset[str]] = {
    "spoken-confirmed": frozenset({"matches", "differs", "unable"}),
    "appearance": frozenset({"normal", "abnormal"}),
    "identity-recheck": frozenset({"match", "mismatch", "not-done"}),
    "needs-more-blood": frozenset({"none", "routine", "now"}),
}


class Inputs:
    """The inputs of one Task by their words. Asking for an input reads it."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._held: dict[str, list[tuple[str, object]]] = defaultdict(list)
        self._unusable: dict[str, None] = {}
        for element in each(reader.resource, "input"):
            word = reader.known("step-inputs", one(element, "type"), "input.type")
            value = choice(element, "value")
            if word is not None and value is not None:
                self._held[word].append(value)
            elif word is not None:
                self.refuse(word, "has no value")

    @property
    def unusable(self) -> tuple[str, ...]:
        """The words of inputs that were sent and could not be used."""
        return tuple(self._unusable)

    def sent(self, *words: str) -> bool:
        """True when any of the inputs was sent."""
        return any(self._held[word] for word in words)

    def refuse(self, word: str, why: str) -> None:
        """Names an input that was sent and cannot be used; ``why`` completes the sentence."""
        self._unusable[word] = None
        self._reader.warn(f"The input {word} {why} and is not used.", "input", "value")

    def _every(self, word: str, *types: str) -> list[tuple[str, object]]:
        """The values of an input that have one of the types."""
        kept = [(kind, value) for kind, value in self._held[word] if kind in types]
        if len(kept) < len(self._held[word]):
            self.refuse(word, f"is none of: {', '.join(types)}")
        return kept

    def _single(self, word: str, *types: str) -> tuple[str, object] | None:
        """The value of an input that may be said once; said differently, it is not used."""
        kept = self._every(word, *types)
        if len(kept) > 1 and any(value != kept[0] for value in kept):
            self.refuse(word, "is given with different values")
            return None
        return kept[0] if kept else None

    # -- one value

    def raw(self, word: str) -> str | None:
        """A string exactly as it was sent."""
        found = self._single(word, *TEXTS)
        return found[1] if found and isinstance(found[1], str) and found[1] else None

    def text(self, word: str) -> str | None:
        """A string without the white space around it."""
        found = self.raw(word)
        return (found.strip() or None) if found else None

    def raws(self, word: str) -> tuple[str, ...]:
        """Every string of a repeated input, exactly as sent."""
        return tuple(v for _, v in self._every(word, *TEXTS) if isinstance(v, str) and v)

    def code(self, word: str) -> str | None:
        """One of the codes that an input may hold."""
        found = self._single(word, *TEXTS, "Coding", "CodeableConcept")
        if found is None:
            return None
        said = code_of(found[1])
        if said in ENUMERATED[word]:
            return said
        self.refuse(word, f"is not one of {', '.join(sorted(ENUMERATED[word]))}")
        return None

    def flag(self, word: str) -> bool | None:
        """A boolean."""
        found = self._single(word, "Boolean")
        return found[1] if found and isinstance(found[1], bool) else None

    def whole(self, word: str) -> int | None:
        """A whole number."""
        found = self._single(word, "Integer", "PositiveInt", "UnsignedInt")
        return found[1] if found and isinstance(found[1], int) else None

    def date(self, word: str) -> str | None:
        """A calendar date as text, as it was sent; partial dates included."""
        found = self._single(word, "Date", "String")
        if found is None or not isinstance(found[1], str):
            return None
        if found[0] == "Date":
            self._reader.moment_of(found[1], "input.value")
        return found[1].strip() or None

    def moment(self, word: str) -> Moment | None:
        """A date or time; one without a zone refuses the Task."""
        found = self._single(word, *TIMES)
        if found is None or not isinstance(found[1], str):
            return None
        return self._reader.moment_of(found[1], "input.value")

    def expiry(self, word: str) -> Moment | None:
        """An expiry: a FHIR time, or a text as printed or scanned, read in the facility's zone."""
        found = self._single(word, *TIMES, "String")
        if found is None or not isinstance(found[1], str):
            return None
        if found[0] != "String":
            return self._reader.moment_of(found[1], "input.value")
        read = read_expiry_text(found[1], self._reader.context.zone)
        if read is None:
            self.refuse(word, "is no expiry as labels write it")
        return read

    def group(self, word: str) -> Group | None:
        """A blood group: as printed, scanned or coded."""
        found = self._single(word, "String", "CodeableConcept", "Coding")
        if found is None:
            return None
        if isinstance(found[1], str):
            group = group_of_text(found[1])
        else:
            group = group_of(self._reader, _concept(found[1]), "input.value")
        if group is None:
            self.refuse(word, "is no blood group that can be read")
        return group

    def amount(self, word: str, unit: str) -> Decimal | None:
        """A quantity in a UCUM unit."""
        found = self._single(word, "Quantity")
        if found is None or not isinstance(found[1], dict):
            return None
        value, reason = self._reader.measure(found[1], unit)
        if reason is not None:
            self.refuse(word, f"cannot be read as {unit} ({reason})")
        return value

    # -- concepts

    def concept(self, word: str) -> Json | None:
        """A CodeableConcept; a string counts as its text."""
        found = self._single(word, "CodeableConcept", "Coding", *TEXTS)
        return _concept(found[1]) if found else None

    def concepts(self, word: str) -> list[Json]:
        """Every CodeableConcept of a repeated input."""
        return [_concept(v) for _, v in self._every(word, "CodeableConcept", "Coding", *TEXTS)]

    def said(self, word: str, map_name: str = "") -> str | None:
        """What a CodeableConcept says: the word of a code map, else its own wording."""
        found = self.concept(word)
        if found is None:
            return None
        mapped = self._reader.word(map_name, found, "input.value") if map_name else None
        return mapped or wording(found)

    def all_said(self, word: str) -> tuple[str, ...]:
        """The wordings of a repeated CodeableConcept."""
        return tuple(text for text in map(wording, self.concepts(word)) if text)

    # -- references

    def identifiers(self, word: str) -> tuple[Identifier, ...]:
        """Every identifier of a repeated input that has both system and value."""
        found: list[Identifier] = []
        for _, value in self._every(word, "Identifier"):
            identifier = identifier_of(value) if isinstance(value, dict) else None
            if identifier is None:
                self.refuse(word, "lacks a system or a value")
            else:
                found.append(identifier)
        return tuple(found)

    def reference(self, word: str, kind: str = "") -> Ref | None:
        """A Reference, or an Identifier in place of one."""
        found = self._single(word, "Reference", "Identifier")
        if found is None or not isinstance(found[1], dict):
            return None
        if found[0] == "Reference":
            return self._reader.ref(found[1], kind)
        identifier = identifier_of(found[1])
        return Ref(kind=kind, identifier=identifier) if identifier else None

    def staff(self, word: str) -> Staff | None:
        """A person of staff."""
        found = self._single(word, "Reference", "Identifier")
        if found is None or not isinstance(found[1], dict):
            return None
        reference = found[1]
        if found[0] == "Identifier":
            reference = {"type": "Practitioner", "identifier": found[1]}
        person = self._reader.staff(reference)
        if person is None:
            self.refuse(word, "names no person of staff")
        return person


def code_of(value: object) -> str | None:
    """The code of a code, a Coding or a CodeableConcept."""
    if isinstance(value, str):
        return value.strip() or None
    if not isinstance(value, dict):
        return None
    own = text_of(value, "code")
    return own or next((text_of(coding, "code") for coding in codings(value)), None)


def _concept(value: object) -> Json:
    if isinstance(value, str):
        return {"text": value}
    held = value if isinstance(value, dict) else {}
    return held if "coding" in held or "text" in held else {"coding": [held]}
