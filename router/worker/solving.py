"""The solving process, a child of the worker: a solve neither holds up requests nor takes the service with it."""

from __future__ import annotations

import os
import threading
import time
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection

from router.audit import audit
from router.kernel.faults import CalledOff, PlatewrightError
from router.kernel.run import Status
from router.planning import plan_scenario
from router.planning.elsewhere import elsewhere
from router.service.site_choice import choose_sites
from router.service.site_choices import answer_told
from router.whatif.comparison.worlds import FIGURES, WRONG, lives_of
from router.whatif.siting.network_choice import NetworkChoice
from router.whatif.sweep import Entry, Quiet, SweepEnd, lost_its_worker, sweep_into
from router.worker.messages import (
    GIVE_WAY,
    STOP,
    Chosen,
    ElsewhereAsked,
    Failed,
    Finished,
    GaveWay,
    Life,
    LivesAsked,
    Point,
    SitesAsked,
    SolveAsked,
    Solved,
)

_STEP_EVERY_S = 0.5
_TOO_SMALL = (
    "a process that lived through the orders was lost again and again; the book may be too large for the memory here"
)


class PipeListener:
    """Sends progress over the pipe; steps only now and then."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe = pipe
        self._began = time.monotonic()
        self._told = 0.0

    def phase(self, name: str, total: int | None) -> None:
        self._say("phase", None if total is None else float(total), name)

    def step(self, done: int) -> None:
        if time.monotonic() - self._told >= _STEP_EVERY_S:
            self._told = time.monotonic()
            self._say("step", float(done))

    def incumbent(self, value: float, seconds: float) -> None:
        self._say("incumbent", value)

    def bound(self, value: float, seconds: float) -> None:
        self._say("bound", value)

    def ended(self, status: Status, reason: str) -> None:
        self._say("ended", None, f"{status.value}: {reason}")

    def _say(self, kind: str, value: float | None, text: str = "") -> None:
        self._pipe.send(Point(kind, time.monotonic() - self._began, value, text))


@dataclass(frozen=True, slots=True)
class _Words:
    """What the worker has said so far."""

    stop: threading.Event = field(default_factory=threading.Event)
    give_way: threading.Event = field(default_factory=threading.Event)


def serve(pipe: Connection, processes: int) -> None:
    """Entry of the process: one request in, messages out. Ends at once when the worker is gone.

    ``processes``: that lives may be lived in at the same time.
    """
    try:
        asked = pipe.recv()
    except EOFError:
        os._exit(1)  # the worker is gone before it has said what is to be done
    words = _Words()
    threading.Thread(target=_listen, args=(pipe, words), daemon=True).start()
    try:
        if isinstance(asked, LivesAsked):
            _live(pipe, asked, words, processes)
        else:
            _answer(pipe, asked, words.stop)
    except BrokenPipeError:
        os._exit(1)  # the worker is gone; nobody is left to be told
    except PlatewrightError as wrong:
        pipe.send(Failed(str(wrong), expected=True, called_off=isinstance(wrong, CalledOff)))
    except Exception as wrong:
        pipe.send(Failed(f"{type(wrong).__name__}: {wrong}\n{traceback.format_exc()}", expected=False))
    pipe.close()


def _listen(pipe: Connection, words: _Words) -> None:
    try:
        while True:
            word = pipe.recv()
            if word == STOP:
                words.stop.set()
            elif word == GIVE_WAY:
                words.give_way.set()
    except (EOFError, OSError):
        # The worker is gone: whoever claims the job next begins anew, so there is nothing to keep.
        os._exit(1)


class _Sent:
    """Lives as they come go to the worker, which keeps them; after one that failed no other is lived."""

    def __init__(self, pipe: Connection, lives: Mapping[str, tuple[int, int]], stop: threading.Event) -> None:
        self.entries: dict[str, Entry] = {}
        self.failed: Failed | None = None
        self._pipe, self._lives, self._stop = pipe, lives, stop

    def add(self, entry: Entry) -> None:
        self.entries[entry.digest] = entry
        wrong = entry.failed or entry.value.get(WRONG, "")
        if not wrong:
            number, world = self._lives[entry.digest]
            self._pipe.send(Life(number, world, entry.value[FIGURES]))
        elif self.failed is None:
            # A life that no process came back from is no fault of ours as a rule: the machine is too small for it. Of
            # what else failed the text may hold anything, and is for the log.
            lost = lost_its_worker(entry)
            self.failed = Failed(_TOO_SMALL if lost else wrong, expected=lost or not entry.failed)
            self._stop.set()


class _Steps(Quiet):
    """Tells how many lives are kept."""

    def __init__(self, listener: PipeListener, lived: int) -> None:
        self._listener, self._lived = listener, lived

    def kept(self, entry: Entry, done: int, total: int) -> None:
        self._listener.step(self._lived + done)


def _live(pipe: Connection, asked: LivesAsked, words: _Words, processes: int) -> None:
    listener = PipeListener(pipe)
    listener.phase("living through the orders", asked.lives)
    listener.step(len(asked.lived))
    every = lives_of(asked.scenario, asked.worlds, asked.stretch, asked.replications, asked.seed)
    missing = {task.digest: (number, world) for number, world, task in every if (number, world) not in asked.lived}
    tasks = [task for _, _, task in every if task.digest in missing]
    sent = _Sent(pipe, missing, words.stop)
    done = sweep_into(
        sent,
        tasks,
        "here" if processes == 1 else f"processes:{min(processes, max(1, len(tasks)))}",
        listener=_Steps(listener, len(asked.lived)),
        cancel=words.stop,
        no_more=words.give_way,
    )
    if sent.failed is not None:
        pipe.send(sent.failed)
    elif done.end is SweepEnd.DONE:
        pipe.send(Finished("every replication lived"))
    elif words.stop.is_set():
        pipe.send(Finished("cancelled"))
    elif words.give_way.is_set():
        pipe.send(GaveWay())
    else:
        pipe.send(Failed(f"{done.end.value}: {done.reason}", expected=False))


def _choose(pipe: Connection, asked: SitesAsked, cancel: threading.Event) -> None:
    listener, began = PipeListener(pipe), time.monotonic()

    def heard(best: NetworkChoice) -> None:
        seconds = time.monotonic() - began
        listener.incumbent(best.total_cents, seconds)
        listener.bound(best.bound_cents, seconds)

    found = choose_sites(
        asked.scenario, asked.question, asked.sites, listener, asked.seconds, asked.seed, cancel.is_set, heard
    )
    pipe.send(Chosen(answer_told(found, asked.scenario, asked.job_id)))
    pipe.send(Finished("every place tried, every input varied" if found.whole else "cancelled"))


def _answer(pipe: Connection, asked: SolveAsked | ElsewhereAsked | SitesAsked, cancel: threading.Event) -> None:
    if isinstance(asked, SitesAsked):
        _choose(pipe, asked, cancel)
        return
    listener = PipeListener(pipe)
    if isinstance(asked, SolveAsked):
        result = plan_scenario(
            asked.scenario,
            asked.params,
            listener,
            cancel,
            start=asked.start,
            keep=asked.keep,
            keep_if_able=asked.keep_if_able,
        )
        listener.phase("audit", None)
        report = audit(asked.scenario, result.plan)
        findings = tuple(f.sentence() for f in report.findings)
        pipe.send(Solved(result, findings, sum(n for _, n in report.checked)))
        pipe.send(Finished(result.stop_reason))
        return
    for answer in elsewhere(
        asked.scenario, asked.result.plan, asked.line_id, asked.seconds, asked.seed, listener, cancel, keep=asked.keep
    ):
        if answer.plan is None or answer.kpis is None:
            pipe.send(Solved(None, (), 0, answer.site_id, answer.reasons))
            continue
        report = audit(asked.scenario, answer.plan)
        found = replace(
            asked.result,
            plan=answer.plan,
            kpis=answer.kpis,
            options=(),
            gap=None,
            status=Status.FEASIBLE.value,
            stop_reason=f"{asked.seconds:g} s for each site",
            seed=asked.seed,
            trace=(),
        )
        findings = tuple(f.sentence() for f in report.findings)
        pipe.send(Solved(found, findings, sum(n for _, n in report.checked), answer.site_id))
    pipe.send(Finished("cancelled" if cancel.is_set() else "every site tried"))
