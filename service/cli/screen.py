"""What the commands show people: cautions first, tables, timelines; plain where nobody looks."""

import re
import sys
from collections.abc import Iterable, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from service.assessment.desired import Content, Event, Observed, Procedure
from service.cli.saying import came_in, finding_text, joined, news, says, silent_rules
from service.facts.finding import Finding
from service.fhir.write import wording
from service.fhir.write.times import clock_text
from service.replay.expectation import speaks
from service.replay.play import TIME, name_of
from service.replay.played import Emission, Given, Happened, Played
from service.replay.scenario import Advance, Reply

CAUTIONS = (
    wording.NOT_A_DIAGNOSIS,
    wording.ACT_ON_SUSPICION,
    wording.COMPATIBILITY,
    wording.LOCAL_POLICY,
)
PLAIN_WIDTH = 120
NARROW = 110  # below this a table has fewer columns, and says the rest under its text
MET = "met"
SOURCE = re.compile(r"\bS\d{2,3}\b")
FAMILIES = {
    "ID": "identity and sample",
    "COMP": "compatibility",
    "PRE": "preparation",
    "TIM": "timing",
    "VIT": "observations",
    "ACT": "reaction",
}
STYLES = {
    "refuse": "bold red",
    "stop": "bold red",
    "escalate": "bold red",
    "authorise": "yellow",
    "pause": "yellow",
    "caution": "yellow",
    "discard": "yellow",
}


def console() -> Console:
    """Standard output; without colours, and a fixed width, when it is no terminal."""
    out = sys.stdout
    if hasattr(out, "reconfigure"):
        out.reconfigure(errors="replace")  # a terminal that lacks a letter is no reason to fail
    if out.isatty():
        return Console(file=out, highlight=False)
    return Console(file=out, highlight=False, width=PLAIN_WIDTH, no_color=True, emoji=False)


def cautions(to: Console) -> None:
    """What has to stand on every screen."""
    for sentence in CAUTIONS:
        to.print(f"! {escape(sentence)}", style="bold")


def is_narrow(to: Console) -> bool:
    """True where four columns would leave no room for a sentence."""
    return to.width < NARROW


def table(*columns: str) -> Table:
    """A table in our one style; columns named with a trailing ``*`` may be wrapped."""
    made = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in columns:
        made.add_column(name.rstrip("*"), overflow="fold", no_wrap=not name.endswith("*"))
    return made


def styled(word: str) -> str:
    """A verdict or an advice, coloured by its gravity."""
    style = STYLES.get(word)
    return f"[{style}]{word}[/]" if style else word


def clock(instant: datetime, zone: ZoneInfo) -> str:
    """The time of the day on the wall, seconds only where there are any."""
    return instant.astimezone(zone).strftime("%H:%M:%S").removesuffix(":00")


def clock_of(played: Played) -> str:
    """Which clock the times of a screen are on."""
    start = clock_text(played.scenario.start, played.scenario.zone)
    return f"Times are the hospital's own; the first is {start}."


def hyphenated(name: str, width: int) -> str:
    """A long name in lines of at most a width, parted after hyphens and never within a word."""
    lines = [""]
    for part in re.findall(r"[^-]*-?", name):
        if lines[-1] and len(lines[-1]) + len(part) > width:
            lines.append("")
        lines[-1] += part
    return "\n".join(lines)


# -- the timeline


def timeline(played: Played, *, narrow: bool = False) -> Table:
    """Everything in the order in which it happened: came in, answered, went out.

    narrow: the answer stands under what came in.
    """
    columns = (
        ("time", "came in", "went out*") if narrow else ("time", "came in", "answer", "went out*")
    )
    made = table(*columns)
    made.columns[1].no_wrap = False
    made.columns[1].max_width = 28
    for at, came, answer, went in _rows(played):
        cells = ["\n".join(filter(None, (came, answer)))] if narrow else [came, answer]
        made.add_row(clock(at, played.scenario.zone), *cells, "\n".join(went))
    return made


