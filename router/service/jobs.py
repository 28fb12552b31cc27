"""Long work: asked for, watched, stopped. A worker does it (router.worker)."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound
from router.service.book import get_line
from router.service.changes import noted
from router.service.desk import Desk
from router.service.network import network_there
from router.service.paging import filled
from router.service.plans import live_in_full
from router.service.ports import LONG_PARAMS, JobPlace, Work
from router.service.receipts import Once, earlier, hold_key, keep
from router.service.records import Actor, JobKind, JobPoint, JobRecord, JobStanding, LineStanding
from router.service.rights import Operation, require
from router.service.said import said
from router.service.visible import Hidden, hidden_from, told, values_told

_MOST_WORKERS = 16
WAITING_FOR_A_WORKER = "waiting for a worker"
WAITING_FOR_ANOTHER = "waiting for another worker; the one that had it is silent"
WAITING_TO_BE_CANCELLED = "stopped, and its worker is silent: another one cancels it, or stop it again"
_WORKED_ON = (JobStanding.RUNNING, JobStanding.STOPPING)
FROM_NOW = "plans_from_now"
"""Of every run: what the server that took it says of it (``Desk.plans_from_now``); its worker keeps to that."""
LEASE_S = 30.0
"""A worker that has been silent for so long has lost its job: another may claim it."""
ASSIGNMENT = "assignment"
"""What a choice of sites tells line by line, in a table of its own: every reader gets their own."""
KEEP_H = 24.0
"""Builds that begin within so many hours stay unless somebody says otherwise (common practice, no source)."""
MOST_KEEP_H = 8_760.0
MOST_DRAWN = 2_000
"""Reports that the page of a run draws its curve of, the last of them."""


def ask_plan(
    desk: Desk,
    actor: Actor,
    seconds: float = 60.0,
    seed: int = 1,
    workers: int = 1,
    note: str = "",
    once: Once | None = None,
    from_nothing: bool = False,
    keep_h: float = KEEP_H,
) -> JobRecord:
    """Ask for a plan of the whole book. Raises FaultyInput for parameters that cannot be, NotFound without a book.

    The run goes on from the plan that is live when it begins, where there is one, and keeps its pinned builds and, as
    far as they can stay, those that begin within ``keep_h`` hours; ``from_nothing`` keeps nothing, not even pins.
    """
    require(actor, Operation.ASK_RUN)
    words = said(note, "run", "note")
    faults = []
    if not 1 <= seconds <= desk.limits.most_run_seconds:
        want = f"1 to {desk.limits.most_run_seconds}"
        faults.append(Fault("", "run", "seconds", f"{seconds:g}", want))
    if not 1 <= workers <= _MOST_WORKERS:
        faults.append(Fault("", "run", "workers", str(workers), f"1 to {_MOST_WORKERS}"))
    if not 0 <= seed < 2**31:
        faults.append(Fault("", "run", "seed", str(seed), "0 to 2147483647"))
    if not 0 <= keep_h <= MOST_KEEP_H:
        faults.append(Fault("", "run", "keep_h", f"{keep_h:g}", f"0 to {MOST_KEEP_H:g}"))
    if faults:
        raise FaultyInput(faults)
    params = {"seconds": seconds, "seed": seed, "workers": workers, "note": words, "from_nothing": from_nothing}
    params["keep_h"] = None if from_nothing else keep_h
    return ask_job(desk, actor, JobKind.PLAN, params, once)


def ask_elsewhere(desk: Desk, actor: Actor, line_id: str, seconds: float = 10.0, once: Once | None = None) -> JobRecord:
    """Ask what the whole plan would cost with this line built at each other site, the rest solved around it."""
    require(actor, Operation.ASK_RUN)
    line = get_line(desk, actor, line_id)
    asked = asked_before(desk, actor, once)
    if asked is not None:
        # Asked before: what has become of line and plan since does not matter any more.
        return asked
    if line.standing is not LineStanding.OPEN:
        raise Conflict(f"line {line_id} is {line.standing.value}; only an open line is planned")
    if not 1 <= seconds <= desk.limits.most_run_seconds:
        want = f"1 to {desk.limits.most_run_seconds}, for each site"
        raise FaultyInput([Fault("", "run", "seconds", f"{seconds:g}", want)])
    params = {"line_id": line_id, "seconds": seconds, "seed": 1, "plan_id": live_in_full(desk).head.plan_id}
    return ask_job(desk, actor, JobKind.ELSEWHERE, params, once)


def asked_before(desk: Desk, actor: Actor, once: Once | None) -> JobRecord | None:
    """The run that the same request asked for before, whatever has become since of what it is about."""
    if once is None:
        return None
    with desk.store.look() as work:
        asked = _of_receipt(work, actor, once)
    return None if asked is None else _told(asked, hidden_from(desk, actor), desk.clock())


def _of_receipt(work: Work, actor: Actor, once: Once | None) -> JobRecord | None:
    """The run asked for by the same request before."""
    answer = earlier(work, actor, once)
    return None if answer is None else work.jobs.get(str(answer["job_id"]))


def ask_job(desk: Desk, actor: Actor, kind: JobKind, params: Mapping[str, Any], once: Once | None) -> JobRecord:
    """Put a job into the queue, with trail; whoever calls has looked at rights and parameters."""
    now = desk.clock()
    with desk.store.begin() as work:
        hold_key(work, actor, once)
        asked = _of_receipt(work, actor, once)
        if asked is None:
            job = _queued(work, desk, actor, kind, params, now)
            keep(work, desk, actor, once, {"job_id": job.job_id})
    return _told(job, None, now) if asked is None else _told(asked, hidden_from(desk, actor), now)


def _queued(work: Work, desk: Desk, actor: Actor, kind: JobKind, params: Mapping[str, Any], now: datetime) -> JobRecord:
    network = network_there(work, desk).network
    job = JobRecord(
        job_id=uuid.uuid4().hex,
        kind=kind,
        standing=JobStanding.QUEUED,
        asked_at=now,
        asked_by=actor.name,
        params={**params, "currency": network.currency, FROM_NOW: desk.plans_from_now},
        phase=WAITING_FOR_A_WORKER,
        done=0,
        total=None,
        best_cents=None,
        bound_cents=None,
        claimed_by=None,
        heartbeat_at=None,
        attempt=0,
        started_at=None,
        ended_at=None,
        why="",
        result={},
    )
    work.jobs.add(job)
    noted(work, desk, actor, f"ask {kind.value}", job.job_id, _without_texts(params))
    return job


def _without_texts(params: Mapping[str, Any]) -> dict[str, Any]:
    """For the trail, which need not hold whole files: the job does."""
    return {name: value for name, value in params.items() if name not in LONG_PARAMS}


def get_job(desk: Desk, actor: Actor, job_id: str) -> JobRecord:
    """A job as it stands. One about a line the actor is not cleared for is not there for them."""
    return job_as_told(desk, actor, job_id)[1]


def job_head(desk: Desk, actor: Actor, job_id: str) -> JobRecord:
    """The same as it stands in lists."""
    require(actor, Operation.SEE_PLANS)
    with desk.store.look() as work:
        job = work.jobs.head(job_id)
    hidden = hidden_from(desk, actor)
    return _told(_seen(job, hidden.lines, job_id), hidden, desk.clock())


def _as_it_stands(job: JobRecord, now: datetime) -> JobRecord:
    """The job as kept, but one whose worker has fallen silent is queued: nobody works on it.

    Also one that was to stop before: the next worker cancels it, and whoever asks again does so at once.
    """
    silent = job.heartbeat_at is not None and job.heartbeat_at < now - timedelta(seconds=LEASE_S)
    if job.standing not in _WORKED_ON or not silent:
        return job
    phase = WAITING_FOR_ANOTHER if job.standing is JobStanding.RUNNING else WAITING_TO_BE_CANCELLED
    return replace(job, standing=JobStanding.QUEUED, phase=phase)


def job_as_told(desk: Desk, actor: Actor, job_id: str) -> tuple[JobRecord, JobRecord]:
    """A job that is there for the actor as it is kept, and as it is told; what is hidden is looked up once it is read.

    The first is for use cases that tell something else of it.
    """
    require(actor, Operation.SEE_PLANS)
    with desk.store.look() as work:
        kept = work.jobs.get(job_id)
    hidden = hidden_from(desk, actor)
    job = _seen(kept, hidden.lines, job_id)
    return job, _told(job, hidden, desk.clock())


def _told(job: JobRecord, hidden: Hidden | None, now: datetime) -> JobRecord:
    """The job as it stands now, and as somebody may read it to whom this is hidden (None: nothing): no text names it,
    no total counts it.

    The texts of compared what-ifs are for the worker only: the what-ifs page says who sees which.
    """
    params = {name: value for name, value in job.params.items() if name != "texts"}
    job = replace(_as_it_stands(job, now), result=result_in_one(job))
    if hidden is None:
        return replace(job, params=params)
    names, of_all = hidden.names, counts_hidden(job, hidden.lines)
    return replace(
        job,
        phase=told(job.phase, names),
        done=None if of_all else job.done,
        total=None if of_all else job.total,
        why=told(job.why, names),
        params=values_told(params, names),
        result=values_told(_without_totals(job.result) if of_all else job.result, names),
        best_cents=None if of_all else job.best_cents,
        bound_cents=None if of_all else job.bound_cents,
    )


def result_in_one(job: JobRecord) -> dict[str, Any]:
    """The result without what is told line by line."""
    return {name: value for name, value in job.result.items() if name != ASSIGNMENT}


def counts_every_line(job: JobRecord) -> bool:
    """Whether its figures are of the whole book; comparisons and choices of sites leave lines under control out."""
    return job.kind in (JobKind.PLAN, JobKind.ELSEWHERE)


def counts_hidden(job: JobRecord, hidden: Collection[str]) -> bool:
    """Whether its figures, and the steps it takes, count lines that are hidden from a reader, and so are not told."""
    return bool(hidden) and counts_every_line(job)


def _without_totals(result: Mapping[str, Any]) -> dict[str, Any]:
    """What a run came to without what counts all lines: of a line tried at each site, which plans came of it stays."""
    told_of = {name: value for name, value in result.items() if name != "disturbance"}
    if "sites" in told_of:
        totals = ("landed_cents", "late_days", "difference_cents")
        told_of["sites"] = [{k: None if k in totals else v for k, v in s.items()} for s in told_of["sites"]]
    return told_of


def _seen(job: JobRecord | None, hidden: Collection[str], job_id: str) -> JobRecord:
    if job is None or job.params.get("line_id") in hidden:
        raise NotFound(f"no run {job_id[:40]}")
    return job


def list_jobs(
    desk: Desk, actor: Actor, limit: int = 50, before: datetime | None = None, after_job: str | None = None
) -> list[JobRecord]:
    """Heads of jobs, newest first: of their results what is one value; ``get_job`` has all of it.

    ``before``: those asked for before a moment. ``after_job``: those that come after a job in the list, also where
    several were asked for at one moment. Raises NotFound for a job that is not there.
    """
    require(actor, Operation.SEE_PLANS)
    start = None if before is None else (before, "")
    if after_job is not None:
        last = job_head(desk, actor, after_job)
        start = min(start or _place(last), _place(last))

    def read(place: JobPlace | None, many: int) -> list[JobRecord]:
        with desk.store.look() as work:
            return work.jobs.heads(place, many)

    def shown(found: list[JobRecord]) -> list[JobRecord]:
        hidden, now = hidden_from(desk, actor), desk.clock()
        return [_told(job, hidden, now) for job in found if job.params.get("line_id") not in hidden.lines]

    return filled(read, start, _place, shown, desk.limits.page(limit))


def _place(job: JobRecord) -> JobPlace:
    return job.asked_at, job.job_id


def points(desk: Desk, actor: Actor, job_id: str, after: int = 0, limit: int = 500) -> list[JobPoint]:
    """What a job has reported after point number ``after``; costs and numbers that count hidden lines are not told."""
    require(actor, Operation.SEE_PLANS)
    with desk.store.look() as work:
        found = work.jobs.points(job_id, after, desk.limits.page(limit))
    return _points_told(desk, actor, job_id, found)


def latest_points(desk: Desk, actor: Actor, job_id: str) -> list[JobPoint]:
    """What a job has reported of late, the last of it last; told as ``points`` are."""
    require(actor, Operation.SEE_PLANS)
    with desk.store.look() as work:
        found = work.jobs.latest_points(job_id, MOST_DRAWN)
    return _points_told(desk, actor, job_id, found)


def _points_told(desk: Desk, actor: Actor, job_id: str, found: list[JobPoint]) -> list[JobPoint]:
    with desk.store.look() as work:
        kept = work.jobs.head(job_id)
    hidden = hidden_from(desk, actor)
    job = _seen(kept, hidden.lines, job_id)
    of_all = counts_hidden(job, hidden.lines)
    return [replace(p, text=told(p.text, hidden.names), value=None if of_all else p.value) for p in found]


def stop(desk: Desk, actor: Actor, job_id: str) -> JobRecord:
    """Ask a job to stop. What it has found so far is kept; one that nobody works on is cancelled."""
    require(actor, Operation.ASK_RUN)
    hidden = hidden_from(desk, actor)
    with desk.store.begin() as work:
        _seen(work.jobs.get(job_id), hidden.lines, job_id)
        asked = work.jobs.ask_to_stop(job_id, desk.clock(), f"stopped by {actor.name}", LEASE_S)
        job = _seen(work.jobs.get(job_id), hidden.lines, job_id)
        if job.standing.ended and not asked:
            raise Conflict(f"the run has ended already ({job.standing.value})")
        noted(work, desk, actor, "stop", job_id, {})
    return _told(job, hidden_from(desk, actor), desk.clock())
