"""Writes generated traffic as a folder that ``replay`` plays: one file of lines per release."""

from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from service.errors import ScenarioFault
from service.fhir.edge.strict_json import dump
from service.generate.plans import BEGIN
from service.generate.story import Message
from service.generate.words import RELEASES, at

STREAM = "messages.ndjson"
SETTINGS = """\
title = "{title}"
start = {start}
profile = "{profile}"
stream = "{stream}"

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


@dataclass(slots=True, kw_only=True)
class Written:
    """What was written: messages and resources of one release, and bytes of all."""

    messages: int = 0
    resources: int = 0
    size: int = 0


def line(message: Message, release: str) -> bytes:
    """One line: when it arrives, from whom, what it is about, and the message itself."""
    told = {
        "at": at(message.at),
        "as": message.source,
        "name": message.name,
        "order": message.order,
        "unit": message.unit,
        "message": message.body(release),
    }
    return dump(told) + b"\n"


def write(
    messages: Iterable[Message],
    folder: Path,
    *,
    title: str,
    profile: str = "default",
    releases: tuple[str, ...] = RELEASES,
    progress: Callable[[Message], None] | None = None,
) -> Written:
    """Writes messages as they come, nothing kept. Raises ScenarioFault where it may not write."""
    try:
        return _write(messages, folder, title, profile, releases, progress)
    except OSError as refused:
        raise ScenarioFault(f"{folder} cannot be written: {refused.strerror}") from refused


def _write(
    messages: Iterable[Message],
    folder: Path,
    title: str,
    profile: str,
    releases: tuple[str, ...],
    progress: Callable[[Message], None] | None,
) -> Written:
    found = Written()
    with ExitStack() as stack:
        files = {}
        for release in releases:
            inside = folder / "in" / release.lower()
            inside.mkdir(parents=True, exist_ok=True)
            files[release] = stack.enter_context((inside / STREAM).open("wb"))
        for message in messages:
            found.messages += 1
            found.resources += len(message.resources)
            for release, file in files.items():
                found.size += file.write(line(message, release))
            if progress is not None:
                progress(message)
    head = SETTINGS.format(title=title, start=_start(), profile=profile, stream=STREAM)
    (folder / "scenario.toml").write_text(head, encoding="utf-8")
    return found


def _start() -> str:
    """Before the first message, which may come hours before the first unit is hung."""
    return (BEGIN - timedelta(days=1)).isoformat()
