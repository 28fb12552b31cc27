"""Doing a sweep: what is not kept yet is done, what comes is kept at once, whoever does it and whoever is lost."""

from __future__ import annotations

import json
import threading
import time
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Protocol

from router.whatif.sweep.crew import Crew, CrewGone, Ended, ended, open_crew
from router.whatif.sweep.ledger import Entry, Ledger
from router.whatif.sweep.task import Reply, Task

_LOST = "its worker was lost"
_LOOK_S = 0.2
"""How often a sweep looks whether it is to stop."""


class SweepEnd(StrEnum):
    """How a sweep ended. Whatever it was, what came is kept."""

    DONE = "done"
    CANCELLED = "cancelled"
    CREW_GONE = "nobody left to do tasks"


class Kept(Protocol):
    """Where results are kept: a ledger, or whoever takes each as it comes."""

    @property
    def entries(self) -> Mapping[str, Entry]:
        """By digest."""
        ...

    def add(self, entry: Entry) -> None:
        """Keep it; once this returns it is kept."""
        ...


class SweepListener(Protocol):
    """Hears of a sweep as it goes."""

    def began(self, total: int, already: int) -> None:
        """So many tasks, of which so many were kept by an earlier sweep."""
        ...

    def kept(self, entry: Entry, done: int, total: int) -> None:
        """A result is on the disk."""
        ...

    def lost(self, name: str, times: int) -> None:
        """The worker that did this task is gone, for so many times."""
        ...

    def ended(self, end: SweepEnd, reason: str) -> None:
        """Nothing follows."""
        ...


class Quiet:
    """A listener that ignores everything."""

    def began(self, total: int, already: int) -> None:
        return

    def kept(self, entry: Entry, done: int, total: int) -> None:
        return

    def lost(self, name: str, times: int) -> None:
        return

    def ended(self, end: SweepEnd, reason: str) -> None:
        return


@dataclass(frozen=True, slots=True)
class SweepOutcome:
    """What a sweep came to. ``entries`` in the order of the tasks, None where a task was not done."""

    end: SweepEnd
    reason: str
    entries: tuple[Entry | None, ...]
    done_now: int
    """Results of this sweep; the rest was kept by earlier ones."""
    lost: int
    """How many times a worker was lost with a task."""
    seconds: float

    @property
    def failed(self) -> tuple[Entry, ...]:
        """Tasks that gave no value, with their reasons."""
        return tuple(e for e in self.entries if e is not None and e.failed)


def sweep(
    tasks: Sequence[Task],
    ledger: Path,
    executor: str = "processes:1",
    *,
    listener: SweepListener | None = None,
    cancel: threading.Event | None = None,
    again_if_failed: bool = True,
    losses_allowed: int = 2,
) -> SweepOutcome:
    """Do the tasks whose results are not in the ledger, and keep each as it comes.

    ``executor``: ``here``, ``processes:N`` or ``dask:tcp://host:port``. No more tasks are handed out than the crew has
    room for. ``again_if_failed``: failures of earlier sweeps are tried again. A task whose worker is lost more than
    ``losses_allowed`` times is a failure with that reason. A cancelled sweep gives up what is under way and not done;
    taken up again, it does only what is missing. Raises ValueError for two equal tasks, a damaged ledger or an executor
    that is not known; Conflict when another sweep holds the ledger; CrewGone when no cluster answers.
    """
    _refuse_equals(tasks)
    with Ledger(ledger) as kept:
        return sweep_into(
            kept,
            tasks,
            executor,
            listener=listener,
            cancel=cancel,
            again_if_failed=again_if_failed,
            losses_allowed=losses_allowed,
        )


def sweep_into(
    kept: Kept,
    tasks: Sequence[Task],
    executor: str = "processes:1",
    *,
    listener: SweepListener | None = None,
    cancel: threading.Event | None = None,
    no_more: threading.Event | None = None,
    again_if_failed: bool = True,
    losses_allowed: int = 2,
) -> SweepOutcome:
    """As ``sweep``, with the results kept by somebody else.

    ``no_more``: once it is set, no task is handed out any more; what is under way is waited for.
    """
    _refuse_equals(tasks)
    known = {d for d, e in kept.entries.items() if not (e.failed and again_if_failed)}
    missing = [task for task in tasks if task.digest not in known]
    round_of_tasks = _Sweep(kept, len(tasks), len(tasks) - len(missing), listener or Quiet(), losses_allowed)
    return round_of_tasks.run(tasks, missing, executor, cancel or threading.Event(), no_more or threading.Event())


def _refuse_equals(tasks: Sequence[Task]) -> None:
    first: dict[str, str] = {}
    for task in tasks:
        if task.digest in first:
            raise ValueError(f"tasks {first[task.digest]!r} and {task.name!r} are the same: give them other names")
        first[task.digest] = task.name


