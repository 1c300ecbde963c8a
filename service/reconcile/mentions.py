"""References to a patient that bear another patient's number: nobody is meant for certain."""

from collections.abc import Iterator
from typing import Any

from service.errors import BadInput, Problem
from service.facts.identity import Identifier
from service.policy.policy import Site
from service.reconcile.people import is_bearing
from service.reconcile.references import Resolver, identifiers_in


def refuse_two_patients(
    resource: dict[str, Any], resolver: Resolver, site: Site, path: str
) -> None:
    """Refuses (422) a reference whose id is one patient's and whose identifier another's.

    resource: with our ids in its references. A number in a system that is not identity-bearing may
    be several people's, and one of a record joined with the patient's is the patient's own.
    """
    for where, own_id, number in _both(resource, path):
        if is_bearing(number, site) and _is_anothers(own_id, number, resolver):
            text = "The reference names two patients that are not known to be one."
            raise BadInput(422, Problem(code="business-rule", expression=where, text=text))


def _both(value: Any, path: str) -> Iterator[tuple[str, str, Identifier]]:
    """Every reference to a patient by our id that gives an identifier too."""
    if isinstance(value, list):
        for n, item in enumerate(value):
            yield from _both(item, f"{path}[{n}]")
    elif isinstance(value, dict):
        literal, numbers = value.get("reference"), identifiers_in(value)
        if isinstance(literal, str) and literal.startswith("Patient/") and numbers:
            yield path, literal.split("/")[1], numbers[0]
        for name, item in value.items():
            if isinstance(item, dict | list):
                yield from _both(item, f"{path}.{name}")


def _is_anothers(own_id: str, number: Identifier, resolver: Resolver) -> bool:
    """Not on the patient's record, and somebody else's or against a number that is on it."""
    local, facility = f"Patient/{own_id}", resolver.caller.facility
    head = resolver.store.head(facility, "Patient", own_id)
    _, sent = resolver.people.get(local, ("", {}))
    held = {*(head.keys if head else ()), *(one.token for one in identifiers_in(sent))}
    if number.token in held:
        return False
    known = resolver.store.people(facility, [local, number.token])
    if number.token in known:
        return known[number.token] != known.get(local)
    return any(token.startswith(f"{number.system}|") for token in held)
