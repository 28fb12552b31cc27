"""Tasks for tests of sweeps: found by name in worker processes, each leaves a trace of having been done."""

from __future__ import annotations

import math
import os
import signal
import time
from pathlib import Path


def square(x: int) -> int:
    return x * x


def noted_square(x: int, folder: Path, seconds: float = 0.0) -> int:
    """A square, after so long, and a file for every time it was begun."""
    (folder / f"{x}.{os.getpid()}.{time.monotonic_ns()}").touch()
    time.sleep(seconds)
    return x * x


def failing(x: int) -> int:
    raise ValueError(f"{x} is not for me")


def not_json(x: int) -> float:
    return math.nan * x


def killing(x: int) -> int:
    os.kill(os.getpid(), signal.SIGKILL)
    return x


def killing_once(x: int, folder: Path) -> int:
    """Takes its worker along the first time it is done."""
    mark = folder / f"killed-{x}"
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return x * x


def busy(seconds: float) -> int:
    """Computes for so long in processor time; what it comes to is of no interest."""
    until, n = time.process_time() + seconds, 0
    while time.process_time() < until:
        n += 1
    return n > 0
