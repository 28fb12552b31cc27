"""Every engine in a process of its own, pinned to the same core, one after another, each with the same seconds."""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import os
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from tests.bench.cases import Case
from tests.bench.layout import Answer, faults, value_of

OURS = "ours"
ENGINES = {
    OURS: "tests.bench.engine_ours",
    "own strip": "tests.bench.engine_own_strip",
    "rectpack": "tests.bench.engine_rectpack",
    "cpsat": "tests.bench.engine_cpsat",
    "spyrrow": "tests.bench.engine_spyrrow",
    "libnest2d": "tests.bench.engine_libnest2d",
}
#: An answer this much after its time is late: it is shown, but counts as none for us (for the others it counts).
LATE_FACTOR, LATE_S = 1.25, 0.5
_GRACE_S = 30.0
_SPAWN = multiprocessing.get_context("spawn")


@dataclass(frozen=True, slots=True)
class Outcome:
    """One engine on one case. ``value`` None: no sound layout. ``status`` says why, or how good it is."""

    value: float | None
    seconds: float
    peak_mb: float
    status: str
    bound: float | None = None
    note: str = ""
    configurations: tuple[tuple[str, float], ...] = ()


class Side:
    """A worker process for one engine; started when first asked, replaced when it dies or does not come back."""

    def __init__(self, engine: str, core: int | None) -> None:
        self.engine = engine
        self._core = core
        self._process: Any = None
        self._pipe: Connection | None = None

    def ask(self, case: Case, seconds: float, seed: int) -> Outcome:
        """Run the engine on a case and judge its layout with the independent check."""
        pipe = self._started()
        pipe.send((case, seconds, seed))
        try:
            if not pipe.poll(2 * seconds + _GRACE_S):
                self.close()
                return Outcome(None, 2 * seconds + _GRACE_S, 0.0, "did not come back")
            answer, spent, peak_mb = pipe.recv()
        except (EOFError, ConnectionError):
            self.close()
            return Outcome(None, 0.0, 0.0, "crashed")
        if isinstance(answer, str):
            return Outcome(None, spent, peak_mb, f"failed: {answer}")
        return _judged(self.engine, case, seconds, answer, spent, peak_mb)

    def close(self) -> None:
        """End the worker."""
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process = None
        if self._pipe is not None:
            self._pipe.close()
            self._pipe = None

    def _started(self) -> Connection:
        if self._pipe is None:
            self._pipe, its = _SPAWN.Pipe()
            self._process = _SPAWN.Process(target=_serve, args=(self.engine, self._core, its), daemon=False)
            self._process.start()
            its.close()
            if self._pipe.recv() != "ready":
                raise RuntimeError(f"{self.engine} does not start")
        return self._pipe


def _judged(engine: str, case: Case, seconds: float, answer: Answer, spent: float, peak_mb: float) -> Outcome:
    def outcome(value: float | None, status: str) -> Outcome:
        return Outcome(value, spent, peak_mb, status, answer.bound, answer.note, answer.configurations)

    if answer.puts is None:
        return outcome(None, "no answer")
    wrong = faults(case, answer.puts)
    if wrong:
        return outcome(None, f"unsound: {'; '.join(wrong[:3])}")
    value = value_of(case, answer.puts)
    if spent > seconds * LATE_FACTOR + LATE_S:
        return outcome(None, f"late ({value:g})") if engine == OURS else outcome(value, "late")
    bounds = [b for b in (case.bound, answer.bound) if b is not None]
    done = value <= max(bounds, default=0.0) if case.goal == "bins" else value >= 1.0 - 1e-9
    return outcome(value, "optimal" if done else "feasible")


def _serve(engine: str, core: int | None, pipe: Connection) -> None:
    """In the worker: pin, load the engine, answer until the pipe closes."""
    if core is not None:
        os.sched_setaffinity(0, {core})
    module = importlib.import_module(ENGINES[engine])
    if hasattr(module, "warm_up"):
        module.warm_up()
    pipe.send("ready")
    while True:
        try:
            case, seconds, seed = pipe.recv()
        except EOFError:
            return
        _reset_peak()
        start = time.monotonic()
        answer: Answer | str
        try:
            answer = module.solve(case, seconds, seed, start + seconds)
        except Exception as wrong:  # an engine may fail in any way; the comparison goes on and says so
            answer = repr(wrong)[:200]
        pipe.send((answer, time.monotonic() - start, _peak_mb()))


def _reset_peak() -> None:
    """Linux forgets the peak of the resident memory on request; elsewhere the peak of the whole run is told."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def _peak_mb() -> float:
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
    return 0.0


def engines_for(case: Case, wanted: set[str] | None) -> list[str]:
    """Which engines can answer a case; ours first."""
    from tests.bench.engine_cpsat import MOST_PIECES

    names = [OURS]
    if case.rectangles:
        names.append("rectpack")
        if case.pieces <= MOST_PIECES:
            names.append("cpsat")
        if case.goal == "density":
            names.append("spyrrow")
    elif case.goal == "density":
        names += ["own strip", "spyrrow", "libnest2d"]
    else:
        names += ["spyrrow", "libnest2d", "rectpack"]
    return [n for n in names if wanted is None or n in wanted]
