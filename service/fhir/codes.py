"""The code maps of mappings/codes: code or exact text -> word, and fact -> own element.

Each file holds one concept; its name is the concept. A site adds a folder of its own whose rows
add codes or replace the shipped ones. Nothing here guesses: a code without a row has no word.
"""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from service.errors import PolicyFault

ELEMENTS = "elements"
SYSTEMS = "systems"
CODE_KEYS = frozenset({"system", "code", "display", "word", "since", "source"})
TEXT_KEYS = frozenset({"text", "word", "since", "source"})
ALIAS_KEYS = frozenset({"system", "means", "since", "source"})
ELEMENT_KEYS = frozenset({"fact", "url", "type", "r4", "r5", "since", "source"})
FILE_KEYS = frozenset({"about", "words", "code", "text", "alias", "element"})


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeRow:
    """One code and the word it means. ``source`` names where the code was read."""

    system: str
    code: str
    display: str
    word: str
    since: date
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """Where a fact is carried. ``url`` is the extension, ``type`` its value's FHIR type.

    r4, r5: the element's path in each release; the two differ only where R5 has an own element.
    """

    fact: str
    url: str
    type: str
    r4: str
    r5: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Concept:
    """One file: its closed list of words, its codes by (system, code), its texts by folded text."""

    name: str
    about: str
    words: frozenset[str]
    codes: Mapping[tuple[str, str], CodeRow]
    texts: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Codes:
    """Every code map, ready to look up."""

    concepts: Mapping[str, Concept]
    elements: Mapping[str, Element]
    aliases: Mapping[str, str]

    def system(self, uri: str | None) -> str:
        """The one spelling of a code system or identifier system; empty when none was sent."""
        return self.aliases.get(uri or "", uri or "")

    def word(self, concept: str, system: str | None, code: str | None) -> str | None:
        """The word of a code in a concept, or None when no row has it."""
        row = self.concepts[concept].codes.get((self.system(system), code or ""))
        return row.word if row else None

    def text_word(self, concept: str, text: str | None) -> str | None:
        """The word of an exact text (case and spacing aside), or None."""
        return self.concepts[concept].texts.get(folded(text)) if text else None

    def words(self, concept: str, codings: Iterable[Mapping[str, Any]]) -> frozenset[str]:
        """Every word that a list of FHIR Codings means in a concept."""
        found = {self.word(concept, coding.get("system"), coding.get("code")) for coding in codings}
        return frozenset(word for word in found if word is not None)

    def rows(self, concept: str) -> tuple[CodeRow, ...]:
        """The rows of a concept by system and code, for pages and served CodeSystems."""
        return tuple(row for _, row in sorted(self.concepts[concept].codes.items()))


def folded(text: str) -> str:
    """A text without its case and its runs of white space, for exact comparison."""
    return " ".join(text.split()).casefold()


def load_codes(path: Path, *overlays: Path) -> Codes:
    """Reads a folder of code maps and the site folders laid over it.

    Raises PolicyFault with every fault of every file.
    """
    loader = _Loader()
    for folder in (path, *overlays):
        loader.folder(folder, shipped=folder is path)
    return loader.codes()


