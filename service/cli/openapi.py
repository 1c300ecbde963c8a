"""``openapi``: writes the description of the API, or compares it with the running application."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from service.api.description import describe


def add_to(commands: Any) -> None:
    """Adds the command to the parser."""
    parser = commands.add_parser("openapi", help="write or check openapi/*.json")
    parser.add_argument("folder", type=Path, nargs="?", default=Path("openapi"))
    parser.add_argument("--check", action="store_true", help="compare only; 1 when they differ")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Writes one document, or says whether the committed one is that of the application."""
    path: Path = arguments.folder / "openapi.json"
    made = json.dumps(describe(), indent=2, sort_keys=True, ensure_ascii=False) + "\n"
    if not arguments.check:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(made, encoding="utf-8")
        return 0
    if path.is_file() and path.read_text(encoding="utf-8") == made:
        return 0
    text = f"{path} is not what the application does; run: transfusion-events openapi"
    print(text, file=sys.stderr)
    return 1
