"""Who does the tasks of a sweep: this process, processes here, or a Dask cluster; one setting says which.

The sweep speaks to all of them in futures of ``concurrent.futures``.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import math
import multiprocessing
import os
import re
import signal
import time
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from enum import StrEnum
from multiprocessing.connection import Connection
from multiprocessing.context import BaseContext
from typing import Any, Protocol

from router.kernel.deaf import born_deaf
from router.kernel.faults import Fault, PlatewrightError
from router.kernel.lead import end_with_the_lead
from router.whatif.sweep.task import Reply, perform

_PROCESSES = re.compile(r"processes:([1-9]\d{0,3})")
_DASK = re.compile(r"dask:((?:tcp|tls|ws|wss|ucx|inproc)://\S+)")
CREWS = "here, processes:N or dask:tcp://host:port"
"""How a setting is spelled, for people."""
_PACKAGE = "distributed"

_COUNT_S = 1.0
"""How long the number of a cluster's threads is taken for true."""


class CrewGone(PlatewrightError):
    """Nobody is left to do tasks: the cluster cannot be reached."""


class Ended(StrEnum):
    """What a future that gives no reply says of its task."""

    WORKER_LOST = "worker lost"
    IMPOSSIBLE = "impossible"
    """The task cannot be sent, or not be taken."""
    CREW_GONE = "crew gone"


class Crew(Protocol):
    """Takes tasks as long as there is room."""

    knows_who: bool
    """Whether a lost worker takes exactly the task with it that it was doing."""

    def room(self) -> int:
        """How many more tasks it would take now."""
        ...

    def submit(self, packed: bytes) -> Future[Reply]:
        """Have a packed task done. Raises CrewGone."""
        ...

    def settled(self, future: Future[Reply]) -> None:
        """Hear that a future has been looked at."""
        ...

    def close(self, at_once: bool) -> None:
        """Stop. ``at_once``: what is under way is given up."""
        ...


def crew_fault(setting: str) -> Fault | None:
    """Why ``open_crew`` cannot do with a setting; whether anybody answers is another matter."""
    if _DASK.fullmatch(setting):
        if importlib.util.find_spec(_PACKAGE) is not None:
            return None
        without = f"{setting}, without the package {_PACKAGE}"
        return Fault("", "", "executor", without, "pip install 'platewright[dask]' first, or here, or processes:N")
    known = setting == "here" or _PROCESSES.fullmatch(setting)
    return None if known else Fault("", "", "executor", setting, CREWS)


def open_crew(setting: str) -> Crew:
    """The crew of a setting: ``here``, ``processes:N`` or ``dask:tcp://host:port``.

    Raises ValueError for a setting that is none of these, CrewGone when the cluster does not answer.
    """
    fault = crew_fault(setting)
    if fault is not None:
        raise ValueError(fault.sentence())
    if setting == "here":
        return Here()
    if found := _PROCESSES.fullmatch(setting):
        return Processes(int(found.group(1)))
    return Dask(setting.removeprefix("dask:"))


def ended(fault: BaseException) -> Ended:
    """What the fault of a future means."""
    if isinstance(fault, BrokenProcessPool) or type(fault).__name__ == "KilledWorker":
        return Ended.WORKER_LOST
    # Dask cancels what it held when the scheduler is lost; nothing else cancels a task of ours.
    if isinstance(fault, CancelledError | CrewGone) or type(fault).__name__ == "FutureCancelledError":
        return Ended.CREW_GONE
    return Ended.IMPOSSIBLE


class Here:
    """Tasks one after the other in this process: for small sweeps, and for looking into a task."""

    knows_who = True

    def __init__(self) -> None:
        self._room = 1

    def room(self) -> int:
        return self._room

    def submit(self, packed: bytes) -> Future[Reply]:
        future: Future[Reply] = Future()
        future.set_result(perform(packed))
        self._room = 0
        return future

    def settled(self, future: Future[Reply]) -> None:
        self._room = 1

    def close(self, at_once: bool) -> None:
        return


