"""``serve``: the API with its workers."""

import argparse
import gc
import ipaddress
import os
import sys
from pathlib import Path
from typing import Any

import uvicorn

from service.app import build
from service.bench import sampling
from service.errors import SettingsFault
from service.settings import Settings, load

SETTINGS = "TRANSFUSION_SETTINGS"
SWITCH = 0.0002  # seconds; the usual 5 ms would be spent at many of a transaction's statements


def add_to(commands: Any) -> None:
    """Adds the command to the parser."""
    parser = commands.add_parser("serve", help="run the API and the workers")
    parser.add_argument("settings", type=Path, help="the settings file (TOML)")
    parser.add_argument("--workers", type=int, default=1, metavar="N", help="processes (default 1)")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serves until stopped."""
    settings = load(arguments.settings)
    check_binding(settings)
    build(settings).store.close()  # fails here, once, and not in every worker
    os.environ[SETTINGS] = str(arguments.settings.resolve())
    uvicorn.run(
        "service.cli.serve:application",
        factory=True,
        host=settings.service.host,
        port=settings.service.port,
        workers=arguments.workers,
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=10,
    )
    return 0


def application() -> Any:
    """The HTTP application of one worker process."""
    made = build(load(Path(os.environ[SETTINGS])))
    if sampling.FOLDER in os.environ:
        sampling.start(made, Path(os.environ[sampling.FOLDER]))
    api = made.api()
    settle()
    return api


def settle() -> None:
    """Sets apart what lives as long as the process, so that the collector never walks it again.

    What a request leaves behind is freed without the collector, but for a few cycles: it may wait.
    The thread that writes holds up every other process while it waits for its turn at Python.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)
    sys.setswitchinterval(SWITCH)


def check_binding(settings: Settings) -> None:
    """Refuses an address that others can reach while a source has no token."""
    if settings.has_tokens or _is_loopback(settings.service.host):
        return
    raise SettingsFault(
        f"service.host: {settings.service.host} can be reached from outside, "
        "so every source needs a token; or bind to 127.0.0.1."
    )


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
