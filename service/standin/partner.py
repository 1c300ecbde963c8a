"""A stand-in for a partner: a small FHIR endpoint for R4 or R5, as an ASGI application."""

import asyncio
from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from service.clock import SystemClock, WallClock
from service.standin.endpoint import Endpoint
from service.standin.exchange import (
    Asked,
    Receive,
    Reply,
    Scope,
    Send,
    break_off,
    outcome,
    read,
    write,
)
from service.standin.knobs import Knobs, Trouble
from service.standin.reading import FHIR_VERSION
from service.standin.replies import replies
from service.standin.shelf import Shelf, Version

LONGEST_LOG = 100_000
NOTHING = Trouble(kind="none")
HTML = b"<html><body>Please sign in to the guest network.</body></html>"


@dataclass(frozen=True, slots=True)
class Seen:
    """One request in the log. entries: how many resources it brought."""

    at: datetime
    method: str
    path: str
    status: int
    entries: int


@dataclass(slots=True, kw_only=True, eq=False)
class StandIn(Endpoint):
    """The ASGI application; its shelf and its log may be read while it runs."""

    log: deque[Seen] = field(default_factory=lambda: deque(maxlen=LONGEST_LOG))
    _answered: set[str] = field(default_factory=set)
    _tasks: set[asyncio.Task[Any]] = field(default_factory=set)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serves one request."""
        if scope["type"] == "lifespan":
            await _lifespan(receive, send)
            return
        asked = await read(scope, receive)
        trouble = self._trouble(asked)
        if trouble.kind == "drop-before":
            self._note(asked, 0)
            raise ConnectionResetError("dropped on purpose")
        reply = await self._reply(asked, trouble)
        if trouble.kind == "drop-after":
            raise ConnectionResetError("dropped on purpose")
        if trouble.kind == "cut-off":
            await break_off(reply, send)
        await write(_disguised(reply, trouble), send)

    def history(self, type: str, id: str) -> Sequence[Version]:
        """All versions of a resource, oldest first."""
        return self.shelf.versions(type, id)

    def replies(self) -> list[dict[str, Any]]:
        """The laboratory's answers to Tasks that were not answered yet, to be posted to the
        service by whoever plays the laboratory. Each Task is answered once."""
        at = self.clock.now().isoformat()
        return replies(self.shelf, self.knobs.answers, self._answered, at)

    # -- one request

    def _trouble(self, asked: Asked) -> Trouble:
        if asked.method in ("PUT", "POST"):
            waiting = self.knobs.troubles
        elif asked.method == "GET" and len(asked.parts) == 2 and asked.parts[0] != "metadata":
            waiting = self.knobs.read_troubles
        else:
            return NOTHING
        return waiting.popleft() if waiting else NOTHING

    async def _reply(self, asked: Asked, trouble: Trouble) -> Reply:
        if trouble.kind == "status":
            return self._noted(asked, _troubled(trouble))
        if trouble.kind == "error-200":
            said = outcome("processing", "This was not stored.")
            return self._noted(asked, Reply(200, said))
        if trouble.kind != "slow":
            return self._noted(asked, self.answer(asked))
        task = asyncio.create_task(self._later(asked, trouble.seconds))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return await asyncio.shield(task)

    async def _later(self, asked: Asked, seconds: float) -> Reply:
        await asyncio.sleep(seconds)
        return self._noted(asked, self.answer(asked))

    def _noted(self, asked: Asked, reply: Reply) -> Reply:
        self._note(asked, reply.status)
        return reply

    def _note(self, asked: Asked, status: int) -> None:
        entries = asked.body.count(b'"request"') if not asked.parts else int(bool(asked.body))
        path = "/" + "/".join(asked.parts)
        self.log.append(Seen(self.clock.now(), asked.method, path, status, entries))

    def summary(self) -> dict[str, Any]:
        """Counts for people: resources by type, versions, requests."""
        kinds = Counter(kind for kind, _ in self.shelf.places())
        versions = sum(len(self.shelf.versions(*place)) for place in self.shelf.places())
        return {
            "name": self.name,
            "resources": dict(sorted(kinds.items())),
            "versions": versions,
            "requests": len(self.log),
        }


def stand_in(
    name: str,
    release: str,
    keep: Path | None = None,
    knobs: Knobs | None = None,
    clock: WallClock | None = None,
) -> StandIn:
    """A stand-in. keep: a file that holds what was received across restarts, synced per request.

    Raises ValueError for an unknown release.
    """
    if release not in FHIR_VERSION:
        raise ValueError(f"no such release: {release}")
    return StandIn(
        name=name,
        release=release,
        shelf=Shelf(keep),
        knobs=knobs or Knobs(),
        clock=clock or SystemClock(),
    )


async def _lifespan(receive: Receive, send: Send) -> None:
    while True:
        message = await receive()
        await send({"type": f"{message['type']}.complete"})
        if message["type"] == "lifespan.shutdown":
            return


def _troubled(trouble: Trouble) -> Reply:
    headers = {} if trouble.retry_after is None else {"retry-after": trouble.retry_after}
    if trouble.outcome:
        return Reply(trouble.status, outcome("transient", "On purpose."), headers)
    return Reply(trouble.status, b"No.", headers, media="text/plain")


def _disguised(reply: Reply, trouble: Trouble) -> Reply:
    if trouble.kind == "html":
        return Reply(200, HTML, media="text/html")
    if trouble.kind == "accepted":
        return Reply(202)
    return reply
