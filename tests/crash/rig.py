"""A rig that ends the service at named points, starts it again and compares three histories.

The driver logs what was answered 2xx to a file of its own before it goes on. The stand-ins keep
what they received in files of theirs. The service's store is read after it has stopped. The rig
knows nothing of the inside of the service but those files.
"""

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import apsw

from service.faults import CRASHED, VARIABLE
from service.fhir.own import STEP_INPUT_SYSTEM, STEP_SYSTEM

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
HOSPITAL = "https://harrow-vale.example/id"
PARTNERS = ("record-system", "blood-bank")
SETTINGS = """
[service]
profile = "default"
store = "{folder}/service.sqlite3"
port = {port}

[facility.harrow-vale]
name = "Harrow Vale Hospital"
identifier = "{hospital}/organisation|HV"
blood_bank_name = "Harrow Vale blood bank"
blood_bank_identifier = "{hospital}/organisation|HV-BB"
zone = "Europe/London"
identity_systems = ["{hospital}/patient"]

[source.ward]
facility = "harrow-vale"

[partner.record-system]
base_url = "{record_system}"
release = "R4"
roles = ["record-system"]
settle_seconds = 0.2
timeout_seconds = 1

[partner.blood-bank]
base_url = "{blood_bank}"
release = "R5"
roles = ["blood-bank"]
settle_seconds = 0.2
timeout_seconds = 1
"""


