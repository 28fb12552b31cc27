"""Sweeps: everything is done once, kept as it comes, whoever is lost."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import threading
import time
from collections import Counter
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path

import numpy as np
import pytest
from child_processes import all_end, needs_proc, runs
from sweep_tasks import failing, killing, killing_once, not_json, noted_square, square

from router.kernel.faults import Conflict
from router.whatif.sweep import Entry, Ledger, Quiet, SweepEnd, Task, open_crew, read_entries, sweep, sweep_into
from router.whatif.sweep.crew import CrewGone
from router.whatif.sweep.fingerprint import fingerprint
from router.whatif.sweep.task import Reply


class _Ear(Quiet):
    """Counts, and can act when a result is kept."""

    def __init__(self) -> None:
        self.kept_names: list[str] = []
        self.lost_names: list[str] = []
        self.already = -1

    def began(self, total: int, already: int) -> None:
        self.already = already

    def kept(self, entry: Entry, done: int, total: int) -> None:
        self.kept_names.append(entry.name)

    def lost(self, name: str, times: int) -> None:
        self.lost_names.append(name)


def _squares(n: int, folder: Path | None = None, seconds: float = 0.0) -> list[Task]:
    if folder is None:
        return [Task(f"square {x}", square, (x,)) for x in range(n)]
    return [Task(f"square {x}", noted_square, (x, folder, seconds)) for x in range(n)]


def _times_done(folder: Path) -> Counter[int]:
    return Counter(int(f.name.split(".")[0]) for f in folder.iterdir())


@pytest.mark.parametrize("executor", ["here", "processes:2"])
def test_every_task_is_done_and_kept(executor: str, tmp_path: Path) -> None:
    ear = _Ear()
    found = sweep(_squares(7), tmp_path / "deep" / "results.jsonl", executor, listener=ear)
    assert found.end is SweepEnd.DONE
    assert [e.value for e in found.entries if e] == [0, 1, 4, 9, 16, 25, 36]
    assert [e.name for e in found.entries if e] == [f"square {x}" for x in range(7)]
    assert sorted(ear.kept_names) == sorted(f"square {x}" for x in range(7))
    assert len((tmp_path / "deep" / "results.jsonl").read_text().splitlines()) == 7
    assert (found.done_now, found.lost, found.failed) == (7, 0, ())


def test_a_second_sweep_does_only_what_is_missing(tmp_path: Path) -> None:
    traces, ledger = tmp_path / "traces", tmp_path / "results.jsonl"
    traces.mkdir()
    sweep(_squares(4, traces), ledger, "here")
    ear = _Ear()
    found = sweep(_squares(6, traces), ledger, "here", listener=ear)
    assert (ear.already, found.done_now) == (4, 2)
    assert ear.kept_names == ["square 4", "square 5"]
    assert _times_done(traces) == Counter(dict.fromkeys(range(6), 1))
    # All done: not even the executor is needed.
    assert sweep(_squares(6, traces), ledger, "dask:tcp://127.0.0.1:1").done_now == 0


def test_cancelled_and_taken_up_again(tmp_path: Path) -> None:
    traces, ledger, cancel = tmp_path / "traces", tmp_path / "results.jsonl", threading.Event()
    traces.mkdir()

    class Stopper(_Ear):
        def kept(self, entry: Entry, done: int, total: int) -> None:
            if done == 3:
                cancel.set()

    tasks = _squares(40, traces, 0.05)
    began = time.monotonic()
    first = sweep(tasks, ledger, "processes:2", listener=Stopper(), cancel=cancel)
    assert first.end is SweepEnd.CANCELLED
    assert time.monotonic() - began < 30
    assert 3 <= first.done_now < 40
    assert sum(e is not None for e in first.entries) == first.done_now
    second = sweep(tasks, ledger, "processes:2")
    assert second.end is SweepEnd.DONE
    assert second.done_now == 40 - first.done_now
    assert len(ledger.read_text().splitlines()) == 40
    # Handed out is never more than there is room for: what was under way at the cancel is at most one a process.
    assert sum(n - 1 for n in _times_done(traces).values()) <= 2


def test_a_crew_closed_at_once_does_nothing_more(tmp_path: Path) -> None:
    """Also what was handed to a process that has only been begun is not done behind the caller's back."""
    traces = tmp_path / "traces"
    traces.mkdir()
    crew = open_crew("processes:2")
    for task in _squares(2, traces, 0.0):
        crew.submit(task.packed())
    crew.close(at_once=True)
    time.sleep(4)  # a process begins its first task about a second after it was asked for
    assert _times_done(traces) == Counter()


