"""The same sweep on a Dask cluster, by its one setting; the cluster runs on this machine."""

from __future__ import annotations

import gc
import json
import logging
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sweep_tasks import killing, noted_square, square

from router.whatif.sweep import Entry, Quiet, SweepEnd, Task, read_entries, sweep
from router.whatif.sweep.crew import CrewGone, Dask

distributed = pytest.importorskip("distributed")


def _cluster() -> Any:
    return distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address="127.0.0.1:0",
        silence_logs=logging.CRITICAL,
    )


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with _cluster() as running:
        yield running


def _tasks(n: int, folder: Path, seconds: float = 0.0) -> list[Task]:
    return [Task(f"square {x}", noted_square, (x, folder, seconds)) for x in range(n)]


def test_the_same_results_by_one_setting(cluster: Any, tmp_path: Path) -> None:
    tasks = [Task(f"square {x}", square, (x,)) for x in range(12)]
    here = sweep(tasks, tmp_path / "here.jsonl", "here")
    there = sweep(tasks, tmp_path / "dask.jsonl", f"dask:{cluster.scheduler_address}")
    assert there.end is SweepEnd.DONE
    assert [e.value for e in there.entries if e] == [e.value for e in here.entries if e]
    assert [e.digest for e in there.entries if e] == [e.digest for e in here.entries if e]
    # What one kind of crew has kept, the other takes for done.
    assert sweep(tasks, tmp_path / "here.jsonl", f"dask:{cluster.scheduler_address}").done_now == 0


def test_a_worker_killed_in_mid_sweep_loses_nothing(cluster: Any, tmp_path: Path) -> None:
    killed: list[int] = []

    class Killer(Quiet):
        def kept(self, entry: Entry, done: int, total: int) -> None:
            if done == 5:
                killed.append(int(entry.worker.rsplit(":", 1)[1]))
                os.kill(killed[0], signal.SIGKILL)

    traces = tmp_path / "traces"
    traces.mkdir()
    ledger = tmp_path / "r.jsonl"
    found = sweep(_tasks(24, traces, 0.1), ledger, f"dask:{cluster.scheduler_address}", listener=Killer())
    assert killed
    assert found.end is SweepEnd.DONE
    assert [e.value for e in found.entries if e] == [x * x for x in range(24)]
    assert len({json.loads(line)["digest"] for line in ledger.read_text().splitlines()}) == 24
    assert len(ledger.read_text().splitlines()) == 24


def test_a_deadly_task_is_given_up_and_the_rest_is_done(cluster: Any, tmp_path: Path) -> None:
    # Once the scheduler itself has given a task up, it is tried alone: at its next death it is out.
    cluster.scheduler.allowed_failures = 0
    tasks = [Task("deadly", killing, (1,)), *(Task(f"square {x}", square, (x,)) for x in range(6))]
    found = sweep(tasks, tmp_path / "r.jsonl", f"dask:{cluster.scheduler_address}")
    assert found.end is SweepEnd.DONE
    assert [e.name for e in found.failed] == ["deadly"]
    assert "worker was lost" in found.failed[0].failed
    assert [e.value for e in found.entries[1:] if e] == [x * x for x in range(6)]


def test_a_cluster_that_goes_away_leaves_what_has_come(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # So long it looks for the scheduler again before it gives up.
    monkeypatch.setattr("router.whatif.sweep.crew.Dask.__init__.__defaults__", (2.0,))
    running = _cluster()
    try:

        class Closer(Quiet):
            def kept(self, entry: Entry, done: int, total: int) -> None:
                if done == 3:
                    running.close()

        traces = tmp_path / "traces"
        traces.mkdir()
        tasks, ledger = _tasks(20, traces, 0.1), tmp_path / "r.jsonl"
        found = sweep(tasks, ledger, f"dask:{running.scheduler_address}", listener=Closer())
    finally:
        running.close()
    assert found.end is SweepEnd.CREW_GONE
    assert found.reason
    assert 3 <= len(read_entries(ledger)) < 20
    again = sweep(tasks, ledger, "here")
    assert again.end is SweepEnd.DONE
    assert again.done_now == 20 - found.done_now


def test_nobody_at_the_address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("router.whatif.sweep.crew.Dask.__init__.__defaults__", (0.5,))
    with pytest.raises(CrewGone, match="no Dask scheduler answers"):
        sweep([Task("square", square, (2,))], tmp_path / "r.jsonl", "dask:tcp://127.0.0.1:9")


@pytest.mark.parametrize("address", ["tcp://127.0.0.1", "tls://127.0.0.1:9", "ucx://127.0.0.1:9", "inproc://there"])
def test_addresses_that_cannot_be_spoken_to(address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("router.whatif.sweep.crew.Dask.__init__.__defaults__", (0.5,))
    with pytest.raises(CrewGone, match=f"no Dask scheduler answers at {address} .*; expected the address"):
        sweep([Task("square", square, (2,))], tmp_path / "r.jsonl", f"dask:{address}")


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "ucx://127.0.0.1:9"])
def test_a_client_that_cannot_begin_is_closed_at_once(address: str) -> None:
    others = clients()
    with pytest.raises(CrewGone) as gone:
        Dask(address, 0.5)
    left = [x for x in clients() if all(x is not other for other in others)]
    assert left and {x.status for x in left} <= {"closed", "newly-created"}
    assert gone.value


def clients() -> list[Any]:
    """Clients that are not collected yet. Their types are asked, for to ask a weak proxy is to ask what is gone."""
    return [x for x in gc.get_objects() if issubclass(type(x), distributed.Client)]
