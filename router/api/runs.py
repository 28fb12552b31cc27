"""Runs: long work asked for, watched as it goes, stopped."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import StreamingResponse
from pydantic import BaseModel, Field, StringConstraints
from starlette.concurrency import run_in_threadpool

from router.api.asking import Asks, AtDesk, IdempotencyKey, actor_now, once_of
from router.api.book import LineId
from router.api.moments import Instant
from router.api.problems import READS, WRITES
from router.api.words import Asked
from router.kernel.faults import NotFound, NotSignedIn, Refused
from router.service import jobs as use
from router.service.desk import Desk
from router.service.records import JobPoint, JobRecord, JobStanding

router = APIRouter(tags=["Runs"])

Seed = Annotated[int, Field(ge=0, lt=2**31)]
_JOB_ID = r"^[0-9a-f]{32}$"
JobId = Annotated[str, Path(pattern=_JOB_ID)]
_LOOK_EVERY_S = 0.7
_POINTS_A_LOOK = 500


class JobView(BaseModel):
    """A run as it stands."""

    job_id: str
    kind: str
    standing: JobStanding
    """``queued``: nobody works on it (``phase`` says whether it waits for a worker, for another one because its own
    fell silent, for a plan, or to be cancelled since it was stopped and its worker fell silent). ``running``: a worker
    does. ``stopping``: asked to stop, the best so far will be kept. Then ``done``, ``failed`` or ``cancelled`` (stopped
    before there was anything to keep)."""
    asked_at: datetime
    asked_by: str
    params: dict[str, Any]
    phase: str
    done: int | None
    total: int | None
    best_cents: int | None
    """Null as well for whoever is not cleared for every line it counts; so the bound, how far it has come (``done`` of
    ``total``), and values of reports."""
    bound_cents: int | None
    attempt: int
    started_at: datetime | None
    ended_at: datetime | None
    why: str
    result: dict[str, Any]


def job_view(job: JobRecord) -> JobView:
    """A job as it is sent."""
    return JobView.model_validate({**asdict(job), "kind": job.kind.value, "standing": job.standing.value})


class PointView(BaseModel):
    """Something a run reported."""

    number: int
    kind: str
    seconds: float
    value: float | None
    text: str


class PlanRun(Asked):
    """How long and how to search."""

    seconds: Annotated[float, Field(ge=1, le=3600)] = 60
    seed: Seed = 1
    workers: Annotated[int, Field(ge=1, le=16)] = 1
    note: Annotated[str, StringConstraints(max_length=500, pattern=r"^[^\x00]*$")] = ""
    from_nothing: Annotated[bool, Field(description="Do not go on from the live plan; pins are not kept either.")] = (
        False
    )
    keep_h: Annotated[
        float,
        Field(ge=0, le=use.MOST_KEEP_H, description="Builds of the live plan that begin within so many hours stay."),
    ] = use.KEEP_H


@router.post("/runs", responses=WRITES, status_code=202)
def start(body: PlanRun, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> JobView:
    """Plan the whole book, going on from the live plan where there is one.

    The result of the run names that plan (``from_plan``) and tells what of it was disturbed.
    """
    once = once_of(idempotency_key, "run", **body.model_dump())
    return job_view(
        use.ask_plan(
            desk, actor, body.seconds, body.seed, body.workers, body.note, once, body.from_nothing, body.keep_h
        )
    )


class ElsewhereRun(Asked):
    """Seconds for each site."""

    seconds: Annotated[float, Field(ge=1, le=3600)] = 10


@router.post("/lines/{line_id}/elsewhere", responses=WRITES, status_code=202)
def elsewhere(
    line_id: LineId, body: ElsewhereRun, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None
) -> JobView:
    """What the whole plan would cost with this line at each site, the rest solved around it."""
    once = once_of(idempotency_key, "elsewhere", line_id=line_id, **body.model_dump())
    return job_view(use.ask_elsewhere(desk, actor, line_id, body.seconds, once))


@router.get("/runs", responses=READS)
def runs(
    desk: AtDesk,
    actor: Asks,
    before: Annotated[Instant | None, Query(description="runs asked for before this moment")] = None,
    after_run: Annotated[
        str | None,
        Query(
            pattern=_JOB_ID,
            description="`job_id` of the last run of a page: those that come after it. Unlike `before` it passes over "
            "none of several runs asked for at one moment.",
        ),
    ] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
) -> list[JobView]:
    """Runs, newest first. Of a result what is one value; the run itself has all of it."""
    return [job_view(j) for j in use.list_jobs(desk, actor, limit, before, after_run)]


@router.get("/runs/{job_id}", responses=READS)
def run(job_id: JobId, desk: AtDesk, actor: Asks) -> JobView:
    """One run."""
    return job_view(use.get_job(desk, actor, job_id))


@router.post("/runs/{job_id}/stop", responses=WRITES)
def stop(job_id: JobId, desk: AtDesk, actor: Asks) -> JobView:
    """End it soon; the best so far is kept."""
    return job_view(use.stop(desk, actor, job_id))


@router.get("/runs/{job_id}/points", responses=READS)
def points(
    job_id: JobId,
    desk: AtDesk,
    actor: Asks,
    after: Annotated[int, Query(ge=0, le=2**31 - 1, description="`number` of the last point of a page")] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 500,
) -> list[PointView]:
    """What it has reported, in order: the first points after a number."""
    return [PointView.model_validate(asdict(p)) for p in use.points(desk, actor, job_id, after, limit)]


class _Events(StreamingResponse):
    media_type = "text/event-stream"


@router.get("/runs/{job_id}/stream", response_class=_Events, responses=READS)
def stream(
    request: Request, job_id: JobId, desk: AtDesk, actor: Asks, after: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0
) -> StreamingResponse:
    """Progress as server-sent events (``point`` and ``run``) until the run has ended; runs as in the list.

    Who asks is settled anew at every look: where the log-in or token has ended, or its person may see less, so does
    what is told.
    """
    use.get_job(desk, actor, job_id)
    return _Events(_told(request, desk, job_id, after))


async def _told(request: Request, desk: Desk, job_id: str, after: int) -> AsyncIterator[str]:
    def look() -> tuple[JobRecord, list[JobPoint]]:
        actor = actor_now(request, desk)
        # The job first: what it reported before it ended is then always among the points.
        return use.job_head(desk, actor, job_id), use.points(desk, actor, job_id, after, _POINTS_A_LOOK)

    while not await request.is_disconnected():
        try:
            job, found = await run_in_threadpool(look)
        except (NotSignedIn, Refused, NotFound):
            return
        for point in found:
            after = point.number
            view = PointView.model_validate(asdict(point))
            yield f"event: point\nid: {point.number}\ndata: {view.model_dump_json()}\n\n"
        if len(found) == desk.limits.page(_POINTS_A_LOOK):
            continue  # there may be more of it, which comes before how the run stands
        yield f"event: run\ndata: {json.dumps(job_view(job).model_dump(mode='json'))}\n\n"
        if job.standing.ended:
            return
        await asyncio.sleep(_LOOK_EVERY_S)
