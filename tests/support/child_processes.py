"""Processes that a test has begun through others: whether they run, and whether they end."""

from __future__ import annotations

import time
from collections.abc import Collection
from pathlib import Path

import pytest

needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked up in /proc")


def runs(pid: int) -> bool:
    """Whether a process is there and no mere remainder of one."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except FileNotFoundError:
        return False


def all_end(pids: Collection[int], within_s: float = 10.0) -> bool:
    """Whether none of them runs any more, at the latest after so many seconds."""
    until = time.monotonic() + within_s
    while any(runs(pid) for pid in pids) and time.monotonic() < until:
        time.sleep(0.1)
    return not any(runs(pid) for pid in pids)
