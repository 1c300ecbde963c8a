"""``demo``: the whole job on one screen, through real HTTP on loopback, on invented people."""

import argparse
import asyncio
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from time import monotonic
from typing import Any

from rich.console import Console
from rich.markup import escape

from service.cli.screen import (
    by_partner,
    came_in_table,
    cautions,
    checks,
    clock_of,
    console,
    is_narrow,
    milestones,
)
from service.replay.files import find
from service.replay.play import play
from service.replay.played import Played
from service.replay.scenario import load
from service.replay.stage import loopback_stage

SCENARIO = "fever-at-fifteen-minutes-is-notified-and-taken-up"
SNIPPET = """\
[service]
profile = "default"                     # or uk, us, us-nj, nz, au, ca; look at: policy show
store = "transfusion-events.sqlite3"

[facility.your-hospital]
name = "Your Hospital"
identifier = "https://your-hospital.example/id/organisation|your-hospital"
zone = "Europe/London"
blood_bank_name = "Your blood bank"
blood_bank_identifier = "https://your-hospital.example/id/organisation|blood-bank"
identity_systems = ["https://your-hospital.example/id/patient"]

[source.record-system]                  # who may send here, and what it may state
facility = "your-hospital"
token_file = "record-system.token"
asserts = ["patient", "order", "consent", "step", "observation", "context"]

[partner.record-system]                 # where records, findings and reminders go
base_url = "https://record.your-hospital.example/fhir"
release = "R4"
roles = ["record-system"]
token_file = "to-record-system.token"

[partner.blood-bank]                    # where notices go
base_url = "https://blood-bank.your-hospital.example/fhir"
release = "R5"
roles = ["blood-bank"]
token_file = "to-blood-bank.token"\
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A demonstration that was played: what came of it, where everything listened, how long."""

    played: Played
    addresses: Mapping[str, str]
    seconds: float


def add_to(commands: Any) -> None:
    """Adds the command to the parser."""
    parser = commands.add_parser(
        "demo",
        help="show the whole job on one screen",
        description=(
            "Starts the service and two stand-ins for partners on loopback, plays a scenario of "
            "invented people through HTTP on a clock set by hand, and shows what came of it. "
            "Nothing is kept, and nothing leaves this machine."
        ),
    )
    parser.add_argument(
        "scenario", nargs="?", default=SCENARIO, metavar="SCENARIO", help="a scenario's name"
    )
    parser.add_argument(
        "--release", choices=("r4", "r5"), default="r4", help="which messages to send"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Plays and shows; 1 when something did not reach a partner."""
    to = console()
    shown = asyncio.run(_play(arguments.scenario, arguments.release.upper()))
    _show(to, shown)
    return 1 if shown.played.undelivered else 0


async def _play(name: str, release: str) -> Shown:
    scenario = load(find(name)[0])
    began = monotonic()
    async with loopback_stage(scenario.settings, scenario.start) as on:
        played = await play(scenario, release, on)
        addresses = {
            "the service": str(on.door.base_url),
            **{name: p.base_url for name, p in on.application.settings.partner.items()},
        }
    return Shown(played=played, addresses=addresses, seconds=monotonic() - began)


def _show(to: Console, shown: Shown) -> None:
    """The one screen: cautions, what came in, checks, the timeline, what went out, what next."""
    played = shown.played
    scenario, narrow = played.scenario, is_narrow(to)
    cautions(to)
    to.print(f"\n[bold]{escape(scenario.title)}[/] (invented people and places)")
    to.print(
        f"Played in {shown.seconds:.1f} s through HTTP, messages in {played.release}, on a clock "
        f"set by hand and the embedded store in a temporary folder: {_listening(shown.addresses)}."
    )
    to.print(clock_of(played))
    _heading(to, "What came in, in order")
    to.print(came_in_table(played))
    _heading(to, "What the rules said, with the policy row and its published source")
    to.print(checks(played, narrow=narrow))
    to.print(f"Profile {scenario.settings.service.profile}. S01 and so on: mappings/sources.toml.")
    _heading(to, "What the service did about it, and when")
    to.print(milestones(played, narrow=narrow))
    _heading(to, "What each partner holds now")
    to.print(by_partner(played, narrow=narrow))
    for line in played.undelivered:
        to.print(f"Not delivered: {escape(line)}", style="bold red")
    _heading(to, "To connect a real partner")
    to.print("Write your systems into settings.toml, then run the service beside them:\n")
    to.print(SNIPPET, markup=False, soft_wrap=True)
    to.print("\n  transfusion-events serve settings.toml", markup=False)
    to.print("  transfusion-events policy show --profile default", markup=False)
    to.print(
        "  transfusion-events replay        (all scenarios, against what they expect)", markup=False
    )


def _heading(to: Console, text: str) -> None:
    to.print(f"\n[bold]{text}[/]")


def _listening(addresses: Mapping[str, str]) -> str:
    parts: Iterable[str] = (f"{name} at {address}" for name, address in addresses.items())
    return ", ".join(parts)
