"""From a request to everything it would store, before any case is assessed."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from service.errors import BadInput, Problem
from service.facts.case import Case, in_force, step_finished, step_time
from service.facts.fact import Fact
from service.facts.identity import Identifier, Ref
from service.facts.naming import resources, unit_resources
from service.facts.records import (
    BloodUnit,
    CrossmatchResult,
    Issue,
    PatientRecord,
    Reply,
)
from service.facts.steps import Step, StepCode
from service.fhir.edge.strict_json import dump, parse
from service.fhir.own import EMITTED_SYSTEM
from service.fhir.read import Reading, Version, facts_of, missing_facts, read
from service.fhir.search import values_of
from service.policy.policy import Site
from service.reconcile.identify import Target, check_version, content_key, digest, target
from service.reconcile.intake import Caller, Entry, Intake, Outcome
from service.reconcile.mentions import refuse_two_patients
from service.reconcile.people import Grouping, group, patients_of, record_tokens
from service.reconcile.reading import Look
from service.reconcile.references import URL_SYSTEM, Resolver, identifiers_in
from service.reconcile.stamps import effective, without_our_stamp
from service.store.port import (
    FactRow,
    Person,
    Received,
    ResourceVersion,
    Store,
    Token,
    UnitStart,
)

FAR_FUTURE = timedelta(hours=24)
PEOPLE = frozenset({"Patient", "Practitioner", "PractitionerRole"})


@dataclass(slots=True, kw_only=True)
class Planned:
    """Everything that one request would store, and what the outcome of each entry would be."""

    received: Received
    outcomes: list[Outcome]
    versions: tuple[ResourceVersion, ...] = ()
    rows: tuple[FactRow, ...] = ()
    grouping: Grouping = field(default_factory=lambda: Grouping(assigned={}, merged=()))
    subjects_read: tuple[tuple[Token, Person | None], ...] = ()
    heads: tuple[tuple[str, str, int], ...] = ()
    urls: tuple[tuple[str, str, str, str | None], ...] = ()
    resources: tuple[str, ...] = ()
    before: frozenset[Token] = frozenset()  # whom earlier versions of these resources named

    @property
    def changes(self) -> bool:
        """True when anything new was said."""
        return bool(self.versions)

    @property
    def parted(self) -> dict[Person, tuple[Person, ...]]:
        """New person -> those whose facts it takes along, where one person turned out to be two."""
        found: dict[Person, set[Person]] = defaultdict(set)
        for token, old in self.subjects_read:
            new = self.grouping.assigned[token]
            if old is not None and old != new and (old, new) not in self.grouping.merged:
                found[new].add(old)
        return {new: tuple(sorted(olds)) for new, olds in sorted(found.items())}

    @property
    def new_facts(self) -> tuple[Fact[Any], ...]:
        """The facts of this request."""
        return tuple(row.fact for row in self.rows)

    @property
    def units(self) -> tuple[str, ...]:
        """Every unit that a new fact names, sorted: the order in which units are locked."""
        return tuple(sorted({row.unit for row in self.rows if row.unit}))

    def merged_seqs(self, store: Store, facility: str) -> list[tuple[Person, int]]:
        """The state read of every person that another one absorbs."""
        olds = [old for old, _ in self.grouping.merged]
        return [(state.person, state.seq) for state in store.states(facility, olds)]

    def starts_of(self, people: Mapping[Token, Person]) -> tuple[UnitStart, ...]:
        """The starts of units among the new facts, and those that are no longer starts."""
        found = []
        for row in self.rows:
            body = row.fact.body
            if isinstance(body, Step) and row.subject and (row.unit or row.fact.version > 1):
                starts = body.code is StepCode.START and not row.fact.retracted
                found.append(
                    UnitStart(
                        unit=row.unit or "",
                        subject=row.subject,
                        person=people.get(row.subject, ""),
                        step=row.fact.key,
                        identifier=min((i.token for i in body.identifiers), default=""),
                        at=step_time(row.fact),
                        retracted=not starts,
                    )
                )
        return tuple(f for f in found if not f.retracted or f.step in self._updated_steps())

    def _updated_steps(self) -> set[str]:
        return {row.fact.key for row in self.rows if row.fact.version > 1}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """One entry after reading. ``facts`` empty for what is not new."""

    target: Target
    resource: dict[str, Any]
    reading: Reading
    digest: str
    fresh: bool
    facts: tuple[Fact[Any], ...]
    waits_for: tuple[str, ...] = ()
    before: frozenset[Token] = frozenset()
    unheard: tuple[Problem, ...] = ()

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """What was stored but cannot be used, or not yet."""
        waits = (
            Problem(
                code="not-found",
                severity="warning",
                expression=self.target.entry.type,
                text=f"{url} is not known yet; the record waits for it.",
            )
            for url in self.waits_for
        )
        return (*self.reading.warnings, *waits, *self.unheard)

    @property
    def version(self) -> int:
        head = self.target.head
        held = head.version if head else 0
        return held + 1 if self.fresh else held


@dataclass(frozen=True, slots=True, kw_only=True)
class Planner:
    """Plans requests. own_bases: URL prefixes of our own API. look: tables that reading needs."""

    store: Store
    sites: Mapping[str, Site]
    own_bases: tuple[str, ...]
    look: Look
    new_id: Callable[[], UUID]

    def plan(self, intake: Intake, now: datetime) -> Planned:
        """Everything the request would store. Raises BadInput for the whole request."""
        caller = intake.caller
        resolver = Resolver(store=self.store, caller=caller, own_bases=self.own_bases)
        targets = self._targets(intake, resolver)
        received = Received(
            id=str(self.new_id()),
            source=caller.source,
            at=now,
            release=intake.release,
            interaction=intake.interaction,
            body=intake.body,
        )
        reads = [
            self._read(found, resolver, intake, now, _path(intake, n))
            for n, found in enumerate(targets)
        ]
        planned = Planned(received=received, outcomes=[self._outcome(r, now) for r in reads])
        fresh = [one for one in reads if one.fresh]
        planned.before = frozenset[Token]().union(*(one.before for one in fresh))
        planned.versions = tuple(self._version(one, intake, received, now) for one in fresh)
        planned.heads = tuple(
            (r.target.entry.type, r.target.id, r.target.head.version if r.target.head else 0)
            for r in fresh
        )
        self._place(planned, fresh, resolver, caller, intake.release)
        planned.urls = _urls(fresh, resolver, caller)
        return planned

    def rehearse(
        self, caller: Caller, release: str, task: dict[str, Any], now: datetime
    ) -> Planned:
        """One step that is read like a recorded one and never stored. Raises BadInput."""
        entry = Entry(method="POST", type="Task", resource=task)
        intake = Intake(
            caller=caller, release=release, interaction="check-unit", body=b"", entries=(entry,)
        )
        resolver = Resolver(store=self.store, caller=caller, own_bases=self.own_bases)
        found = Target(entry=entry, id=str(self.new_id()), head=None, keys=())
        one = self._read(found, resolver, intake, now, "Parameters")
        received = Received(
            id="", source=caller.source, at=now, release=release, interaction="", body=b""
        )
        planned = Planned(received=received, outcomes=[])
        self._place(planned, [one], resolver, caller, release)
        return planned

    def _targets(self, intake: Intake, resolver: Resolver) -> list[Target]:
        """The resource of every entry, in the order of the entries.

        Those without an identifier are known by their content, and so come after what they
        refer to.
        """
        found: dict[int, Target] = {}
        left = dict(enumerate(intake.entries))
        while left:
            n = next((n for n, entry in left.items() if _can_be_known(entry, left)), min(left))
            entry = left.pop(n)
            path = _path(intake, n)
            known = entry if _has_key(entry) else self._rewritten(entry, resolver, path)
            one = target(self.store, intake.caller, known, path, str(self.new_id()))
            one = replace(one, entry=entry)
            if any(_same(one, other) for other in found.values()):
                raise BadInput(400, _twice(path, entry.type))
            if entry.full_url:
                resolver.local[entry.full_url] = (entry.type, one.id)
            resolver.known.add(f"{entry.type}/{one.id}")
            resolver.identifiers[f"{entry.type}/{one.id}"] = _first_identifier(entry)
            if entry.type in PEOPLE:
                resolver.people[f"{entry.type}/{one.id}"] = (intake.release, entry.resource)
            found[n] = one
        return [found[n] for n in sorted(found)]

    def _rewritten(self, entry: Entry, resolver: Resolver, path: str) -> Entry:
        """The entry as its content is compared: a look, which makes nothing wait."""
        look = replace(resolver, waiting=[], lenient=True)
        return replace(entry, resource=look.rewritten(_without_ours(entry.resource), path))

    def _read(
        self, found: Target, resolver: Resolver, intake: Intake, now: datetime, path: str
    ) -> _Read:
        entry = found.entry
        plain = {k: v for k, v in entry.resource.items() if k != "id"}
        waiting = len(resolver.waiting)
        known = replace(resolver, lenient=resolver.lenient or _is_ours(plain))
        resource = known.rewritten(_without_ours(plain), path)
        resource = without_our_stamp(resource, found.head)
        waits_for = tuple(dict.fromkeys(url for url, _ in resolver.waiting[waiting:]))
        site = self.sites[intake.caller.facility]
        if not known.lenient:
            refuse_two_patients(resource, resolver, site, path)
        reading = read(resource, intake.release, self.look.context(resolver, site))
        if reading.problems:
            raise BadInput(reading.status, *_prefixed(reading.problems, path))
        reading = replace(reading, stamp=effective(reading.stamp, resource, entry, found.head, now))
        content = digest(resource)
        fresh = check_version(
            found,
            resource,
            reading.stamp,
            content,
            path,
            lambda: self._digests(intake.caller.facility, entry.type, found.id),
        )
        key = f"{entry.type}/{found.id}"
        head = found.head
        facts = (
            facts_of(
                reading,
                key,
                version=(head.version if head else 0) + 1,
                source=intake.caller.source,
                received=now,
                digest=content,
            )
            if fresh and not _is_echo(resource)
            else ()
        )
        _refuse_future(facts, now, path)
        if fresh and head is not None and not _is_echo(resource):
            latest = Version(
                version=head.version + 1,
                source=intake.caller.source,
                received=now,
                stamp=reading.stamp,
                digest=content,
            )
            facts = (*facts, *self._unsaid(found, facts, latest, resolver, intake.caller))
        return _Read(
            target=found,
            resource=resource,
            reading=reading,
            digest=content,
            fresh=fresh,
            facts=facts,
            waits_for=waits_for,
            before=self._before(found, resolver, intake.caller) if fresh else frozenset(),
            unheard=tuple(self._unheard(reading, intake.caller)),
        )

    def _unheard(self, reading: Reading, caller: Caller) -> Iterable[Problem]:
        """Why an answer to something that we sent counts for nothing, for who sent the answer."""
        speaking = self.sites[caller.facility].laboratory
        for body in reading.bodies:
            if not isinstance(body, Reply | Step) or body.notice is None:
                continue
            sent = self.store.emission(caller.facility, body.notice.value)
            mute = speaking is not None and caller.source not in speaking
            if sent is None:
                yield _warning("not-found", ANSWERS_NOTHING, body)
            elif isinstance(body, Reply) and BLOOD_BANK in sent.to and mute:
                yield _warning("forbidden", NOT_THE_BLOOD_BANK, body)

    def _before(self, found: Target, resolver: Resolver, caller: Caller) -> frozenset[Token]:
        """The patients that the version in force named: a correction may name another."""
        if found.head is None:
            return frozenset()
        key = f"{found.entry.type}/{found.id}"
        facts = self._facts_of(found.head, key, caller, resolver)
        tokens = (self._subject(fact, caller.facility) for fact in facts)
        return frozenset(token for token in tokens if token is not None)

    def _digests(self, facility: str, type_name: str, own_id: str) -> frozenset[str]:
        held = self.store.versions(facility, type_name, own_id)
        return frozenset(row.digest for row in held)

    def _unsaid(
        self,
        found: Target,
        new: tuple[Fact[Any], ...],
        latest: Version,
        resolver: Resolver,
        caller: Caller,
    ) -> tuple[Fact[Any], ...]:
        """Retractions of what one version of a resource states and another does not."""
        key = f"{found.entry.type}/{found.id}"
        held = self.store.versions(caller.facility, found.entry.type, found.id)
        facts = [fact for row in held for fact in self._facts_of(row, key, caller, resolver)]
        versions = [
            Version(
                version=row.version,
                source=row.source,
                received=row.at,
                stamp=row.stamp,
                digest=row.digest,
            )
            for row in held
        ]
        return missing_facts([*facts, *new], [*versions, latest])

    def _outcome(self, one: _Read, now: datetime) -> Outcome:
        head = one.target.head
        created = one.fresh and head is None
        at = now if one.fresh or head is None else head.at
        body = one.resource if one.fresh or head is None else parse(head.body)
        return Outcome(
            status=201 if created else 200,
            type=one.target.entry.type,
            id=one.target.id,
            version=one.version,
            at=at,
            body=dump({**body, "id": one.target.id}),
            warnings=one.warnings,
            changed=one.fresh,
        )

    def _version(
        self, one: _Read, intake: Intake, received: Received, now: datetime
    ) -> ResourceVersion:
        entry = one.target.entry
        body = {"resourceType": entry.type, "id": one.target.id, **one.resource}
        return ResourceVersion(
            type=entry.type,
            id=one.target.id,
            version=one.version,
            release=intake.release,
            source=intake.caller.source,
            at=now,
            digest=one.digest,
            body=dump(body),
            received=received.id,
            stamp=one.reading.stamp,
            retracted=one.reading.retracted,
            keys=one.target.keys or (content_key(one.digest),),
            values=values_of(body, intake.release),
        )

    def _place(
        self,
        planned: Planned,
        fresh: list[_Read],
        resolver: Resolver,
        caller: Caller,
        release: str,
    ) -> None:
        """Says which person and which unit each new fact belongs to."""
        facts = [fact for one in fresh for fact in one.facts]
        units = Case("", [*facts, *self._unit_facts(facts, caller, resolver)])
        tokens = {fact.key: self._subject(fact, caller.facility) for fact in facts}
        planned.rows = tuple(
            FactRow(fact=fact, subject=tokens[fact.key], unit=_unit_text(units, fact))
            for fact in facts
        )
        named = {token for token in tokens.values() if token}
        planned.grouping, known = self._group(facts, named, caller, fresh)
        planned.subjects_read = tuple(
            (token, known.get(token)) for token in sorted(planned.grouping.assigned)
        )
        planned.resources = tuple(sorted({name for fact in facts for name in resources(fact)}))

    def _subject(self, fact: Fact[Any], facility: str) -> Token | None:
        """The token a fact is kept under; a reply belongs to the case of what it replies to."""
        if isinstance(fact.body, PatientRecord):
            return fact.resource
        if isinstance(fact.body, Reply):
            notice = self.store.emission(facility, fact.body.notice.value)
            if notice is not None:
                return min(self.store.case(facility, [notice.person]).tokens)
        return token_of(fact.subject) if fact.subject else None

    def _unit_facts(
        self, facts: Iterable[Fact[Any]], caller: Caller, resolver: Resolver
    ) -> list[Fact[Any]]:
        """The stored units and issues that new facts point at, read again from their bytes."""
        wanted = {name for fact in facts for name in unit_resources(fact)}
        wanted -= {fact.resource for fact in facts}
        found: list[Fact[Any]] = []
        while wanted:
            name = wanted.pop()
            stored = self._stored_facts(name, caller, resolver)
            found.extend(stored)
            have = {fact.resource for fact in found}
            wanted |= {r for fact in stored for r in unit_resources(fact)} - have
        return found

    def _stored_facts(self, name: str, caller: Caller, resolver: Resolver) -> list[Fact[Any]]:
        type_name, _, own_id = name.partition("/")
        head = self.store.head(caller.facility, type_name, own_id)
        if head is None:
            return []
        return self._facts_of(head, name, caller, resolver)

    def _facts_of(
        self, row: ResourceVersion, name: str, caller: Caller, resolver: Resolver
    ) -> list[Fact[Any]]:
        """The facts of a stored version, read again from its bytes."""
        context = self.look.context(resolver, self.sites[caller.facility])
        reading = replace(read(parse(row.body), row.release, context), stamp=row.stamp)
        return list(
            facts_of(
                reading,
                name,
                version=row.version,
                source=row.source,
                received=row.at,
                digest=row.digest,
            )
        )

    def _alias_tie(self, token: Token, caller: Caller) -> frozenset[Token] | None:
        """A patient's address at the sender and our own id for it, once it is known."""
        system, _, url = token.partition("|")
        if system != URL_SYSTEM:
            return None
        found = self.store.url(caller.facility, caller.source, url)
        if found is None or found[1] is None:
            return None
        return frozenset({token, f"{found[0]}/{found[1]}"})

    def _group(
        self, facts: list[Fact[Any]], tokens: set[Token], caller: Caller, fresh: list[_Read]
    ) -> tuple[Grouping, Mapping[Token, Person]]:
        """Who the tokens are from now on, and whose they were read to be."""
        facility = caller.facility
        site = self.sites[facility]
        records = patients_of(facts)
        aliases = [alias for one in fresh if (alias := _url_tie(one, caller)) is not None]
        tied = tokens.union(*(record_tokens(record, site) for record in records), *aliases)
        known = self.store.people(facility, tied)
        if not records and tied <= known.keys():
            return Grouping(assigned={token: known[token] for token in tied}, merged=()), known
        stored: list[Fact[PatientRecord]] = []
        weights: Counter[Token] = Counter()
        for person in sorted(set(known.values())):
            case = self.store.case(facility, [person])
            known.update(dict.fromkeys(case.tokens, person))
            stored.extend(patients_of(case.facts))
            steps = (fact for fact in case.facts if isinstance(fact.body, Step) and fact.subject)
            weights.update(token_of(fact.subject) for fact in steps if fact.subject)
        aliases += [tie for token in known if (tie := self._alias_tie(token, caller)) is not None]
        in_now = in_force([*stored, *records])
        grouping = group(known, in_now, tied, site, self._new_person, aliases, weights)
        return grouping, known

    def _new_person(self, _: Token) -> Person:
        return self.new_id().hex


