"""Tasks for tests of sweeps: found by name in worker processes, each leaves a trace of having been done."""

from __future__ import annotations

import math
import os
import random
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


def shop_day(scenario: tuple[float, float], seed: int) -> dict[str, float]:
    """A day of an imagined shop: demand by chance, cost by the scenario's (rate, extra)."""
    rate, extra = scenario
    demand = random.Random(seed).gauss(100.0, 20.0)
    if rate < 0 and seed % 2:
        raise ValueError("this scenario breaks down on odd days")
    return {"cost": abs(rate) * demand + extra, "demand": demand}


def uneven(scenario: str, seed: int) -> dict[str, float]:
    """Figures that depend on who is asked."""
    return {"cost": 1.0, scenario: 2.0}
