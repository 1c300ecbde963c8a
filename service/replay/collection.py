"""A ``collection`` bundle as a transaction: what lies together is created together.

A collection has no processing semantics, so the server takes none; a scenario may hold one that
another system wrote out. References between its entries are kept, by whatever address they go.
"""

from typing import Any
from uuid import UUID, uuid5

Json = dict[str, Any]

NAMESPACE = UUID("2b1f7d5e-7c0a-5d7b-8a3e-2f4c1d9e6b30")


def as_transaction(bundle: Json) -> Json:
    """The bundle to send: a collection as a transaction of creates, any other as it is."""
    if bundle.get("resourceType") != "Bundle" or bundle.get("type") != "collection":
        return bundle
    entries = [entry for entry in bundle.get("entry", ()) if "resource" in entry]
    named = {
        address: f"urn:uuid:{uuid5(NAMESPACE, str(place))}"
        for place, entry in enumerate(entries)
        for address in _addresses(entry)
    }
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": f"urn:uuid:{uuid5(NAMESPACE, str(place))}",
                "resource": _pointed(_without_id(entry["resource"]), named),
                "request": {"method": "POST", "url": entry["resource"].get("resourceType", "")},
            }
            for place, entry in enumerate(entries)
        ],
    }


def _addresses(entry: Json) -> list[str]:
    """What a reference to the entry may say: its full URL, and its type and id."""
    resource = entry["resource"]
    found = [entry["fullUrl"]] if "fullUrl" in entry else []
    if "id" in resource:
        found.append(f"{resource.get('resourceType')}/{resource['id']}")
    return found


def _without_id(resource: Json) -> Json:
    return {name: value for name, value in resource.items() if name != "id"}


def _pointed(value: Any, named: dict[str, str]) -> Any:
    """A copy in which references between the entries go by what the transaction calls them."""
    if isinstance(value, list):
        return [_pointed(item, named) for item in value]
    if not isinstance(value, dict):
        return value
    copy = {name: _pointed(inner, named) for name, inner in value.items()}
    target = copy.get("reference")
    if isinstance(target, str) and target in named:
        copy["reference"] = named[target]
    return copy
