"""``generate``: writes seeded synthetic traffic of an invented hospital."""

import argparse
from pathlib import Path
from time import monotonic
from typing import Any

from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from service.cli.screen import console
from service.errors import ScenarioFault
from service.generate.folder import STREAM, write
from service.generate.story import Message
from service.generate.stream import stream
from service.generate.traffic import shipped
from service.generate.words import RELEASES
from service.policy.files import mappings
from service.policy.load import profiles
from service.replay.files import FILE

CHOICES = {"r4": ("R4",), "r5": ("R5",), "both": RELEASES}


def add_to(commands: Any) -> None:
    """Adds the command to the parser."""
    parser = commands.add_parser(
        "generate",
        help="write seeded synthetic traffic of an invented hospital",
        description=(
            "Writes messages of an invented hospital, from order to last observation, as a folder "
            "that replay plays. Shares and rates, with their sources: mappings/traffic. The same "
            "seed gives the same bytes, and the n-th unit is the same whatever their number."
        ),
    )
    parser.add_argument("--units", type=_positive, default=1000, help="how many (default 1000)")
    parser.add_argument("--seed", type=int, default=1, help="a whole number (default 1)")
    parser.add_argument(
        "--release", type=str.lower, choices=sorted(CHOICES), default="both", help="which messages"
    )
    parser.add_argument(
        "--out", type=Path, default=Path("traffic"), help="the folder (default ./traffic)"
    )
    parser.add_argument(
        "--routine",
        action="store_true",
        help="only routine orders, nothing late, missing or mistyped, and no reactions",
    )
    parser.add_argument(
        "--profile",
        choices=profiles(mappings()),
        default="default",
        help="the policy that replay is to follow",
    )
    parser.set_defaults(run=run)


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError("at least one unit")
    return value


def run(arguments: argparse.Namespace) -> int:
    """Writes the folder and says what is in it."""
    _check(arguments.out)
    traffic, to = shipped(), console()
    began = monotonic()
    columns = (
        *(TextColumn("{task.description}"), BarColumn()),
        *(MofNCompleteColumn(), TimeRemainingColumn()),
    )
    with Progress(*columns, console=to, transient=True, disable=not to.is_terminal) as progress:
        task = progress.add_task("units", total=arguments.units)

        def written(message: Message) -> None:
            if message.name == "end":
                progress.advance(task)

        found = write(
            stream(arguments.units, arguments.seed, traffic, routine=arguments.routine),
            arguments.out,
            title=f"{arguments.units} units of an invented hospital, seed {arguments.seed}",
            profile=arguments.profile,
            releases=CHOICES[arguments.release],
            progress=written,
        )
    seconds = max(monotonic() - began, 0.001)
    to.print(
        f"{arguments.out}: {arguments.units} units in {found.messages} messages of "
        f"{found.resources} resources in {' and '.join(CHOICES[arguments.release])}; "
        f"{found.size / 1e6:.1f} MB in {seconds:.1f} s. Nobody in it exists.",
        soft_wrap=True,
    )
    to.print(f"Play it: transfusion-events replay {arguments.out}", soft_wrap=True)
    return 0


def _check(folder: Path) -> None:
    """A folder that holds another scenario is left alone."""
    held = folder / FILE
    if held.is_file() and f'stream = "{STREAM}"' not in held.read_text(encoding="utf-8"):
        raise ScenarioFault(f"{folder} holds a scenario already; choose another folder.")
