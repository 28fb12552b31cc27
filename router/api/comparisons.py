"""Comparisons of kept what-ifs: asked for here, watched and stopped as runs."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Response
from pydantic import Field

from router.api.asking import Asks, AtDesk, IdempotencyKey, once_of
from router.api.problems import READS, WRITES
from router.api.runs import JobId, JobView, job_view
from router.api.words import Asked
from router.service import comparisons as use

router = APIRouter(tags=["What-ifs"])
CSV = "text/csv"


class _Csv(Response):
    media_type = CSV


class ComparisonAsked(Asked):
    """Which what-ifs, over how many months of orders, how many times."""

    what_if_ids: Annotated[
        list[Annotated[int, Field(ge=1, le=2**31 - 1)]], Field(min_length=1, max_length=use.MOST_WHAT_IFS)
    ]
    months: Annotated[float, Field(ge=0.25, le=18)] = 3
    replications: Annotated[int, Field(ge=2, le=use.MOST_REPLICATIONS)] = 10
    seed: Annotated[int, Field(ge=0, lt=2**31)] = 1


@router.post("/comparisons", responses=WRITES, status_code=202)
def start(body: ComparisonAsked, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> JobView:
    """Live through months of orders with and without the changes; lines under export control are left out."""
    once = once_of(idempotency_key, "comparison", **body.model_dump())
    return job_view(use.ask_comparison(desk, actor, body.what_if_ids, body.months, body.replications, body.seed, once))


_TABLE: dict[int | str, dict[str, Any]] = {200: {"content": {CSV: {"schema": {"type": "string"}}}}}


@router.get("/comparisons/{job_id}/replications.csv", response_class=_Csv, responses={**_TABLE, **READS})
def replications(job_id: JobId, desk: AtDesk, actor: Asks) -> Response:
    """Figures of every replication of every scenario, as far as they have come."""
    return _Csv(use.comparison_csv(desk, actor, job_id))