@needs_proc
def test_processes_end_with_a_lead_that_is_killed(tmp_path: Path) -> None:
    traces = tmp_path / "traces"
    traces.mkdir()
    lead = multiprocessing.get_context("spawn").Process(target=_sweep_long, args=(traces, tmp_path / "r.jsonl"))
    lead.start()
    until = time.monotonic() + 60
    while len(list(traces.iterdir())) < 2 and time.monotonic() < until:
        time.sleep(0.1)
    workers = {int(f.name.split(".")[1]) for f in traces.iterdir()}
    assert len(workers) == 2 and all(runs(pid) for pid in workers)
    lead.kill()
    lead.join()
    assert all_end(workers)


def _sweep_long(traces: Path, ledger: Path) -> None:
    sweep(_squares(2, traces, 60.0), ledger, "processes:2")


def test_a_cancelled_repeat_gives_back_everything_that_is_kept(tmp_path: Path) -> None:
    ledger, cancel = tmp_path / "r.jsonl", threading.Event()
    sweep(_squares(4), ledger, "here")
    cancel.set()
    again = sweep(_squares(9), ledger, "processes:2", cancel=cancel)
    assert (again.end, again.done_now) == (SweepEnd.CANCELLED, 0)
    assert [e.value if e else None for e in again.entries] == [0, 1, 4, 9, *[None] * 5]
    assert len(ledger.read_text().splitlines()) == 4


def test_what_is_done_when_the_cancel_comes_is_kept(tmp_path: Path) -> None:
    cancel = threading.Event()

    class Slow(_Ear):
        def kept(self, entry: Entry, done: int, total: int) -> None:
            cancel.set()
            time.sleep(3)  # the other process ends its task meanwhile

    found = sweep(_squares(2), tmp_path / "r.jsonl", "processes:2", listener=Slow(), cancel=cancel)
    assert (found.end, found.done_now) == (SweepEnd.DONE, 2)


@pytest.mark.parametrize(("executor", "under_way"), [("here", 1), ("processes:2", 2)])
def test_no_more_lets_what_is_under_way_end(executor: str, under_way: int, tmp_path: Path) -> None:
    no_more, traces = threading.Event(), tmp_path / "traces"
    traces.mkdir()

    class Saying(Quiet):
        def kept(self, entry: Entry, done: int, total: int) -> None:
            no_more.set()

    tasks = _squares(9, traces, seconds=0.2)
    with Ledger(tmp_path / "r.jsonl") as kept:
        found = sweep_into(kept, tasks, executor, listener=Saying(), no_more=no_more)
    assert found.end is SweepEnd.CANCELLED and "no more was handed out" in found.reason
    assert 1 <= found.done_now <= under_way
    assert _times_done(traces).total() == found.done_now, "what was begun was waited for"
    with Ledger(tmp_path / "r.jsonl") as kept:
        again = sweep_into(kept, tasks, executor)
    assert again.end is SweepEnd.DONE and found.done_now + again.done_now == 9
    assert _times_done(traces) == Counter(range(9)), "nothing was done twice"


def test_content_stands_for_large_arguments() -> None:
    one, other = (Task("square", square, (x,), content="the same") for x in (1, 2))
    assert one.digest == other.digest != Task("square", square, (1,), content="another").digest


def test_in_this_process_too_each_result_is_kept_as_it_comes(tmp_path: Path) -> None:
    cancel = threading.Event()

    class Stopper(_Ear):
        def kept(self, entry: Entry, done: int, total: int) -> None:
            assert len(read_entries(tmp_path / "r.jsonl")) == done
            if done == 2:
                cancel.set()

    found = sweep(_squares(5), tmp_path / "r.jsonl", "here", listener=Stopper(), cancel=cancel)
    assert (found.end, found.done_now) == (SweepEnd.CANCELLED, 2)
    assert [e.value if e else None for e in found.entries] == [0, 1, None, None, None]


def test_a_failing_task_is_a_result_with_its_reason(tmp_path: Path) -> None:
    tasks = [Task("fails", failing, (3,)), Task("no number", not_json, (3,)), *_squares(2)]
    found = sweep(tasks, tmp_path / "r.jsonl", "here")
    assert found.end is SweepEnd.DONE
    assert [e.name for e in found.failed] == ["fails", "no number"]
    assert "ValueError: 3 is not for me (in failing, line" in found.failed[0].failed
    assert sweep(tasks, tmp_path / "r.jsonl", "here", again_if_failed=False).done_now == 0
    assert sweep(tasks, tmp_path / "r.jsonl", "here").done_now == 2


