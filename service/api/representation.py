"""Stored resources as they are shown: our meta, and on a step the answer it was given."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from service.assessment.assess import Answer
from service.fhir.edge.strict_json import parse
from service.fhir.write import answer as answered_task
from service.store.port import ResourceVersion

AnswerOf = Callable[[str, str, int], Answer | None]  # facility, fact key, version


def instant_text(instant: datetime) -> str:
    """An instant in FHIR form, UTC, to the millisecond."""
    return instant.strftime("%Y-%m-%dT%H:%M:%S.") + f"{instant.microsecond // 1000:03d}Z"


def shown(
    resource: dict[str, Any], *, version: int, at: datetime, release: str, answer: Answer | None
) -> dict[str, Any]:
    """A resource with its id, its meta and, on a step, ``businessStatus`` and ``output``."""
    meta = dict(resource.get("meta") or {})
    meta["versionId"] = str(version)
    meta["lastUpdated"] = instant_text(at)
    first = {"resourceType": resource["resourceType"], "id": resource["id"], "meta": meta}
    rest = {k: v for k, v in resource.items() if k not in first}
    whole = {**first, **rest}
    if answer is None or whole["resourceType"] != "Task":
        return whole
    return answered_task(whole, answer.word, answer.findings, release)


def shown_version(row: ResourceVersion, facility: str, answer_of: AnswerOf) -> dict[str, Any]:
    """A stored version as it is read."""
    given = None
    if row.type == "Task":
        given = answer_of(facility, f"{row.type}/{row.id}", row.version)
    return shown(parse(row.body), version=row.version, at=row.at, release=row.release, answer=given)
