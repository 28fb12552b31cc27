"""The worker: claims a job, has it solved in a child process, keeps what comes, and lets go when it must."""

from __future__ import annotations

import multiprocessing
import os
import socket
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, TypeVar

import structlog

from router.kernel.deaf import born_deaf
from router.kernel.faults import PlatewrightError
from router.service.desk import Desk
from router.service.jobs import LEASE_S, WAITING_FOR_A_WORKER
from router.service.lives import content_of
from router.service.ports import StoreAway, Work
from router.service.records import JobPoint, JobRecord, JobStanding, LifeRecord
from router.worker.messages import (
    GIVE_WAY,
    STOP,
    Answer,
    Asked,
    Chosen,
    Failed,
    Finished,
    GaveWay,
    Life,
    LivesAsked,
    Message,
    Point,
    SitesAsked,
    Solved,
)
from router.worker.solving import serve
from router.worker.tasks import Task, task_of

if TYPE_CHECKING:  # a fork server is not everywhere, nor its type
    from multiprocessing.context import ForkServerContext, SpawnContext

_LOG = structlog.get_logger("worker")


def _context() -> ForkServerContext | SpawnContext:
    """How solving processes are begun: threads of a server and fork do not go together, those of a fork server do.

    It has everything imported that a solve needs. So has the server of a solving process's own, from which it forks
    those that lives are lived in: this is read there too.
    """
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["router.worker.solving"])
    return context


_CONTEXT = _context()
_LONGEST_WAIT_S = 15.0
"""Between two tries at a database that does not answer."""
WAITING_FOR_A_PLAN = "waiting for a plan"
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Pace:
    """How often a worker looks and speaks, in seconds."""

    poll_s: float = 0.5
    write_s: float = 1.0
    """Progress is written at most so often."""
    lease_s: float = LEASE_S
    """A worker silent for so long has lost its job to the next one."""
    most_attempts: int = 3
    patience_s: float = 300.0
    """What was found is held for so long while the database does not answer (common practice, no source)."""
    retry_s: float = 0.2
    """First wait before it is tried again; each further one is twice as long."""
    free_s: float = 3.0
    """A plan that has waited for so long waits for a worker: a free one looks several times meanwhile."""
    give_way_s: float = 15.0
    """A plan waits at most so long for lives that are under way; then they are given up and lived again later (common
    practice, no source)."""


class _Lost(Exception):
    """The job is no longer this worker's."""