def free_port() -> int:
    """A port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Rig:
    """One world: a folder, a service, two stand-ins, a driver and its log."""

    folder: Path
    port: int = field(default_factory=free_port)
    ports: dict[str, int] = field(default_factory=lambda: {p: free_port() for p in PARTNERS})
    bases: dict[str, str] = field(default_factory=dict)
    acknowledged: list[str] = field(default_factory=list)
    sent: int = 0
    crashes: int = 0
    _standins: subprocess.Popen[str] | None = None
    _service: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        text = SETTINGS.format(
            folder=self.folder,
            port=self.port,
            hospital=HOSPITAL,
            record_system=self._base("record-system"),
            blood_bank=self._base("blood-bank"),
        )
        (self.folder / "settings.toml").write_text(text, encoding="utf-8")
        self.log = (self.folder / "acknowledged.log").open("a", encoding="utf-8")

    def _base(self, partner: str) -> str:
        return self.bases.get(partner) or f"http://127.0.0.1:{self.ports[partner]}"

    @contextmanager
    def standins(self) -> Iterator[None]:
        """The partners, for the whole run."""
        ports = [str(self.ports[name]) for name in PARTNERS]
        self._standins = subprocess.Popen(
            [sys.executable, str(HERE / "standins.py"), str(self.folder), *ports],
            stdout=subprocess.PIPE,
            text=True,
            env=_environment(),
        )
        assert self._standins.stdout is not None
        assert self._standins.stdout.readline() == "ready\n"
        try:
            yield
        finally:
            if self._service is not None and self._service.poll() is None:
                self._service.kill()
                self._service.wait()
            self._standins.kill()
            self._standins.wait()
            self._standins.stdout.close()
            self.log.close()

    def start(self, crash_at: str | None = None) -> None:
        """Starts the service and waits until it is ready, or has crashed on the way."""
        environment = _environment() | ({VARIABLE: crash_at} if crash_at else {})
        self._service = subprocess.Popen(
            [sys.executable, "-m", "service", "serve", str(self.folder / "settings.toml")],
            cwd=ROOT,
            env=environment,
        )
        for _ in range(4000):
            if self._service.poll() is not None or self._ready():
                return
            time.sleep(0.025)
        raise AssertionError("the service did not become ready")

    def _ready(self) -> bool:
        try:
            return self._call("GET", "/health/ready")[0] == 200
        except OSError:
            return False

    @property
    def crashed(self) -> bool:
        """True once the service has ended by itself at a crash point."""
        assert self._service is not None
        code = self._service.poll()
        assert code in (None, CRASHED), f"the service ended with {code}"
        return code == CRASHED

    def stop(self, how: int = signal.SIGTERM) -> None:
        """Ends the service."""
        assert self._service is not None
        if self._service.poll() is None:
            self._service.send_signal(how)
            self._service.wait(timeout=60)

    def post(self, resource: dict[str, Any]) -> bool:
        """Sends one resource; a 2xx is logged, synced, before anything else happens."""
        self.sent += 1
        try:
            status, body = self._call("POST", f"/fhir/r4/{resource['resourceType']}", resource)
        except (OSError, http.client.HTTPException):
            return False
        assert status < 500 or status == 503, (status, body)
        assert status in (200, 201, 503), (status, body)
        if status == 503:
            return False
        value = resource["identifier"][0]["value"]
        self.log.write(value + "\n")
        self.log.flush()
        os.fsync(self.log.fileno())
        self.acknowledged.append(value)
        return True

    def insist(self, resource: dict[str, Any]) -> None:
        """Sends one resource until it is acknowledged, starting the service again as needed."""
        for _ in range(600):
            if self.crashed:
                self.crashes += 1
                self.start()
            if self.post(resource):
                return
            time.sleep(0.05)
        raise AssertionError("a resource was never acknowledged")

    def _call(
        self, method: str, path: str, body: dict[str, Any] | None = None
    ) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            headers = {"Content-Type": "application/fhir+json"}
            content = json.dumps(body) if body is not None else None
            connection.request(method, path, content, headers)
            response = connection.getresponse()
            return response.status, response.read()
        finally:
            connection.close()

    def delivered(self, partner: str) -> list[tuple[str, str, bytes]]:
        """(type, id, body) of the last version of each resource that reached a partner."""
        return self._rows(
            "SELECT type, resource_id, body FROM outbox o JOIN outbox_body USING (id) "
            "WHERE partner = ? "
            "AND state = 'delivered' AND version = (SELECT max(version) FROM outbox n "
            "WHERE n.partner = o.partner AND n.key = o.key) ORDER BY id",
            partner,
        )

    # -- histories

    def quiet(self, seconds: float = 240) -> None:
        """Waits until nothing is left to send."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if not self._rows("SELECT 1 FROM outbox WHERE state IN ('pending', 'sent') LIMIT 1"):
                return
            time.sleep(0.05)
        (left,) = self._rows("SELECT count(*) FROM outbox WHERE state IN ('pending', 'sent')")
        parked = self._rows("SELECT key, last_outcome FROM outbox WHERE state = 'parked' LIMIT 5")
        raise AssertionError(f"{left[0]} rows are still to be sent; parked: {parked}")

    def _rows(self, query: str, *values: str) -> list[tuple[Any, ...]]:
        connection = apsw.Connection(
            str(self.folder / "service.sqlite3"), flags=apsw.SQLITE_OPEN_READONLY
        )
        try:
            connection.set_busy_timeout(5000)
            return list(connection.execute(query, values))
        finally:
            connection.close()

    def lost(self) -> set[str]:
        """Acknowledged resources that the store does not hold as exactly one resource."""
        held: dict[str, int] = {}
        for (keys,) in self._rows("SELECT keys FROM resource WHERE current = 1"):
            for key in json.loads(keys):
                held[key.partition("|")[2]] = held.get(key.partition("|")[2], 0) + 1
        return {value for value in self.acknowledged if held.get(value) != 1}

    def partial(self) -> list[tuple[Any, ...]]:
        """Resources without their facts: a change that was written in part."""
        return self._rows(
            "SELECT type, id FROM resource r WHERE type = 'Observation' AND NOT EXISTS "
            "(SELECT 1 FROM fact f WHERE f.resource = r.type || '/' || r.id)"
        )

    def wrong_at(self, partner: str) -> list[str]:
        """What a partner holds twice, out of order, or not as it was last emitted."""
        emitted: dict[str, list[bytes]] = {}
        for id_, body in self._rows(
            "SELECT resource_id, body FROM outbox JOIN outbox_body USING (id) "
            "WHERE partner = ? AND state = 'delivered' "
            "ORDER BY version",
            partner,
        ):
            emitted.setdefault(id_, []).append(plain(body))
        received = self.received(partner)
        faults = []
        for id_, bodies in received.items():
            wanted = emitted.get(id_, [])
            if bodies != wanted:
                faults.append(f"{id_}: got {len(bodies)} versions, emitted {len(wanted)}")
        faults += [f"{id_}: never arrived" for id_ in emitted.keys() - received.keys()]
        return faults

    def received(self, partner: str) -> dict[str, list[bytes]]:
        """Every version of every resource that a partner was sent, in order."""
        connection = apsw.Connection(
            str(self.folder / f"{partner}.sqlite3"), flags=apsw.SQLITE_OPEN_READONLY
        )
        found: dict[str, list[bytes]] = {}
        try:
            for id_, body in connection.execute(
                "SELECT id, body FROM version ORDER BY type, id, version"
            ):
                found.setdefault(id_, []).append(plain(body))
        finally:
            connection.close()
        return found

    def sound(self) -> bool:
        """True when the database is whole."""
        return self._rows("PRAGMA integrity_check") == [("ok",)]