class _Loader:
    """Collects rows and faults over all files."""

    def __init__(self) -> None:
        self.faults: list[str] = []
        self.about: dict[str, str] = {}
        self.allowed: dict[str, frozenset[str]] = {}
        self.rows: dict[str, dict[tuple[str, str], CodeRow]] = {}
        self.texts: dict[str, dict[str, str]] = {}
        self.aliases: dict[str, str] = {}
        self.elements: dict[str, Element] = {}

    def folder(self, path: Path, *, shipped: bool) -> None:
        files = sorted(path.glob("*.toml"))
        if not files:
            self.faults.append(f"{path}: no code maps")
        for file in files:
            self.file(file, shipped=shipped)

    def file(self, file: Path, *, shipped: bool) -> None:
        try:
            content = tomllib.loads(file.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            self.faults.append(f"{file.name}: {error}")
            return
        for key in sorted(content.keys() - FILE_KEYS):
            self.faults.append(f"{file.name}: unknown key {key!r}")
        name = file.stem
        if name == SYSTEMS:
            self._aliases(file.name, content)
        elif name == ELEMENTS:
            self._elements(file.name, content)
        else:
            self._concept(name, file.name, content, shipped)

    def _concept(self, name: str, file: str, content: dict[str, Any], shipped: bool) -> None:
        if name not in self.allowed:
            if not shipped:
                self.faults.append(f"{file}: no such concept")
            self.about[name] = str(content.get("about", ""))
            self.allowed[name] = frozenset(content.get("words", ()))
            self.rows[name], self.texts[name] = {}, {}
        seen: set[tuple[str, str]] = set()
        for number, row in enumerate(content.get("code", ()), start=1):
            where = f"{file} code {number}"
            if self._sound(where, row, CODE_KEYS) and self._known(where, name, row["word"]):
                self._code(where, name, CodeRow(**row), seen)
        folds: set[str] = set()
        for number, row in enumerate(content.get("text", ()), start=1):
            where = f"{file} text {number}"
            if self._sound(where, row, TEXT_KEYS) and self._known(where, name, row["word"]):
                self._once(where, folded(row["text"]), folds)
                self.texts[name][folded(row["text"])] = row["word"]

    def _code(self, where: str, name: str, row: CodeRow, seen: set[tuple[str, str]]) -> None:
        self._once(where, (row.system, row.code), seen)
        self.rows[name][row.system, row.code] = row

    def _aliases(self, file: str, content: dict[str, Any]) -> None:
        seen: set[str] = set()
        for number, row in enumerate(content.get("alias", ()), start=1):
            where = f"{file} alias {number}"
            if self._sound(where, row, ALIAS_KEYS):
                self._once(where, row["system"], seen)
                self.aliases[row["system"]] = row["means"]

    def _elements(self, file: str, content: dict[str, Any]) -> None:
        seen: set[str] = set()
        for number, row in enumerate(content.get("element", ()), start=1):
            where = f"{file} element {number}"
            if self._sound(where, row, ELEMENT_KEYS):
                self._once(where, row["fact"], seen)
                kept = {key: row[key] for key in ELEMENT_KEYS - {"since"}}
                self.elements[row["fact"]] = Element(**kept)

    def _once(self, where: str, key: Any, seen: set[Any]) -> None:
        if key in seen:
            self.faults.append(f"{where}: {key} stands twice")
        seen.add(key)

    def _known(self, where: str, name: str, word: str) -> bool:
        if word in self.allowed[name]:
            return True
        self.faults.append(f"{where}: {word!r} is no word of {name}")
        return False

    def _sound(self, where: str, row: Any, keys: frozenset[str]) -> bool:
        if not isinstance(row, dict):
            self.faults.append(f"{where}: not a table")
            return False
        wrong = [f"misses {key!r}" for key in sorted(keys - row.keys())]
        wrong += [f"has unknown {key!r}" for key in sorted(row.keys() - keys)]
        for key in sorted(keys & row.keys()):
            fine = isinstance(row[key], date if key == "since" else str)
            if not fine or row[key] == "":
                wrong.append(f"has no {'date' if key == 'since' else 'text'} in {key!r}")
        self.faults += [f"{where}: {fault}" for fault in wrong]
        return not wrong

    def codes(self) -> Codes:
        """The maps, or a PolicyFault naming every fault."""
        for system, means in self.aliases.items():
            if means in self.aliases:
                self.faults.append(f"{SYSTEMS}.toml: {system} means another alias, {means}")
        if self.faults:
            raise PolicyFault(*self.faults)
        concepts = {
            name: Concept(
                name=name,
                about=self.about[name],
                words=self.allowed[name],
                codes=self._spelled(self.rows[name]),
                texts=self.texts[name],
            )
            for name in self.allowed
        }
        return Codes(concepts=concepts, elements=self.elements, aliases=self.aliases)

    def _spelled(self, rows: dict[tuple[str, str], CodeRow]) -> dict[tuple[str, str], CodeRow]:
        return {(self.aliases.get(sys, sys), code): row for (sys, code), row in rows.items()}