BLOOD_BANK = "blood-bank"
ANSWERS_NOTHING = (
    "Nothing was sent from here under this identifier: it is stored, and answers nothing."
)
NOT_THE_BLOOD_BANK = (
    "This source does not speak for the blood bank: its answer is stored, and acknowledges nothing."
)


def _warning(code: str, text: str, body: Reply | Step) -> Problem:
    place = "Task.identifier" if isinstance(body, Reply) else "Task.input"
    return Problem(code=code, severity="warning", expression=place, text=text)


def token_of(ref: Ref) -> Token:
    """The token under which a patient's facts are kept."""
    if ref.local is not None:
        return ref.local
    return ref.identifier.token if ref.identifier else f"unnamed|{ref.display or ''}"


def _path(intake: Intake, n: int) -> str:
    if intake.interaction == "transaction":
        return f"Bundle.entry[{n}].resource"
    return intake.entries[n].type


def _twice(path: str, type_name: str) -> Problem:
    text = f"The same {type_name} stands in this transaction twice."
    return Problem(code="duplicate", expression=path, text=text)


def _has_key(entry: Entry) -> bool:
    named = entry.if_none_exist is not None or bool(identifiers_in(entry.resource))
    return named or entry.method == "PUT"


def _can_be_known(entry: Entry, left: Mapping[int, Entry]) -> bool:
    """True when the entry has a key, or refers to no other entry that is still to be known."""
    if _has_key(entry):
        return True
    named = _literals(entry.resource)
    return not any(other.full_url in named for other in left.values() if other is not entry)


