"""What a scenario expects: one text for both releases, made to be read and compared by people."""

import json
import re
from collections.abc import Iterable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from service.errors import ScenarioFault
from service.facts.deadline import Deadline
from service.facts.finding import Finding
from service.replay.contents import told
from service.replay.played import Emission, Given, Happened, Played
from service.replay.scenario import Reply, Send

FILE = "expect.json"
CASE = re.compile(r"~[0-9a-f]{12}")

Json = dict[str, Any]


def expectation(played: Played) -> Json:
    """What came out, in version-neutral terms.

    timeline: what each message was answered. partners: per partner what it was sent, in order.
    open: deadlines nobody has met. next-wake: when the clock alone changes something, or None.
    """
    zone = played.scenario.zone
    made: Json = {
        "timeline": [_line(line, zone) for line in played.happened if line.status is not None],
        "partners": {name: _emissions(played.to(name), zone) for name in played.partners},
        "open": [_deadline(deadline, zone) for deadline in played.open],
        "next-wake": when(played.next_wake, zone) if played.next_wake else None,
    }
    if played.undelivered:
        made["undelivered"] = list(played.undelivered)
    return _named(made)


def accepted(folder: Path) -> Json | None:
    """The expectation that was accepted for a scenario, None where none was. ScenarioFault."""
    path = folder / FILE
    if not path.is_file():
        return None
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, UnicodeDecodeError) as broken:
        raise ScenarioFault(f"{path} is not valid JSON: {broken}") from broken
    if not isinstance(found, dict):
        raise ScenarioFault(f"{path} is no expectation.")
    return found


def accept(folder: Path, made: Json) -> None:
    """Writes the expectation of a scenario. Raises ScenarioFault where it may not be written."""
    text = json.dumps(made, indent=1, ensure_ascii=False)
    try:
        (folder / FILE).write_text(text + "\n", encoding="utf-8")
    except OSError as refused:
        raise ScenarioFault(f"{folder / FILE} cannot be written: {refused.strerror}") from refused


def when(instant: datetime, zone: ZoneInfo) -> str:
    """An instant on the wall clock; seconds only where there are any."""
    local = instant.astimezone(zone)
    return local.strftime("%Y-%m-%d %H:%M:%S").removesuffix(":00")


def finding_line(finding: Finding) -> str:
    """``COMP-01 refuse abo-red-cell-incompatible``, and what is missing."""
    if finding.verdict is not None:
        word = finding.verdict.word
    elif finding.advice is not None:
        word = finding.advice.word
    else:
        word = finding.returned or "not-checked"
    missing = f" (missing: {', '.join(finding.missing)})" if finding.missing else ""
    return f"{finding.rule} {word} {finding.reason}{missing}"


def speaks(finding: Finding) -> bool:
    """False for a rule that only says that it was not checked."""
    said = (finding.verdict, finding.advice, finding.returned)
    return any(word is not None for word in said)


def _line(line: Happened, zone: ZoneInfo) -> Json:
    event = line.event
    made: Json = {"at": when(event.at, zone)}
    if isinstance(event, Send):
        made |= {"sent": event.file.removesuffix(".json"), "by": event.source}
    elif isinstance(event, Reply):
        made |= {"replied": f"{event.task} {event.status}", "by": event.partner}
    if line.status is None or line.status >= 300:
        made["status"] = line.status
    if line.corrected:
        made["corrected"] = list(line.corrected)
    if line.held:
        made["already-held"] = line.held
    if line.given:
        made["answers"] = [_given(given) for given in line.given]
    if line.problems:
        made["problems"] = list(line.problems)
    return made


def _given(given: Given) -> Json:
    made: Json = {"step": given.step, "answer": given.word}
    said = [finding_line(finding) for finding in given.findings if speaks(finding)]
    silent = sorted(finding.rule for finding in given.findings if not speaks(finding))
    if said:
        made["findings"] = said
    if silent:
        made["not-checked"] = ", ".join(silent)
    return made


def _emissions(sent: Iterable[Emission], zone: ZoneInfo) -> list[Json]:
    """In order; of what a notice says, a later version tells only the lines that changed."""
    said: dict[str, list[str]] = {}
    found = []
    for emission in sent:
        made = _emission(emission, zone)
        lines = made.get("says", [])
        before = said.get(emission.key, [])
        said[emission.key] = lines
        changed = [line for line in lines if line not in before]
        found.append({k: v for k, v in made.items() if k != "says"})
        if changed:
            found[-1]["says"] = changed
    return found


def _emission(emission: Emission, zone: ZoneInfo) -> Json:
    made: Json = {
        "at": when(emission.at, zone),
        "because": emission.because,
        "identity": emission.key,
        "version": emission.version,
        "type": emission.type,
    }
    if emission.withdrawn:
        made["last"] = True
    return made | told(emission.content, finding_line, partial(when, zone=zone))


def _deadline(deadline: Deadline, zone: ZoneInfo) -> Json:
    made: Json = {
        "due": when(deadline.due, zone),
        "kind": deadline.kind,
        "ordinal": deadline.ordinal,
        "rule": deadline.rule,
        "unit": deadline.unit.text if deadline.unit else None,
    }
    return made | ({"overdue": True} if deadline.overdue else {})


def _named(made: Json) -> Json:
    """The same with cases by number: their own names are made of ids nobody should have to read."""
    names: dict[str, str] = {}

    def number(found: re.Match[str]) -> str:
        return names.setdefault(found.group(), f"~case-{len(names) + 2}")

    renamed: Json = json.loads(CASE.sub(number, json.dumps(made)))
    return renamed


def differences(expected: Any, found: Any, path: str = "") -> Iterable[str]:
    """One line per place where two expectations differ: where, what was expected, what came."""
    if isinstance(expected, dict) and isinstance(found, dict):
        for key in dict.fromkeys((*expected, *found)):
            inner = f"{path}.{key}" if path else key
            yield from differences(expected.get(key, ABSENT), found.get(key, ABSENT), inner)
    elif isinstance(expected, list) and isinstance(found, list):
        yield from _in_lists(expected, found, path)
    elif expected != found:
        yield f"{path}: expected {_short(expected)}, found {_short(found)}"


ABSENT = object()


def _in_lists(expected: list[Any], found: list[Any], path: str) -> Iterable[str]:
    """Lists are aligned by what their items are, so that one item more is one line, not all."""
    left, right = [_identity(item) for item in expected], [_identity(item) for item in found]
    if left == right:
        for place, (one, other) in enumerate(zip(expected, found, strict=True), start=1):
            yield from differences(one, other, f"{path}[{left[place - 1] or place}]")
        return
    rest = list(right)
    for name, item in zip(left, expected, strict=True):
        if name in rest:
            place = right.index(name)
            yield from differences(item, found[place], f"{path}[{name}]")
            rest.remove(name)
        else:
            yield f"{path}: expected {_short(item)}, and it did not come"
    for name in rest:
        yield f"{path}: {_short(found[right.index(name)])} came and was not expected"
    if not rest and len(left) == len(right):
        yield f"{path}: the same, in another order"


def _identity(item: Any) -> str:
    """What an item of a list is, apart from what it says."""
    if not isinstance(item, dict):
        return str(item)
    names = ("identity", "version", "sent", "replied", "step", "kind", "ordinal", "unit")
    return " ".join(str(item[name]) for name in names if name in item)


def _short(value: Any) -> str:
    if value is ABSENT:
        return "nothing"
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 160 else f"{text[:157]}..."
