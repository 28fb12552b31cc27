"""Sweeps on Dask: the throughput of two workers beside one, and what is lost when one of two is killed in mid-sweep.

    python -m tests.bench.sweep --workers 2 --seconds 120 --seed 1 --json out.json

A scheduler and worker processes of one thread each are started here; a task plans the small scenario (about half a
second). Sweeps with one worker and with all of them take turns until the time is up, so that other load on the machine
falls on both. Two ratios are told, each 1.0 when nothing is lost:

* on the clock: tasks a second of all workers over that of one, times their number; the median over the turns. Below 1
  also when other programs use the processors.
* by processor: each task counted with the processor time it took, each sweep with the share of its time in which
  workers were at a task. What two workers would reach with a processor each.

Beside both stands the same ratio on processes here (``processes:N``), without Dask.

Then a worker is killed with a third of the tasks done: all results must be there, once, and those of an earlier run.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import resource
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from router.whatif.sweep import Entry, Quiet, SweepEnd, SweepOutcome, Task, read_entries, sweep
from tests.bench.record import write_record
from tests.bench.sweep_work import tasks

_ROOT = Path(__file__).resolve().parents[2]
_START_S = 60.0


@dataclass(frozen=True, slots=True)
class Turn:
    """One sweep: tasks a second on the clock, share of worker time at a task, processor seconds a task."""

    workers: int
    tasks_per_s: float
    at_task: float
    cpu_s: float


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when nothing was lost, 1 when something was."""
    options = _parser().parse_args(arguments)
    if options.tasks < 3 * options.workers or options.workers < 2:
        print("ratios need two workers and three tasks for each at least", file=sys.stderr)
        return 2
    began = time.monotonic()
    entries: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as stack:
        room = Path(folder)
        one = stack.enter_context(_cluster(room, "one", 1))
        all_of_them = stack.enter_context(_cluster(room, "all", options.workers))
        crews = {
            "one": (one, 1),
            "all": (all_of_them, options.workers),
            "one here": ("processes:1", 1),
            "all here": (f"processes:{options.workers}", options.workers),
        }
        print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} before", flush=True)
        count = options.tasks
        seed = options.seed * 1_000_000
        for name in ("one", "all"):
            # Workers read the scenario and load compiled code before any clock runs.
            _turn(room, crews[name], tasks(seed, 4 * options.workers))
        turns: dict[str, list[Turn]] = {name: [] for name in crews}
        number = 0
        while number < 2 or time.monotonic() - began < options.seconds:
            number += 1
            # Turn about, so that a load that grows or falls favours nobody.
            for name in list(crews)[:: 1 if number % 2 else -1]:
                turn = _turn(room, crews[name], tasks(seed + 1000 * number, count))
                turns[name].append(turn)
                print(
                    f"  {name}: {turn.tasks_per_s:.2f} tasks a second, {turn.cpu_s:.3f} processor s a task", flush=True
                )
        load = os.getloadavg()[0]
        dask = _ratios(turns["one"], turns["all"])
        here = _ratios(turns["one here"], turns["all here"])
        seconds = time.monotonic() - began
        shared = {
            "workers": options.workers,
            "turns": number,
            "processors": os.cpu_count(),
            "load_after": round(load, 2),
        }
        ratio = f"throughput of {options.workers} Dask workers over {options.workers} times one"
        for kind, ours, beside in zip(("on the clock", "by processor"), dask, here, strict=True):
            baselines = {
                "one Dask worker, tasks a second": _figure(turns["one"]),
                "all Dask workers, tasks a second": _figure(turns["all"]),
                f"the same ratio on processes:{options.workers}": {"value": beside, "seconds": None},
            }
            entries.append(_entry(f"{ratio}, {kind}", ours, 1.0, seconds, **shared, baselines=baselines))
            print(f"{ratio}, {kind}: {ours:.3f} (processes here {beside:.3f})")
        lost = _kill_one(room, crews["all"], tasks(seed + 1000, count))
        entries.append(lost)
        print(f"{lost['name']}: {lost['value']} lost, doubled or changed of {count}; {lost['status']}")
    if options.json:
        write_record(options.json, entries)
    return 0 if lost["value"] == 0 else 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.sweep", description=__doc__.split("\n")[0])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=120.0, help="for the turns; two of each at least")
    parser.add_argument("--tasks", type=int, default=24, help="a sweep")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="OUT")
    return parser


@contextlib.contextmanager
def _cluster(room: Path, name: str, workers: int) -> Iterator[str]:
    """A scheduler and workers in processes of their own; gives the executor setting."""
    found = room / f"{name}.json"
    at = ["--scheduler-file", str(found), "--host", "127.0.0.1", "--no-dashboard"]
    running = [_start("dask_scheduler", "--port", "0", *at)]
    try:
        for _ in range(workers):
            running.append(_start("dask_worker", *at, "--nthreads", "1", "--nworkers", "1"))
        yield f"dask:{_address(found, workers)}"
    finally:
        for process in reversed(running):
            process.terminate()
        for process in running:
            try:
                process.wait(timeout=15)
            except subprocess.TimeoutExpired:
                process.kill()


