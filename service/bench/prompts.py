"""How often clean units are objected to: generated orders, judged as their messages arrive.

The budget (rules catalogue, prompt budget): a clean routine unit none; over ordinary traffic at
most one prompt for 10 units and one request for an authorisation for 100. Resources are read as at
the door and assessed at every arrival and every wake, without HTTP, store or partners.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from typing import Any

from service.assessment.assess import Assessment, assess
from service.assessment.clock import RecordingClock
from service.assessment.desired import Request
from service.assessment.memory import Memory
from service.errors import BenchFault
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.finding import Advice, Finding, Verdict
from service.facts.identity import Identifier, Ref
from service.fhir.codes import Codes
from service.fhir.edge.strict_json import dump, parse
from service.fhir.read import ReadContext, facts_of, read
from service.generate.plans import BEGIN, Plan
from service.generate.story import Habits, Message
from service.generate.words import HOSPITAL, urn
from service.policy.policy import Policy, Site

PROMPTS = (Verdict.CAUTION, Verdict.AUTHORISE, Verdict.REFUSE)
STEPS = {"check": "check-unit", "start": "start"}
SCHEDULE = frozenset({"next-observation", "ask-before-next-unit", "set-change"})
ORDINARY = (10, 100)  # units to one prompt, to one authorisation
MOST_WAKES = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One order as facts: what had arrived by when. arrivals: (instant, facts by then)."""

    plan: Plan
    arrivals: tuple[tuple[datetime, Message, int], ...]
    facts: tuple[Fact[Any], ...]
    aliases: frozenset[str]


@dataclass(slots=True, kw_only=True)
class Prompts:
    """What people were asked, over so many units.

    prompted: units with at least one at check or start. asked: (message, rule, word, reason,
    missing) -> how often, each text once per unit; all cautions of one answer are one
    acknowledgement. verdicts: the word that each check was answered. tasks: Tasks to the ward by
    code; those of the schedule of observations, of the set and of the next unit belong to every
    unit, and are counted once more, apart, for each set that is overdue. advised: what speaks
    against a unit that runs or has ended, (rule, word, reason), each once per unit.
    """

    units: int = 0
    prompted: int = 0
    acknowledgements: int = 0
    authorisations: int = 0
    refusals: int = 0
    asked: Counter[tuple[str, ...]] = field(default_factory=Counter)
    verdicts: Counter[str] = field(default_factory=Counter)
    tasks: Counter[str] = field(default_factory=Counter)
    advised: Counter[tuple[str, ...]] = field(default_factory=Counter)

    @property
    def total(self) -> int:
        """Every prompt at check and start: acknowledgements, authorisations and refusals."""
        return self.acknowledgements + self.authorisations + self.refusals

    @property
    def reminders(self) -> int:
        """Tasks to the ward that no clean unit needs."""
        return sum(count for code, count in self.tasks.items() if code not in SCHEDULE)

    def within_budget(self, *, routine: bool) -> bool:
        """Nothing at all is said of routine units; of others no more than the budget allows."""
        if routine:
            return not (self.total or self.reminders or self.advised)
        per_prompt, per_authorisation = ORDINARY
        asked = self.total * per_prompt <= self.units
        return asked and self.authorisations * per_authorisation <= self.units


def by_habits(policies: Mapping[str, Policy]) -> dict[Habits, list[str]]:
    """Profiles by how often their wards observe: a ward keeps to its own policy."""
    found: dict[Habits, list[str]] = {}
    for name, policy in policies.items():
        habits = Habits(between=policy.row("later-observation", BEGIN).span)
        found.setdefault(habits, []).append(name)
    return found


def tell(plan: Plan, messages: Iterable[Message], release: str, site: Site, codes: Codes) -> Told:
    """Reads an order's messages. Raises BenchFault for one that cannot be read."""
    names: dict[str, str] = {}
    facts: list[Fact[Any]] = []
    arrivals = []
    for message in messages:
        resources = [resource(release) for resource in message.resources]
        for resource in resources:
            _name(resource, names)
        for resource in resources:
            facts += _read(resource, message.at, release, names, site, codes)
        arrivals.append((message.at, message, len(facts)))
    number = f"{HOSPITAL}/patient|{plan.person.number}"
    aliases = frozenset({number, names[number]})
    return Told(plan=plan, arrivals=tuple(arrivals), facts=tuple(facts), aliases=aliases)


def _name(resource: Mapping[str, Any], names: dict[str, str]) -> None:
    """Gives a resource an id of ours: by its first identifier, so that a correction keeps it."""
    identifiers = [f"{one['system']}|{one['value']}" for one in resource["identifier"]]
    key = names.setdefault(identifiers[0], f"{resource['resourceType']}/{len(names) + 1}")
    names.update(dict.fromkeys(identifiers, key))
    names[urn(dict(resource))] = key


