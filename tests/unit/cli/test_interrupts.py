"""Ctrl-C, whenever it comes: to all processes of the terminal, nothing said that is not for people, exit code 130."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

SCENARIOS = Path(__file__).resolve().parents[3] / "scenarios"
_TYPED = "print('begun', flush=True); from router.cli.main import main; main()"


def _interrupted(words: list[str], after_s: float) -> tuple[int, str]:
    begun = subprocess.Popen(
        [sys.executable, "-c", _TYPED, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    assert begun.stdout is not None and begun.stdout.readline() == "begun\n"
    time.sleep(after_s)
    os.killpg(begun.pid, signal.SIGINT)
    try:
        said, _ = begun.communicate(timeout=60)
    finally:
        begun.kill()
    return begun.returncode, said


@pytest.mark.parametrize("after_s", [0.3, 0.6, 0.9, 1.2])
def test_while_a_command_is_imported(after_s: float, tmp_path: Path) -> None:
    code, said = _interrupted(["worker", "--database", f"sqlite:///{tmp_path}/new.db"], after_s)
    assert "Traceback" not in said and code == 130


def test_while_processes_are_begun(tmp_path: Path) -> None:
    words = ["whatif", "hold", str(SCENARIOS / "small"), "--out", str(tmp_path / "out"), "--months", "6"]
    for after_s in (2.5, 3.5, 4.5):
        code, said = _interrupted([*words, "--replications", "40"], after_s)
        assert "Traceback" not in said and "Aborted" not in said and code == 130, said
