"""The time by which versions of a record are ordered: the sender's own, never an echo of ours."""

from datetime import UTC, datetime, timedelta
from typing import Any

from service.fhir.read.datatypes import parse_moment
from service.reconcile.identify import SAYS_SO
from service.reconcile.intake import Entry
from service.store.port import ResourceVersion

TICK = timedelta(microseconds=1)


def without_our_stamp(resource: dict[str, Any], head: ResourceVersion | None) -> dict[str, Any]:
    """A resource without the time that we put on the version it was read from.

    A client that reads, changes and sends back what it read says nothing of its own time.
    """
    meta = resource.get("meta")
    told = meta.get("lastUpdated") if isinstance(meta, dict) else None
    if head is None or not isinstance(meta, dict) or not isinstance(told, str):
        return resource
    try:
        instant = parse_moment(told).instant
    except ValueError:
        return resource
    if instant != _shown(head.at):
        return resource
    return {**resource, "meta": {k: v for k, v in meta.items() if k != "lastUpdated"}}


def _shown(at: datetime) -> datetime:
    """An instant as it is shown: to the millisecond."""
    return at.astimezone(UTC).replace(microsecond=at.microsecond // 1000 * 1000)


def effective(
    stamp: datetime | None,
    resource: dict[str, Any],
    entry: Entry,
    head: ResourceVersion | None,
    now: datetime,
) -> datetime | None:
    """The stamp under which a version is kept.

    A status that says so comes after an equal stamp without one. An update that names the version
    it replaces comes after it, whatever its sender's clock says.
    """
    if stamp is not None and resource.get("status") in SAYS_SO:
        stamp += TICK
    if entry.if_match is None or head is None:
        return stamp
    before = head.stamp or head.at
    return stamp if (stamp or now) > before else before + TICK