class Processes:
    """Processes on this machine, each a pool of its own: one that dies breaks nobody else's work."""

    knows_who = True

    def __init__(self, count: int) -> None:
        # A fork of this process would copy locks that its threads hold; a fork server has none.
        able = "forkserver" in multiprocessing.get_all_start_methods()
        self._context = multiprocessing.get_context("forkserver" if able else "spawn")
        self._idle = [self._lane() for _ in range(count)]
        self._busy: dict[Future[Reply], _Lane] = {}

    def _lane(self) -> _Lane:
        return _Lane(self._context)

    def room(self) -> int:
        return len(self._idle)

    def submit(self, packed: bytes) -> Future[Reply]:
        lane = self._idle.pop()
        try:
            future = lane.pool.submit(perform, packed)
        except BrokenProcessPool:  # its process died while it had nothing to do
            lane = self._lane()
            future = lane.pool.submit(perform, packed)
        self._busy[future] = lane
        return future

    def settled(self, future: Future[Reply]) -> None:
        lane = self._busy.pop(future)
        if isinstance(future.exception(), BrokenProcessPool):
            lane.pool.shutdown(wait=False)
            lane = self._lane()
        self._idle.append(lane)

    def close(self, at_once: bool) -> None:
        for lane in [*self._idle, *self._busy.values()]:
            lane.close(at_once)


class _Lane:
    """A pool of one process, which process that is, and a pipe through which it is told to end.

    The pipe reaches a process that has only been begun, whose number nobody knows yet; the signal one that is held up
    in compiled code.
    """

    def __init__(self, context: BaseContext) -> None:
        self._heard, self._word = context.Pipe(duplex=False)
        self.pool = ProcessPoolExecutor(1, context, _settle_in, (self._heard,))
        with (
            born_deaf()
        ):  # the first task begins the process; a worker that died of an interrupt would take its task along
            self._pid = self.pool.submit(os.getpid)

    def close(self, at_once: bool) -> None:
        if at_once:
            with contextlib.suppress(OSError):
                self._word.send_bytes(b"end")
            known = self._pid.done() and not self._pid.cancelled() and self._pid.exception() is None
            if known:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(self._pid.result(), signal.SIGTERM)
        self.pool.shutdown(wait=not at_once, cancel_futures=True)


def _settle_in(heard: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where none can be born deaf
    end_with_the_lead(heard)


def _begun_or_closed(client: Any) -> Any:
    """The class of clients, but one that cannot begin is closed at once.

    Else that is left to whenever the rest of it is collected; where just then another begins, in the same thread, both
    wait for one lock for ever.
    """

    class Begun(client):  # type: ignore[misc]
        def __init__(self, *asked: Any, **named: Any) -> None:
            try:
                super().__init__(*asked, **named)
            except BaseException:
                with contextlib.suppress(Exception):
                    self.close(timeout=5)
                raise

    return Begun


class Dask:
    """Workers of a Dask cluster, found by the address of its scheduler. They need this package installed.

    The cluster itself does the tasks of a lost worker again. It cannot tell which of a worker's tasks was its death.
    """

    knows_who = False
    _AHEAD = 2
    """Tasks handed out for each thread of a worker: one under way, one that waits beside it."""

    def __init__(self, address: str, timeout_s: float = 10.0) -> None:
        distributed: Any = importlib.import_module(_PACKAGE)
        try:
            self._client: Any = _begun_or_closed(distributed.Client)(address, timeout=timeout_s, set_as_default=False)
        except Exception as silent:  # what a kind of address raises that is not to be had here is anybody's guess
            raise CrewGone(
                f"no Dask scheduler answers at {address} ({silent});"
                " expected the address of one that runs, as `dask scheduler` prints it"
            ) from silent
        # Equal calls are separate tasks: a sweep says itself what has been done before.
        self._pool: Any = self._client.get_executor(pure=False)
        self._under_way = 0
        self._threads = 0
        self._counted_s = -math.inf

    def room(self) -> int:
        # Workers come and go; asking for them costs a trip to the scheduler.
        if time.monotonic() - self._counted_s > _COUNT_S:
            try:
                self._threads = sum(self._client.nthreads().values())
            except Exception as lost:
                raise CrewGone(f"the Dask scheduler does not answer: {type(lost).__name__}: {lost}") from lost
            self._counted_s = time.monotonic()
        return max(1, self._AHEAD * self._threads) - self._under_way

    def submit(self, packed: bytes) -> Future[Reply]:
        try:
            future: Future[Reply] = self._pool.submit(perform, packed)
        except Exception as lost:
            raise CrewGone(f"the Dask cluster takes no task: {type(lost).__name__}: {lost}") from lost
        self._under_way += 1
        return future

    def settled(self, future: Future[Reply]) -> None:
        self._under_way -= 1

    def close(self, at_once: bool) -> None:
        with contextlib.suppress(Exception):
            self._pool.shutdown(wait=False)
        with contextlib.suppress(Exception):
            self._client.close(timeout=5)
