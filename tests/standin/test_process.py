"""A stand-in in a process of its own keeps what it acknowledged, however the process ends."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

ID = "0d8f3a52-1f4e-4a7d-8a57-5a9b3c1d2e3f"


@contextmanager
def running(keep: Path) -> Iterator[str]:
    """The base URL of a stand-in that is killed afterwards."""
    command = [sys.executable, "-m", "service.standin", "record-system", "--keep", str(keep)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


class TestKilled:
    """The witness of what was delivered must itself forget nothing."""

    def test_that_what_was_acknowledged_is_there_again(self, tmp_path: Path) -> None:
        keep = tmp_path / "witness.sqlite3"
        task = {"resourceType": "Task", "id": ID, "status": "requested"}
        with running(keep) as url:
            assert httpx.put(f"{url}/Task/{ID}", json=task).status_code == 201
        with running(keep) as url:
            assert httpx.get(f"{url}/Task/{ID}").json()["meta"]["versionId"] == "1"
            assert httpx.put(f"{url}/Task/{ID}", json=task).headers["etag"] == 'W/"2"'
