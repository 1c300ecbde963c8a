"""Reads the command line and runs one command; errors are one plain sentence and an exit code."""

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module

from service.errors import FaultList, ServiceError

# Each command is a module of its own with ``add_to(commands)``; only the one that is asked for is
# imported, so that a service starts without what the others need.
COMMANDS = {
    "demo": "show the whole job on one screen",
    "serve": "run the API and the workers",
    "replay": "run scenarios and compare what was emitted",
    "generate": "write seeded synthetic traffic of an invented hospital",
    "policy": "check or show the policy",
    "openapi": "write or check openapi/openapi.json",
    "bench": "measure this installation",
}
CAUTION = (
    "Screening support, not a diagnosis. Local policy, the laboratory's label and licensed staff "
    "decide."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Runs a command and returns its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    arguments = _parser(words).parse_args(words)
    try:
        code: int = arguments.run(arguments)
    except FaultList as faults:
        for fault in faults.faults:
            print(fault, file=sys.stderr)
        return faults.exit_code
    except ServiceError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return 130
    return code


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="transfusion-events",
        description="HL7 FHIR interoperability service for transfusion administration events.",
        epilog=CAUTION,
    )
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    asked = next((word for word in words if not word.startswith("-")), None)
    for name, summary in COMMANDS.items():
        if name == asked:
            import_module(f"service.cli.{name}").add_to(commands)
        else:
            commands.add_parser(name, help=summary)
    return parser
