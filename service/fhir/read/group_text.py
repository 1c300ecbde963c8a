"""ABO and RhD groups: from codes, from ISBT 128 group codes, from words."""

from collections.abc import Iterable

from service.facts.unit import Group
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import Json, codings, text_of
from service.scan import groups
from service.scan.keyed import read_group_text

GROUP_SYSTEM = "https://www.isbt128.org/uri/ABORhD"
PREFIXES = ("blood group ", "group ")


def group_of_word(word: str) -> Group:
    """A word of the code map groups, such as ``A positive`` or ``O``."""
    abo, _, rhd = word.partition(" ")
    return Group(abo=abo, rhd=rhd or None)


def group_of_text(text: str | None) -> Group | None:
    """A group as a label or a display words it; None for anything that is not exactly a group."""
    plain = " ".join((text or "").split())
    for prefix in PREFIXES:
        plain = plain[len(prefix) :] if plain.lower().startswith(prefix) else plain
    return read_group_text(plain) if plain else None


def group_of(reader: Reader, concept: Json, path: str) -> Group | None:
    """The group a CodeableConcept says: code before display, display before text.

    A display that says another group than the code is warned of; the code is used. Codes that
    contradict each other say nothing.
    """
    coded = {found for found in _coded(reader, codings(concept), path) if found is not None}
    if len(coded) > 1:
        reader.warn("The codings name different groups.", path, "code-invalid")
        return None
    if coded:
        return next(iter(coded))
    return None if codings(concept) else group_of_text(text_of(concept, "text"))


def _coded(reader: Reader, listed: Iterable[Json], path: str) -> Iterable[Group | None]:
    for coding in listed:
        system, code = reader.codes.system(text_of(coding, "system")), text_of(coding, "code")
        if system == GROUP_SYSTEM:
            group = groups.group_of(code[:2]) if code and len(code) in (2, 4) else None
        else:
            word = reader.codes.word("groups", system, code)
            group = group_of_word(word) if word else None
        printed = group_of_text(text_of(coding, "display"))
        if group and printed and not _agree(group, printed):
            said = f"The display says {printed.text}, the code {group.text}; the code is used."
            reader.warn(said, path, "code-invalid")
        yield group


def _agree(group: Group, printed: Group) -> bool:
    same_rhd = None in (group.rhd, printed.rhd) or group.rhd == printed.rhd
    return group.abo == printed.abo and same_rhd
