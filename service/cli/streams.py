"""Shows how a stream is played: a bar while it runs, then what came of it and how fast."""

from collections import Counter
from pathlib import Path
from time import monotonic

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from service.cli.screen import table
from service.replay.parts import replay_parts
from service.replay.scenario import Scenario
from service.replay.streaming import Streamed

BLOCK = 1 << 20


def play_stream(to: Console, scenario: Scenario, release: str, processes: int) -> Streamed:
    """Plays and shows one stream in one release. Raises ScenarioFault."""
    columns = (
        *(TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn()),
        *(TextColumn("{task.fields[rate]:.0f} resources/s"), TimeRemainingColumn()),
    )
    total, began = _lines(scenario, release), monotonic()
    with Progress(*columns, console=to, transient=True, disable=not to.is_terminal) as progress:
        task = progress.add_task(f"{scenario.name} {release}", total=total, rate=0.0)

        def played(messages: int, resources: int) -> None:
            rate = resources / max(monotonic() - began, 0.001)
            progress.update(task, completed=messages, rate=rate)

        found = replay_parts(scenario.folder, release, processes, played)
    _show(to, scenario, release, found, monotonic() - began, processes)
    return found


def _lines(scenario: Scenario, release: str) -> int:
    path: Path = scenario.folder / "in" / release.lower() / str(scenario.stream)
    with path.open("rb") as file:
        return sum(block.count(b"\n") for block in iter(lambda: file.read(BLOCK), b""))


def _show(
    to: Console,
    scenario: Scenario,
    release: str,
    found: Streamed,
    seconds: float,
    processes: int,
) -> None:
    to.print(f"[bold]{escape(scenario.title)}[/], {release}")
    shared = f" in {processes} processes" if processes > 1 else ""
    to.print(
        f"{found.messages} messages of {found.resources} resources in {seconds:.1f} s{shared}: "
        f"{found.resources / max(seconds, 0.001):.0f} resources/s; {found.refused} refused"
    )
    for fault in found.faults:
        to.print(f"  {escape(fault)}", soft_wrap=True)
    to.print(_counted("answer to", "word", found.answers))
    to.print(_counted("sent to", "type", found.emitted))


def _counted(first: str, second: str, counted: Counter[tuple[str, str]]) -> object:
    made = table(first, second, "times")
    for (name, what), times in sorted(counted.items()):
        made.add_row(name, what, str(times))
    return made