def _rows(played: Played) -> Iterable[tuple[datetime, str, str, list[str]]]:
    zone = played.scenario.zone
    left = list(joined(played.emissions))
    for line in played.happened:
        event = line.event
        while left and left[0][0].because == TIME and left[0][0].at <= event.at:
            at = left[0][0].at
            due = [pair for pair in left if pair[0].because == TIME and pair[0].at == at]
            left = [pair for pair in left if pair not in due]
            yield at, "[dim]time passed[/]", "", [_went(*pair, zone) for pair in due]
        mine = [p for p in left if p[0].because == name_of(event) and p[0].at == event.at]
        left = [pair for pair in left if pair not in mine]
        if not isinstance(event, Advance):
            yield event.at, came_in(line), _answers(line), [_went(*pair, zone) for pair in mine]


def _answers(line: Happened) -> str:
    return "\n".join(styled(given.word) for given in line.given)


def _went(emission: Emission, partners: tuple[str, ...], zone: ZoneInfo) -> str:
    again = f" v{emission.version}" if emission.version > 1 else ""
    text = escape(says(emission.content, zone, again=emission.version > 1))
    return f"{emission.type}{again} to {' and '.join(partners)}: {text}"


# -- one topic at a time


def came_in_table(played: Played) -> Table:
    """Every message in order, who sent it, and the answer that its steps got."""
    made = table("time", "from and what*", "answer")
    for line in played.happened:
        if line.status is not None:
            made.add_row(
                clock(line.event.at, played.scenario.zone),
                came_in(line),
                _answers(line).replace("\n", ", ") or "stored",
            )
    return made


def checks(played: Played, *, narrow: bool = False) -> Table:
    """Every answered step with its verdict or advice, what the rules say and where that is from.

    A finding is told in full once; where it stands unchanged in a later answer, by its rule alone.
    narrow: the answer stands under its step, and the source under what the rules say.
    """
    made = table(*(("step, answer", "what the rules say, and their source*") if narrow else CHECKS))
    made.expand = True
    if not narrow:
        made.columns[2].ratio, made.columns[3].ratio = 5, 4
    told: set[tuple[str, str]] = set()
    for line in played.happened:
        for given in line.given:
            rows = _reasons(given, played.met.get(given.step, ()), told, played.scenario.zone)
            for cells in _narrow_rows(given, rows) if narrow else _wide_rows(given, rows):
                made.add_row(*cells)
    return made


CHECKS = ("step", "answer", "what the rules say*", "policy row and source*")


def _wide_rows(given: Given, rows: Iterable[tuple[str, str]]) -> Iterable[tuple[str, ...]]:
    for place, (text, source) in enumerate(rows):
        first = (given.step, styled(given.word)) if place == 0 else ("", "")
        yield (*first, escape(text), escape(source))


def _narrow_rows(given: Given, rows: Iterable[tuple[str, str]]) -> Iterable[tuple[str, ...]]:
    for place, (text, source) in enumerate(rows):
        first = f"{given.step}\n{styled(given.word)}" if place == 0 else ""
        beside = f"\n[dim]source: {escape(source)}[/]" if source and source != AS_ABOVE else ""
        yield first, f"{escape(text)}{beside}"


AS_ABOVE = "as above"


