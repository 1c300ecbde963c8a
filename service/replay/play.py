"""Plays a scenario on a stage: the same runner for the command, the tests and the demonstration."""

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Any

from service.assessment.assess import Assessment
from service.errors import ScenarioFault
from service.facts.acts import Answered as AnswerGiven
from service.facts.deadline import Deadline
from service.facts.finding import Finding, Verdict
from service.fhir.edge.strict_json import dump, parse
from service.fhir.own import EMITTED_SYSTEM
from service.reconcile.difference import decode
from service.replay.played import Emission, Given, Happened, Played
from service.replay.scenario import Advance, Event, Reply, Scenario, Send
from service.replay.stage import Answered, Stage, stage
from service.store.port import Change, ResourceVersion

PROVENANCE = "provenance/"
TIME = "time"
LATER_NAMES = {"Basic": "BiologicallyDerivedProductDispense", "DeviceUseStatement": "DeviceUsage"}
KEPT = ("identifier", "intent", "code", "for", "groupIdentifier")
Progress = Callable[[Event], None]


async def replay(scenario: Scenario, release: str, progress: Progress | None = None) -> Played:
    """Plays a scenario in one release on a service of its own. Raises ScenarioFault."""
    if release not in scenario.releases:
        raise ScenarioFault(f"{scenario.name} has no messages in {release}.")
    async with stage(scenario.settings, scenario.start) as set_up:
        return await play(scenario, release, set_up, progress)


async def play(
    scenario: Scenario, release: str, on: Stage, progress: Progress | None = None
) -> Played:
    """Plays a scenario on a stage that is set up. Raises ScenarioFault."""
    happened = []
    causes: list[str] = []
    for event in scenario.timeline:
        await on.wait_until(event.at)
        causes += [TIME] * (len(on.changes) - len(causes))
        happened.append(await _happen(event, scenario, release, on))
        causes += [name_of(event)] * (len(on.changes) - len(causes))
        if progress is not None:
            progress(event)
    emissions = _emissions(on.changes, causes)
    cases = _cases(on)
    return Played(
        scenario=scenario,
        release=release,
        happened=tuple(happened),
        emissions=emissions,
        sent=tuple(
            (row.partner, row.key, row.body) for _, change in on.changes for row in change.outbox
        ),
        open=_open(cases),
        next_wake=on.application.store.next_due(),
        held=_held(on, emissions),
        undelivered=_undelivered(on, emissions),
        met=_met(cases),
    )


def name_of(event: Event) -> str:
    """What an event is called where something is said to follow from it."""
    if isinstance(event, Send):
        return event.file.removesuffix(".json")
    return f"{event.partner}: {event.status}" if isinstance(event, Reply) else TIME


async def _happen(event: Event, scenario: Scenario, release: str, on: Stage) -> Happened:
    if isinstance(event, Advance):
        return Happened(event=event)
    seen = len(on.changes)
    if isinstance(event, Send):
        body = scenario.message(event.file, release)
        answered = await on.send(body, release, event.source)
    else:
        spoken = scenario.settings.partner[event.partner].release
        body = _replied(event, on)
        answered = await on.send(body, spoken, scenario.voices[event.partner])
    return _told(event, answered, [change for _, change in on.changes[seen:]])


def _replied(event: Reply, on: Stage) -> bytes:
    """The partner's word on a Task it holds: its own copy of it, with the new status."""
    shelf = on.partners[event.partner].shelf
    for kind, own_id in reversed(list(shelf.places())):
        held = shelf.latest(kind, own_id)
        task = parse(held.body) if kind == "Task" and held is not None else {}
        if any(one.get("code") == event.task for one in _codings(task.get("code"))):
            kept = {name: task[name] for name in KEPT if name in task}
            kept["identifier"] = [
                one for one in kept["identifier"] if one.get("system") == EMITTED_SYSTEM
            ]
            said = {"status": event.status, "lastModified": event.at.isoformat()}
            return dump({"resourceType": "Task"} | kept | said)
    raise ScenarioFault(f"{event.partner} holds no Task {event.task} to answer.")


def _codings(concept: Any) -> Iterable[Mapping[str, Any]]:
    return concept.get("coding", ()) if isinstance(concept, dict) else ()


# -- the answer


def _told(event: Event, answered: Answered, changes: list[Change]) -> Happened:
    entries = _entries(answered)
    acts = {
        act.body.step: act.body
        for change in changes
        for _, act in change.acts
        if isinstance(act.body, AnswerGiven)
    }
    given = []
    for resource in entries:
        act = acts.get(f"Task/{resource.get('id')}")
        word = _word(resource)
        if act is not None and word is not None:
            given.append(Given(step=_label(resource), word=word, findings=act.findings))
    stored = [version for change in changes for version in change.resources]
    return Happened(
        event=event,
        status=answered.status,
        created=tuple(_type(version) for version in stored if version.version == 1),
        corrected=tuple(_type(version) for version in stored if version.version > 1),
        held=len(entries) - len(stored),
        given=tuple(given),
        problems=tuple(_problems(answered)),
    )


