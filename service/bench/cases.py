"""Cases of a given size for measuring ``assess``: real resources, read as they are at the door."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any

from service.bench import ward
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.identity import Identifier, Ref
from service.fhir.codes import Codes
from service.fhir.edge.strict_json import dump, parse
from service.fhir.read import ReadContext, facts_of, read
from service.generate.words import HOSPITAL
from service.policy.policy import Site

RUNNING = timedelta(hours=3)  # how long the last unit has hung
GAP = timedelta(minutes=20)


def case_of(
    size: int, units: int, now: datetime, site: Site, codes: Codes, *, panels: bool = True
) -> Case:
    """A well patient with ``units`` red-cell units, the last still running, of ``size`` facts.

    panels: sets of vital signs as one Observation each, else as five. Raises ValueError for a
    size that leaves no room for them.
    """
    starts = [now - (RUNNING + GAP) * (units - place) + GAP for place in range(units)]
    who = ward.patient(size, *starts)
    facts = tuple(_facts(_resources(who, size, now, panels), site, codes))
    if len(facts) != size:
        raise ValueError(f"{size} facts are too few for {units} units")
    return Case("bench", facts, (), _aliases(who, facts))


def _resources(
    who: ward.Patient, size: int, now: datetime, panels: bool
) -> Iterator[dict[str, Any]]:
    found = list(ward.admitted(who))
    for bag in who.bags:
        found += ward.hung(who, bag)
        found.append(ward.rate(who, bag, bag.start + timedelta(minutes=16), 140))
    for bag, after in zip(who.bags, who.bags[1:], strict=False):
        found.append(ward.down(who, bag, after.start - GAP))
    yield from found
    yield from _observations(who, size - len(found), now, panels)


def _observations(
    who: ward.Patient, room: int, now: datetime, panels: bool
) -> Iterator[dict[str, Any]]:
    """Sets evenly spaced over the time the units hung, the first a quarter of an hour in."""
    sets = room if panels else -(-room // 5)
    begun = who.bags[0].start + timedelta(minutes=15)
    left = room
    for place in range(sets):
        at = begun + (now - begun) * place / max(sets, 1)
        made = [ward.panel(who, at, str(place))] if panels else ward.singles(who, at, str(place))
        for resource in made:
            if left > 0:
                left -= 1
                yield resource


def _facts(resources: Iterable[dict[str, Any]], site: Site, codes: Codes) -> Iterator[Fact[Any]]:
    named: dict[str, str] = {}
    for number, resource in enumerate(resources, start=1):
        key = f"{resource['resourceType']}/{number}"
        named.update((f"{i['system']}|{i['value']}", key) for i in resource["identifier"])
        context = ReadContext(zone=site.zone, codes=codes, resolve=_resolver(named))
        body = dump(resource)
        reading = read(parse(body), "R4", context)
        if reading.problems:
            raise ValueError(reading.problems)
        yield from facts_of(reading, key, 1, "bench", _received(resource), sha256(body).hexdigest())


def _received(resource: dict[str, Any]) -> datetime:
    """When it was done; of records that say nothing of it, long ago."""
    period = resource.get("executionPeriod", {})
    text = resource.get("effectiveDateTime") or period.get("end") or period.get("start")
    return datetime.fromisoformat(text or "2025-01-01T00:00:00+00:00")


def _resolver(named: dict[str, str]) -> Any:
    def resolve(reference: Any) -> Ref:
        number = reference["identifier"]
        token = f"{number['system']}|{number['value']}"
        _, _, own = named.get(token, "").partition("/")
        kind = reference["type"]
        return Ref(
            kind=kind,
            id=own or None if kind != "Patient" else None,
            identifier=Identifier(number["system"], number["value"]),
            display=reference.get("display"),
        )

    return resolve


def _aliases(who: ward.Patient, facts: Iterable[Fact[Any]]) -> frozenset[str]:
    own = next(fact.resource for fact in facts if fact.kind == "patient")
    return frozenset({own, f"{HOSPITAL}/patient|{who.record}"})
