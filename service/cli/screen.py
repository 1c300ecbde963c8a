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

from service.assessment.desired import (
    Content,
    Event,
    Issue,
    Observed,
    Procedure,
    Request,
    Volume,
)
from service.facts.finding import Finding
from service.facts.quantity import UNIT_OF
from service.fhir.write import wording
from service.replay.expectation import finding_line, speaks
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


def table(*columns: str, title: str | None = None) -> Table:
    """A table in our one style; columns named with a trailing ``*`` may be wrapped."""
    made = Table(box=box.SIMPLE_HEAD, title=title, title_justify="left", pad_edge=False)
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


# -- the timeline


def timeline(played: Played) -> Table:
    """Everything in the order in which it happened: came in, answered, went out."""
    made = table("time", "came in*", "answer", "went out*")
    made.expand = True
    made.columns[1].ratio, made.columns[3].ratio = 2, 5
    for at, came, answer, went in _rows(played):
        made.add_row(clock(at, played.scenario.zone), came, answer, "\n".join(went))
    return made


def _rows(played: Played) -> Iterable[tuple[datetime, str, str, list[str]]]:
    left = list(_joined(played.emissions))
    for line in played.happened:
        event = line.event
        while left and left[0][0].because == TIME and left[0][0].at <= event.at:
            at = left[0][0].at
            due = [pair for pair in left if pair[0].because == TIME and pair[0].at == at]
            left = [pair for pair in left if pair not in due]
            yield at, "[dim]time passed[/]", "", [_went(*pair) for pair in due]
        mine = [p for p in left if p[0].because == name_of(event) and p[0].at == event.at]
        left = [pair for pair in left if pair not in mine]
        if not isinstance(event, Advance):
            yield event.at, came_in(line), _answers(line), [_went(*pair) for pair in mine]


def _joined(emissions: Sequence[Emission]) -> Iterable[tuple[Emission, tuple[str, ...]]]:
    """One emission for every partner that got the same version of the same thing."""
    found: dict[tuple[str, int], tuple[Emission, tuple[str, ...]]] = {}
    for emission in emissions:
        first, partners = found.get((emission.key, emission.version), (emission, ()))
        found[(emission.key, emission.version)] = (first, (*partners, emission.partner))
    return found.values()


def came_in(line: Happened) -> str:
    """One message: who sent it and what it brought."""
    event = line.event
    if isinstance(event, Reply):
        return f"{event.partner}: {event.task} {event.status}"
    if isinstance(event, Advance):
        return ""
    steps = ", ".join(given.step for given in line.given)
    kinds = [kind for kind in line.created if kind != "Task" or not steps]
    counted = [_counted(kind, kinds.count(kind)) for kind in dict.fromkeys(kinds)]
    corrected = ", ".join(f"{kind} corrected" for kind in line.corrected)
    refused = f"refused with {line.status}" if line.status and line.status >= 300 else ""
    again = f"{line.held} already held" if line.held else ""
    parts = [part for part in (steps, ", ".join(counted), corrected, refused, again) if part]
    return f"{event.source}: {'; '.join(parts) or event.file}"


def _counted(kind: str, count: int) -> str:
    return kind if count == 1 else f"{count} {kind}"


def _answers(line: Happened) -> str:
    return "\n".join(styled(given.word) for given in line.given)


def _went(emission: Emission, partners: tuple[str, ...]) -> str:
    again = f" v{emission.version}" if emission.version > 1 else ""
    return f"{emission.type}{again} to {' and '.join(partners)}: {escape(says(emission.content))}"


def says(content: Content) -> str:
    """One emitted resource in a few words."""
    if isinstance(content, Procedure):
        given = f", {content.volume} mL given" if content.volume is not None else ""
        confirmed = f", confirmed: {content.complication}" if content.complication else ""
        return f"unit {content.unit.key.din} {content.status}{given}{confirmed}"
    if isinstance(content, Volume):
        return f"{content.value} mL given"
    if isinstance(content, Issue):
        found = "; ".join(finding_line(finding) for finding in content.findings)
        return f"{content.status}, {content.severity}: {found}"
    if isinstance(content, Event):
        return f"{content.status}: {content.title}"
    if isinstance(content, Request):
        return f"{content.status}, {content.priority}: {content.text}"
    if isinstance(content, Observed):
        readings = ", ".join(
            f"{r.vital.value} {r.value} {UNIT_OF[r.vital]}" for r in content.readings
        )
        return f"{content.label}: {readings or ', '.join(content.signs)}"
    return ""


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


