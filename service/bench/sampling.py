"""Where a running service's processor time goes: its own stack, looked at as that time is used.

A timer of processor time interrupts the main thread every few milliseconds. Each look charges what
the thread has used since the last one to the innermost known function on the stack, so that waiting
costs nothing. What is not known (the event loop, sockets) stays *loop*.
"""

import os
import signal
import threading
import time
from collections import defaultdict
from concurrent.futures import Future
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import msgspec

from service.app import Application

FOLDER = "TRANSFUSION_SAMPLES"
EVERY = 0.002  # seconds of processor time
WRITTEN = 0.5  # seconds between two lines of the file
WRITER = "store-writer"

# End of a file's path and function -> phase; "" stands for every function of the file.
PHASES: dict[tuple[str, str], str] = {
    ("edge/strict_json.py", "parse"): "parse",
    ("edge/structure.py", "check"): "check",
    ("read/__init__.py", "read"): "read",
    ("reconcile/planning.py", "plan"): "plan",
    ("sqlite/casefile.py", "read_case"): "case",
    ("facts/case.py", "__init__"): "case",
    ("assessment/assess.py", "assess"): "assess",
    ("reconcile/difference.py", "difference"): "difference",
    ("reconcile/rendering.py", "rows"): "render",
    ("reconcile/reconciler.py", "_change"): "change",
    ("reconcile/reconciler.py", "_commit"): "commit",
    ("sqlite/writing.py", "statements"): "commit",
    ("api/representation.py", ""): "answer",
    ("api/outcomes.py", ""): "answer",
    ("api/application.py", ""): "http",
    ("api/routes.py", ""): "http",
    ("delivery/round.py", ""): "deliver",
    ("delivery/worker.py", ""): "deliver",
    ("delivery/partner.py", ""): "deliver",
    ("delivery/book.py", ""): "deliver",
    ("wake/worker.py", ""): "wake",
    ("protocols/http/httptools_impl.py", ""): "http",
    ("protocols/http/h11_impl.py", ""): "http",
}


class Sums(msgspec.Struct):
    """What was used up to an instant. at: seconds since 1970; sums: phase -> seconds.

    commits, waited: how many changes were committed, and the seconds that their callers waited.
    """

    at: float
    commits: int
    waited: float
    sums: dict[str, float]

    def since(self, earlier: "Sums") -> "Sums":
        """The difference from an earlier instant."""
        sums = {phase: used - earlier.sums.get(phase, 0.0) for phase, used in self.sums.items()}
        return Sums(
            at=self.at - earlier.at,
            commits=self.commits - earlier.commits,
            waited=self.waited - earlier.waited,
            sums=sums,
        )

    def plus(self, other: "Sums") -> "Sums":
        """What two processes used together, in the longer of their times."""
        sums = defaultdict(float, self.sums)
        for phase, used in other.sums.items():
            sums[phase] += used
        return Sums(
            at=max(self.at, other.at),
            commits=self.commits + other.commits,
            waited=self.waited + other.waited,
            sums=dict(sums),
        )


class Sampler:
    """Samples the main thread of this process until it ends; writes sums twice a second."""

    def __init__(self, path: Path, application: Application) -> None:
        self._path = path
        self._application = application
        self._sums: dict[str, float] = defaultdict(float)
        self._known: dict[CodeType, str | None] = {}
        self._used = 0.0
        self._written = 0.0
        self._commits = 0
        self._waited = 0.0

    def start(self) -> None:
        """Starts looking. Called in the main thread."""
        self._time_commits()
        self._used = time.thread_time()
        signal.signal(signal.SIGPROF, self._look)
        signal.setitimer(signal.ITIMER_PROF, EVERY, EVERY)

    def _look(self, number: int, frame: FrameType | None) -> None:
        now = time.thread_time()
        self._sums[self._phase(frame)] += now - self._used
        self._used = now
        if time.monotonic() - self._written > WRITTEN:
            self._written = time.monotonic()
            self._write()
        self._used = time.thread_time()

    def _phase(self, frame: FrameType | None) -> str:
        while frame is not None:
            code = frame.f_code
            if code not in self._known:
                self._known[code] = _known(code.co_filename, code.co_name)
            found = self._known[code]
            if found is not None:
                return found
            frame = frame.f_back
        return "loop"

    def _time_commits(self) -> None:
        """Notes how long each caller waits until its change is durable."""
        store: Any = self._application.store
        commit = store.commit

        def timed(change: Any) -> "Future[None]":
            begun = time.monotonic()
            made: Future[None] = commit(change)
            made.add_done_callback(lambda _: self._committed(time.monotonic() - begun))
            return made

        store.commit = timed

    def _committed(self, seconds: float) -> None:
        self._commits += 1
        self._waited += seconds

    def _write(self) -> None:
        told = Sums(
            at=self._application.clock.now().timestamp(),
            commits=self._commits,
            waited=self._waited,
            sums=dict(self._sums) | {"write": _used_by(WRITER)},
        )
        with self._path.open("ab") as file:
            file.write(msgspec.json.encode(told) + b"\n")


def _used_by(name: str) -> float:
    """Processor time of the threads of a name."""
    idents = [t.ident for t in threading.enumerate() if t.name == name and t.ident is not None]
    return sum(time.clock_gettime(time.pthread_getcpuclockid(ident)) for ident in idents)


def _known(path: str, name: str) -> str | None:
    for (end, function), phase in PHASES.items():
        if path.endswith(end) and function in ("", name):
            return phase
    return None


def start(application: Application, folder: Path) -> None:
    """Samples this process from now on, into a file of its own in the folder."""
    Sampler(folder / f"samples-{os.getpid()}.jsonl", application).start()