def test_what_cannot_be_sent_is_a_failure(tmp_path: Path) -> None:
    tasks = [Task("a lock", square, (_Unsendable(),)), *_squares(2)]  # type: ignore[arg-type]
    found = sweep(tasks, tmp_path / "r.jsonl", "processes:1")
    assert "cannot be sent" in found.failed[0].failed
    assert [e.value for e in found.entries if e] == [None, 0, 1]


@dataclass(frozen=True)
class _Unsendable:
    x: int = 1

    def __reduce__(self) -> str:
        raise TypeError("not me")


def test_a_lost_worker_loses_only_what_it_was_doing(tmp_path: Path) -> None:
    traces, ear = tmp_path / "traces", _Ear()
    traces.mkdir()
    tasks = [*_squares(6, traces), Task("takes it along", killing_once, (7, tmp_path)), *_squares(9, traces)[6:]]
    found = sweep(tasks, tmp_path / "r.jsonl", "processes:2", listener=ear)
    assert found.end is SweepEnd.DONE
    assert [e.value for e in found.entries if e] == [0, 1, 4, 9, 16, 25, 49, 36, 49, 64]
    assert ear.lost_names == ["takes it along"]
    assert found.lost == 1
    assert _times_done(traces) == Counter(dict.fromkeys(range(9), 1)), "the other worker's tasks are left in peace"


def test_a_worker_killed_from_outside(tmp_path: Path) -> None:
    """The killed worker's task is done again; nothing is lost, nothing is kept twice."""
    ledger = tmp_path / "r.jsonl"

    class Killer(_Ear):
        def kept(self, entry: Entry, done: int, total: int) -> None:
            super().kept(entry, done, total)
            if done == 4:
                os.kill(int(entry.worker.rsplit(":", 1)[1]), signal.SIGKILL)

    ear = Killer()
    traces = tmp_path / "traces"
    traces.mkdir()
    found = sweep(_squares(20, traces, 0.03), ledger, "processes:2", listener=ear)
    assert found.end is SweepEnd.DONE
    assert [e.value for e in found.entries if e] == [x * x for x in range(20)]
    assert sorted(ear.kept_names) == sorted(f"square {x}" for x in range(20))
    assert len({json.loads(line)["digest"] for line in ledger.read_text().splitlines()}) == 20


def test_a_task_that_kills_every_worker_is_given_up(tmp_path: Path) -> None:
    found = sweep([Task("deadly", killing, (1,)), *_squares(3)], tmp_path / "r.jsonl", "processes:2", losses_allowed=1)
    assert found.end is SweepEnd.DONE
    assert [e.name for e in found.failed] == ["deadly"]
    assert "lost 2 times" in found.failed[0].failed
    assert [e.value for e in found.entries[1:] if e] == [0, 1, 4]


def _kept(path: Path, n: int) -> None:
    sweep(_squares(n), path, "here")


