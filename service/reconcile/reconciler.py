"""The use case: read a case at n, assess, difference, commit if still n."""

import asyncio
from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec

from service.assessment.assess import Answer, Assessment, assess
from service.assessment.clock import RecordingClock
from service.assessment.memory import Memory
from service.clock import WallClock
from service.errors import Overloaded, Stale
from service.facts.acts import Act, Answered, UnitNamed
from service.facts.case import Case, UnitView
from service.facts.fact import Fact
from service.facts.steps import Step
from service.facts.unit import UnitKey
from service.faults import reach
from service.policy.policy import Policy, Site
from service.reconcile.difference import Moved, difference
from service.reconcile.intake import Caller, Intake, Outcome
from service.reconcile.partners import Partner
from service.reconcile.people import Grouping
from service.reconcile.planning import Planned, Planner
from service.reconcile.remembering import recalled, to_keep
from service.reconcile.rendering import Renderer
from service.store.port import (
    AuditRow,
    Change,
    OutboxRow,
    Person,
    PersonState,
    Store,
    StoredCase,
)

ACT_ROUNDS = 5
REDO = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One person's case after assessment, ready to be committed.

    kept: the judgements to keep from now on, None where they stay as they were.
    """

    state: PersonState
    stored: StoredCase
    case: Case
    assessment: Assessment
    acts: tuple[Act, ...]
    moved: tuple[Moved, ...]
    kept: bytes | None


@dataclass(slots=True, kw_only=True)
class Reconciler:
    """Everything that changes the state of a case goes through here.

    sites: facility -> Site. partners: whom emissions go to. patience: how long the oldest write
    may wait before new requests are refused with 503. on_commit, on_change: called after every
    commit, the latter with what was written.
    """

    store: Store
    policy: Policy
    sites: dict[str, Site]
    partners: tuple[Partner, ...]
    clock: WallClock
    planner: Planner
    renderer: Renderer
    software: str
    new_id: Callable[[], UUID]
    patience: timedelta = timedelta(seconds=2)
    on_commit: Callable[[], None] = lambda: None
    on_change: Callable[[Change], None] = lambda change: None
    _waiting: list[datetime] | None = None

    async def receive(self, intake: Intake) -> list[Outcome]:
        """Stores one request and everything that follows from it; returns after the commit.

        Raises BadInput with nothing stored, or Overloaded.
        """
        self._admit()
        for _ in range(REDO):
            now = self.clock.now()
            planned = self.planner.plan(intake, now)
            if not planned.changes:
                return self._answered(intake.caller.facility, planned, ())
            absorbed = planned.merged_seqs(self.store, intake.caller.facility)
            judged = self._judge(intake.caller.facility, planned, now)
            change = self._change(intake, planned, judged, absorbed, now)
            reach("receive-before-commit")
            try:
                await self._commit(change)
            except Stale:
                continue
            reach("receive-after-commit")
            return self._answered(intake.caller.facility, planned, judged)
        raise Overloaded()

    async def reassess(
        self, facility: str, person: Person, *, nudges: tuple[int, ...] = ()
    ) -> Assessment:
        """Evaluates a case at the present instant: a wake, or a nudge from another case."""
        for _ in range(REDO):
            now = self.clock.now()
            stored = self.store.case(facility, [person])
            judged = self._assessed(
                facility, stored, stored.facts, stored.tokens, now, memory=recalled(stored.judged)
            )
            change = Change(
                facility=facility,
                people=(judged.state,),
                expect_units=stored.units,
                acts=tuple((person, act) for act in judged.acts),
                judged=_kept((judged,)),
                emitted=tuple(moved.emitted for moved in judged.moved),
                outbox=self._outbox(facility, judged, now),
                nudges_done=nudges,
            )
            reach("nudge-before-commit" if nudges else "wake-before-commit")
            try:
                await self._commit(change)
            except Stale:
                continue
            return judged.assessment
        raise Overloaded()

    def look(self, facility: str, person: Person) -> tuple[Case, Assessment]:
        """The case and its assessment at the present instant; commits nothing."""
        now = self.clock.now()
        stored = self.store.case(facility, [person])
        judged = self._assessed(facility, stored, stored.facts, stored.tokens, now)
        return judged.case, judged.assessment

    def rehearse(
        self, caller: Caller, release: str, task: dict[str, Any]
    ) -> tuple[Case, UnitView, Fact[Step]]:
        """The case as it would be with a check recorded now; stores nothing."""
        planned = self.planner.rehearse(caller, release, task, self.clock.now())
        (row,) = planned.rows
        (person,) = planned.grouping.people
        stored = self.store.case(
            caller.facility, [person], units=planned.units, resources=planned.resources
        )
        tokens = stored.tokens | planned.grouping.assigned.keys()
        case = Case(person, (*stored.facts, row.fact), stored.acts, tokens, stored.elsewhere)
        key = case.unit_of_step(row.fact.body)
        unit = case.unit(key) if key else UnitView(key=None, steps=(row.fact,))
        return case, unit, row.fact

    async def audit_rehearsal(self, caller: Caller, word: str, unit: UnitKey | None) -> None:
        """A dry run leaves an audit row with its verdict and the policy's digest."""
        detail = {"unit": unit.text if unit else None, "policy": self.policy.digest}
        await self.audit(caller.facility, caller.actor, "check-unit", outcome=word, detail=detail)

    async def audit(
        self, facility: str, who: str, action: str, *, outcome: str, detail: dict[str, Any]
    ) -> None:
        """One audit row and nothing else. ``detail`` holds no names and nothing that was sent."""
        row = AuditRow(
            at=self.clock.now(),
            action=action,
            who=who,
            outcome=outcome,
            detail=msgspec.json.encode(detail),
        )
        await self._commit(Change(facility=facility, audit=(row,)))

    @property
    def waiting(self) -> int:
        """How many changes are handed to the store and not yet committed."""
        return len(self._waiting or ())

    def _admit(self) -> None:
        """The queue is bounded by time: nothing enters while the oldest write waits too long."""
        waiting = self._waiting or []
        if waiting and self.clock.now() - waiting[0] > self.patience:
            raise Overloaded()

    async def _commit(self, change: Change) -> None:
        if self._waiting is None:
            self._waiting = []
        entered = self.clock.now()
        self._waiting.append(entered)
        try:
            await asyncio.wrap_future(self.store.commit(change))
        finally:
            self._waiting.remove(entered)
        self.on_change(change)
        self.on_commit()

    def _judge(self, facility: str, planned: Planned, now: datetime) -> tuple[Judged, ...]:
        """One assessment per case for the whole request, cases in sorted order."""
        found: list[Judged] = []
        parted = planned.parted
        for person in planned.grouping.people:
            olds = [old for old, new in planned.grouping.merged if new == person]
            stored = self.store.case(
                facility, [person, *olds], units=planned.units, resources=planned.resources
            )
            for old in parted.get(person, ()):
                stored = _with(stored, self.store.case(facility, [old]))
            assigned = planned.grouping.assigned
            tokens = frozenset(token for token, who in assigned.items() if who == person)
            tokens |= stored.tokens - assigned.keys()  # a request names a patient by one of them
            facts = (*_of_person(stored, planned.grouping, person), *planned.new_facts)
            spoken = {act.key for one in found for act in one.acts}
            found.append(
                self._assessed(
                    facility, stored, facts, tokens, now, person, spoken, recalled(stored.judged)
                )
            )
        return tuple(found)

    def _assessed(
        self,
        facility: str,
        stored: StoredCase,
        facts: Iterable[Fact[Any]],
        tokens: frozenset[str],
        now: datetime,
        person: Person | None = None,
        spoken: Container[str] = frozenset(),
        memory: Memory | None = None,
    ) -> Judged:
        """A case after assessment. spoken: keys of the acts of cases judged before in a request."""
        who = person or stored.state.person
        as_of = max(now, stored.state.as_of or now)
        every = tuple(facts)
        acts = list(stored.acts)
        fresh: list[Act] = []
        site = self.sites[facility]
        for _ in range(ACT_ROUNDS):
            case = Case(who, every, acts, tokens, stored.elsewhere)
            names = self._names(facility, case, as_of, spoken)
            if names:
                acts.extend(names)
                fresh.extend(names)
                continue
            clock = RecordingClock(as_of)
            if memory is not None:
                memory.begin()
            assessment = assess(case, self.policy, site, clock, memory)
            new = [
                Act(key=key, at=as_of, body=body)
                for key, body in assessment.acts
                if key not in case.acts
            ]
            if not new:
                break
            acts.extend(new)
            fresh.extend(new)
        people = {desired.key.text: who for desired in assessment.desired}
        moved = difference(assessment.desired, stored.emitted, people, case, stored.state.as_of)
        return Judged(
            state=PersonState(
                person=who,
                seq=stored.state.seq,
                as_of=as_of,
                next_wake=assessment.next_wake,
            ),
            stored=stored,
            case=case,
            assessment=assessment,
            acts=tuple(fresh),
            moved=tuple(moved),
            kept=to_keep(memory) if memory is not None else None,
        )

    def _names(self, facility: str, case: Case, now: datetime, spoken: Container[str]) -> list[Act]:
        """Names for units whose first step this is; the unit's own text where it is free."""
        found = []
        for key, unit in case.units.items():
            if not unit.steps or unit.named is not None:
                continue
            plain = f"unit-named:{key.text}"
            taken = plain in spoken or self.store.act(facility, plain) is not None
            subject = f"{key.text}~{case.person[:12]}" if taken else key.text
            body = UnitNamed(unit=key.text, subject=subject)
            found.append(Act(key=f"unit-named:{subject}", at=now, body=body))
        return found

    def _change(
        self,
        intake: Intake,
        planned: Planned,
        judged: tuple[Judged, ...],
        absorbed: Iterable[tuple[Person, int]],
        now: datetime,
    ) -> Change:
        facility = intake.caller.facility
        acts = [
            (j.state.person, act)
            for j in judged
            for act in (*j.acts, *self._answers(j, planned, now))
        ]
        states = [j.state for j in judged]
        states += [PersonState(person=old, seq=seq) for old, seq in absorbed]
        audit = AuditRow(
            at=now,
            action=intake.interaction,
            who=intake.caller.actor,
            outcome="stored",
            subject=planned.received.id,
        )
        return Change(
            facility=facility,
            people=tuple(states),
            expect_units=tuple(dict(pair for j in judged for pair in j.stored.units).items()),
            touched_units=planned.units,
            expect_heads=planned.heads,
            expect_subjects=planned.subjects_read,
            received=planned.received,
            resources=planned.versions,
            facts=planned.rows,
            subjects=_moved_subjects(planned),
            merged=planned.grouping.merged,
            urls=planned.urls,
            acts=tuple(acts),
            judged=_kept(judged),
            emitted=tuple(m.emitted for j in judged for m in j.moved),
            outbox=tuple(row for j in judged for row in self._outbox(facility, j, now)),
            starts=planned.starts_of(judged_people(judged)),
            nudges=self._nudges(facility, planned),
            audit=(audit,),
        )

    def _answers(self, judged: Judged, planned: Planned, now: datetime) -> list[Act]:
        """The answer each new step got, as given: never recomputed."""
        found = []
        for fact in planned.new_facts:
            answer = judged.assessment.answers.get(fact.key)
            if answer is None or fact.retracted:
                continue
            body = Answered(
                step=fact.key,
                word=answer.word,
                findings=answer.findings,
                policy_digest=self.policy.digest,
                software=self.software,
            )
            found.append(Act(key=f"answered:{fact.key}:{fact.version}", at=now, body=body))
        return found

    def _nudges(self, facility: str, planned: Planned) -> tuple[tuple[Person, str], ...]:
        """Every other case is reached by a nudge row: one with these units, one corrected away."""
        direct = set(planned.grouping.people)
        named = self.store.people(facility, planned.before).values() if planned.before else ()
        found: dict[Person, str] = {
            person: "a fact was moved away" for person in named if person not in direct
        }
        if planned.parted:
            found.update(dict.fromkeys(direct, "parted from another patient"))
        for unit in planned.units:
            for person in self.store.people_of_unit(facility, unit):
                if person not in direct:
                    found[person] = f"unit {unit} changed"
        return tuple(sorted(found.items()))

    def _outbox(self, facility: str, judged: Judged, now: datetime) -> tuple[OutboxRow, ...]:
        return self.renderer.rows(judged.moved, self.partners, facility, now)

    def _answered(
        self, facility: str, planned: Planned, judged: tuple[Judged, ...]
    ) -> list[Outcome]:
        """The outcomes with what each step was answered: now, or when it was new."""
        for outcome in planned.outcomes:
            key = f"{outcome.type}/{outcome.id}"
            if not outcome.changed and outcome.type == "Task":
                outcome.answer = self._given(facility, key, outcome.version)
                continue
            for one in judged:
                outcome.answer = one.assessment.answers.get(key) or outcome.answer
        return planned.outcomes

    def _given(self, facility: str, step: str, version: int) -> Answer | None:
        """The answer that a version of a step was given when it was new."""
        act = self.store.act(facility, f"answered:{step}:{version}")
        if act is None or not isinstance(act.body, Answered):
            return None
        return Answer(word=act.body.word, findings=act.body.findings)