def _literals(value: Any) -> frozenset[str]:
    """Every literal reference inside a resource."""
    if isinstance(value, list):
        return frozenset().union(*map(_literals, value))
    if not isinstance(value, dict):
        return frozenset()
    own = value.get("reference")
    inner = frozenset().union(*map(_literals, value.values()))
    return inner | {own} if isinstance(own, str) else inner


def _same(one: Target, other: Target) -> bool:
    """True when two entries of one transaction are about the same resource."""
    if one.entry.type != other.entry.type:
        return False
    return one.id == other.id or not set(one.known_by).isdisjoint(other.known_by)


def _first_identifier(entry: Entry) -> Identifier | None:
    return next(iter(identifiers_in(entry.resource)), None)


def _prefixed(problems: Iterable[Problem], path: str) -> list[Problem]:
    """Problems of an entry with expressions from the bundle's root."""
    found = []
    for problem in problems:
        expression = problem.expression
        if path.startswith("Bundle") and expression:
            _, _, rest = expression.partition(".")
            expression = f"{path}.{rest}" if rest else path
        found.append(
            Problem(
                code=problem.code,
                text=problem.text,
                expression=expression,
                severity=problem.severity,
            )
        )
    return found


def _refuse_future(facts: Iterable[Fact[Any]], now: datetime, path: str) -> None:
    """A step from more than a day ahead is a mistyped date (reliability: future by over 24 h)."""
    for fact in facts:
        if isinstance(fact.body, Step) and step_finished(fact) > now + FAR_FUTURE:
            text = "The step lies more than a day in the future."
            part = "start" if step_time(fact) > now + FAR_FUTURE else "end"
            expression = f"{path}.executionPeriod.{part}"
            raise BadInput(422, Problem(code="value", expression=expression, text=text))