def plain(body: bytes | str) -> bytes:
    """A resource without what a partner's server adds to meta."""
    resource = json.loads(body)
    meta = resource.get("meta", {})
    for name in ("versionId", "lastUpdated"):
        meta.pop(name, None)
    return json.dumps(resource, sort_keys=True).encode()


def _environment() -> dict[str, str]:
    kept = {k: v for k, v in os.environ.items() if k != VARIABLE}
    return kept | {"PYTHONPATH": str(ROOT)}


# -- an invented unit that runs


def _number(system: str, value: str) -> dict[str, str]:
    return {"system": f"{HOSPITAL}/{system}", "value": value}


def world(patients: int, started: datetime, first: int = 0) -> list[dict[str, Any]]:
    """Patients, each with a unit that was started."""
    found: list[dict[str, Any]] = []
    for n in range(first, first + patients):
        patient = {"type": "Patient", "identifier": _number("patient", f"10{n:04d}")}
        found.append(
            {
                "resourceType": "Patient",
                "identifier": [_number("patient", f"10{n:04d}")],
                "name": [{"family": f"Larch{n}", "given": ["Wren"]}],
                "birthDate": "1961-04-12",
            }
        )
        found.append(
            {
                "resourceType": "Task",
                "identifier": [_number("step", f"start-{n}")],
                "status": "completed",
                "intent": "order",
                "code": {"coding": [{"system": STEP_SYSTEM, "code": "start"}]},
                "for": patient,
                "executionPeriod": {"start": text(started)},
                "input": [
                    _scan(f"=A9999261{n:05d}00"),
                    _scan("=<E0398V00"),
                ],
            }
        )
    return found


def _scan(raw: str) -> dict[str, Any]:
    kind = {"coding": [{"system": STEP_INPUT_SYSTEM, "code": "bag-scan"}]}
    return {"type": kind, "valueString": raw}


def panel(patient: int, number: int, at: datetime) -> dict[str, Any]:
    """A panel of vital signs; temperatures differ so that contents do."""
    values = (
        ("8310-5", 36.5 + number % 4 / 10, "Cel"),
        ("8867-4", 80, "/min"),
        ("8480-6", 120, "mm[Hg]"),
        ("9279-1", 16, "/min"),
    )
    return {
        "resourceType": "Observation",
        "identifier": [_number("observation", f"o-{patient}-{number}")],
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "85353-1"}]},
        "subject": {"type": "Patient", "identifier": _number("patient", f"10{patient:04d}")},
        "effectiveDateTime": text(at),
        "component": [
            {
                "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
                "valueQuantity": {
                    "value": value,
                    "unit": unit,
                    "system": "http://unitsofmeasure.org",
                    "code": unit,
                },
            }
            for code, value, unit in values
        ],
    }


def recalled(patient: int, number: int) -> dict[str, Any]:
    """News about a unit: it reaches the patient's case as a nudge."""
    base = "http://hl7.org/fhir/5.0/StructureDefinition/extension-BiologicallyDerivedProduct"
    return {
        "resourceType": "BiologicallyDerivedProduct",
        "identifier": [_number("product", f"p-{patient}-{number}")],
        "productCode": {
            "coding": [
                {
                    "system": "https://www.isbt128.org/uri/productdescriptioncode",
                    "code": "E0398",
                }
            ]
        },
        "extension": [
            {
                "url": f"{base}.biologicalSourceEvent",
                "valueIdentifier": {
                    "system": "https://www.isbt128.org/uri/DonationIdentificationNumber",
                    "value": f"A9999261{patient:05d}",
                },
            },
            {"url": f"{base}.division", "valueString": "000000"},
        ],
    }


def text(instant: datetime) -> str:
    """An instant in FHIR form."""
    return instant.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def minutes_ago(minutes: float) -> datetime:
    """An instant before now."""
    return datetime.now(UTC) - timedelta(minutes=minutes)  # noqa: TID251