def _kept(judged: Iterable[Judged]) -> tuple[tuple[Person, bytes], ...]:
    return tuple((one.state.person, one.kept) for one in judged if one.kept is not None)


def _moved_subjects(planned: Planned) -> tuple[tuple[str, Person], ...]:
    """Tokens that are somebody else's from now on, or somebody's at last."""
    before = dict(planned.subjects_read)
    assigned = sorted(planned.grouping.assigned.items())
    return tuple((token, person) for token, person in assigned if before.get(token) != person)


def judged_people(judged: Iterable[Judged]) -> dict[str, Person]:
    """Token -> person for every case that was judged."""
    return {token: one.state.person for one in judged for token in one.case.aliases}


def _with(stored: StoredCase, other: StoredCase) -> StoredCase:
    """A case with the facts of another and the units they name; acts and emissions stay there."""
    facts = {(fact.key, fact.version): fact for fact in (*stored.facts, *other.facts)}
    units = dict(other.units) | dict(stored.units)
    return replace(stored, facts=tuple(facts.values()), units=tuple(sorted(units.items())))


def _of_person(stored: StoredCase, grouping: Grouping, person: Person) -> tuple[Fact[Any], ...]:
    """The stored facts without those of a patient that a split has moved to another person."""

    def stays(fact: Fact[Any]) -> bool:
        if fact.subject is None:
            return True
        owners = {grouping.assigned[t] for t in fact.subject.tokens if t in grouping.assigned}
        return not owners or person in owners or fact.kind in ("unit", "issue", "order")

    return tuple(fact for fact in stored.facts if stays(fact))
