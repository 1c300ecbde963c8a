"""``policy``: checks the policy files and shows what is in force."""

import argparse
from pathlib import Path
from typing import Any

from service.errors import PolicyFault
from service.fhir.codes import load_codes
from service.fhir.products import load_products
from service.policy.difference import Statement, difference
from service.policy.files import mappings
from service.policy.load import load, profiles


def add_to(commands: Any) -> None:
    """Adds the command to the parser."""
    parser = commands.add_parser("policy", help="check or show the policy")
    actions = parser.add_subparsers(metavar="ACTION", required=True)
    check = actions.add_parser("check", help="report every fault of all profiles and an overlay")
    check.add_argument("--overlay", type=Path, help="a site's folder of rows and tables")
    check.set_defaults(run=check_files)
    show = actions.add_parser("show", help="the rows in force, or what differs from a profile")
    show.add_argument("--profile", default="default")
    show.add_argument("--diff", metavar="PROFILE", help="show only what differs from this profile")
    show.add_argument("--overlay", type=Path)
    show.set_defaults(run=show_rows)


def check_files(arguments: argparse.Namespace) -> int:
    """Loads every profile; prints each fault once and returns 2 when there is any."""
    faults: dict[str, None] = {}
    names = profiles(mappings())
    for name in names:
        try:
            load(name, mappings(), arguments.overlay)
        except PolicyFault as found:
            faults.update(dict.fromkeys(found.faults))
    try:
        _check_codes(arguments.overlay)
    except PolicyFault as found:
        faults.update(dict.fromkeys(found.faults))
    if faults:
        raise PolicyFault(*faults)
    print(f"No fault in the profiles {', '.join(names)}, the code maps and the products.")
    return 0


def _check_codes(overlay: Path | None) -> None:
    """Loads the code maps, then the products, with a site's own; raises PolicyFault."""
    local = overlay / "codes" if overlay is not None else None
    codes = load_codes(mappings() / "codes", *([local] if local and local.is_dir() else []))
    folders = [mappings(), *([overlay] if overlay is not None else [])]
    load_products(folders, codes.concepts["requirements"].words)


def show_rows(arguments: argparse.Namespace) -> int:
    """Prints one line per row: id, value, since, source."""
    chosen = load(arguments.profile, mappings(), arguments.overlay)
    if arguments.diff:
        for one in difference(load(arguments.diff, mappings()), chosen):
            print(f"{one.key} since {one.since}")
            print(f"  {arguments.diff:10} {_said(one.first)}")
            print(f"  {arguments.profile:10} {_said(one.second)}")
        return 0
    rows = [row.cited for dated in chosen.rows.values() for row in dated]
    rules = [row.cited for dated in chosen.rules.values() for row in dated]
    for cited in (*rows, *rules):
        print(f"{cited.row:36} {cited.value:24} since {cited.since}  {cited.source}")
    return 0


def _said(statement: Statement | None) -> str:
    return f"{statement.value} ({statement.source})" if statement else "says nothing"
