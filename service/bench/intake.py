"""Vitals panels through HTTP: read, judged, stored, and delivered to two stand-ins."""

import asyncio
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import msgspec

from service.bench import sampling, ward
from service.bench.deliveries import Delivered, Outbox, Witness
from service.bench.driver import Run, drive, request_of, saturate
from service.bench.preparing import OBSERVED, hung_at
from service.clock import WallClock
from service.errors import BenchFault
from service.fhir.edge.strict_json import dump
from service.generate.words import HOSPITAL

HOST = "127.0.0.1"
WARM = 300  # panels sent before the run, of patients of their own
PREPARED_PER_SECOND = 60  # a guess that is never far too high; a run may begin a little early
DRAIN_SECONDS = 300.0
RELEASES = ("R4", "R5")
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

[partner.first]
base_url = "http://127.0.0.1:{first}"
release = "R4"
roles = ["record-system"]

[partner.second]
base_url = "http://127.0.0.1:{second}"
release = "R5"
roles = ["record-system", "blood-bank"]
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to measure. stall: seconds for which the service is stopped halfway, to test the driver.

    profile: sample where the service's time goes.
    """

    rate: float
    seconds: float
    workers: int = 1
    stall: float = 0.0
    profile: bool = False

    @property
    def panels(self) -> int:
        """How many are sent."""
        return max(round(self.rate * self.seconds), 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What a run showed. backlog: rows not delivered at the last answer; drained: seconds until
    none was left. profile: where the processor time went; None unless it was asked for.
    """

    plan: Plan
    run: Run
    delivered: Delivered
    backlog: int
    drained: float
    prepared: float
    profile: sampling.Sums | None
    processor: dict[str, float]


def measure(plan: Plan, folder: Path, clock: WallClock, say: Callable[[str], None]) -> Measured:
    """Prepares an installation in a folder and measures it. Raises BenchFault when it fails."""
    ports = _free_ports(3)
    settings = folder / "settings.toml"
    text = SETTINGS.format(
        folder=folder, hospital=HOSPITAL, port=ports[0], first=ports[1], second=ports[2]
    )
    settings.write_text(text, encoding="utf-8")
    count = plan.panels + WARM
    ahead = timedelta(seconds=count / PREPARED_PER_SECOND + 10)
    begin = clock.now().replace(microsecond=0) + ahead
    say(f"preparing {count} patients whose unit runs")
    started = time.monotonic()
    _prepare(settings, count, begin, plan.rate)
    prepared = time.monotonic() - started
    with ExitStack() as stack:
        witness = stack.enter_context(_partners(ports[1:]))
        outbox = Outbox(folder / "service.sqlite3")
        stack.callback(outbox.close)
        serving = stack.enter_context(_serving(settings, ports[0], plan, folder))
        say("delivering what the preparation wrote")
        _drain(outbox)
        warm, requests = _requests(plan, begin, ports[0])
        asyncio.run(saturate((HOST, ports[0]), warm, 8))
        _drain(outbox)
        say(f"sending {plan.panels} panels at {plan.rate:g}/s")
        before = serving.processor() | witness.processor()
        since, mark = clock.now(), outbox.mark()
        run = asyncio.run(_driven(plan, ports[0], requests, serving))
        backlog = outbox.backlog()
        answered = clock.now()
        ended = time.monotonic()
        _drain(outbox)
        drained = time.monotonic() - ended
        after = serving.processor() | witness.processor()
        serving.stop()
        delivered = outbox.delivered(mark, witness.held())
    return Measured(
        plan=plan,
        run=run,
        delivered=delivered,
        backlog=backlog,
        drained=drained,
        prepared=prepared,
        profile=_profiled(folder, since, answered),
        processor={name: after[name] - before.get(name, 0.0) for name in after},
    )


async def _driven(plan: Plan, port: int, requests: Sequence[bytes], serving: "_Serving") -> Run:
    if not plan.stall:
        return await drive((HOST, port), requests, plan.rate)

    def halfway() -> None:
        serving.pause()
        asyncio.get_running_loop().call_later(plan.stall, serving.go_on)

    return await drive((HOST, port), requests, plan.rate, halfway=halfway)


def _requests(plan: Plan, begin: datetime, port: int) -> tuple[list[bytes], list[bytes]]:
    """Panels for warming up and for the run; all bytes are made before anything is measured."""
    host = f"{HOST}:{port}"
    made = []
    for number in range(plan.panels + WARM):
        hung = hung_at(number, begin, plan.rate)
        who = ward.patient(number, hung)
        body = dump(ward.panel(who, hung + OBSERVED, "first"))
        made.append(request_of(host, "/fhir/r4/Observation", body))
    return made[plan.panels :], made[: plan.panels]


