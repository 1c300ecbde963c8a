"""One walk over a resource against the tables of its release."""

from typing import Any

from service.errors import Problem
from service.fhir.edge import constraints
from service.fhir.edge.paths import Path, shown
from service.fhir.edge.primitives import WRONG_JSON
from service.fhir.edge.tables import BESIDE, RESOURCE, Element, Tables, Type, tables

Json = dict[str, Any]

MOST_PROBLEMS = 50
MOST_CODES = 16
# The only modifiers that are understood, and on what: those that the service writes itself.
UNDERSTOOD_MODIFIERS = {
    "http://hl7.org/fhir/5.0/StructureDefinition/extension-AdverseEvent.status": "AdverseEvent"
}
_OTHER = {"R4": "R5", "R5": "R4"}


class Walk:
    """Collects what is wrong with one resource, in document order."""

    def __init__(self, held: Tables) -> None:
        self.tables = held
        self.problems: list[Problem] = []
        self.urls: dict[str, str] = {}
        self.contained: dict[str, str] = {}

    def add(self, code: str, path: Path, text: str) -> None:
        """One problem; the text follows the element's name."""
        if len(self.problems) < MOST_PROBLEMS:
            place = shown(path)
            self.problems.append(Problem(code=code, text=f"{place} {text}.", expression=place))

    def resource(self, node: Any, path: Path, *, contained: bool = False) -> None:
        """A resource: the root, an entry of a Bundle, or a contained one."""
        kind = node.get("resourceType") if type(node) is dict else None
        if type(kind) is not str:
            self.add("structure", path, "must be an object with a resourceType")
            return
        found = self.tables.types.get(kind) if kind in self.tables.resources else None
        if found is None:
            self._strange(node, kind, path, contained)
            return
        if not contained:
            self._scope(node)
        if "implicitRules" in node:
            text = "changes the meaning of the resource by rules that are not known here"
            self.add("not-supported", (path, "implicitRules", None), text)
        self.fields(node, found, path)
        for rule in constraints.OF_RESOURCE.get(kind, ()):
            rule(self, node, path)

    def _strange(self, node: Json, kind: str, path: Path, contained: bool) -> None:
        if kind not in self.tables.resources:
            release = self.tables.release
            also = f" (it is one in {_OTHER[release]})" if self._elsewhere(kind) else ""
            named = (path, "resourceType", None)
            self.add("not-supported", named, f"names no resource type of FHIR {release}{also}")
        elif contained:
            self._plain(node, path)
        else:
            named = (path, "resourceType", None)
            self.add("not-supported", named, "names a resource type that is not handled here")

    def _elsewhere(self, kind: str) -> bool:
        return kind in tables(_OTHER[self.tables.release]).resources

    def _scope(self, node: Json) -> None:
        """What references within the resource may point at."""
        held = node.get("contained")
        self.contained = constraints.kinds_by(held, "id") if held else {}
        if node["resourceType"] == "Bundle":
            self.urls = constraints.entry_kinds(node.get("entry"))

    def _plain(self, value: Any, path: Path) -> None:
        """A contained resource without a table here: only what JSON itself forbids in FHIR."""
        if value is None or value in ("", [], {}):
            self.add("structure", path, "must not be null or empty")
        elif type(value) is dict:
            for name, held in value.items():
                self._plain(held, (path, name, None))
        elif type(value) is list:
            for index, held in enumerate(value):
                if held is not None:
                    self._plain(held, (path, "", index))

    def fields(self, node: Json, table: Type, path: Path) -> None:
        """The elements of an object. ``path`` names the object."""
        if not node:
            self.add("structure", path, "must not be an empty object")
        elements = table.elements
        chosen: dict[str, str] = {}
        for name, value in node.items():
            element = elements.get(name)
            if element is None:
                element = self._beside(node, name, value, table, path)
                if element is None or element.choice is None:
                    continue
                self._choose(chosen, element, path)
                continue
            if element.choice is not None:
                self._choose(chosen, element, path)
            if element.many:
                self._items(node, element, value, path)
                if name == "modifierExtension":
                    self._modifiers(value, table, path)
            elif element.check is not None:
                self._primitive(element, value, (path, name, None))
            else:
                self._complex(element, value, (path, name, None))
        for names, called in table.required:
            if not any(name in node or f"_{name}" in node for name in names):
                self.add("required", (path, called, None), "is required")

    def _choose(self, chosen: dict[str, str], element: Element, path: Path) -> None:
        """At most one type of a ``[x]`` element."""
        group = element.choice or ""
        if chosen.setdefault(group, element.name) != element.name:
            text = f"must be given once, not as {chosen[group]} and {element.name}"
            self.add("structure", (path, f"{group}[x]", None), text)

    def _items(self, node: Json, element: Element, value: Any, path: Path) -> None:
        name = element.name
        if type(value) is not list:
            self.add("structure", (path, name, None), "must be an array")
            return
        if not value:
            self.add("structure", (path, name, None), "must not be an empty array")
        if element.check is None:
            for index, item in enumerate(value):
                self._complex(element, item, (path, name, index))
            return
        beside = node.get(f"_{name}")
        for index, item in enumerate(value):
            if item is not None or not _is_held(beside, index):
                self._primitive(element, item, (path, name, index))

    def _primitive(self, element: Element, value: Any, path: Path) -> None:
        if element.codes is not None and type(value) is str and value in element.codes:
            return
        wrong = self._form(value) or (element.check(value) if element.check else None)
        if wrong is not None:
            self.add("structure" if wrong in _STRUCTURAL else "value", path, wrong)
        elif element.codes is not None:
            self.add("code-invalid", path, _not_one_of(element.codes))

    @staticmethod
    def _form(value: Any) -> str | None:
        if value is None:
            return NULL
        return SINGLE if type(value) is list else None

    def _complex(self, element: Element, value: Any, path: Path) -> None:
        if type(value) is not dict:
            self.add("structure", path, self._form(value) or "must be an object")
        elif element.kind == RESOURCE:
            self.resource(value, path, contained=element.name == "contained")
        elif element.type is not None:
            self.fields(value, element.type, path)
            rule = constraints.OF_TYPE.get(element.kind)
            if rule is not None:
                rule(self, value, element, path)

    def _modifiers(self, value: Any, table: Type, path: Path) -> None:
        for index, item in enumerate(value if type(value) is list else ()):
            url = item.get("url") if type(item) is dict else None
            if type(url) is not str or UNDERSTOOD_MODIFIERS.get(url) != table.name:
                text = "may change the meaning of the resource and is not known here"
                self.add("extension", (path, "modifierExtension", index), text)

    def _beside(self, node: Json, name: str, value: Any, table: Type, path: Path) -> Element | None:
        """What stands under a name that is no element: ``_name`` beside a primitive, or nothing.

        Gives the primitive's element where the value alone may stand for it.
        """
        if name == "resourceType" and table.name in self.tables.resources:
            return None
        element = table.elements.get(name[1:]) if name.startswith("_") else None
        if element is None or element.check is None:
            self._unknown(name, table, path)
            return None
        held = self.tables.types[BESIDE]
        if not element.many:
            self._aside(value, held, (path, name, None))
            return element if element.name not in node else None
        if type(value) is not list or not value:
            self.add("structure", (path, name, None), "must be an array that is not empty")
            return None
        for index, item in enumerate(value):
            if item is not None:
                self._aside(item, held, (path, name, index))
            elif not _is_held(node.get(element.name), index):
                self.add("structure", (path, name, index), NULL)
        return None

    def _aside(self, value: Any, held: Type, path: Path) -> None:
        if type(value) is dict:
            self.fields(value, held, path)
        else:
            self.add("structure", path, self._form(value) or "must be an object")

    def _unknown(self, name: str, table: Type, path: Path) -> None:
        release = self.tables.release
        other = tables(_OTHER[release]).types.get(table.name)
        also = f" (it is one in {_OTHER[release]})" if other and name in other.elements else ""
        named = (path, name[:64], None)
        self.add("structure", named, f"is not an element of {table.name} in FHIR {release}{also}")


NULL = "must not be null"
SINGLE = "must not be an array"
_STRUCTURAL = WRONG_JSON | {NULL, SINGLE}


def _is_held(beside: Any, index: int) -> bool:
    """True when a parallel array holds something at an index."""
    return type(beside) is list and index < len(beside) and beside[index] is not None


def _not_one_of(codes: frozenset[str]) -> str:
    if len(codes) > MOST_CODES:
        return f"is none of the {len(codes)} codes that are allowed"
    return f"must be one of {', '.join(sorted(codes))}"
