"""A scenario folder, read whole: every fault of it is reported at once."""

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from service.errors import ScenarioFault, SettingsFault
from service.replay.files import FILE
from service.settings import Settings
from service.settings import read as read_settings

RELEASES = ("R4", "R5")
NOWHERE = "http://partner.invalid"  # a replay never sends further than its own process
OFFSET = re.compile(r"\+(?:(?P<hours>\d+)h)?(?:(?P<minutes>\d+)m)?(?:(?P<seconds>\d+)s)?")
SECTIONS = frozenset(
    {"title", "start", "profile", "facility", "source", "partner", "timeline", "stream"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Send:
    """A message arrives. answer: the word every step in it must get, where the author says one."""

    at: datetime
    file: str
    source: str
    answer: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Advance:
    """Time passes until then."""

    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """A partner answers a Task it was sent. task: its code, such as investigate-reaction."""

    at: datetime
    task: str
    partner: str
    status: str


Event = Send | Advance | Reply


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """One line of a stream: a message, when it arrives, from whom, and about which order."""

    at: datetime
    source: str
    name: str
    order: int
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A folder of inbound messages, a timeline and the expected emissions.

    settings: those of an installation, with a token per source that is the source's name. voices:
    partner -> the source as which its replies arrive. stream: in place of a timeline, the name of a
    file of arrivals, one a line, that is as long as anybody likes.
    """

    folder: Path
    title: str
    start: datetime
    settings: Settings
    voices: Mapping[str, str]
    timeline: tuple[Event, ...]
    stream: str | None = None

    @property
    def name(self) -> str:
        """The folder's name, a sentence."""
        return self.folder.name

    @property
    def zone(self) -> ZoneInfo:
        """The clock on the wall of the first facility."""
        return ZoneInfo(next(iter(self.settings.facility.values())).zone)

    @property
    def releases(self) -> tuple[str, ...]:
        """The releases its messages are written in."""
        return tuple(r for r in RELEASES if (self.folder / "in" / r.lower()).is_dir())

    def message(self, file: str, release: str) -> bytes:
        """The bytes of a message."""
        return (self.folder / "in" / release.lower() / file).read_bytes()

    def arrivals(self, release: str) -> Iterator[Arrival]:
        """The lines of the stream, read one by one. Raises ScenarioFault at the first bad one."""
        path = self.folder / "in" / release.lower() / (self.stream or "")
        with path.open("rb") as lines:
            for place, line in enumerate(lines, start=1):
                yield _arrival(line, f"{path} line {place}", self.settings)


def load(folder: Path) -> Scenario:
    """Reads a scenario folder. Raises ScenarioFault with every fault."""
    path = folder / FILE
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as missing:
        raise ScenarioFault(f"There is no {path}.") from missing
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as broken:
        raise ScenarioFault(f"{path} is not valid TOML: {broken}") from broken
    return _Reader(folder, path, content).scenario()


class _Line(msgspec.Struct):
    """A line of a stream, the message left as it is written."""

    at: str
    source: str = msgspec.field(name="as")
    name: str
    order: int
    message: msgspec.Raw


class _Reader:
    """Collects faults while reading, so that an author sees all of them."""

    def __init__(self, folder: Path, path: Path, content: dict[str, Any]) -> None:
        self.folder = folder
        self.path = path
        self.content = content
        self.faults: list[str] = []

    def scenario(self) -> Scenario:
        """The scenario, or ScenarioFault."""
        for name in sorted(self.content.keys() - SECTIONS):
            self.faults.append(f"{self.path}: {name} is no part of a scenario")
        start = self._start()
        settings, voices = self._settings()
        if not settings.facility:
            self._refuse()
        zone = ZoneInfo(next(iter(settings.facility.values())).zone)
        scenario = Scenario(
            folder=self.folder,
            title=str(self.content.get("title") or self.folder.name),
            start=start,
            settings=settings,
            voices=voices,
            timeline=() if "stream" in self.content else self._timeline(start, zone, settings),
            stream=self.content.get("stream"),
        )
        self._check_stream(scenario) if scenario.stream else self._check_messages(scenario)
        self._refuse()
        return scenario

    def _refuse(self) -> None:
        if self.faults:
            raise ScenarioFault(*self.faults)

    def _start(self) -> datetime:
        start = self.content.get("start")
        if isinstance(start, datetime) and start.utcoffset() is not None:
            return start
        self.faults.append(f"{self.path}: start must be a date and time with its offset")
        return datetime.fromisoformat("2000-01-01T00:00:00+00:00")

    def _settings(self) -> tuple[Settings, dict[str, str]]:
        """The settings of the installation that the scenario is played on."""
        facilities = self._section("facility")
        first = next(iter(facilities), "")
        sources = {
            name: {"facility": first, "token": name} | source
            for name, source in self._section("source").items()
        }
        partners = self._section("partner")
        voices = {name: str(p["source"]) for name, p in partners.items() if "source" in p}
        for name, voice in voices.items():
            if voice not in sources:
                self.faults.append(f"{self.path}: partner.{name}: there is no source {voice!r}")
        wanted = {
            "service": {"profile": self.content.get("profile", "default")},
            "facility": facilities,
            "source": sources,
            "partner": {
                name: {"base_url": NOWHERE} | {k: v for k, v in p.items() if k != "source"}
                for name, p in partners.items()
            },
        }
        if not facilities or not sources:
            self.faults.append(f"{self.path}: a scenario needs a facility and a source")
        try:
            return read_settings(wanted), voices
        except SettingsFault as wrong:
            self.faults += [f"{self.path}: {fault}" for fault in wrong.faults]
            raise ScenarioFault(*self.faults) from wrong

    def _section(self, name: str) -> dict[str, dict[str, Any]]:
        found = self.content.get(name, {})
        if isinstance(found, dict) and all(isinstance(inner, dict) for inner in found.values()):
            return found
        self.faults.append(f"{self.path}: {name} must be written as [{name}.NAME]")
        return {}

    def _timeline(self, start: datetime, zone: ZoneInfo, settings: Settings) -> tuple[Event, ...]:
        listed = self.content.get("timeline")
        if not isinstance(listed, list) or not listed:
            self.faults.append(f"{self.path}: a scenario needs a [[timeline]]")
            return ()
        found: list[Event] = []
        last = start
        for place, line in enumerate(listed, start=1):
            where = f"{self.path}: timeline line {place}"
            when = self._when(line.get("at"), start, zone, where)
            if when is None:
                continue
            if when < last:
                self.faults.append(f"{where}: {line['at']} lies before the line above it")
            last = max(last, when)
            event = self._event(line, when, settings, where)
            if event is not None:
                found.append(event)
        return tuple(found)

    def _when(self, given: Any, start: datetime, zone: ZoneInfo, where: str) -> datetime | None:
        """An instant, a time of day on the wall clock, or an offset from the start: ``+1h5m``."""
        if isinstance(given, datetime):
            return given if given.utcoffset() is not None else given.replace(tzinfo=zone)
        if isinstance(given, time):
            day: date = start.astimezone(zone).date()
            return datetime.combine(day, given, tzinfo=zone)
        matched = OFFSET.fullmatch(given) if isinstance(given, str) and len(given) > 1 else None
        if matched is None:
            text = "at must be a time, a date and time, or an offset such as +1h15m"
            self.faults.append(f"{where}: {text}")
            return None
        parts = {name: int(value or 0) for name, value in matched.groupdict().items()}
        return start + timedelta(**parts)

    def _event(
        self, line: dict[str, Any], when: datetime, settings: Settings, where: str
    ) -> Event | None:
        kinds = [kind for kind in READ if kind in line]
        if len(kinds) != 1:
            self.faults.append(f"{where}: say one of {', '.join(READ)}")
            return None
        reads, allowed, needed = READ[kinds[0]]
        for name in sorted(line.keys() - allowed - {"at"}):
            self.faults.append(f"{where}: {name} does not belong to {kinds[0]}")
        missing = [name for name in sorted(needed) if not isinstance(line.get(name), str)]
        if missing:
            self.faults.append(f"{where}: {kinds[0]} needs {', '.join(missing)}")
            return None
        self._check_names(line, settings, where)
        return reads(line, when)

    def _check_names(self, line: dict[str, Any], settings: Settings, where: str) -> None:
        source, partner = line.get("as"), line.get("from")
        if source is not None and source not in settings.source:
            self.faults.append(f"{where}: there is no source {source!r}")
        if partner is not None and partner not in settings.partner:
            self.faults.append(f"{where}: there is no partner {partner!r}")
        elif partner is not None and "source" not in self.content["partner"][partner]:
            self.faults.append(f"{where}: partner.{partner} has no source to answer as")

    def _check_stream(self, scenario: Scenario) -> None:
        if "timeline" in self.content:
            self.faults.append(f"{self.path}: say either timeline or stream")
        if not scenario.releases:
            self.faults.append(f"{self.folder}: there is neither in/r4 nor in/r5")
        for release in scenario.releases:
            path = self.folder / "in" / release.lower() / str(scenario.stream)
            if not path.is_file():
                self.faults.append(f"{path} is not there")

    def _check_messages(self, scenario: Scenario) -> None:
        releases = scenario.releases
        if not releases:
            self.faults.append(f"{self.folder}: there is neither in/r4 nor in/r5")
        for release in releases:
            inside = self.folder / "in" / release.lower()
            sent = {event.file for event in scenario.timeline if isinstance(event, Send)}
            held = {found.name for found in inside.glob("*.json")}
            for name in sorted(sent - held):
                self.faults.append(f"{inside}: {name} is sent but not there")
            for name in sorted(held - sent):
                self.faults.append(f"{inside}: {name} is there but never sent")


LINE = msgspec.json.Decoder(_Line)


def _arrival(line: bytes, where: str, settings: Settings) -> Arrival:
    try:
        read = LINE.decode(line)
        when = datetime.fromisoformat(read.at)
    except (msgspec.DecodeError, ValueError) as broken:
        raise ScenarioFault(f"{where} is no arrival: {broken}") from broken
    if when.utcoffset() is None or read.source not in settings.source:
        raise ScenarioFault(f"{where}: at needs an offset, and as a source of the scenario")
    return Arrival(
        at=when,
        source=read.source,
        name=read.name,
        order=read.order,
        body=bytes(read.message),
    )


def _send(line: Mapping[str, Any], when: datetime) -> Event:
    return Send(at=when, file=line["send"], source=line["as"], answer=line.get("answer"))


def _advance(line: Mapping[str, Any], when: datetime) -> Event:
    return Advance(at=when)


def _reply(line: Mapping[str, Any], when: datetime) -> Event:
    return Reply(at=when, task=line["reply"], partner=line["from"], status=line["status"])


# what a line says -> how it is read, what may stand in it, and which texts it needs
READ: dict[str, tuple[Callable[[Mapping[str, Any], datetime], Event], set[str], set[str]]] = {
    "send": (_send, {"send", "as", "answer"}, {"send", "as"}),
    "advance": (_advance, {"advance"}, set()),
    "reply": (_reply, {"reply", "from", "status"}, {"reply", "from", "status"}),
}