def _start(program: str, *options: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", f"distributed.cli.{program}", *options]
    # As SWEEP.md advises: workers that note every hundredth of a second what they are at take time from the task.
    around = {**os.environ, "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False"}
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=_ROOT, env=around)


def _address(found: Path, workers: int) -> str:
    from distributed import Client

    until = time.monotonic() + _START_S
    while not found.exists() or not found.read_text().strip():
        if time.monotonic() > until:
            raise TimeoutError("the Dask scheduler has not started")
        time.sleep(0.1)
    with Client(scheduler_file=str(found), timeout=_START_S, set_as_default=False) as client:
        client.wait_for_workers(workers, timeout=_START_S)
        return str(client.scheduler.address)


def _turn(room: Path, crew: tuple[str, int], work: Sequence[Task]) -> Turn:
    executor, workers = crew
    ledger = room / "turn.jsonl"
    ledger.unlink(missing_ok=True)
    listener = _FirstAndLast()
    sweep(work, ledger, executor, listener=listener)
    entries = list(read_entries(ledger).values())
    if len(entries) != len(work) or any(e.failed for e in entries):
        raise AssertionError(f"a sweep without trouble came to {len(entries)} of {len(work)} results")
    # Starting up is not throughput: counted is from the first result of every worker to the last result.
    lead = workers
    taken = listener.at[-1] - listener.at[lead - 1]
    counted = entries[lead:]
    busy = sum(e.seconds for e in counted) / (workers * taken)
    return Turn(workers, len(counted) / taken, busy, statistics.fmean(e.cpu_s for e in counted))


class _FirstAndLast(Quiet):
    """Notes when results came."""

    def __init__(self) -> None:
        self.at: list[float] = []

    def kept(self, entry: Entry, done: int, total: int) -> None:
        self.at.append(time.monotonic())


def _ratios(one: Sequence[Turn], several: Sequence[Turn]) -> tuple[float, float]:
    clock = statistics.median(b.tasks_per_s / (b.workers * a.tasks_per_s) for a, b in zip(one, several, strict=True))
    processor = statistics.median(
        (min(1.0, b.at_task) / b.cpu_s) / (min(1.0, a.at_task) / a.cpu_s) for a, b in zip(one, several, strict=True)
    )
    return round(clock, 4), round(processor, 4)


def _figure(turns: Sequence[Turn]) -> dict[str, Any]:
    return {
        "value": round(statistics.median(t.tasks_per_s for t in turns), 4),
        "seconds": None,
        "share_at_task": round(statistics.median(t.at_task for t in turns), 4),
        "processor_s_a_task": round(statistics.median(t.cpu_s for t in turns), 4),
    }


class _Killer(Quiet):
    """Kills the worker of a result when a third is done."""

    def __init__(self) -> None:
        self.killed = 0

    def kept(self, entry: Entry, done: int, total: int) -> None:
        if not self.killed and done >= total // 3:
            self.killed = int(entry.worker.rsplit(":", 1)[1])
            os.kill(self.killed, signal.SIGKILL)


def _kill_one(room: Path, crew: tuple[str, int], work: Sequence[Task]) -> dict[str, Any]:
    began = time.monotonic()
    undisturbed = sweep(work, room / "undisturbed.jsonl", crew[0])
    killer = _Killer()
    ledger = room / "killed.jsonl"
    found = sweep(work, ledger, crew[0], listener=killer)
    wrong = faults_of(undisturbed, found, ledger)
    return _entry(
        f"one of {crew[1]} Dask workers killed in mid-sweep: results lost, doubled or changed",
        wrong,
        0,
        time.monotonic() - began,
        status="done" if killer.killed and found.end is SweepEnd.DONE else "nobody was killed",
        workers=crew[1],
        tasks=len(work),
        baselines={},
    )


def faults_of(undisturbed: SweepOutcome, found: SweepOutcome, ledger: Path) -> int:
    """Tasks without a result, results that stand twice in the file, and values that are not those of before."""
    lines = len(ledger.read_text().splitlines())
    missing = sum(e is None or bool(e.failed) for e in found.entries)
    doubled = lines - len(read_entries(ledger))
    changed = sum(
        a is not None and b is not None and a.value != b.value
        for a, b in zip(undisturbed.entries, found.entries, strict=True)
    )
    return missing + doubled + changed


def _entry(name: str, value: float, bound: float, seconds: float, status: str = "done", **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "value": value,
        "bound": bound,
        "best_known": bound,
        "status": status,
        "seconds": round(seconds, 1),
        "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
        **more,
    }


if __name__ == "__main__":
    sys.exit(main())
