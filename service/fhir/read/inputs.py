"""The inputs of a bedside step, each read as the type that the contract gives it.

What was sent but cannot be used is named in ``unusable`` and warned of: it is then missing, and
what missing means is for the rules to say. An input that is given with different values counts as
the worse of them; numbers that differ are unusable; names that differ stand side by side, so that
they match nothing.
"""

from collections import defaultdict
from collections.abc import Iterable
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

BESIDE = " / "
TEXTS = ("String", "Code", "Markdown", "Id", "Uri")
TIMES = ("DateTime", "Date", "Instant")
# The codes an input may hold, the worst first.
ENUMERATED: dict[str, tuple[str, ...]] = {
    "spoken-confirmed": ("differs", "unable", "matches"),
    "appearance": ("abnormal", "normal"),
    "identity-recheck": ("mismatch", "not-done", "match"),
    "needs-more-blood": ("now", "routine", "none"),
}
# The worse of two answers that contradict each other.
WORSE_FLAG = {
    "read-aloud-match": False,
    "interrupted": True,
    "seal-intact": False,
    "bag-and-set-sent": False,
}
# Times of which the earlier is the worse.
EARLIER_IS_WORSE = frozenset({"out-since", "valid-until", "onset", "label-expiry", "bag-expiry"})
# Words of a code map, the worst first; a wording without a word is worse than the last of them.
WORST_WORDS: dict[str, tuple[str, ...]] = {
    "container": ("uncontrolled", "syringe"),
    "lumen": ("same",),
    "fluid": ("medicine", "calcium", "lactated-ringer", "hartmann", "glucose"),
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

    def _differing(self, word: str) -> None:
        self._reader.warn(f"The input {word} is given with different values.", "input", "value")

    # -- one value

    def raw(self, word: str) -> str | None:
        """A string exactly as it was sent."""
        found = self._single(word, *TEXTS)
        return found[1] if found and isinstance(found[1], str) and found[1] else None

    def text(self, word: str) -> str | None:
        """A string without the white space around it.

        Strings that differ stand side by side: such a name or number equals no other.
        """
        said = dict.fromkeys(text.strip() for text in self.raws(word) if text.strip())
        return self._beside(word, said)

    def _beside(self, word: str, said: Iterable[str]) -> str | None:
        texts = tuple(said)
        if len(texts) > 1:
            self._unusable[word] = None
            self._differing(word)
        return BESIDE.join(texts) or None

    def raws(self, word: str) -> tuple[str, ...]:
        """Every string of a repeated input, exactly as sent."""
        return tuple(v for _, v in self._every(word, *TEXTS) if isinstance(v, str) and v)

    def code(self, word: str) -> str | None:
        """One of the codes that an input may hold; of several the worst.

        The best of them does not stand beside a code that nobody knows.
        """
        kinds = (*TEXTS, "Coding", "CodeableConcept")
        said = {code_of(value) for _, value in self._every(word, *kinds)}
        if any(kind not in kinds for kind, _ in self._held[word]):
            said.add(None)
        known = [code for code in ENUMERATED[word] if code in said]
        if len(said) > 1:
            self._differing(word)
        if len(known) < len(said):
            self.refuse(word, f"is not one of {', '.join(sorted(ENUMERATED[word]))}")
        best = ENUMERATED[word][-1]
        worst = known[0] if known else None
        return None if worst == best and len(known) < len(said) else worst

    def flag(self, word: str) -> bool | None:
        """A boolean; of two that differ the worse."""
        said = {value for _, value in self._every(word, "Boolean") if isinstance(value, bool)}
        if len(said) > 1:
            self._differing(word)
            return WORSE_FLAG[word]
        return next(iter(said), None)

    def whole(self, word: str) -> int | None:
        """A whole number."""
        found = self._single(word, "Integer", "PositiveInt", "UnsignedInt")
        return found[1] if found and isinstance(found[1], int) else None

    def date(self, word: str, *scanned: str) -> str | None:
        """A calendar date as text, as it was sent, partial or not; ``scanned``: read besides."""
        held = [(k, v) for k, v in self._every(word, "Date", "String") if isinstance(v, str)]
        for kind, value in held:
            if kind == "Date":
                self._reader.moment_of(value, "input.value")
        said = [v.strip() for _, v in held if v.strip()]
        return self._beside(word, dict.fromkeys((*said, *scanned)))

    def moment(self, word: str) -> Moment | None:
        """A date or time; one without a zone refuses the Task. Of several the worse."""
        sent = [value for _, value in self._every(word, *TIMES) if isinstance(value, str)]
        return self._worse(word, [self._reader.moment_of(text, "input.value") for text in sent])

    def expiry(self, word: str) -> Moment | None:
        """An expiry: a FHIR time, or a text as printed or scanned, read in the facility's zone."""
        sent = self._every(word, *TIMES, "String")
        read = [self._expiry(kind, value) for kind, value in sent if isinstance(value, str)]
        if None in read:
            self.refuse(word, "is no expiry as labels write it")
            return None
        return self._worse(word, read)

    def _expiry(self, kind: str, text: str) -> Moment | None:
        if kind != "String":
            return self._reader.moment_of(text, "input.value")
        return read_expiry_text(text, self._reader.context.zone)

    def _worse(self, word: str, read: list[Moment | None]) -> Moment | None:
        """The earlier of times that differ where that is the worse; else none of them."""
        said = {moment.instant or moment.text: moment for moment in read if moment is not None}
        if len(said) < 2:
            return next(iter(said.values()), None)
        exact = {m.instant: m for m in said.values() if m.instant is not None}
        if word not in EARLIER_IS_WORSE or len(exact) < len(said):
            self.refuse(word, "is given with different values")
            return None
        self._differing(word)
        return exact[min(exact)]

    def group(self, word: str) -> Group | None:
        """A blood group: as printed, scanned or coded.

        One that cannot be read, and two that differ, are a group that is not known: it agrees with
        no other.
        """
        sent = self._every(word, "String", "CodeableConcept", "Coding")
        said = [self._group(value) for _, value in sent]
        if None in said:
            self.refuse(word, "is no blood group that can be read")
        elif len(set(said)) > 1:
            self.refuse(word, "is given with different values")
        else:
            return said[0] if said else None
        return Group()

    def _group(self, value: object) -> Group | None:
        if isinstance(value, str):
            return group_of_text(value)
        return group_of(self._reader, _concept(value), "input.value")

    def amount(self, word: str, unit: str) -> Decimal | None:
        """A quantity in a UCUM unit; two that differ are unusable."""
        sent = [value for _, value in self._every(word, "Quantity") if isinstance(value, dict)]
        measured = [self._reader.measure(value, unit) for value in sent]
        reasons = [reason for _, reason in measured if reason is not None]
        if reasons:
            self.refuse(word, f"cannot be read as {unit} ({reasons[0]})")
            return None
        values = {value for value, _ in measured}
        if len(values) > 1:
            self.refuse(word, "is given with different values")
            return None
        return next(iter(values), None)

    # -- concepts

    def concepts(self, word: str) -> list[Json]:
        """Every CodeableConcept of a repeated input."""
        return [_concept(v) for _, v in self._every(word, "CodeableConcept", "Coding", *TEXTS)]

    def said(self, word: str, map_name: str = "") -> str | None:
        """What a CodeableConcept says: the word of a code map, else its own wording.

        Of several the worst, else all of them side by side.
        """
        said = dict.fromkeys(self._said(one, map_name) for one in self.concepts(word))
        texts = {text: None for text in said if text}
        if len(texts) > 1:
            self._differing(word)
        worst = WORST_WORDS.get(word, ())
        found = [text for text in worst if text in texts]
        words = self._reader.codes.concepts[map_name].words if map_name else frozenset()
        found += [text for text in texts if worst and text not in words]
        return found[0] if found else BESIDE.join(texts) or None

    def _said(self, concept: Json, map_name: str) -> str | None:
        mapped = self._reader.word(map_name, concept, "input.value") if map_name else None
        return mapped or wording(concept)

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