def _without_ours(resource: dict[str, Any]) -> dict[str, Any]:
    """A Task without the answer that we put on its representation, should a client echo it."""
    status = resource.get("businessStatus")
    ours = "transfusion-events.example"
    if resource.get("resourceType") != "Task":
        return resource
    plain = dict(resource)
    if isinstance(status, dict) and ours in str(status.get("coding")):
        plain.pop("businessStatus")
    outputs = plain.get("output")
    if isinstance(outputs, list):
        kept = [o for o in outputs if ours not in str(o.get("type") if isinstance(o, dict) else o)]
        plain.pop("output")
        if kept:
            plain["output"] = kept
    return plain


def _is_echo(resource: dict[str, Any]) -> bool:
    """Whatever bears our own emitted identifier is an echo, never a fact; a Task is a reply."""
    return resource.get("resourceType") != "Task" and _is_ours(resource)


def _is_ours(resource: dict[str, Any]) -> bool:
    """True for what we emitted: its references are to what we emitted, not to what is stored."""
    tags = (resource.get("meta") or {}).get("tag") or []
    identifiers = resource.get("identifier") or []
    listed = identifiers if isinstance(identifiers, list) else [identifiers]
    return any(item.get("system") == EMITTED_SYSTEM for item in (*tags, *listed))