class Worker:
    """Works off jobs until told to stop. Any number may run on one store."""

    def __init__(self, desk: Desk, name: str = "", pace: Pace | None = None, processes: int = 1) -> None:
        """``processes``: that lives of a simulation may be lived in at the same time."""
        self.desk = desk
        self.processes = processes
        self.name = name or f"{socket.gethostname()[:40]}-{os.getpid()}-{uuid.uuid4().hex[:6]}"
        self.pace = pace or Pace()
        self._stop = threading.Event()

    def stop(self) -> None:
        """End after what is under way is let go; an unfinished job is left for the next worker."""
        self._stop.set()

    def run(self) -> None:
        """Claim and work off jobs, one at a time."""
        _LOG.info("worker_started", worker=self.name)
        while not self._stop.is_set():
            try:
                busy = self.once()
            except Exception:
                # A database that is away for a while must not end the worker.
                _LOG.exception("worker_trouble", worker=self.name)
                busy = False
            if not busy:
                self._stop.wait(self.pace.poll_s)
        _LOG.info("worker_ended", worker=self.name)

    def once(self) -> bool:
        """Work off one job if there is one."""
        with self.desk.store.begin() as work:
            job = work.jobs.claim(self.name, self.desk.clock(), self.pace.lease_s, self.pace.most_attempts)
        if job is None:
            return False
        _LOG.info("job_claimed", job=job.job_id, kind=job.kind.value, attempt=job.attempt, worker=self.name)
        try:
            self._work_off(job)
        except _Lost:
            _LOG.warning("job_lost", job=job.job_id, worker=self.name)
        return True

    def _work_off(self, job: JobRecord) -> None:
        try:
            self._solve(job)
        except PlatewrightError as wrong:
            self._end(job, JobStanding.FAILED, str(wrong))
        except StoreAway:
            if self._stop.is_set():
                raise  # shut down meanwhile: the next worker takes the job up when the lease is over
            _LOG.exception("store_away_too_long", job=job.job_id)
            # Once more, without waiting: when that fails too, the job is left to whoever finds its lease run out.
            why = f"the database did not answer for {self.pace.patience_s:g} s; what was found could not be kept"
            self._write_end(job, JobStanding.FAILED, why)
        except _Lost:
            raise
        except Exception as wrong:
            # Left standing it would seem to run until its lease is over, and the next worker would meet the same.
            _LOG.exception("work_failed", job=job.job_id)
            self._end(job, JobStanding.FAILED, _ours(job, type(wrong).__name__))

    def _solve(self, job: JobRecord) -> None:
        # Reading the book measures models that are new, which may take far longer than a lease.
        with _beating(self.desk, job, self.name, self.pace.lease_s / 5):
            task = self._patiently(job, lambda: task_of(self.desk, job))
        try:
            child = _Child(task.asked, self.processes)
        except OSError as wrong:
            _LOG.exception("no_solving_process", job=job.job_id)
            self._try_again(job, "could not be begun", type(wrong).__name__)
            return
        try:
            self._follow(job, task, child, self._patiently(job, lambda: _Notes(self.desk, job, self.name)))
        finally:
            child.kill()

    def _patiently(self, job: JobRecord, what: Callable[[], _T]) -> _T:
        """Try again for a while when the database does not answer. Raises StoreAway in the end."""
        until, wait_s = time.monotonic() + self.pace.patience_s, self.pace.retry_s
        while True:
            try:
                return what()
            except StoreAway as away:
                if self._stop.is_set() or time.monotonic() >= until:
                    raise
                _LOG.warning("store_away", job=job.job_id, why=str(away))
            self._stop.wait(wait_s)
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)

    def _follow(self, job: JobRecord, task: Task, child: _Child, notes: _Notes) -> None:
        came: list[Answer] = []
        written, giving_way = 0.0, _GivingWay(self.pace)
        for message in child.messages(self.pace.poll_s / 2):
            if isinstance(message, Point):
                notes.hear(message)
            elif isinstance(message, Life):
                self._patiently(job, partial(self._keep_life, job, task, message))
            elif isinstance(message, Solved | Chosen):
                came.append(message)
            elif isinstance(message, Failed):
                why = message.why
                if not message.expected:
                    _LOG.error("solve_failed", job=job.job_id, why=why)
                    why = _ours(job, why.split(":", 1)[0])
                self._patiently(job, notes.write)
                self._end(job, JobStanding.CANCELLED if message.called_off else JobStanding.FAILED, why)
                return
            elif isinstance(message, Finished):
                self._patiently(job, notes.write)
                self._patiently(job, partial(self._keep, job, task, came, message.why))
                return
            if isinstance(message, GaveWay) or giving_way.is_over():
                self._patiently(job, partial(self._give_way, job, task))
                return
            if self._stop.is_set():
                self._hand_back(job, "its worker was shut down", counts=False)
                return
            if time.monotonic() - written >= self.pace.write_s:
                written = time.monotonic()
                try:
                    if notes.write() is JobStanding.STOPPING:
                        child.say(STOP)
                    elif isinstance(task.asked, LivesAsked) and self._plan_waits(job):
                        giving_way.begin()
                        child.say(GIVE_WAY)
                    elif isinstance(task.asked, SitesAsked) and self._plan_waits(job) and self._begins_anew(job):
                        return
                except StoreAway as away:
                    # Progress can wait; the solve goes on meanwhile.
                    _LOG.warning("store_away", job=job.job_id, why=str(away))
        self._try_again(job, "ended", f"exit code {child.exit_code()}")

    def _try_again(self, job: JobRecord, what: str, how: str) -> None:
        """Back into the queue after what the solving process did, or failed when that was the last attempt."""
        if job.attempt < self.pace.most_attempts:
            self._hand_back(job, f"the solving process {what} ({how})")
        else:
            self._end(job, JobStanding.FAILED, f"the solving process {what} {job.attempt} times ({how})")

    def _keep_life(self, job: JobRecord, task: Task, life: Life) -> None:
        with _own(self.desk, job, self.name) as (work, _):
            content = content_of(task.asked.scenario)
            # Tried again, it may have been kept before.
            if not work.jobs.has_life(job.job_id, life.scenario, life.number):
                work.jobs.add_life(LifeRecord(job.job_id, life.scenario, life.number, content, life.figures))

    def _keep(self, job: JobRecord, task: Task, came: list[Answer], why: str) -> None:
        """Plans and the end of the job, in one transaction: neither is ever there without the other."""
        now = self.desk.clock()
        keep = task.ready(job, came)
        with _own(self.desk, job, self.name) as (work, current):
            result = keep(work, now)
            done = replace(
                current, standing=JobStanding.DONE, phase="done", ended_at=now, why=current.why or why, result=result
            )
            work.jobs.keep(done)
        short = {name: value for name, value in result.items() if not isinstance(value, list | dict)}
        _LOG.info("job_done", job=job.job_id, result=short)

    def _plan_waits(self, job: JobRecord) -> bool:
        with self.desk.store.look() as work:
            pace = self.pace
            return work.jobs.must_give_way(job.job_id, self.desk.clock(), pace.lease_s, pace.free_s, pace.most_attempts)

    def _begins_anew(self, job: JobRecord) -> bool:
        """Back into the queue for a plan, with nothing kept. It counts as an attempt, so that it comes to its end.

        False, and nothing is written, when it was stopped meanwhile.
        """
        with _own(self.desk, job, self.name) as (work, current):
            if current.standing is JobStanding.STOPPING:
                return False
            work.jobs.keep(_anew(replace(current, claimed_by=None), WAITING_FOR_A_PLAN))
        return True

    def _give_way(self, job: JobRecord, task: Task) -> None:
        """Back into the queue for a plan, with the lives that are kept; that is no attempt that failed.

        Stopped meanwhile, it ends with what came, as it would have without the plan.
        """
        with _own(self.desk, job, self.name) as (work, current):
            if current.standing is not JobStanding.STOPPING:
                assert isinstance(task.asked, LivesAsked)
                back = replace(
                    current,
                    standing=JobStanding.QUEUED,
                    claimed_by=None,
                    attempt=current.attempt - 1,
                    phase=WAITING_FOR_A_PLAN,
                    done=len(work.jobs.lives(job.job_id)),
                    total=task.asked.lives,
                )
                work.jobs.keep(back)
                return
        self._keep(job, task, [], "cancelled")

    def _hand_back(self, job: JobRecord, why: str, counts: bool = True) -> None:
        """Back into the queue; an attempt that an orderly shutdown ended does not count."""
        self._patiently(job, partial(self._write_back, job, why, counts))

    def _write_back(self, job: JobRecord, why: str, counts: bool) -> None:
        with _own(self.desk, job, self.name) as (work, current):
            attempt = current.attempt if counts else current.attempt - 1
            back = replace(current, claimed_by=None, attempt=attempt)
            if current.standing is JobStanding.STOPPING:
                work.jobs.keep(_ended(back, JobStanding.CANCELLED, why, self.desk.clock()))
            else:
                work.jobs.keep(_anew(replace(back, why=why), WAITING_FOR_A_WORKER))

    def _end(self, job: JobRecord, standing: JobStanding, why: str) -> None:
        self._patiently(job, partial(self._write_end, job, standing, why))

    def _write_end(self, job: JobRecord, standing: JobStanding, why: str) -> None:
        with _own(self.desk, job, self.name) as (work, current):
            work.jobs.keep(_ended(current, standing, why, self.desk.clock()))


