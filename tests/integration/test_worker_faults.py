"""A database that does not answer for a while costs no plan, and no fault leaves a run standing as if it ran."""

from __future__ import annotations

import multiprocessing
import pickle
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from api_client import small_desk
from desk_builder import an_actor

from router.service.desk import Desk
from router.service.jobs import ask_plan, get_job, points, stop
from router.service.plans import list_plans
from router.service.ports import StoreAway, Work
from router.service.records import JobRecord, JobStanding, Role
from router.store import SqlStore, open_store
from router.whatif.comparison.worlds import WRONG
from router.whatif.sweep import Entry
from router.worker import Worker, loop, solving
from router.worker.loop import Pace
from router.worker.messages import Failed, Message

_QUICK = Pace(write_s=0.05, retry_s=0.01, patience_s=20)


@dataclass
class Unsure:
    """A store on which ``fails`` says which transactions do not come to an end, and whether they were kept."""

    inner: SqlStore
    fails: Callable[[int], str]
    """By number of the transaction: "" goes well, "before" is not begun, "after" is kept and its answer lost."""
    begun: int = 0

    @contextmanager
    def begin(self) -> Iterator[Work]:
        how = self.fails(self.begun)
        self.begun += 1
        if how == "before":
            raise StoreAway("database is locked")
        with self.inner.begin() as work:
            yield work
        if how == "after":
            raise StoreAway("the connection was lost")

    def look(self) -> object:
        return self.inner.look()

    def ready(self) -> bool:
        return self.inner.ready()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    desk = small_desk(tmp_path)
    yield desk
    desk.store.close()  # type: ignore[attr-defined]


def _unsure(desk: Desk, fails: Callable[[int], str]) -> Desk:
    assert isinstance(desk.store, SqlStore)
    return replace(desk, store=Unsure(desk.store, fails))  # type: ignore[arg-type]


@pytest.mark.parametrize("how", ["before", "after"])
def test_a_plan_is_kept_though_every_second_write_fails(desk: Desk, how: str) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss, seconds=1).job_id
    # The claim goes well: what it does not take is not this worker's.
    unsure = _unsure(desk, lambda n: how if n % 2 else "")
    assert Worker(unsure, pace=_QUICK).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.DONE, job.why
    assert [h.plan_id for h in list_plans(desk, boss)] == [job.result["plan_id"]]
    told = points(desk, boss, job_id)
    assert [p.number for p in told] == list(range(1, len(told) + 1)) and len(told) > 3


def test_away_for_longer_than_it_is_waited_for_the_run_fails_in_words(desk: Desk) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss, seconds=1).job_id
    pace = Pace(write_s=60, retry_s=1.0, patience_s=0.5)
    failed: list[int] = []

    def fails(number: int) -> str:
        # The claim and the first notes go well; then nothing until the waiting is over, after two tries.
        if number < 2 or len(failed) == 2:
            return ""
        failed.append(number)
        return "before"

    unsure = _unsure(desk, fails)
    assert Worker(unsure, pace=pace).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.FAILED and "the database did not answer for 0.5 s" in job.why
    assert list_plans(desk, boss) == []


def test_a_fault_before_the_solve_fails_the_run_at_once_and_tells_nothing_of_the_book(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss, seconds=1).job_id

    def broken(desk: Desk, job: JobRecord) -> object:
        raise KeyError("1005-1")

    monkeypatch.setattr("router.worker.loop.task_of", broken)
    assert Worker(desk, pace=_QUICK).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.FAILED and job.ended_at is not None
    assert "a fault of ours (KeyError)" in job.why and "1005-1" not in job.why and job.why.endswith(job_id)


def _open_files() -> int:
    """Of this process, where the system tells."""
    folder = Path("/proc/self/fd")
    return len(list(folder.iterdir())) if folder.is_dir() else 0