def test_a_crew_that_falls_silent_ends_the_sweep(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything is handed out and no future ever ends: that nobody is there any more shows in asking for room."""

    class Silent:
        knows_who = False
        asked = 0

        def room(self) -> int:
            self.asked += 1
            if self.asked > 5:
                raise CrewGone("the scheduler does not answer")
            return 1

        def submit(self, packed: bytes) -> Future[Reply]:
            return Future()

        def settled(self, future: Future[Reply]) -> None: ...

        def close(self, at_once: bool) -> None: ...

    monkeypatch.setattr("router.whatif.sweep.run.open_crew", lambda _: Silent())
    too_long = threading.Event()
    alarm = threading.Timer(20.0, too_long.set)
    alarm.start()
    found = sweep(_squares(2), tmp_path / "r.jsonl", "anything", cancel=too_long)
    alarm.cancel()
    assert found.end is SweepEnd.CREW_GONE
    assert "does not answer" in found.reason


@pytest.mark.parametrize("tail", [b'{"digest": "ab', b"\x00\x00\x00", b"{}"])
def test_a_torn_last_line_is_cut_off(tail: bytes, tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    _kept(path, 3)
    whole = path.read_bytes()
    path.write_bytes(whole + tail)
    assert len(read_entries(path)) == 3
    assert sweep(_squares(4), path, "here").done_now == 1
    assert path.read_bytes().startswith(whole)
    assert [json.loads(line)["value"] for line in path.read_text().splitlines()] == [0, 1, 4, 9]


def test_a_last_result_that_is_torn_is_done_again(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    _kept(path, 3)
    path.write_bytes(path.read_bytes()[:-7])
    found = sweep(_squares(3), path, "here")
    assert found.done_now == 1
    assert [e.value for e in found.entries if e] == [0, 1, 4]


@pytest.mark.parametrize("last", [b'{"digest": "ab"}\n', b"a line of something else\n"])
def test_a_whole_last_line_that_is_no_result_is_left_alone(last: bytes, tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    _kept(path, 3)
    path.write_bytes(path.read_bytes() + last)
    damaged = path.read_bytes()
    with pytest.raises(ValueError, match="line 4"):
        sweep(_squares(4), path, "here")
    assert path.read_bytes() == damaged


def test_other_damage_is_named_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    _kept(path, 3)
    lines = path.read_bytes().splitlines(keepends=True)
    damaged = lines[0] + b"rubbish\n" + lines[2]
    path.write_bytes(damaged)
    with pytest.raises(ValueError, match="line 2"):
        sweep(_squares(3), path, "here")
    assert path.read_bytes() == damaged


def test_a_full_disk_stops_the_sweep_and_leaves_whole_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "r.jsonl"
    real = os.write

    def full(file: int, data: bytes) -> int:
        if path.exists() and path.stat().st_size > 300:
            real(file, bytes(data)[:5])
            raise OSError(28, "No space left on device")
        return real(file, data)

    monkeypatch.setattr("router.whatif.sweep.ledger.os.write", full)
    with pytest.raises(OSError, match="No space"):
        sweep(_squares(20), path, "here")
    monkeypatch.undo()
    kept = len(path.read_text().splitlines())
    assert kept == len(read_entries(path)) > 0
    assert sweep(_squares(20), path, "here").done_now == 20 - kept


def test_one_sweep_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    with Ledger(path), pytest.raises(Conflict, match="another sweep"):
        sweep(_squares(2), path, "here")
    assert sweep(_squares(2), path, "here").done_now == 2


def test_settings_that_are_none(tmp_path: Path) -> None:
    for setting in ("", "processes", "processes:0", "processes:two", "threads:2", "dask:", "dask:somewhere"):
        with pytest.raises(ValueError, match="expected"):
            open_crew(setting)
    with pytest.raises(ValueError, match="the same"):
        sweep([*_squares(1), *_squares(1)], tmp_path / "r.jsonl", "here")
    with pytest.raises(ValueError, match="cannot be sent"):
        Task("local", lambda: 1)


class _Colour(Enum):
    RED = 1


@dataclass(frozen=True)
class _Box:
    a: int
    b: tuple[float, ...]


def test_equal_values_have_equal_digests() -> None:
    values = [
        (None, None),
        ((1, "a", 2.5), (1, "a", 2.5)),
        ({"a": 1, "b": 2}, {"b": 2, "a": 1}),
        (frozenset("xyz"), frozenset("zyx")),
        (_Box(1, (2.0,)), _Box(1, (2.0,))),
        (np.arange(6).reshape(2, 3), np.arange(6).reshape(2, 3).copy(order="F")),
        (Path("a/b"), Path("a") / "b"),
        (datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 1, 1, tzinfo=UTC)),
    ]
    assert all(fingerprint(a) == fingerprint(b) for a, b in values)


def test_different_values_have_different_digests() -> None:
    values = [
        *(None, False, 0, 0.0, "0", b"0", "", (), [], {}, frozenset(), _Colour.RED, 1, True, 1.0, "1"),
        *(("ab", "c"), ("a", "bc"), ("a", ("b",)), (("a",), "b"), [1, 2], (1, 2), {1: 2}, {2: 1}),
        *(_Box(1, (2.0,)), _Box(1, (2.0, 3.0)), np.zeros(2), np.zeros(2, np.int64), np.zeros((2, 1)), Path("0")),
        *(datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 1, 2, tzinfo=UTC)),
    ]
    assert len({fingerprint(v) for v in values}) == len(values)
    with pytest.raises(ValueError, match="object has no digest"):
        fingerprint((1, object()))


def test_a_digest_depends_on_all_of_a_task() -> None:
    one = Task("a", square, (1,))
    others = [
        Task("b", square, (1,)),
        Task("a", failing, (1,)),
        Task("a", square, (2,)),
        Task("a", square, (1,), version="2"),
    ]
    assert len({t.digest for t in [one, *others]}) == 5
    assert one.digest == Task("a", square, (1,)).digest
