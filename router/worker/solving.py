"""The solving process, a child of the worker: a solve neither holds up requests nor takes the service with it."""

from __future__ import annotations

import os
import threading
import time
import traceback
from dataclasses import replace
from multiprocessing.connection import Connection

from router.audit import audit
from router.kernel.faults import CalledOff, PlatewrightError
from router.kernel.run import Status
from router.planning import plan_scenario
from router.planning.elsewhere import elsewhere
from router.service.site_choice import choose_sites
from router.service.site_choices import answer_told
from router.whatif.rolling.replicate import Stretch, replicate
from router.whatif.siting.network_choice import NetworkChoice
from router.whatif.study import replication_seed
from router.worker.messages import (
    STOP,
    Asked,
    Chosen,
    ComparisonAsked,
    Failed,
    Finished,
    Life,
    Point,
    SitesAsked,
    SolveAsked,
    Solved,
)

_STEP_EVERY_S = 0.5


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


def serve(pipe: Connection) -> None:
    """Entry of the process: one request in, messages out. Ends at once when the worker is gone."""
    asked = pipe.recv()
    cancel = threading.Event()
    threading.Thread(target=_listen, args=(pipe, cancel), daemon=True).start()
    try:
        _answer(pipe, asked, cancel)
    except BrokenPipeError:
        os._exit(1)  # the worker is gone; nobody is left to be told
    except PlatewrightError as wrong:
        pipe.send(Failed(str(wrong), expected=True, called_off=isinstance(wrong, CalledOff)))
    except Exception as wrong:
        pipe.send(Failed(f"{type(wrong).__name__}: {wrong}\n{traceback.format_exc()}", expected=False))
    pipe.close()


def _listen(pipe: Connection, cancel: threading.Event) -> None:
    try:
        while True:
            if pipe.recv() == STOP:
                cancel.set()
    except (EOFError, OSError):
        # The worker is gone: whoever claims the job next begins anew, so there is nothing to keep.
        os._exit(1)


def _compare(pipe: Connection, asked: ComparisonAsked, cancel: threading.Event) -> None:
    listener = PipeListener(pipe)
    width = len(asked.what_ifs)
    listener.phase("lives", width * asked.replications)
    stretch, done = Stretch(months=asked.months, near_km=asked.near_km), len(asked.lived)
    for number in range(asked.replications):
        seed = replication_seed(asked.seed, number)
        for index, what_if in enumerate(asked.what_ifs):
            if (number, index) in asked.lived:
                continue
            if cancel.is_set():
                pipe.send(Finished("cancelled"))
                return
            network = what_if.network(asked.scenario.network)
            pipe.send(Life(number, index, replicate(asked.scenario, network, seed, stretch, what_if.demand)))
            done += 1
            listener.step(done)
    pipe.send(Finished("every replication lived"))


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


def _answer(pipe: Connection, asked: Asked, cancel: threading.Event) -> None:
    if isinstance(asked, ComparisonAsked):
        _compare(pipe, asked, cancel)
        return
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
