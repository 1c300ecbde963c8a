"""The command line as a whole: help, unknown words, errors as sentences."""

import pytest

from service.cli import main
from service.cli.main import COMMANDS

Capture = pytest.CaptureFixture[str]


class TestHelp:
    """Every command says what it does, with the caution."""

    def test_the_commands_are_listed(self, capsys: Capture) -> None:
        with pytest.raises(SystemExit) as left:
            main(["--help"])
        assert left.value.code == 0
        out = capsys.readouterr().out
        assert "Screening support, not a diagnosis." in out
        for name, summary in COMMANDS.items():
            assert name in out
            assert summary in " ".join(out.split())

    @pytest.mark.parametrize("command", ["demo", "replay", "policy", "openapi", "serve"])
    def test_a_command_explains_itself(self, command: str, capsys: Capture) -> None:
        with pytest.raises(SystemExit) as left:
            main([command, "--help"])
        assert left.value.code == 0
        assert f"transfusion-events {command}" in capsys.readouterr().out

    def test_an_unknown_command_is_refused(self, capsys: Capture) -> None:
        with pytest.raises(SystemExit) as left:
            main(["transfuse"])
        assert left.value.code == 2
        assert "invalid choice" in capsys.readouterr().err


class TestErrors:
    """A plain sentence and an exit code, never a traceback."""

    def test_interrupting_leaves_with_130(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def interrupted(*_: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("service.cli.replay.find", interrupted)
        assert main(["replay", "anything"]) == 130

    def test_settings_that_are_not_there_are_told(self, capsys: Capture) -> None:
        assert main(["serve", "nowhere.toml"]) == 2
        assert capsys.readouterr().err == "There is no settings file at nowhere.toml.\n"