def test_of_lives_that_failed_only_lost_processes_are_told_as_they_are() -> None:
    told: list[object] = []

    class Pipe:
        def send(self, said: object) -> None:
            told.append(said)

    def failed(entry: Entry) -> Failed:
        sent = solving._Sent(Pipe(), {"d": (0, 0)}, threading.Event())  # type: ignore[arg-type]
        sent.add(entry)
        assert sent.failed is not None and sent._stop.is_set() and told == []
        return sent.failed

    lost = failed(Entry("d", "base", None, "its worker was lost 3 times while doing it (/home/x)", 0, 0, ""))
    assert lost.expected and "/home/x" not in lost.why and "memory" in lost.why
    for text, worker in (("PicklingError: SECRET-7", ""), ("KeyError: 'SECRET-7' (in live, line 3)", "here:1")):
        inner = failed(Entry("d", "base", None, text, 0, 0, worker))
        assert not inner.expected and "SECRET" not in inner.why.split(":", 1)[0]
    wrong = failed(Entry("d", "base", {WRONG: "no machine NONE"}, "", 0, 0, "here:1"))
    assert wrong.expected and wrong.why == "no machine NONE"


def test_a_solving_process_that_dies_while_it_begins_is_begun_again_and_leaves_nothing_open(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss, seconds=1).job_id
    # It takes one argument: the process ends with a TypeError before it reads what is asked.
    monkeypatch.setattr(loop, "serve", len)
    # More than a pipe holds, so that the end of its reader is met while it is written.
    child = loop._Child("x" * 20_000_000, 1)  # type: ignore[arg-type]
    assert [x for x in child.messages(0.05) if x is not None] == [] and child.exit_code() == 1
    child.kill()
    open_before = _open_files()
    with pytest.raises((AttributeError, pickle.PicklingError)):
        loop._Child(lambda: 0, 1)  # type: ignore[arg-type]
    for attempt in (1, 2, 3):
        assert Worker(desk, pace=_QUICK).once()
        job = get_job(desk, boss, job_id)
        assert job.attempt == attempt
        if attempt < 3:
            assert job.standing is JobStanding.QUEUED and job.why == "the solving process ended (exit code 1)"
    assert job.standing is JobStanding.FAILED and job.why == "the solving process ended 3 times (exit code 1)"
    assert _open_files() == open_before
    assert multiprocessing.active_children() == []


def test_a_solving_process_that_cannot_be_begun_is_tried_again(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss, seconds=1).job_id

    def none_left(self: object) -> None:
        raise BlockingIOError("no more processes")

    monkeypatch.setattr(loop._CONTEXT.Process, "start", none_left)
    open_before = _open_files()
    assert Worker(desk, pace=_QUICK).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.QUEUED
    assert job.why == "the solving process could not be begun (BlockingIOError)"
    assert _open_files() == open_before
    monkeypatch.undo()
    assert Worker(desk, pace=_QUICK).once()
    assert get_job(desk, boss, job_id).standing is JobStanding.DONE


def test_a_locked_database_is_told_as_one_that_does_not_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("router.store.sql_store._BUSY_MS", 50)
    store = open_store(f"sqlite:///{tmp_path / 'book.db'}")
    other = sqlite3.connect(tmp_path / "book.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreAway, match="locked"), store.begin():
        pass
    other.execute("ROLLBACK")
    with store.begin() as work:
        assert work.revision.now() == 0
    other.close()
    store.close()


def test_a_run_stopped_before_there_was_a_plan_is_cancelled_and_says_by_whom(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss, seconds=1).job_id

    class Child:
        """Says what a solving process says that was stopped in its first plan."""

        def __init__(self, asked: object, processes: int) -> None:
            return

        def messages(self, every_s: float) -> Iterator[Message | None]:
            stop(desk, boss, job_id)
            yield Failed("called off before there was a plan", expected=True, called_off=True)

        def kill(self) -> None:
            return

    monkeypatch.setattr("router.worker.loop._Child", Child)
    assert Worker(desk, pace=_QUICK).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.CANCELLED
    assert job.why == "stopped by boss; called off before there was a plan"
