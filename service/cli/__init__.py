"""The command line: one module per command."""

from service.cli.main import main

__all__ = ["main"]