def _anew(job: JobRecord, phase: str) -> JobRecord:
    """Back in the queue, and nothing said any more of what the attempt before was doing."""
    return replace(job, standing=JobStanding.QUEUED, phase=phase, done=0, total=None, best_cents=None, bound_cents=None)


def _ended(job: JobRecord, standing: JobStanding, why: str, at: datetime) -> JobRecord:
    if standing is JobStanding.CANCELLED and job.why:
        why = f"{job.why}; {why}"  # who stopped it
    return replace(job, standing=standing, ended_at=at, why=why, phase=standing.value)


def _ours(job: JobRecord, kind: str) -> str:
    # Its text may hold anything of the scenario; whoever runs the service has it in the log.
    return f"a fault of ours ({kind}); the worker's log tells what happened, under {job.job_id}"


@contextmanager
def _own(desk: Desk, job: JobRecord, worker: str) -> Iterator[tuple[Work, JobRecord]]:
    """A transaction on a job as it stands, its worker's life noted. Raises _Lost when the job is another's."""
    with desk.store.begin() as work:
        standing = work.jobs.beat(job.job_id, worker, desk.clock())
        current = work.jobs.get(job.job_id)
        if standing is None or current is None:
            raise _Lost
        yield work, current


@contextmanager
def _beating(desk: Desk, job: JobRecord, worker: str, every_s: float) -> Iterator[None]:
    """Notes the worker's life from a thread while this one is busy. Raises _Lost at the end when the job is lost."""
    over, lost = threading.Event(), threading.Event()

    def beat() -> None:
        while not over.wait(every_s):
            try:
                with desk.store.begin() as work:
                    known = work.jobs.beat(job.job_id, worker, desk.clock())
            except Exception:
                # A database that is away for a while: the next beat may reach it within the lease.
                _LOG.exception("beat_failed", job=job.job_id)
                continue
            if known is None:
                lost.set()
                return

    thread = threading.Thread(target=beat, name="heartbeat", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
    if lost.is_set():
        raise _Lost


class _Notes:
    """Progress heard and not yet written."""

    def __init__(self, desk: Desk, job: JobRecord, worker: str) -> None:
        self._desk, self._job, self._worker = desk, job, worker
        with desk.store.look() as work:
            known = work.jobs.latest_points(job.job_id, 1)
        self._number = known[-1].number if known else 0
        self._waiting: list[JobPoint] = []
        self._latest: dict[str, object] = {}
        self._again = False
        """Whether what is waiting was on its way before."""

    def hear(self, point: Point) -> None:
        if point.kind == "step":
            self._latest["done"] = int(point.value or 0)
            return
        if point.kind == "phase":
            self._latest |= {"phase": point.text, "done": 0, "total": None if point.value is None else int(point.value)}
        elif point.kind == "incumbent" and point.value is not None:
            self._latest["best_cents"] = round(point.value)
        elif point.kind == "bound" and point.value is not None:
            self._latest["bound_cents"] = round(point.value)
        self._number += 1
        self._waiting.append(
            JobPoint(self._job.job_id, self._number, point.kind, point.seconds, point.value, point.text)
        )

    def write(self) -> JobStanding:
        """Write what was heard and that the worker lives; raises _Lost when the job is another's."""
        with _own(self._desk, self._job, self._worker) as (work, current):
            if self._again:
                # The last try failed on the way there or on the way back: then they are kept already.
                first, many = self._waiting[0].number, len(self._waiting)
                kept = {p.number for p in work.jobs.points(self._job.job_id, first - 1, many)}
                self._waiting = [p for p in self._waiting if p.number not in kept]
            self._again = bool(self._waiting)
            work.jobs.add_points(self._waiting)
            if self._latest:
                work.jobs.keep(replace(current, **self._latest))  # type: ignore[arg-type]
        self._waiting, self._latest, self._again = [], {}, False
        return current.standing


class _GivingWay:
    """Whether lives under way are waited for on account of a plan, and for how long still."""

    def __init__(self, pace: Pace) -> None:
        self._most_s = pace.give_way_s
        self._until: float | None = None

    def begin(self) -> None:
        if self._until is None:
            self._until = time.monotonic() + self._most_s

    def is_over(self) -> bool:
        return self._until is not None and time.monotonic() >= self._until


class _Child:
    """The solving process and our end of its pipe."""

    def __init__(self, asked: Asked, processes: int) -> None:
        """Raises OSError when no process can be begun."""
        mine, its = _CONTEXT.Pipe()
        self._pipe: Connection = mine
        self._said: set[str] = set()
        self._process: BaseProcess = _CONTEXT.Process(target=serve, args=(its, processes), daemon=False)
        try:
            with born_deaf():
                self._process.start()
        except BaseException:
            mine.close()
            raise
        finally:
            its.close()
        try:
            mine.send(asked)
        except OSError:
            return  # it died before it had read all of it: its messages end at once
        except BaseException:
            self.kill()
            raise

    def messages(self, every_s: float) -> Iterator[Message | None]:
        """What the child says, and None at least every ``every_s`` seconds; ends with the child."""
        while True:
            try:
                yield self._pipe.recv() if self._pipe.poll(every_s) else None
            except (EOFError, OSError):
                self._process.join(5)
                return

    def say(self, word: str) -> None:
        """Say it, once."""
        if word not in self._said:
            self._said.add(word)
            try:
                self._pipe.send(word)
            except OSError:
                return

    def exit_code(self) -> int | None:
        return self._process.exitcode

    def kill(self) -> None:
        # A fork server takes leave of a child that has ended at once: its number may be another's by now.
        if self._process.is_alive():
            self._process.kill()
        self._process.join()
        self._pipe.close()
