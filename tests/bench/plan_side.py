"""One engine on one case in a forked process of its own: its time and memory, and an end when it does not come back."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import resource
import signal
import sys
import time
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path

from tests.bench.plan_case import Ask, Engine, Found

_FORK = multiprocessing.get_context("fork")
_GRACE_S = 600.0
#: An answer this much after its time is late: it is shown, but counts as none for us.
LATE_FACTOR, LATE_S = 1.1, 1.0


@dataclass(frozen=True, slots=True)
class Measured:
    """An answer with what it took."""

    found: Found
    seconds: float
    peak_mb: float


def measure(
    engine: Engine, seconds: float, seed: int, workers: int, bound: float | None = None, work: int | None = None
) -> Measured:
    """Ask an engine; ``peak_mb`` is of its own process, and of as many workers as large as the largest of them."""
    mine, its = _FORK.Pipe(duplex=False)
    sys.stdout.flush()
    child = _FORK.Process(target=_serve, args=(engine, Ask(seconds, seed, workers, 0.0, bound, work), its))
    began = time.monotonic()
    child.start()
    its.close()
    patience = 2 * seconds + _GRACE_S
    try:
        if not mine.poll(patience):
            return Measured(Found(None, status="did not come back"), patience, 0.0)
        measured: Measured = mine.recv()
        return measured
    except (EOFError, ConnectionError):
        return Measured(Found(None, status="crashed"), time.monotonic() - began, 0.0)
    finally:
        mine.close()
        _end(child)


def _serve(engine: Engine, ask: Ask, its: Connection) -> None:
    # A group of its own, so that workers it started can be ended with it.
    os.setsid()
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")
    began = time.monotonic()
    try:
        found = engine(replace(ask, began=began))
    except MemoryError:
        found = Found(None, status="out of memory")
    except Exception as wrong:  # an engine may fail in any way; the comparison goes on and says so
        found = Found(None, status=f"failed: {wrong!r}"[:300])
    its.send(Measured(found, round(time.monotonic() - began, 3), round(peak_mb(ask.workers), 1)))
    its.close()


def peak_mb(workers: int) -> float:
    """Highest resident memory of this process so far, with ended child processes taken as ``workers`` alike ones."""
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                own = int(line.split()[1]) / 1024
    return own + workers * resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


def _end(child: multiprocessing.process.BaseProcess) -> None:
    child.join(2.0)
    if child.is_alive() and child.pid is not None:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(child.pid, signal.SIGKILL)
        child.join()
