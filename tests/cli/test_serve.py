"""``serve``: a named profile, loopback unless tokens are configured, faults before it listens."""

import gc
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from service.cli import main
from service.cli import serve as command

Capture = pytest.CaptureFixture[str]
SETTINGS = """\
[service]
{profile}
store = "{store}"
host = "{host}"

[facility.harrow-vale]
name = "Harrow Vale Hospital"
identifier = "https://harrow-vale.example/id/organisation|harrow-vale"
zone = "Europe/London"
blood_bank_name = "Harrow Vale blood bank"
blood_bank_identifier = "https://harrow-vale.example/id/organisation|harrow-vale-blood-bank"

[source.ward]
facility = "harrow-vale"
{token}
"""


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """What uvicorn was started with, instead of starting it."""
    found: list[dict[str, Any]] = []
    monkeypatch.setenv(command.SETTINGS, "")
    monkeypatch.setattr(uvicorn, "run", lambda app, **given: found.append({"app": app} | given))
    return found


def settings(
    place: Path, *, host: str = "127.0.0.1", token: str = "", profile: str = 'profile = "default"'
) -> str:
    """A settings file."""
    path = place / "settings.toml"
    store = place / "store.sqlite3"
    path.write_text(
        SETTINGS.format(store=store, host=host, token=token, profile=profile), encoding="utf-8"
    )
    return str(path)


class TestBinding:
    """Who can reach it must be known."""

    @pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost"])
    def test_on_loopback_no_token_is_needed(
        self, tmp_path: Path, started: list[dict[str, Any]], host: str
    ) -> None:
        assert main(["serve", settings(tmp_path, host=host), "--workers", "2"]) == 0
        (given,) = started
        assert (given["host"], given["workers"]) == (host, 2)

    @pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "harrow-vale.example"])  # noqa: S104
    def test_from_outside_every_source_needs_one(
        self, tmp_path: Path, started: list[dict[str, Any]], capsys: Capture, host: str
    ) -> None:
        assert main(["serve", settings(tmp_path, host=host)]) == 2
        assert "every source needs a token" in capsys.readouterr().err
        assert started == []

    def test_with_tokens_it_may_be_reached(
        self, tmp_path: Path, started: list[dict[str, Any]]
    ) -> None:
        path = settings(tmp_path, host="192.0.2.7", token='token = "a-token-of-the-ward"')
        assert main(["serve", path]) == 0
        assert len(started) == 1


class TestSettings:
    """Faults are told before anything listens."""

    def test_a_profile_must_be_named(
        self, tmp_path: Path, started: list[dict[str, Any]], capsys: Capture
    ) -> None:
        assert main(["serve", settings(tmp_path, profile="")]) == 2
        assert "service.profile" in capsys.readouterr().err
        assert started == []

    def test_an_unknown_profile_is_told(
        self, tmp_path: Path, started: list[dict[str, Any]], capsys: Capture
    ) -> None:
        assert main(["serve", settings(tmp_path, profile='profile = "atlantis"')]) == 2
        assert "atlantis" in capsys.readouterr().err
        assert started == []


class TestApplication:
    """What each worker process makes for itself."""

    def test_it_is_made_from_the_settings_in_the_environment(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv(command.SETTINGS, settings(tmp_path))
        thresholds = gc.get_threshold()
        try:
            api = command.application()
        finally:
            gc.unfreeze()
            gc.set_threshold(*thresholds)
        assert any(getattr(route, "path", "") == "/health/live" for route in api.routes)
        assert (tmp_path / "store.sqlite3").exists()