def _type(version: ResourceVersion) -> str:
    """What was sent, by one name for both releases."""
    return LATER_NAMES.get(version.type, version.type)


def _entries(answered: Answered) -> list[Mapping[str, Any]]:
    """Every resource that was taken, as the answer shows it."""
    content = answered.content
    if content.get("resourceType") != "Bundle":
        taken = answered.status < 300 and content.get("resourceType") != "OperationOutcome"
        return [content] if taken else []
    return [entry["resource"] for entry in content.get("entry", ()) if "resource" in entry]


def _word(resource: Mapping[str, Any]) -> str | None:
    codes = [one.get("code") for one in _codings(resource.get("businessStatus"))]
    return next((code for code in codes if isinstance(code, str)), None)


def _label(task: Mapping[str, Any]) -> str:
    code = next((one.get("code") for one in _codings(task.get("code"))), "step")
    numbers = [one.get("value") for one in task.get("identifier", ())]
    return " ".join(str(part) for part in (code, *numbers[:1]))


def _problems(answered: Answered) -> Iterable[str]:
    """Every objection and warning of the answer that is no finding, once each."""
    content = answered.content
    outcomes = [content] if content.get("resourceType") == "OperationOutcome" else []
    outcomes += [entry.get("response", {}).get("outcome", {}) for entry in content.get("entry", ())]
    found: dict[str, None] = {}
    for outcome in outcomes:
        for issue in outcome.get("issue", ()):
            if issue.get("severity") != "information" and not _is_finding(issue):
                where = ", ".join(issue.get("expression", ()))
                text = issue.get("diagnostics", "")
                found[f"{issue['severity']}: {text}" + (f" ({where})" if where else "")] = None
    return found


def _is_finding(issue: Mapping[str, Any]) -> bool:
    return bool(issue.get("details", {}).get("coding"))


# -- what went out, and what is left


def _emissions(
    changes: Iterable[tuple[datetime, Change]], causes: Iterable[str]
) -> tuple[Emission, ...]:
    found = []
    for (at, change), because in zip(changes, causes, strict=True):
        emitted = {(row.key, row.version): row for row in change.emitted}
        for row in change.outbox:
            if row.key.startswith(PROVENANCE):
                continue
            meant = emitted[(row.key, row.version)]
            found.append(
                Emission(
                    at=at,
                    because=because,
                    partner=row.partner,
                    key=row.key,
                    version=row.version,
                    type=row.type,
                    content=decode(meant.kind, meant.content),
                    withdrawn=meant.state != "active",
                    body=row.body,
                )
            )
    return tuple(found)


def _cases(on: Stage) -> list[Assessment]:
    """Every case as it stands at the end."""
    people = {(change.facility, who.person) for _, change in on.changes for who in change.people}
    look = on.application.reconciler.look
    return [look(facility, person)[1] for facility, person in sorted(people)]


def _open(cases: Iterable[Assessment]) -> tuple[Deadline, ...]:
    """Deadlines that are not met, of every case."""
    found = [d for case in cases for d in case.deadlines if d.met_by is None]
    return tuple(sorted(found, key=lambda d: (d.due, d.kind, d.ordinal)))


def _met(cases: Iterable[Assessment]) -> dict[str, tuple[Finding, ...]]:
    found = {}
    for judged in (j for case in cases for course in case.courses for j in course.judgements):
        if judged.step is not None:
            body = judged.step.body
            numbers = [identifier.value for identifier in body.identifiers]
            met = [f for f in judged.findings if f.verdict is Verdict.NO_OBJECTION]
            found[" ".join((body.code.value, *numbers[:1]))] = tuple(met)
    return found


def _held(on: Stage, emissions: Iterable[Emission]) -> dict[tuple[str, str], int]:
    """How many versions of each resource the stand-ins received."""
    found = {}
    for emission in emissions:
        versions = on.partners[emission.partner].history(emission.type, _id_of(emission))
        found[(emission.partner, emission.key)] = len(versions)
    return found


def _undelivered(on: Stage, emissions: Iterable[Emission]) -> tuple[str, ...]:
    """What a stand-in does not hold in its last version, byte for byte."""
    last = {(emission.partner, emission.key): emission for emission in emissions}
    missing = []
    for (partner, key), emission in last.items():
        held = on.partners[partner].shelf.latest(emission.type, _id_of(emission))
        if held is None or held.body != emission.body:
            missing.append(f"{partner}: {key}")
    return tuple(sorted(missing))


def _id_of(emission: Emission) -> str:
    found: str = parse(emission.body)["id"]
    return found