def _prepare(settings: Path, count: int, begin: datetime, rate: float) -> None:
    """Two processes, each with half of the patients."""
    half = count // 2
    parts = ((0, half), (half, count - half))
    running = [
        subprocess.Popen(
            [
                *_python("service.bench.preparing"),
                str(settings),
                str(first),
                str(many),
                begin.isoformat(),
                str(rate),
            ]
        )
        for first, many in parts
        if many
    ]
    if any(code for code in [process.wait() for process in running]):
        raise BenchFault("The installation could not be prepared.")


class _Witnessing:
    """The stand-ins in a process of their own, and this process, which drives."""

    def __init__(self, process: "subprocess.Popen[bytes]") -> None:
        if process.stdin is None or process.stdout is None:
            raise BenchFault("The stand-ins cannot be spoken to.")
        self._process = process
        self._inward, self._outward = process.stdin, process.stdout
        if self._outward.readline() != b"ready\n":
            raise BenchFault("The stand-ins did not start.")

    def held(self) -> Witness:
        """What they hold."""
        self._inward.write(b"?\n")
        self._inward.flush()
        return msgspec.json.decode(self._outward.readline(), type=dict[str, dict[str, list[str]]])

    def processor(self) -> dict[str, float]:
        """Seconds of processor time that the stand-ins and the driver have used."""
        return {"stand-ins": _processor(self._process.pid), "driver": _processor(os.getpid())}


@contextmanager
def _partners(ports: Sequence[int]) -> Iterator[_Witnessing]:
    """The stand-ins while they run."""
    words = [str(word) for pair in zip(ports, RELEASES, strict=True) for word in pair]
    command = [*_python("service.bench.partners"), *words]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe) as process:
        try:
            yield _Witnessing(process)
        finally:
            process.kill()


class _Serving:
    """The service in its own processes."""

    def __init__(self, process: "subprocess.Popen[bytes]") -> None:
        self._process = process

    def pause(self) -> None:
        """Stops every process of the service where it stands."""
        self._signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """Lets them go on."""
        self._signal(signal.SIGCONT)

    def stop(self) -> None:
        """Ends the service as an administrator would."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGTERM)
            try:
                self._process.wait(timeout=30)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()

    def processor(self) -> dict[str, float]:
        """Seconds of processor time that each process of the service has used."""
        return {f"service {pid}": _processor(pid) for pid in self._family()}

    def _family(self) -> list[int]:
        return [self._process.pid, *_children(self._process.pid)]

    def _signal(self, what: signal.Signals) -> None:
        for pid in self._family():
            os.kill(pid, what)


@contextmanager
def _serving(settings: Path, port: int, plan: Plan, folder: Path) -> Iterator[_Serving]:
    command = [*_python("service"), "serve", str(settings), "--workers", str(plan.workers)]
    environment = dict(os.environ)
    if plan.profile:
        environment[sampling.FOLDER] = str(folder)
    process = subprocess.Popen(command, env=environment)
    serving = _Serving(process)
    try:
        _ready(process, port)
        yield serving
    finally:
        serving.stop()


def _ready(process: "subprocess.Popen[bytes]", port: int) -> None:
    for _ in range(1200):
        if process.poll() is not None:
            raise BenchFault("The service ended before it was ready.")
        try:
            with urllib.request.urlopen(f"http://{HOST}:{port}/health/ready", timeout=5):
                return
        except OSError:
            time.sleep(0.05)
    raise BenchFault("The service did not become ready.")


def _drain(outbox: Outbox) -> None:
    end = time.monotonic() + DRAIN_SECONDS
    while outbox.backlog():
        if time.monotonic() > end:
            raise BenchFault(f"{outbox.backlog()} rows were not delivered.")
        time.sleep(0.05)


def _profiled(folder: Path, since: datetime, until: datetime) -> sampling.Sums | None:
    """What all processes together used between two instants; None without samples."""
    found: sampling.Sums | None = None
    for path in folder.glob("samples-*.jsonl"):
        looks = [msgspec.json.decode(line, type=sampling.Sums) for line in path.open("rb")]
        inside = [look for look in looks if since.timestamp() <= look.at <= until.timestamp()]
        if len(inside) > 1:
            used = inside[-1].since(inside[0])
            found = used if found is None else found.plus(used)
    return found


def _children(pid: int) -> list[int]:
    text = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(word) for word in text.read_text().split()] if text.exists() else []


def _processor(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _python(module: str) -> list[str]:
    return [sys.executable, "-m", module]


def _free_ports(count: int) -> list[int]:
    with ExitStack() as stack:
        found = []
        for _ in range(count):
            bound = stack.enter_context(socket.socket())
            bound.bind((HOST, 0))
            found.append(bound)
        return [int(one.getsockname()[1]) for one in found]
