"""A scenario before it is written: its story, its messages in both releases, its timeline."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tests.support.authoring.words import DAY, RELEASES, Both, Json, at, first_identifier, urn

RECORD_SYSTEM = "record-system"  # patients, orders, consent, steps, observations
BEDSIDE = "bedside"  # the steps and observations of the ward's handhelds
LABORATORY = "laboratory"  # samples, groups, crossmatches, units, issues, replies

SETTINGS = """
profile = "default"

[facility.harrow-vale]
name = "Harrow Vale Hospital"
identifier = "https://harrow-vale.example/id/organisation|harrow-vale"
zone = "Europe/London"
blood_bank_name = "Harrow Vale blood bank"
blood_bank_identifier = "https://harrow-vale.example/id/organisation|harrow-vale-blood-bank"
identity_systems = ["https://harrow-vale.example/id/patient"]

[source.record-system]
asserts = ["patient", "order", "consent", "context"]

[source.bedside]
asserts = ["step", "observation", "context"]

[source.laboratory]
asserts = ["sample", "observation", "unit", "issue", "step", "reply"]

[partner.record-system]
release = "R4"
roles = ["record-system"]

[partner.blood-bank]
release = "R5"
roles = ["blood-bank"]
source = "laboratory"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a timeline, as it stands in scenario.toml.

    message: None where nothing is sent. alone: its one resource is posted by itself.
    """

    at: str
    fields: tuple[tuple[str, str], ...]
    message: tuple[Both, ...] | None = None
    name: str = ""
    alone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One scenario. Its README is written by hand."""

    name: str
    title: str
    start: str
    lines: tuple[Line, ...]


def send(clock: str, source: str, name: str, *said: Both, answer: str | None = None) -> Line:
    """A message that arrives at a time of the day."""
    fields = [("send", f"{name}.json"), ("as", source)]
    if answer:
        fields.append(("answer", answer))
    return Line(at=at(clock), fields=tuple(fields), message=said, name=name)


def post(clock: str, source: str, name: str, said: Both, answer: str | None = None) -> Line:
    """One resource that is posted by itself, as a sender without transactions does."""
    return replace(send(clock, source, name, said, answer=answer), alone=True)


def advance(clock: str) -> Line:
    """Time passes until then."""
    return Line(at=at(clock), fields=(("advance", "true"),))


def reply(clock: str, partner: str, task: str, status: str) -> Line:
    """A partner answers one of the Tasks it was sent."""
    fields = (("reply", task), ("from", partner), ("status", status))
    return Line(at=at(clock), fields=fields)


def scene(name: str, lines: Sequence[Line], *, title: str, start: str = "08:00") -> Scene:
    """A scenario of the invented hospital's day, its messages numbered in order."""
    numbered: list[Line] = []
    for line in lines:
        place = 1 + sum(1 for one in numbered if one.message is not None)
        numbered.append(_numbered(line, place) if line.message is not None else line)
    return Scene(name=name, title=title, start=at(start), lines=tuple(numbered))


def _numbered(line: Line, place: int) -> Line:
    name = f"{place:02d}-{line.name}"
    fields = tuple((key, f"{name}.json" if key == "send" else value) for key, value in line.fields)
    return replace(line, fields=fields, name=name)


def bundle(said: Sequence[Both], release: str) -> Json:
    """A transaction that creates each resource once."""
    resources = [both[release] for both in said]
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [_entry(resource) for resource in resources],
    }


def _entry(resource: Json) -> Json:
    kind, first = resource["resourceType"], first_identifier(resource)
    request = {"method": "POST", "url": kind}
    # a correction has to reach what is held, and may not be taken for a second creation
    if not _corrects(resource):
        request["ifNoneExist"] = f"identifier={first['system']}|{first['value']}"
    return {"fullUrl": urn(resource), "resource": resource, "request": request}


def _corrects(resource: Json) -> bool:
    """A status that says so, or a stamp of its own by which a sender orders its versions."""
    said = resource.get("status") in ("corrected", "amended", "entered-in-error")
    return said or "lastUpdated" in resource.get("meta", {})


def files(found: Scene) -> dict[str, str]:
    """Every file that is made from a scene: path in its folder -> text."""
    made = {"scenario.toml": toml(found)}
    for line in found.lines:
        if line.message is not None:
            for release in RELEASES:
                text = json.dumps(_content(line, release), indent=1, ensure_ascii=False)
                made[f"in/{release.lower()}/{line.name}.json"] = text + "\n"
    return made


def _content(line: Line, release: str) -> Json:
    said = line.message or ()
    return said[0][release] if line.alone else bundle(said, release)


def write(found: Scene, folder: Path) -> None:
    """Writes a scenario's folder; messages that it no longer has go."""
    place = folder / found.name
    made = files(found)
    for old in place.glob("in/*/*.json"):
        if str(old.relative_to(place)) not in made:
            old.unlink()
    for path, text in made.items():
        (place / path).parent.mkdir(parents=True, exist_ok=True)
        (place / path).write_text(text, encoding="utf-8")


def toml(found: Scene) -> str:
    """The scenario file: settings, then the timeline."""
    lines = [f'title = "{found.title}"', f"start = {found.start}", SETTINGS.strip(), ""]
    for line in found.lines:
        lines += ["[[timeline]]", f"at = {_time(line.at)}"]
        lines += [
            f"{key} = {value if value == 'true' else json.dumps(value)}"
            for key, value in line.fields
        ]
        lines.append("")
    return "\n".join(lines)


def _value(text: str) -> str:
    return text if text == "true" else json.dumps(text)


def _time(when: str) -> str:
    """A local time of the scenario's own day; a whole instant on another day."""
    return when[11:19] if when.startswith(DAY) else when
