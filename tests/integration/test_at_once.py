"""What two do at the same moment, on both databases."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from desk_builder import Clock, an_actor, desk_on, with_small_book

from router.kernel.faults import Conflict
from router.service.desk import Desk
from router.service.jobs import ask_plan, get_job, stop
from router.service.records import Actor, JobStanding, Role
from router.store import SqlStore

LEASE_S = 30.0


@pytest.fixture
def desk(store: SqlStore, tmp_path: Path) -> Desk:
    return desk_on(store, tmp_path / "cache", Clock())


@pytest.fixture
def ana(desk: Desk) -> Actor:
    planner = an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",))
    with_small_book(desk, planner)
    return planner


def test_a_stop_does_not_undo_the_end_that_is_just_being_written(desk: Desk, ana: Actor) -> None:
    job = ask_plan(desk, ana, seconds=2)
    with desk.store.begin() as work:
        work.jobs.claim("w", desk.clock(), LEASE_S, 3)
    with ThreadPoolExecutor(1) as other:
        with desk.store.begin() as work:
            work.jobs.beat(job.job_id, "w", desk.clock())
            running = work.jobs.get(job.job_id)
            assert running is not None
            work.jobs.keep(replace(running, standing=JobStanding.DONE, phase="done", result={"plan_id": 1}))
            asked = other.submit(stop, desk, ana, job.job_id)
            time.sleep(0.4)  # long enough for the other to have read the row and to wait for it
        with pytest.raises(Conflict, match="ended already"):
            asked.result()
    assert get_job(desk, ana, job.job_id).standing is JobStanding.DONE


def test_a_stop_loses_nothing_the_worker_has_just_written(desk: Desk, ana: Actor) -> None:
    job = ask_plan(desk, ana, seconds=2)
    with desk.store.begin() as work:
        work.jobs.claim("w", desk.clock(), LEASE_S, 3)
    with ThreadPoolExecutor(1) as other:
        with desk.store.begin() as work:
            work.jobs.beat(job.job_id, "w", desk.clock() + timedelta(seconds=9))
            running = work.jobs.get(job.job_id)
            assert running is not None
            work.jobs.keep(replace(running, best_cents=77))
            asked = other.submit(stop, desk, ana, job.job_id)
            time.sleep(0.4)
        assert asked.result().standing is JobStanding.STOPPING
    kept = get_job(desk, ana, job.job_id)
    assert (kept.best_cents, kept.why) == (77, "stopped by ana")


def test_a_look_sees_one_state_whatever_is_kept_meanwhile(store: SqlStore) -> None:
    with store.begin() as work:
        work.revision.raise_it()
    seen: list[int] = []

    def change() -> None:
        with store.begin() as work:
            work.revision.raise_it()

    with store.look() as work:
        seen.append(work.revision.now())
        other = threading.Thread(target=change)
        other.start()
        other.join()
        seen.append(work.revision.now())
    with store.look() as work:
        seen.append(work.revision.now())
    assert seen == [1, 1, 2]