def _unit_text(units: Case, fact: Fact[Any]) -> str | None:
    body = fact.body
    key = None
    if isinstance(body, Step):
        key = units.unit_of_step(body)
    elif isinstance(body, Issue | CrossmatchResult | BloodUnit):
        key = units.unit_of(body.unit)
    return key.text if key else None


def _url_tie(one: _Read, caller: Caller) -> frozenset[Token] | None:
    """A patient's own address at the sender, under which earlier facts may have waited."""
    entry = one.target.entry
    url = entry.full_url
    if entry.type != "Patient" or url is None or not url.startswith(caller.bases or ("\n",)):
        return None
    return frozenset({f"Patient/{one.target.id}", f"{URL_SYSTEM}|{url}"})


def _urls(
    fresh: list[_Read], resolver: Resolver, caller: Caller
) -> tuple[tuple[str, str, str, str | None], ...]:
    """Aliases: full URLs under a registered base that now have our id, and those that wait."""
    found: list[tuple[str, str, str, str | None]] = []
    for one in fresh:
        url = one.target.entry.full_url
        if url and any(url.startswith(base) for base in caller.bases):
            found.append((caller.source, url, one.target.entry.type, one.target.id))
    named = {url for _, url, _, _ in found}
    for url, type_name in dict.fromkeys(resolver.waiting):
        if url not in named:
            found.append((caller.source, url, type_name, None))
    return tuple(found)