def _read(
    resource: Mapping[str, Any],
    received: datetime,
    release: str,
    names: Mapping[str, str],
    site: Site,
    codes: Codes,
) -> Iterator[Fact[Any]]:
    context = ReadContext(zone=site.zone, codes=codes, resolve=_resolver(names))
    body = dump(resource)
    reading = read(parse(body), release, context)
    if reading.problems or reading.warnings:
        said = [problem.text for problem in (*reading.problems, *reading.warnings)]
        raise BenchFault(f"{resource['resourceType']}: {'; '.join(said)}")
    first = resource["identifier"][0]
    key = names[f"{first['system']}|{first['value']}"]
    version = 2 if resource.get("status") == "corrected" else 1
    yield from facts_of(reading, key, version, "bench", received, sha256(body).hexdigest())


def _resolver(names: Mapping[str, str]) -> Any:
    def resolve(reference: Mapping[str, Any]) -> Ref:
        number = reference.get("identifier")
        token = f"{number['system']}|{number['value']}" if number else reference["reference"]
        kind, _, own = names.get(token, "").partition("/")
        return Ref(
            kind=kind or reference["type"],
            id=own or None,
            identifier=Identifier(number["system"], number["value"]) if number else None,
            display=reference.get("display"),
        )

    return resolve


def count(told: Told, policy: Policy, site: Site, into: Prompts) -> None:
    """Judges one order by a policy, arrival by arrival and wake by wake, and counts."""
    answered: dict[int, set[tuple[str, ...]]] = {}
    tasks: set[tuple[str, str]] = set()
    advised: set[tuple[str, ...]] = set()
    for message, found in _assessments(told, policy, site):
        tasks |= _tasks(found)
        advised |= _advised(found)
        if message is not None and message.unit is not None and message.name in STEPS:
            seen = answered.setdefault(message.unit, set())
            _answer(found, message, seen, into)
    into.units += len(answered)
    into.prompted += sum(bool(seen) for seen in answered.values())
    into.tasks.update(code for _, code in tasks)
    into.advised.update(said[1:] for said in advised)


def _assessments(
    told: Told, policy: Policy, site: Site
) -> Iterator[tuple[Message | None, Assessment]]:
    """The case at every arrival, and at every wake between two of them (then without a message).

    After the last arrival nothing is waited for.
    """
    memory = Memory()
    ends = [at for at, _, _ in told.arrivals[1:]] + [None]
    for (at, message, until), end in zip(told.arrivals, ends, strict=True):
        case = Case("bench", told.facts[:until], (), told.aliases)
        found = assess(case, policy, site, RecordingClock(at), memory)
        yield message, found
        for _ in range(MOST_WAKES):
            if end is None or found.next_wake is None or found.next_wake >= end:
                break
            found = assess(case, policy, site, RecordingClock(found.next_wake), memory)
            yield None, found
        else:
            raise BenchFault(f"A case is woken {MOST_WAKES} times between two messages.")


def _tasks(found: Assessment) -> set[tuple[str, str]]:
    return {
        task
        for desired in found.desired
        if isinstance(desired.content, Request) and desired.content.owner == "ward"
        for task in _task(desired.key.text, desired.content)
    }


def _task(key: str, request: Request) -> Iterator[tuple[str, str]]:
    """A Task by its code; one of the schedule counts again for every set that is overdue."""
    yield key, request.code
    details = dict(request.details)
    if details.get("State") == "overdue":
        yield f"{key}/{details.get('Set')}", f"{request.code} overdue"


def _advised(found: Assessment) -> set[tuple[str, ...]]:
    return {
        (course.key.text, finding.rule, finding.advice.word, finding.reason)
        for course in found.courses
        for finding in course.findings
        if finding.advice is not None and finding.advice is not Advice.CONTINUE
    }


def _answer(found: Assessment, message: Message, seen: set[tuple[str, ...]], into: Prompts) -> None:
    """The answer to a check or start; what the check already said is not said again."""
    code = STEPS[message.name]
    step = next(
        judgement.step
        for course in found.courses
        for judgement in course.judgements
        if judgement.step is not None
        and judgement.step.body.code == code
        and judgement.step.received == message.at
    )
    answer = found.answers[step.key]
    if message.name == "check":
        into.verdicts[answer.word] += 1
    asked = [one for one in answer.findings if one.verdict in PROMPTS]
    new = [one for one in asked if _said(one) not in seen]
    seen.update(_said(one) for one in new)
    into.asked.update((message.name, *_said(one)) for one in new)
    into.acknowledgements += any(one.verdict is Verdict.CAUTION for one in new)
    into.authorisations += sum(one.verdict is Verdict.AUTHORISE for one in new)
    into.refusals += sum(one.verdict is Verdict.REFUSE for one in new)


def _said(one: Finding) -> tuple[str, ...]:
    word = one.verdict.word if one.verdict is not None else ""
    return (one.rule, word, one.reason, *one.missing)
