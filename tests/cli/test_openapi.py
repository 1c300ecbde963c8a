"""``openapi``: the committed description is that of the running application."""

from pathlib import Path

import pytest

from service.cli import main
from tests.support.replays import ROOT

Capture = pytest.CaptureFixture[str]


class TestOpenapi:
    """Written by the command, compared by CI."""

    def test_the_committed_document_is_current(self) -> None:
        assert main(["openapi", str(ROOT / "openapi"), "--check"]) == 0

    def test_what_it_writes_passes_its_own_check(self, tmp_path: Path) -> None:
        folder = tmp_path / "new"
        assert main(["openapi", str(folder)]) == 0
        assert main(["openapi", str(folder), "--check"]) == 0

    def test_another_document_is_told(self, tmp_path: Path, capsys: Capture) -> None:
        assert main(["openapi", str(tmp_path), "--check"]) == 1
        (tmp_path / "openapi.json").write_text("{}", encoding="utf-8")
        assert main(["openapi", str(tmp_path), "--check"]) == 1
        assert "is not what the application does" in capsys.readouterr().err
