"""A stand-in for a partner: a small FHIR endpoint for R4 or R5, as an ASGI application."""

import asyncio
from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from service.clock import SystemClock, WallClock, new_id
from service.standin.exchange import (
    ENCODER,
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
from service.standin.replies import replies
from service.standin.shelf import HEAD, Shelf, Version, Write

FHIR_VERSION = {"R4": "4.0.1", "R5": "5.0.0"}
LONGEST_LOG = 100_000
NOTHING = Trouble(kind="none")
HTML = b"<html><body>Please sign in to the guest network.</body></html>"
REASON = {200: "OK", 201: "Created"}


class _Request(msgspec.Struct):
    method: str
    url: str
    ifMatch: str | None = None


class _Entry(msgspec.Struct):
    request: _Request
    resource: msgspec.Raw = msgspec.Raw(b"")


class _Bundle(msgspec.Struct):
    resourceType: str
    type: str
    entry: list[_Entry] = []


_BUNDLE = msgspec.json.Decoder(_Bundle)
_ANY = msgspec.json.Decoder(dict[str, Any])


class _Refused(Exception):
    """A write that is not taken."""

    def __init__(self, status: int, code: str, text: str) -> None:
        super().__init__(text)
        self.status = status
        self.content = outcome(code, text)


@dataclass(frozen=True, slots=True)
class Seen:
    """One request in the log. entries: how many resources it brought."""

    at: datetime
    method: str
    path: str
    status: int
    entries: int


@dataclass(slots=True, kw_only=True, eq=False)
class StandIn:
    """The ASGI application; its shelf and its log may be read while it runs."""

    name: str
    release: str
    shelf: Shelf
    knobs: Knobs
    clock: WallClock
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
            return self._noted(asked, self._answer(asked))
        task = asyncio.create_task(self._later(asked, trouble.seconds))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return await asyncio.shield(task)

    async def _later(self, asked: Asked, seconds: float) -> Reply:
        await asyncio.sleep(seconds)
        return self._noted(asked, self._answer(asked))

    def _noted(self, asked: Asked, reply: Reply) -> Reply:
        self._note(asked, reply.status)
        return reply

    def _note(self, asked: Asked, status: int) -> None:
        entries = asked.body.count(b'"request"') if not asked.parts else int(bool(asked.body))
        path = "/" + "/".join(asked.parts)
        self.log.append(Seen(self.clock.now(), asked.method, path, status, entries))

    def _answer(self, asked: Asked) -> Reply:
        try:
            self._admit(asked)
            return self._routed(asked)
        except _Refused as refused:
            return Reply(refused.status, refused.content)
        except (msgspec.DecodeError, UnicodeDecodeError) as broken:
            return Reply(400, outcome("structure", str(broken)))

    def _admit(self, asked: Asked) -> None:
        wanted = self.knobs.credential
        if wanted is not None and asked.headers.get("authorization") != f"Bearer {wanted}":
            raise _Refused(401, "login", "No valid credential.")
        named = asked.headers.get("content-type", "").partition("fhirVersion=")[2]
        if named and not FHIR_VERSION[self.release].startswith(named.strip('" ')):
            raise _Refused(415, "not-supported", f"FHIR {named} is not spoken here.")
        most = self.knobs.most_bytes
        if most is not None and len(asked.body) > most:
            raise _Refused(413, "too-long", f"More than {most} bytes.")

    def _routed(self, asked: Asked) -> Reply:
        parts = asked.parts
        if parts == ("metadata",) and asked.method == "GET":
            return self._metadata()
        if not parts and asked.method == "POST":
            return self._bundle(asked)
        if len(parts) == 1 and asked.method == "GET":
            return self._search(parts[0], asked.query)
        if len(parts) == 2 and asked.method == "PUT":
            return self._put(asked)
        if len(parts) in (2, 3, 4) and asked.method == "GET":
            return self._get(parts)
        raise _Refused(405, "not-supported", f"{asked.method} is not known here.")

    # -- writing

    def _put(self, asked: Asked) -> Reply:
        type_, id_ = asked.parts
        checked = self._checked(type_, id_, asked.body, asked.headers.get("if-match"))
        return self._stored([checked], asked)[0]

    def _bundle(self, asked: Asked) -> Reply:
        bundle = _BUNDLE.decode(asked.body)
        if bundle.resourceType != "Bundle" or bundle.type not in ("transaction", "batch"):
            raise _Refused(400, "invalid", "Neither a transaction nor a batch.")
        if bundle.type == "transaction" and self.knobs.transactions == "absent":
            status = self.knobs.absent_status
            raise _Refused(status, "not-supported", "Transactions are not supported.")
        most = self.knobs.most_entries
        if most is not None and len(bundle.entry) > most:
            raise _Refused(self.knobs.limit_status, "invalid", f"Too many entries, at most {most}.")
        if bundle.type == "batch" or self.knobs.transactions == "batch":
            found = [self._alone(entry, asked) for entry in bundle.entry]
        else:
            found = [_entry(r) for r in self._stored(self._all_checked(bundle.entry), asked)]
        if self.knobs.reversed_entries:
            found.reverse()
        content = {"resourceType": "Bundle", "type": f"{bundle.type}-response", "entry": found}
        return Reply(200, content)

    def _all_checked(self, entries: Sequence[_Entry]) -> list[Write]:
        writes = [self._entry_checked(entry) for entry in entries]
        if len({(write.type, write.id) for write in writes}) < len(writes):
            raise _Refused(400, "invalid", "A resource stands twice in the transaction.")
        return writes

    def _entry_checked(self, entry: _Entry) -> Write:
        request = entry.request
        type_, _, id_ = request.url.partition("/")
        if request.method != "PUT":
            raise _Refused(400, "not-supported", f"{request.method} is not taken in a bundle.")
        return self._checked(type_, id_, bytes(entry.resource), request.ifMatch)

    def _alone(self, entry: _Entry, asked: Asked) -> dict[str, Any]:
        try:
            return _entry(self._stored([self._entry_checked(entry)], asked)[0])
        except _Refused as refused:
            said = {"status": str(refused.status), "outcome": refused.content}
            return {"response": said}

    def _checked(self, type_: str, id_: str, body: bytes, if_match: str | None) -> Write:
        """The write, when nothing stands against it."""
        head = HEAD.decode(body)
        if head.resourceType != type_ or head.id != id_:
            raise _Refused(400, "invalid", "Type or id differ from the URL.")
        status = self.knobs.refuse_ids.get(id_) or self.knobs.refuse.get(type_)
        if status is not None:
            raise _Refused(status, "business-rule", f"This {type_} is not taken here.")
        held = self.shelf.latest(type_, id_)
        self._check_match(held, if_match)
        if held is None and not self.knobs.update_as_create:
            raise _Refused(self.knobs.create_refusal, "not-supported", "Ids are given here.")
        if self.knobs.strips_tags:
            body = _stripped(body)
        if self.knobs.renumbers and held is None:
            id_ = str(new_id())
            body = ENCODER.encode(_ANY.decode(body) | {"id": id_})
        return Write(type_, id_, body, HEAD.decode(body) if self.knobs.strips_tags else head)

    def _check_match(self, held: Version | None, if_match: str | None) -> None:
        if if_match is None:
            if held is not None and self.knobs.without_match is not None:
                raise _Refused(self.knobs.without_match, "conflict", "If-Match is needed.")
            return
        if held is None or if_match != _etag(held.number):
            text = "The version is not the current one."
            raise _Refused(self.knobs.mismatch, "conflict", text)

    def _stored(self, writes: Sequence[Write], asked: Asked) -> list[Reply]:
        at = self.clock.now().isoformat()
        numbers = self.shelf.store(writes, at)
        minimal = "return=minimal" in asked.headers.get("prefer", "")
        return [
            self._done(write, number, at, minimal)
            for write, number in zip(writes, numbers, strict=True)
        ]

    def _done(self, write: Write, number: int, at: str, minimal: bool) -> Reply:
        headers = {}
        if self.knobs.etags:
            headers["etag"] = _etag(number)
        if self.knobs.locations:
            headers["location"] = f"{write.type}/{write.id}/_history/{number}"
        content = None if minimal else _shown(Version(number, at, write.body))
        return Reply(201 if number == 1 else 200, content, headers)

    # -- reading

    def _get(self, parts: tuple[str, ...]) -> Reply:
        type_, id_ = parts[:2]
        versions = self.shelf.versions(type_, id_)
        if not versions:
            raise _Refused(404, "not-found", f"There is no {type_}/{id_}.")
        if len(parts) == 2:
            return self._shown(versions[-1])
        if parts[2] != "_history":
            raise _Refused(404, "not-found", "No such address.")
        if len(parts) == 3:
            return Reply(200, _bundled("history", [_shown(v) for v in reversed(versions)]))
        number = int(parts[3]) if parts[3].isdecimal() else 0
        if not 1 <= number <= len(versions):
            raise _Refused(404, "not-found", "No such version.")
        return self._shown(versions[number - 1])

    def _shown(self, version: Version) -> Reply:
        headers = {"etag": _etag(version.number)} if self.knobs.etags else {}
        return Reply(200, _shown(version), headers)

    def _search(self, type_: str, query: dict[str, str]) -> Reply:
        held = [id_ for kind, id_ in self.shelf.places() if kind == type_]
        for name, value in query.items():
            if name == "_id":
                wanted = set(value.split(","))
            elif name in ("identifier", "_tag"):
                tokens = value.split(",")
                wanted = {i for token in tokens for i in self.shelf.find(type_, name, token)}
            elif name in ("_count", "_format"):
                continue
            else:
                raise _Refused(400, "not-supported", f"Parameter {name} is not known.")
            held = [id_ for id_ in held if id_ in wanted]
        latest = [self.shelf.latest(type_, id_) for id_ in held]
        return Reply(200, _bundled("searchset", [_shown(v) for v in latest if v is not None]))

    def _metadata(self) -> Reply:
        if self.knobs.statement == "absent":
            raise _Refused(404, "not-found", "No statement.")
        content: dict[str, Any] = {
            "resourceType": "CapabilityStatement",
            "status": "active",
            "date": "2025-01-01",
            "kind": "instance",
            "fhirVersion": FHIR_VERSION[self.release],
            "format": ["json"],
            "software": {"name": self.knobs.software},
            "implementation": {"description": f"Stand-in {self.name}"},
        }
        if self.knobs.statement == "true":
            content["rest"] = [self._rest()]
        return Reply(200, content)

    def _rest(self) -> dict[str, Any]:
        said = ["batch"] + (["transaction"] if self.knobs.transactions != "absent" else [])
        updates = self.knobs.update_as_create
        kinds = sorted({kind for kind, _ in self.shelf.places()})
        resources = [{"type": kind, "updateCreate": updates} for kind in kinds]
        return {
            "mode": "server",
            "resource": resources,
            "interaction": [{"code": code} for code in said],
        }

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


def _etag(number: int) -> str:
    return f'W/"{number}"'


def _entry(reply: Reply) -> dict[str, Any]:
    said: dict[str, Any] = {"status": f"{reply.status} {REASON[reply.status]}"}
    said |= reply.headers
    entry: dict[str, Any] = {"response": said}
    if reply.content is not None:
        entry["resource"] = msgspec.Raw(reply.content)
    return entry


def _shown(version: Version) -> bytes:
    """A version with the meta a server sets, spliced in without reading the rest."""
    content = _RAW.decode(version.body)
    meta = _ANY.decode(content["meta"]) if "meta" in content else {}
    meta |= {"versionId": str(version.number), "lastUpdated": version.at}
    content["meta"] = msgspec.Raw(ENCODER.encode(meta))
    return ENCODER.encode(content)


_RAW = msgspec.json.Decoder(dict[str, msgspec.Raw])


def _stripped(body: bytes) -> bytes:
    content = _ANY.decode(body)
    return ENCODER.encode({k: v for k, v in content.items() if k not in ("meta", "identifier")})


def _bundled(kind: str, resources: Sequence[bytes]) -> dict[str, Any]:
    entries = [{"resource": msgspec.Raw(one)} for one in resources]
    return {"resourceType": "Bundle", "type": kind, "total": len(entries), "entry": entries}