def _reasons(
    given: Given, met: Sequence[Finding], told: set[tuple[str, str]], zone: ZoneInfo
) -> Iterable[tuple[str, str]]:
    """Pairs of text and source: what speaks, then what stands, what was met, what was not told."""
    speaking = [finding for finding in given.findings if speaks(finding)]
    fresh = [finding for finding in speaking if (finding.rule, finding.text) not in told]
    standing = [finding.rule for finding in speaking if finding not in fresh]
    told.update((finding.rule, finding.text) for finding in fresh)
    for finding in fresh:
        yield finding_text(finding, zone), wording.source_text(finding)
    if standing:
        yield f"still {', '.join(dict.fromkeys(standing))}", AS_ABOVE
    fresh_met = [finding for finding in met if (finding.rule, MET) not in told]
    told.update((finding.rule, MET) for finding in met)
    for family, findings in _families(fresh_met).items():
        rules = ", ".join(dict.fromkeys(finding.rule for finding in findings))
        yield f"met, {family}: {rules}", ", ".join(_sources(findings))
    if len(fresh_met) < len(met):
        yield f"met again, as before: {len(met) - len(fresh_met)} rules", AS_ABOVE
    silent = [f for f in silent_rules(given) if (f.rule, f.text) not in told]
    told.update((finding.rule, finding.text) for finding in silent)
    if silent:
        rules = ", ".join(dict.fromkeys(finding.rule for finding in silent))
        yield f"not checked, as nothing was sent: {rules}", ""
    if not (given.findings or met):
        yield wording.WORD_TEXT.get(given.word, ""), ""


def _families(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    found: dict[str, list[Finding]] = {}
    for finding in findings:
        family = FAMILIES.get(finding.rule.partition("-")[0], "others")
        found.setdefault(family, []).append(finding)
    return found


def _sources(findings: Iterable[Finding]) -> list[str]:
    """Every published source that stands behind the findings, once, by its number."""
    cited = {tag for f in findings for c in f.cited for tag in SOURCE.findall(c.source)}
    return sorted(cited, key=lambda tag: int(tag[1:]))


def milestones(played: Played, *, narrow: bool = False) -> Table:
    """What the service raised, changed and closed, and what the partners answered; of reminders
    only the first. narrow: cause and receiver stand under the text."""
    made = table("time", "what followed*") if narrow else table(*MILESTONES)
    zone = played.scenario.zone
    rows: list[tuple[datetime, int, str, str, str]] = []
    said: dict[str, Content] = {}
    for place, (emission, partners) in enumerate(joined(played.emissions)):
        text = f"{emission.type}: {news(emission.content, said.get(emission.key), zone)}"
        said[emission.key] = emission.content
        if _is_milestone(emission):
            to = "\n".join(partners)
            rows.append((emission.at, place, emission.because, escape(text), to))
    for line in played.happened:
        event = line.event
        if isinstance(event, Reply):
            text = f"{event.partner} answers {event.task}: {event.status}"
            rows.append((event.at, -1, "", text, ""))
    for at, _, because, text, to in sorted(rows, key=lambda row: row[:2]):
        beside = (_beneath(because, text, to),) if narrow else (because, text, to)
        made.add_row(clock(at, zone), *beside)
    return made


MILESTONES = ("time", "because of", "what followed*", "to")


def _beneath(because: str, text: str, to: str) -> str:
    if not to:
        return text
    return f"{text}\n[dim]to {to.replace(chr(10), ' and ')}, because of {because}[/]"


def _is_milestone(emission: Emission) -> bool:
    if isinstance(emission.content, Procedure | Event) or emission.withdrawn:
        return True
    return emission.version == 1 and not isinstance(emission.content, Observed)


def by_partner(played: Played, *, narrow: bool = False) -> Table:
    """What each stand-in holds in the end: type, versions it received, and what it says.

    narrow: a partner's name stands above what it holds.
    """
    columns = ("partner", "resource", "received", "what it says*")
    made = table(*columns[1:]) if narrow else table(*columns)
    zone = played.scenario.zone
    for partner in played.partners:
        release = played.scenario.settings.partner[partner].release
        last = {emission.key: emission for emission in played.to(partner)}
        name = f"{partner} ({release})"
        if narrow:
            made.add_row(f"[bold]{name}[/]")
        for place, emission in enumerate(last.values()):
            first = [] if narrow else [name if place == 0 else ""]
            times = _times(played.held[(partner, emission.key)])
            made.add_row(*first, emission.type, times, escape(says(emission.content, zone)))
    return made


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} versions"
