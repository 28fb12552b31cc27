"""Hold a plate open for orders still to come, or start it: rules tried here, watched and stopped as runs."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Response
from pydantic import Field

from router.api.asking import Asks, AtDesk, IdempotencyKey, once_of
from router.api.comparisons import CSV_TABLE, Csv, Months, Replications
from router.api.problems import READS, WRITES
from router.api.runs import JobId, JobView, Seed, job_view
from router.api.words import Asked
from router.service import hold_trials as use
from router.whatif.comparison.hold_rules import MOST_HELD_DAYS, MOST_SLACK_DAYS

router = APIRouter(tags=["What-ifs"])


class HoldTrialAsked(Asked):
    """Which thresholds, over how many months of orders, how many times; beside them never holding is tried."""

    covers: Annotated[
        list[Annotated[float, Field(gt=0, le=1)]],
        Field(
            default_factory=lambda: list(use.COVERS),
            min_length=1,
            max_length=use.MOST_RULES,
            description="A build waits while its plate is covered less than this share: one rule for each.",
        ),
    ]
    slack_days: Annotated[
        float, Field(gt=0, le=MOST_SLACK_DAYS, description="... while every line on it has so many days to spare.")
    ] = use.SLACK_DAYS
    at_most_days: Annotated[int, Field(ge=1, le=MOST_HELD_DAYS, description="... for so many days at most.")] = (
        use.AT_MOST_DAYS
    )
    months: Months = 3
    replications: Replications = 5
    seed: Seed = 1


@router.post("/hold-trials", responses=WRITES, status_code=202)
def start(body: HoldTrialAsked, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> JobView:
    """Live through months of orders under each rule; lines under export control are left out. No plan holds plates."""
    once = once_of(idempotency_key, "hold trial", **body.model_dump())
    return job_view(
        use.ask_hold_trial(
            desk,
            actor,
            body.covers,
            body.slack_days,
            body.at_most_days,
            body.months,
            body.replications,
            body.seed,
            once,
        )
    )


@router.get("/hold-trials/{job_id}/{table}.csv", response_class=Csv, responses={**CSV_TABLE, **READS})
def table(job_id: JobId, table: Literal["rules", "replications"], desk: AtDesk, actor: Asks) -> Response:
    """The rules beside each other, or every replication under each, as far as they have come."""
    return Csv(use.hold_trial_csv(desk, actor, job_id, table))