class _Sweep:
    """The state of a sweep under way."""

    def __init__(self, ledger: Kept, total: int, already: int, listener: SweepListener, losses_allowed: int) -> None:
        self.ledger = ledger
        self.total = total
        self.done = self.already = already
        self.listener = listener
        self.losses_allowed = losses_allowed
        self.losses: dict[str, int] = {}
        self.waiting: deque[Task] = deque()
        self.suspects: deque[Task] = deque()
        """Tasks on whose account, perhaps, a worker died: done one at a time, when nothing else is under way."""
        self.under_way: dict[Future[Reply], Task] = {}

    def run(
        self,
        tasks: Sequence[Task],
        missing: Sequence[Task],
        executor: str,
        cancel: threading.Event,
        no_more: threading.Event,
    ) -> SweepOutcome:
        began = time.monotonic()
        self.waiting.extend(missing)
        self.listener.began(self.total, self.already)
        end, reason = SweepEnd.DONE, "every task is done"
        if missing:
            crew = open_crew(executor)
            try:
                end, reason = self._until_done(crew, cancel, no_more)
            except CrewGone as gone:
                end, reason = SweepEnd.CREW_GONE, str(gone)
            finally:
                # Also when the disk is full or the user interrupts: nothing goes on behind the caller's back.
                crew.close(at_once=bool(self.under_way))
        self.listener.ended(end, reason)
        entries = tuple(self.ledger.entries.get(task.digest) for task in tasks)
        return SweepOutcome(
            end, reason, entries, self.done - self.already, sum(self.losses.values()), time.monotonic() - began
        )

    def _until_done(self, crew: Crew, cancel: threading.Event, no_more: threading.Event) -> tuple[SweepEnd, str]:
        while self.waiting or self.suspects or self.under_way:
            if cancel.is_set():
                # What came while others were looked at is a result like any: it is kept, not thrown away.
                self._settle_all(crew, [future for future in self.under_way if future.done()])
                if not (self.waiting or self.suspects or self.under_way):
                    break
                return SweepEnd.CANCELLED, f"cancelled with {self.total - self.done} tasks to do"
            if not no_more.is_set():
                self._hand_out(crew)
            elif not self.under_way:
                return SweepEnd.CANCELLED, f"no more was handed out, with {self.total - self.done} tasks to do"
            came, _ = wait(self.under_way, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
            self._settle_all(crew, came)
        return SweepEnd.DONE, "every task is done"

    def _settle_all(self, crew: Crew, came: Iterable[Future[Reply]]) -> None:
        for future in came:
            task = self.under_way.pop(future)
            crew.settled(future)
            self._settle(crew, task, future)

    def _hand_out(self, crew: Crew) -> None:
        # Asked also when nothing waits: a crew that is gone may never say so of what it has under way.
        while crew.room() > 0 and self.waiting:
            self._send(crew, self.waiting.popleft())
        if self.suspects and not self.under_way:
            self._send(crew, self.suspects.popleft())

    def _send(self, crew: Crew, task: Task) -> None:
        try:
            packed = task.packed()
        except Exception as unfit:
            self._keep(_failure(task, f"it cannot be sent to a worker: {type(unfit).__name__}: {unfit}"))
            return
        self.under_way[crew.submit(packed)] = task

    def _settle(self, crew: Crew, task: Task, future: Future[Reply]) -> None:
        if future.cancelled():
            raise CrewGone("the cluster has dropped a task: is its scheduler there?")
        fault = future.exception()
        if fault is None:
            reply = future.result()
            value = None if reply.value is None else json.loads(reply.value)
            self._keep(Entry(task.digest, task.name, value, reply.reason, reply.seconds, reply.cpu_s, reply.worker))
            return
        kind = ended(fault)
        if kind is Ended.CREW_GONE:
            raise CrewGone(f"the cluster has dropped a task: {type(fault).__name__}: {fault}")
        if kind is Ended.IMPOSSIBLE:
            self._keep(_failure(task, f"{type(fault).__name__}: {fault}"))
            return
        times = self.losses[task.digest] = self.losses.get(task.digest, 0) + 1
        self.listener.lost(task.name, times)
        # Where the culprit is not known, a task is condemned only for what happens while it is alone.
        if times > (self.losses_allowed if crew.knows_who else 1):
            self._keep(_failure(task, f"{_LOST} {times} times while doing it ({fault})"))
        elif crew.knows_who:
            self.waiting.appendleft(task)
        else:
            self.suspects.append(task)

    def _keep(self, entry: Entry) -> None:
        self.ledger.add(entry)
        self.done += 1
        self.listener.kept(entry, self.done, self.total)


def lost_its_worker(entry: Entry) -> bool:
    """Whether a task failed because whoever did it was lost, too many times."""
    return not entry.worker and entry.failed.startswith(_LOST)


def _failure(task: Task, reason: str) -> Entry:
    return Entry(task.digest, task.name, None, reason, 0.0, 0.0, "")
