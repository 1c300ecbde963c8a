"""References in what came in: our ids, bundle urns, registered URLs, identifiers."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs

from service.errors import BadInput, Problem
from service.facts.identity import Identifier, Ref
from service.reconcile.intake import Caller
from service.store.port import Store

URL_SYSTEM = "url"


@dataclass(slots=True, kw_only=True)
class Resolver:
    """Turns the references of one request into ours.

    local: bundle fullUrl -> (type, our id). known: resources that this request itself stores.
    people: what this request says of patients and staff, ``Type/id`` -> (release, resource).
    waiting: registered URLs that nobody has sent yet, (url, type). lenient: what is not known
    stays as it was sent instead of being refused.
    """

    store: Store
    caller: Caller
    own_bases: tuple[str, ...]
    local: dict[str, tuple[str, str]] = field(default_factory=dict)
    known: set[str] = field(default_factory=set)
    identifiers: dict[str, Identifier | None] = field(default_factory=dict)
    people: dict[str, tuple[str, dict[str, Any]]] = field(default_factory=dict)
    waiting: list[tuple[str, str]] = field(default_factory=list)
    lenient: bool = False

    def rewritten(self, value: Any, path: str) -> Any:
        """A copy with every reference to something of ours written ``Type/id``.

        Refuses a urn that the bundle does not hold and a relative reference that we do not know
        (422); a registered URL not yet known stays as it is and waits.
        """
        if isinstance(value, dict):
            copy = {k: self.rewritten(v, f"{path}.{k}") for k, v in value.items()}
            reference = copy.get("reference")
            if isinstance(reference, str) and not reference.startswith("#"):
                copy["reference"] = self._ours(reference, copy.get("type"), path)
            return copy
        if isinstance(value, list):
            return [self.rewritten(item, f"{path}[{n}]") for n, item in enumerate(value)]
        return value

    def ref(self, reference: Mapping[str, Any]) -> Ref:
        """A Reference, after rewriting, as the facts hold it."""
        literal = reference.get("reference")
        given = _identifier(reference.get("identifier"))
        display = reference.get("display")
        if isinstance(literal, str) and literal.startswith(("http://", "https://")):
            type_name = reference.get("type") or _type_of(literal)
            known = given or Identifier(URL_SYSTEM, literal)
            return Ref(kind=type_name, identifier=known, display=display)
        if isinstance(literal, str) and "/" in literal:
            type_name, _, own_id = literal.partition("/")
            own_id = own_id.partition("/")[0]
            identifier = given or self._identifier_of(type_name, own_id)
            return Ref(kind=type_name, id=own_id, identifier=identifier, display=display)
        type_name = reference.get("type") or "Resource"
        return Ref(
            kind=type_name,
            id=self._id_of(type_name, given),
            identifier=given,
            display=display,
        )

    def _ours(self, reference: str, type_name: Any, path: str) -> str:
        if reference in self.local:
            return "/".join(self.local[reference])
        if reference.startswith("urn:"):
            return self._refused(reference, path)
        relative = self._relative(reference)
        if relative is None:
            return self._alias(reference, type_name, path)
        return self._named(relative, path) if "?" in relative else self._known(relative, path)

    def _relative(self, reference: str) -> str | None:
        for base in self.own_bases:
            if reference.startswith(base):
                return reference[len(base) :].lstrip("/")
        return None if reference.startswith(("http://", "https://")) else reference

    def _known(self, relative: str, path: str) -> str:
        """A reference by our id; one to a version stays one."""
        type_name, _, rest = relative.partition("/")
        own_id = rest.partition("/")[0]
        plain = f"{type_name}/{own_id}"
        if plain not in self.known:
            if not own_id or self.store.head(self.caller.facility, type_name, own_id) is None:
                return self._refused(relative, path)
            self.known.add(plain)
        return relative

    def _named(self, reference: str, path: str) -> str:
        """A conditional reference: the one resource that bears the identifier, never the first."""
        type_name, _, query = reference.partition("?")
        found = by_identifier(self.store, self.caller.facility, type_name, query)
        if found is not None and len(found) == 1:
            return f"{type_name}/{found[0]}"
        if self.lenient:
            return reference
        raise BadInput(412, _not_one(path, found))

    def _refused(self, reference: str, path: str) -> str:
        if self.lenient:
            return reference
        raise BadInput(422, _unknown(path))

    def _alias(self, url: str, type_name: Any, path: str) -> str:
        if not any(url.startswith(base) for base in self.caller.bases):
            return self._refused(url, path)
        found = self.store.url(self.caller.facility, self.caller.source, url)
        if found is not None and found[1] is not None:
            return f"{found[0]}/{found[1]}"
        kind = type_name if isinstance(type_name, str) else _type_of(url)
        self.waiting.append((url, kind))
        return url

    def _identifier_of(self, type_name: str, own_id: str) -> Identifier | None:
        plain = f"{type_name}/{own_id}"
        if plain not in self.identifiers:
            head = self.store.head(self.caller.facility, type_name, own_id)
            keys = [key for key in head.keys if "|" in key] if head else []
            self.identifiers[plain] = Identifier(*keys[0].split("|", 1)) if keys else None
        return self.identifiers[plain]

    def _id_of(self, type_name: str, given: Identifier | None) -> str | None:
        """Our copy of what an identifier names, where exactly one bears it."""
        if given is None or type_name == "Patient":
            return None
        held = self.store.identified(self.caller.facility, type_name, given.system, given.value)
        ids = {*held, *self._staff_sent(type_name, given)}
        return ids.pop() if len(ids) == 1 else None

    def _staff_sent(self, type_name: str, given: Identifier) -> set[str]:
        """Our ids of the staff in this very request that bear an identifier."""
        return {
            name.partition("/")[2]
            for name, (_, resource) in self.people.items()
            if name.partition("/")[0] == type_name and given in identifiers_in(resource)
        }


def _type_of(url: str) -> str:
    parts = url.rstrip("/").split("/")
    return parts[-2] if len(parts) > 1 else "Resource"


def by_identifier(
    store: Store, facility: str, type_name: str, query: str
) -> tuple[str, ...] | None:
    """Ids that ``identifier=system|value`` matches; None for any other condition."""
    names = parse_qs(query.lstrip("?"), keep_blank_values=True)
    values = names.get("identifier", [])
    if set(names) != {"identifier"} or len(values) != 1 or "|" not in values[0]:
        return None
    system, _, value = values[0].partition("|")
    return store.identified(facility, type_name, system, value)


def _unknown(path: str) -> Problem:
    text = "The reference names nothing that is known here."
    return Problem(code="not-found", expression=f"{path}.reference", text=text)


def _not_one(path: str, found: tuple[str, ...] | None) -> Problem:
    place = f"{path}.reference"
    if found is None:
        text = "A condition must be one identifier written system|value."
        return Problem(code="not-supported", expression=place, text=text)
    text = "The condition of the reference must match one resource"
    told = f"{text}; it matches {'several' if found else 'none'}."
    return Problem(code="multiple-matches" if found else "not-found", expression=place, text=told)


def _identifier(value: Any) -> Identifier | None:
    if isinstance(value, dict) and value.get("value"):
        return Identifier(str(value.get("system") or ""), str(value["value"]))
    return None


def identifiers_in(resource: dict[str, Any]) -> tuple[Identifier, ...]:
    """The business identifiers of a resource, in order."""
    found = resource.get("identifier")
    listed = found if isinstance(found, list) else [found]
    return tuple(i for i in (_identifier(item) for item in listed) if i is not None)
