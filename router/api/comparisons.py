"""Comparisons of kept what-ifs: asked for here, watched and stopped as runs."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Response
from pydantic import Field

from router.api.asking import Asks, AtDesk, IdempotencyKey, once_of
from router.api.problems import READS, WRITES
from router.api.runs import JobId, JobView, Seed, job_view
from router.api.words import Asked
from router.service import comparisons as use
from router.service.lives import MOST_REPLICATIONS
from router.whatif.amounts import LEAST_MONTHS, LEAST_REPLICATIONS, MOST_MONTHS, MOST_NEAR_KM
from router.whatif.rolling.replicate import NEAR_KM

router = APIRouter(tags=["What-ifs"])
CSV = "text/csv"
Months = Annotated[float, Field(ge=LEAST_MONTHS, le=MOST_MONTHS)]
Replications = Annotated[int, Field(ge=LEAST_REPLICATIONS, le=MOST_REPLICATIONS)]


class Csv(Response):
    media_type = CSV


class ComparisonAsked(Asked):
    """Which what-ifs, over how many months of orders, how many times."""

    what_if_ids: Annotated[
        list[Annotated[int, Field(ge=1, le=2**31 - 1)]], Field(min_length=1, max_length=use.MOST_WHAT_IFS)
    ]
    months: Months = 3
    replications: Replications = 10
    seed: Seed = 1
    near_km: Annotated[
        float, Field(gt=0, le=MOST_NEAR_KM, description="Road distance that counts as near the customer.")
    ] = NEAR_KM
    beside_id: Annotated[
        int | None,
        Field(ge=1, le=2**31 - 1, description="A what-if the others are set beside; else the network as it is."),
    ] = None


@router.post("/comparisons", responses=WRITES, status_code=202)
def start(body: ComparisonAsked, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> JobView:
    """Live through months of orders with and without the changes; lines under export control are left out."""
    once = once_of(idempotency_key, "comparison", **body.model_dump())
    return job_view(
        use.ask_comparison(
            desk,
            actor,
            body.what_if_ids,
            body.months,
            body.replications,
            body.seed,
            once,
            body.near_km,
            body.beside_id,
        )
    )


CSV_TABLE: dict[int | str, dict[str, Any]] = {200: {"content": {CSV: {"schema": {"type": "string"}}}}}


@router.get("/comparisons/{job_id}/replications.csv", response_class=Csv, responses={**CSV_TABLE, **READS})
def replications(job_id: JobId, desk: AtDesk, actor: Asks) -> Response:
    """Figures of every replication of every scenario, as far as they have come."""
    return Csv(use.comparison_csv(desk, actor, job_id))
