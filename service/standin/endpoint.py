"""FHIR on a shelf: update, transaction, batch, and what the knobs refuse."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from service.clock import WallClock, new_id
from service.standin.exchange import ENCODER, Asked, Refused, Reply, outcome
from service.standin.knobs import Knobs
from service.standin.reading import FHIR_VERSION, etag, get, search, shown, statement
from service.standin.shelf import HEAD, Shelf, Version, Write

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


@dataclass(slots=True, kw_only=True, eq=False)
class Endpoint:
    """Answers requests out of what it holds."""

    name: str
    release: str
    shelf: Shelf
    knobs: Knobs
    clock: WallClock

    def answer(self, asked: Asked) -> Reply:
        """What a server in this state says to a request."""
        try:
            self._admit(asked)
            return self._routed(asked)
        except Refused as refused:
            return Reply(refused.status, refused.content)
        except (msgspec.DecodeError, UnicodeDecodeError) as broken:
            return Reply(400, outcome("structure", str(broken)))

    def _admit(self, asked: Asked) -> None:
        wanted = self.knobs.credential
        if wanted is not None and asked.headers.get("authorization") != f"Bearer {wanted}":
            raise Refused(401, "login", "No valid credential.")
        named = asked.headers.get("content-type", "").partition("fhirVersion=")[2]
        if named and not FHIR_VERSION[self.release].startswith(named.strip('" ')):
            raise Refused(415, "not-supported", f"FHIR {named} is not spoken here.")
        most = self.knobs.most_bytes
        if most is not None and len(asked.body) > most:
            raise Refused(413, "too-long", f"More than {most} bytes.")

    def _routed(self, asked: Asked) -> Reply:
        parts = asked.parts
        if parts == ("metadata",) and asked.method == "GET":
            return statement(self.name, self.release, self.shelf, self.knobs)
        if not parts and asked.method == "POST":
            return self._bundle(asked)
        if len(parts) == 1 and asked.method == "GET":
            return search(self.shelf, parts[0], asked.query)
        if len(parts) == 2 and asked.method == "PUT":
            return self._put(asked)
        if len(parts) in (2, 3, 4) and asked.method == "GET":
            return get(self.shelf, self.knobs, parts)
        raise Refused(405, "not-supported", f"{asked.method} is not known here.")

    # -- writing

    def _put(self, asked: Asked) -> Reply:
        type_, id_ = asked.parts
        checked = self._checked(type_, id_, asked.body, asked.headers.get("if-match"))
        return self._stored([checked], asked)[0]

    def _bundle(self, asked: Asked) -> Reply:
        bundle = _BUNDLE.decode(asked.body)
        if bundle.resourceType != "Bundle" or bundle.type not in ("transaction", "batch"):
            raise Refused(400, "invalid", "Neither a transaction nor a batch.")
        if bundle.type == "transaction" and self.knobs.transactions == "absent":
            status = self.knobs.absent_status
            raise Refused(status, "not-supported", "Transactions are not supported.")
        most = self.knobs.most_entries
        if most is not None and len(bundle.entry) > most:
            raise Refused(self.knobs.limit_status, "invalid", f"Too many entries, at most {most}.")
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
            raise Refused(400, "invalid", "A resource stands twice in the transaction.")
        return writes

    def _entry_checked(self, entry: _Entry) -> Write:
        request = entry.request
        type_, _, id_ = request.url.partition("/")
        if request.method != "PUT":
            raise Refused(400, "not-supported", f"{request.method} is not taken in a bundle.")
        return self._checked(type_, id_, bytes(entry.resource), request.ifMatch)

    def _alone(self, entry: _Entry, asked: Asked) -> dict[str, Any]:
        try:
            return _entry(self._stored([self._entry_checked(entry)], asked)[0])
        except Refused as refused:
            said = {"status": str(refused.status), "outcome": refused.content}
            return {"response": said}

    def _checked(self, type_: str, id_: str, body: bytes, if_match: str | None) -> Write:
        """The write, when nothing stands against it."""
        head = HEAD.decode(body)
        if head.resourceType != type_ or head.id != id_:
            raise Refused(400, "invalid", "Type or id differ from the URL.")
        status = self.knobs.refuse_ids.get(id_) or self.knobs.refuse.get(type_)
        if status is not None:
            raise Refused(status, "business-rule", f"This {type_} is not taken here.")
        held = self.shelf.latest(type_, id_)
        self._check_match(held, if_match)
        if held is None and not self.knobs.update_as_create:
            raise Refused(self.knobs.create_refusal, "not-supported", "Ids are given here.")
        if self.knobs.strips_tags:
            body = _stripped(body)
        if self.knobs.renumbers and held is None:
            id_ = str(new_id())
            body = ENCODER.encode(_ANY.decode(body) | {"id": id_})
        return Write(type_, id_, body, HEAD.decode(body) if self.knobs.strips_tags else head)

    def _check_match(self, held: Version | None, if_match: str | None) -> None:
        if if_match is None:
            if held is not None and self.knobs.without_match is not None:
                raise Refused(self.knobs.without_match, "conflict", "If-Match is needed.")
            return
        if held is None or if_match != etag(held.number):
            text = "The version is not the current one."
            raise Refused(self.knobs.mismatch, "conflict", text)

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
            headers["etag"] = etag(number)
        if self.knobs.locations:
            headers["location"] = f"{write.type}/{write.id}/_history/{number}"
        content = None if minimal else shown(Version(number, at, write.body))
        return Reply(201 if number == 1 else 200, content, headers)


def _entry(reply: Reply) -> dict[str, Any]:
    said: dict[str, Any] = {"status": f"{reply.status} {REASON[reply.status]}"}
    said |= reply.headers
    entry: dict[str, Any] = {"response": said}
    if reply.content is not None:
        entry["resource"] = msgspec.Raw(reply.content)
    return entry


def _stripped(body: bytes) -> bytes:
    content = _ANY.decode(body)
    return ENCODER.encode({k: v for k, v in content.items() if k not in ("meta", "identifier")})
