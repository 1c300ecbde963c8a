"""What is stored in the tests of the store: invented people, units and records, told briefly."""

from collections.abc import Iterable
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from service.facts.acts import Act, ReceivedLate
from service.facts.fact import Fact
from service.facts.identity import Ref
from service.facts.moment import at
from service.facts.records import BloodUnit, CrossmatchResult, Issue, PatientRecord
from service.facts.steps import Step, StepCode
from service.facts.unit import UnitKey, UnitRef
from service.fhir.search import SearchValue
from service.store.port import (
    Attempt,
    AuditRow,
    Change,
    Emitted,
    FactRow,
    OutboxRow,
    PersonState,
    ResourceVersion,
    Store,
    UnitStart,
)

R = TypeVar("R")

FACILITY = "harrow-vale"
ELSEWHERE = "other-facility"
LAB = "https://harrow-vale.example/id/laboratory"
START = datetime(2025, 6, 2, 10, 0, tzinfo=UTC)
UNIT = UnitKey("A999925123456", "E0398")
OTHER_UNIT = UnitKey("A999925123457", "E0398")
PARTNER = "blood-bank"


def minute(number: float) -> datetime:
    """An instant that many minutes after ten o'clock."""
    return START + timedelta(minutes=number)


def done(future: "Future[R]") -> R:
    """The result of a future, or its error, without waiting for ever."""
    return future.result(timeout=30)


def commit(store: Store, **parts: Any) -> None:
    """Commits one change and waits until it is durable."""
    done(store.commit(Change(**{"facility": FACILITY, **parts})))


def a_state(person: str = "p1", seq: int = 0, **parts: Any) -> PersonState:
    """A case as read."""
    return PersonState(person=person, seq=seq, **parts)


def a_version(id: str = "v1", version: int = 1, **parts: Any) -> ResourceVersion:
    """One version of a resource, an Observation in R4 unless said otherwise."""
    said: dict[str, Any] = {
        "type": "Observation",
        "release": "R4",
        "source": "record-system",
        "at": minute(version),
        "digest": f"{id}-{version}",
        "body": f'{{"id":"{id}","value":37.10,"version":{version}}}'.encode(),
        "keys": (f"{LAB}|{id}",),
    }
    return ResourceVersion(id=id, version=version, **{**said, **parts})


def token(param: str, value: str | None, system: str | None = None) -> SearchValue:
    """A token to store or to search for."""
    return SearchValue(param=param, kind="token", system=system, value=value)


def reference(param: str, value: str | None = None, **parts: Any) -> SearchValue:
    """A reference to store or to search for."""
    return SearchValue(param=param, kind="reference", value=value, **parts)


def span(param: str, low: datetime | None, high: datetime | None) -> SearchValue:
    """A date to store or to search for."""
    return SearchValue(param=param, kind="date", low=low, high=high)


def patient(id: str) -> Ref:
    """A reference to our copy of a patient."""
    return Ref(kind="Patient", id=id)


def a_fact(key: str, body: Any = None, version: int = 1, **parts: Any) -> Fact[Any]:
    """A version of a fact, a patient's record unless said otherwise."""
    return Fact(
        key=key,
        version=version,
        source="record-system",
        received=minute(version),
        body=PatientRecord() if body is None else body,
        **parts,
    )


def of(
    id: str, key: str, body: Any = None, *, version: int = 1, unit: str | None = None
) -> FactRow:
    """A fact that names a patient."""
    fact = a_fact(key, body, version, subject=patient(id))
    return FactRow(fact=fact, subject=f"Patient/{id}", unit=unit)


def unit_ref(key: UnitKey | None = UNIT, resource: str | None = None) -> UnitRef:
    """What somebody said of a unit."""
    if key is None:
        return UnitRef(resource=resource)
    return UnitRef(din=key.din, product=key.product, division=key.division, resource=resource)


def a_step(code: str = "start", unit: UnitRef | None = None, **parts: Any) -> Step:
    """A step at ten o'clock."""
    held = UnitRef() if unit is None else unit
    return Step(code=StepCode(code), start=at(START), unit=held, **parts)


def described(key: UnitKey = UNIT, resource: str = "BiologicallyDerivedProduct/b1") -> FactRow:
    """A unit as its producer describes it: it names no patient."""
    body = BloodUnit(unit=unit_ref(key, resource))
    return FactRow(fact=a_fact(resource, body), unit=key.text)


def issued(id: str, key: UnitKey = UNIT, resource: str = "Basic/i1", **parts: Any) -> FactRow:
    """The issue of a unit to a patient."""
    return of(id, resource, Issue(unit=unit_ref(key), **parts), unit=key.text)


def crossmatched(id: str, key: UnitKey = UNIT) -> FactRow:
    """A crossmatch of a unit for a patient."""
    body = CrossmatchResult(unit=unit_ref(key), result="compatible")
    return of(id, "Observation/x1", body, unit=key.text)


def an_act(key: str = "late:Task/t:1") -> Act:
    """An act of our own."""
    return Act(key=key, at=START, body=ReceivedLate(fact="Task/t"))


def an_emission(key: str = "procedure/u1", version: int = 1, **parts: Any) -> Emitted:
    """What was last decided for an identity."""
    said: dict[str, Any] = {
        "person": "p1",
        "stream": "u1",
        "kind": "procedure",
        "digest": f"d{version}",
        "content": b'{"status":"completed"}',
        "to": frozenset({"record-system", "blood-bank"}),
        "critical": False,
    }
    return Emitted(key=key, version=version, **{**said, **parts})


def a_row(key: str = "procedure/u1", version: int = 1, **parts: Any) -> OutboxRow:
    """A row to send."""
    said: dict[str, Any] = {
        "partner": PARTNER,
        "stream": "u1",
        "group": f"g-{key}-{version}",
        "type": "Procedure",
        "resource_id": f"id-of-{key}",
        "body": f'{{"version":{version}}}'.encode(),
        "critical": False,
        "created": START,
    }
    return OutboxRow(key=key, version=version, **{**said, **parts})


def an_attempt(rows: Iterable[OutboxRow], outcome: str = "delivered", **parts: Any) -> Attempt:
    """A try to send rows."""
    said: dict[str, Any] = {"partner": PARTNER, "at": START, "status": 200, "detail": ""}
    return Attempt(rows=tuple(row.id for row in rows), outcome=outcome, **{**said, **parts})


def a_start(step: str, unit: UnitKey = UNIT, id: str = "1", **parts: Any) -> UnitStart:
    """A start of a unit."""
    said: dict[str, Any] = {
        "subject": f"Patient/{id}",
        "person": f"p{id}",
        "identifier": f"{LAB}|{step}",
        "at": START,
    }
    return UnitStart(unit=unit.text, step=step, **{**said, **parts})


def an_audit(action: str = "create", **parts: Any) -> AuditRow:
    """An audited event."""
    return AuditRow(
        **{"at": START, "action": action, "who": "nurse-1", "outcome": "stored", **parts}
    )
