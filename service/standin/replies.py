"""What a laboratory says to the Tasks it was sent."""

from typing import Any

import msgspec

from service.fhir.own import EMITTED_SYSTEM
from service.standin.shelf import Shelf

STATUS = {"accept": "accepted", "reject": "rejected", "receive": "received"}
OPEN = frozenset({"requested", "received"})
KEPT = ("intent", "code", "for", "groupIdentifier")

_DECODER = msgspec.json.Decoder(dict[str, Any])


def replies(shelf: Shelf, answers: str, answered: set[str], at: str) -> list[dict[str, Any]]:
    """A reply to each open Task of the service that is not in ``answered``, which grows by them.

    answers: accept, reject, receive, or never. at: when the laboratory answered.
    """
    if answers == "never":
        return []
    found = []
    for type_, id_ in shelf.places():
        latest = shelf.latest(type_, id_)
        if type_ != "Task" or id_ in answered or latest is None:
            continue
        task = _DECODER.decode(latest.body)
        if task.get("status") in OPEN and _ours(task):
            answered.add(id_)
            found.append(_reply(task, STATUS[answers], at))
    return found


def _ours(task: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for one in task.get("identifier", ()) if one.get("system") == EMITTED_SYSTEM]


def _reply(task: dict[str, Any], status: str, at: str) -> dict[str, Any]:
    kept = {name: task[name] for name in KEPT if name in task}
    head = {"resourceType": "Task", "identifier": _ours(task), "status": status}
    return head | kept | {"lastModified": at}
