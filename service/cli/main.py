"""Reads the command line and runs one command; errors are one plain sentence and an exit code."""

import argparse
import sys
from collections.abc import Sequence

from service.cli import demo, openapi, policy, replay, serve
from service.errors import FaultList, ServiceError

COMMANDS = (demo, serve, replay, policy, openapi)
CAUTION = (
    "Screening support, not a diagnosis. Local policy, the laboratory's label and licensed staff "
    "decide."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Runs a command and returns its exit code."""
    arguments = _parser().parse_args(argv)
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


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="transfusion-events",
        description="HL7 FHIR interoperability service for transfusion administration events.",
        epilog=CAUTION,
    )
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add_to(commands)
    return parser
