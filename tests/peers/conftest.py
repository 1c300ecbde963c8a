"""Independent software, each in an environment of its own, installed by name with pip.

The environments are kept in the folder named by FHIR_PEERS, else in the user's cache. A peer that
cannot be had fails its tests; it never skips them.
"""

import os
import subprocess
import sys
import time
import urllib.request
import venv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.crash.rig import free_port

# A general-purpose FHIR R4 test server, Apache-2.0.
SERVER = "sekmet-fhir==0.1.1"
SETTINGS = """
host: 127.0.0.1
port: {port}
base_url: http://127.0.0.1:{port}/fhir
database_url: sqlite:///{folder}/records.sqlite3
simulator:
  enabled: false
"""


@dataclass(frozen=True)
class Peer:
    """A server that runs; ``base`` is its FHIR address."""

    base: str


def environment(requirement: str) -> Path:
    """The Python of an environment that holds one pinned package."""
    named = os.environ.get("FHIR_PEERS")
    home = Path(named) if named else Path.home() / ".cache/transfusion-events/peers"
    folder = home / requirement.replace("==", "-")
    python = folder / "bin/python"
    if not (folder / "complete").is_file():
        venv.create(folder, with_pip=True, clear=True)
        subprocess.run([python, "-m", "pip", "install", "--quiet", requirement], check=True)
        (folder / "complete").touch()
    return python


@pytest.fixture
def general_server(tmp_path: Path) -> Iterator[Peer]:
    """A general-purpose FHIR R4 server with an empty database."""
    python = environment(SERVER)
    port = free_port()
    folder = tmp_path / "peer"
    folder.mkdir()
    settings = folder / "settings.yaml"
    settings.write_text(SETTINGS.format(port=port, folder=folder), encoding="utf-8")
    command = [str(python.parent / "sekmet"), "serve", "-c", str(settings)]
    with (folder / "output.log").open("wb") as output:
        process = subprocess.Popen(
            command, cwd=folder, stdout=output, stderr=subprocess.STDOUT, env=_quiet()
        )
        try:
            _wait(f"http://127.0.0.1:{port}/fhir/metadata", process, folder / "output.log")
            yield Peer(base=f"http://127.0.0.1:{port}/fhir")
        finally:
            process.kill()
            process.wait()


def _quiet() -> dict[str, str]:
    return {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "COVERAGE"))}


def _wait(url: str, process: "subprocess.Popen[bytes]", log: Path) -> None:
    for _ in range(400):
        if process.poll() is not None:
            break
        try:
            with urllib.request.urlopen(url, timeout=2) as response:  # noqa: S310
                if response.status == 200:
                    return
        except OSError:
            time.sleep(0.05)
    sys.stderr.write(log.read_text(encoding="utf-8", errors="replace")[-2000:])
    raise AssertionError("the peer did not start")
