"""``replay``: plays scenarios on a hand-set clock and compares what came out."""

import argparse
import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from service.cli.screen import (
    cautions,
    clock_of,
    console,
    hyphenated,
    is_narrow,
    table,
    timeline,
)
from service.cli.streams import play_stream
from service.errors import ScenarioFault
from service.replay.expectation import FILE, accept, accepted, differences, expectation
from service.replay.files import find, fixtures
from service.replay.play import replay
from service.replay.played import Played
from service.replay.scenario import RELEASES, Scenario, load

COUNTS = ("release", "messages", "answers", "sent")
NARROW_COUNTS = ("in / answered / out",)
NARROW_REST = len("in / answered / out   as expected   ") + 4
CHOICES = {"r4": ("R4",), "r5": ("R5",), "both": RELEASES}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One scenario in one release: what came out, and every difference from what is expected."""

    played: Played
    differences: tuple[str, ...]


def add_to(commands: Any) -> None:
    """Adds the command to the parser."""
    parser = commands.add_parser(
        "replay",
        help="run scenarios and compare what was emitted",
        description=(
            "Plays scenarios on a clock set by hand, on a store of its own, to stand-ins in the "
            "same process. The exit code is 1 when anything differs from what is expected."
        ),
    )
    parser.add_argument(
        "scenario",
        nargs="*",
        metavar="SCENARIO",
        help="a folder, a folder of folders, or the name of a shipped scenario (default: all)",
    )
    parser.add_argument(
        "--release", choices=sorted(CHOICES), default="both", help="which messages to send"
    )
    parser.add_argument(
        "--accept", action="store_true", help=f"write what came out to {FILE}, for review"
    )
    parser.add_argument(
        "--timeline", action="store_true", help="show the timeline; done anyway for one scenario"
    )
    parser.add_argument(
        "--processes",
        type=int,
        choices=range(1, 65),
        metavar="N",
        default=1,
        help="share generated traffic among so many (default 1); a scenario takes one",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Plays the scenarios; 1 when anything differs."""
    named = arguments.scenario or [str(fixtures())]
    folders = tuple(dict.fromkeys(folder for name in named for folder in find(name)))
    loaded = [load(folder) for folder in folders]
    scenarios = [scenario for scenario in loaded if not scenario.stream]
    streams = [(s, r) for s in loaded if s.stream for r in _releases(s, arguments.release)]
    wanted = [(s, r) for s in scenarios for r in _releases(s, arguments.release)]
    to = console()
    refused = sum(play_stream(to, s, r, arguments.processes).refused for s, r in streams)
    if not wanted:
        cautions(to)
        return 1 if refused else 0
    outcomes = asyncio.run(_play(to, wanted, accepting=arguments.accept))
    if arguments.timeline or len(scenarios) == 1:
        _show_timelines(to, outcomes)
    show_summary(to, outcomes)
    cautions(to)
    return 1 if refused or any(outcome.differences for outcome in outcomes) else 0


def _releases(scenario: Scenario, asked: str) -> tuple[str, ...]:
    found = tuple(release for release in CHOICES[asked] if release in scenario.releases)
    if not found:
        raise ScenarioFault(f"{scenario.name} has no messages in {asked.upper()}.")
    return found


async def _play(
    to: Console, wanted: Sequence[tuple[Scenario, str]], *, accepting: bool
) -> list[Outcome]:
    outcomes: list[Outcome] = []
    written: dict[Path, Played] = {}
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    total = sum(len(scenario.timeline) for scenario, _ in wanted)
    with Progress(*columns, console=to, transient=True, disable=not to.is_terminal) as progress:
        task = progress.add_task("replaying", total=total)
        for scenario, release in wanted:
            progress.update(task, description=f"{scenario.name} {release}")
            played = await replay(scenario, release, lambda _: progress.advance(task))
            if accepting and scenario.folder not in written:
                accept(scenario.folder, expectation(played))
                written[scenario.folder] = played
            outcomes.append(Outcome(played=played, differences=tuple(_compared(played))))
    return outcomes


def _compared(played: Played) -> Iterable[str]:
    """One line per difference, and per answer that the timeline itself asks for and did not get."""
    folder = played.scenario.folder
    held = accepted(folder)
    if held is None:
        yield f"there is no {FILE} yet; look at what came out and accept it with --accept"
    else:
        yield from differences(held, expectation(played))
    yield from wrong_answers(played)


def wrong_answers(played: Played) -> Iterable[str]:
    """Where a message's steps were answered otherwise than its line of the timeline says."""
    for line in played.happened:
        wanted = getattr(line.event, "answer", None)
        for given in line.given if wanted is not None else ():
            if given.word != wanted:
                yield f"{given.step}: expected the answer {wanted}, it was {given.word}"
        if wanted is not None and not line.given:
            yield f"{getattr(line.event, 'file', '')}: expected the answer {wanted}, got none"


def _show_timelines(to: Console, outcomes: Iterable[Outcome]) -> None:
    shown = set()
    for outcome in outcomes:
        scenario = outcome.played.scenario
        if scenario.folder not in shown:
            shown.add(scenario.folder)
            to.print(f"\n[bold]{escape(scenario.title)}[/]")
            to.print(clock_of(outcome.played))
            to.print(timeline(outcome.played, narrow=is_narrow(to)))


def show_summary(to: Console, outcomes: Sequence[Outcome]) -> None:
    """One line per scenario and release, then one per difference."""
    narrow = is_narrow(to)
    made = table("scenario", *(NARROW_COUNTS if narrow else COUNTS), "result")
    for outcome in outcomes:
        played = outcome.played
        count = len(outcome.differences)
        counts = (
            str(sum(1 for line in played.happened if line.status is not None)),
            str(sum(len(line.given) for line in played.happened)),
            str(len(played.emissions)),
        )
        made.add_row(
            hyphenated(played.scenario.name, to.width - NARROW_REST if narrow else to.width),
            *(
                (f"{played.release}  {' / '.join(counts)}",)
                if narrow
                else (played.release, *counts)
            ),
            "as expected" if not count else f"[bold red]{count} different[/]",
        )
    to.print(made)
    for outcome in outcomes:
        for line in outcome.differences:
            name = f"{outcome.played.scenario.name} {outcome.played.release}"
            to.print(f"{name}: {escape(line)}", soft_wrap=True)
