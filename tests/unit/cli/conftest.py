"""The command line as a user types it."""

from __future__ import annotations

import sys

import pytest
from typed_command import Typed

from router.cli.main import main


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Typed:
    """Types a command."""

    def run(*words: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["platewright", *words])
        with pytest.raises(SystemExit) as ended:
            main()
            sys.exit(0)
        said = capsys.readouterr()
        return int(ended.value.code or 0), said.out + said.err

    return run