def checks(played: Played) -> Table:
    """Every answered step with its verdict or advice, what the rules say and where that is from.

    A finding is told in full once; where it stands unchanged in a later answer, by its rule alone.
    """
    made = table("step", "answer", "what the rules say*", "policy row and source*")
    made.expand = True
    made.columns[2].ratio, made.columns[3].ratio = 5, 4
    told: set[tuple[str, str]] = set()
    for line in played.happened:
        for given in line.given:
            rows = list(_reasons(given, played.met.get(given.step, ()), told))
            for place, (text, source) in enumerate(rows):
                first = (given.step, styled(given.word)) if place == 0 else ("", "")
                made.add_row(*first, escape(text), escape(source))
    return made


def _reasons(
    given: Given, met: Sequence[Finding], told: set[tuple[str, str]]
) -> Iterable[tuple[str, str]]:
    """Pairs of text and source: what speaks, then what stands, what was met, what was not told."""
    speaking = [finding for finding in given.findings if speaks(finding)]
    fresh = [finding for finding in speaking if (finding.rule, finding.text) not in told]
    standing = [finding.rule for finding in speaking if finding not in fresh]
    told.update((finding.rule, finding.text) for finding in fresh)
    for finding in fresh:
        shown = "; ".join(f"{label} {value}" for label, value in finding.shown)
        text = f"{finding.rule} {wording.word_of(finding)}: {finding.text}"
        yield f"{text} ({shown})" if shown else text, wording.source_text(finding)
    if standing:
        yield f"still {', '.join(dict.fromkeys(standing))}", "as above"
    fresh_met = [finding for finding in met if (finding.rule, MET) not in told]
    told.update((finding.rule, MET) for finding in met)
    for family, findings in _families(fresh_met).items():
        rules = ", ".join(dict.fromkeys(finding.rule for finding in findings))
        yield f"met, {family}: {rules}", ", ".join(_sources(findings))
    if len(fresh_met) < len(met):
        yield f"met again, as before: {len(met) - len(fresh_met)} rules", "as above"
    silent = [f for f in given.findings if not speaks(f) and (f.rule, f.text) not in told]
    told.update((finding.rule, finding.text) for finding in silent)
    if silent:
        rules = ", ".join(dict.fromkeys(finding.rule for finding in silent))
        yield f"not checked, as nothing was sent: {rules}", ""
    if not (speaking or met or silent):
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


def milestones(played: Played) -> Table:
    """What the service raised, changed and closed, and what the partners answered; of reminders
    only the first."""
    made = table("time", "because of", "what followed*", "to")
    rows: list[tuple[datetime, int, str, str, str]] = []
    said: dict[str, Content] = {}
    for place, (emission, partners) in enumerate(_joined(played.emissions)):
        text = f"{emission.type}: {_news(emission.content, said.get(emission.key))}"
        said[emission.key] = emission.content
        if _is_milestone(emission):
            to = " and ".join(partners)
            rows.append((emission.at, place, emission.because, escape(text), to))
    for line in played.happened:
        event = line.event
        if isinstance(event, Reply):
            text = f"{event.partner} answers {event.task}: {event.status}"
            rows.append((event.at, -1, "", text, ""))
    for at, _, *cells in sorted(rows, key=lambda row: row[:2]):
        made.add_row(clock(at, played.scenario.zone), *cells)
    return made


def _news(content: Content, before: Content | None) -> str:
    """What a first version says; of a later version of a notice, what is new in it."""
    if isinstance(content, Event) and isinstance(before, Event):
        known = set(before.lines)
        fresh = [f"{label}: {text}" for label, text in content.lines if (label, text) not in known]
        if fresh and content.status == before.status:
            return "; ".join(fresh)
    return says(content)


def _is_milestone(emission: Emission) -> bool:
    if isinstance(emission.content, Procedure | Event) or emission.withdrawn:
        return True
    return emission.version == 1 and not isinstance(emission.content, Observed)


def by_partner(played: Played) -> Table:
    """What each stand-in holds in the end: type, versions it received, and what it says."""
    made = table("partner", "resource", "received", "what it says*")
    for partner in played.partners:
        release = played.scenario.settings.partner[partner].release
        last = {emission.key: emission for emission in played.to(partner)}
        for place, emission in enumerate(last.values()):
            name = f"{partner} ({release})" if place == 0 else ""
            times = _times(played.held[(partner, emission.key)])
            made.add_row(name, emission.type, times, escape(says(emission.content)))
    return made


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} versions"
