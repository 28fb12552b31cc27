"""Where the next site should stand: asked for here, watched and stopped as runs; kept as what-ifs."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Response
from pydantic import BaseModel, Field, StringConstraints

from router.api.asking import Asks, AtDesk, IdempotencyKey, once_of
from router.api.comparisons import CSV_TABLE, Csv
from router.api.problems import READS, WRITES
from router.api.runs import JobId, JobView, Seed, job_view
from router.api.what_ifs import WhatIfHead, what_if_head
from router.api.words import Asked
from router.kernel.faults import Fault
from router.service import site_choices as use

router = APIRouter(tags=["What-ifs"])


class SiteQuestion(Asked):
    """The YAML text of a question (platewright candidates 1): terms, places, machines to buy, what is varied."""

    text: Annotated[str, StringConstraints(max_length=use.MOST_BYTES)]


class SiteChoiceAsked(SiteQuestion):
    """With how many sites at most, and seconds for each of the programmes."""

    sites: Annotated[int, Field(ge=1, le=use.MOST_SITES)] = 1
    seconds: Annotated[float, Field(ge=1, le=use.MOST_SECONDS)] = 10
    seed: Seed = 0


class CandidateView(BaseModel):
    """A place that would be tried."""

    id: str
    name: str
    country: str
    latitude_deg: float
    longitude_deg: float
    works_like: str


class SiteQuestionView(BaseModel):
    """What a text asks and every fault of it; nothing is stored."""

    name: str
    candidates: list[CandidateView]
    packages: list[str]
    assumptions: list[str]
    """Figures without a source."""
    faults: list[Fault]


@router.post("/site-choices/check", responses=WRITES)
def check(body: SiteQuestion, desk: AtDesk, actor: Asks) -> SiteQuestionView:
    """Look for faults beside the network of today, and find the places, without asking yet."""
    view = use.check_site_question(desk, actor, _bytes(body.text))
    question = view.question
    if question is None:
        return SiteQuestionView(name="", candidates=[], packages=[], assumptions=[], faults=list(view.faults))
    return SiteQuestionView(
        name=question.name,
        candidates=[
            CandidateView(
                id=c.candidate_id,
                name=c.name,
                country=c.place.country,
                latitude_deg=c.place.latitude_deg,
                longitude_deg=c.place.longitude_deg,
                works_like=c.works_like,
            )
            for c in question.candidates
        ],
        packages=[p.package_id for p in question.packages],
        assumptions=list(question.assumptions),
        faults=[],
    )


@router.post("/site-choices", responses=WRITES, status_code=202)
def start(body: SiteChoiceAsked, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> JobView:
    """Ask where new sites should stand for a year of the book's demand; lines under export control are left out."""
    once = once_of(idempotency_key, "site choice", **body.model_dump())
    return job_view(use.ask_site_choice(desk, actor, _bytes(body.text), body.sites, body.seconds, body.seed, once))


@router.get("/site-choices/{job_id}/{table}.csv", response_class=Csv, responses={**CSV_TABLE, **READS})
def table(
    job_id: JobId, table: Literal["places", "hours", "tornado", "break_even", "assignment"], desk: AtDesk, actor: Asks
) -> Response:
    """A table: choices beside each other, machine hours, one input at a time, break-even map, who builds each line."""
    return Csv(use.site_choice_csv(desk, actor, job_id, table))


@router.post("/site-choices/{job_id}/what-ifs", responses=WRITES, status_code=201)
def keep(job_id: JobId, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> list[WhatIfHead]:
    """Keep the question's terms and the choice on them as what-ifs: compare the second beside the first."""
    once = once_of(idempotency_key, "keep site choice", job_id=job_id)
    return [what_if_head(x) for x in use.keep_site_choice(desk, actor, job_id, once)]


def _bytes(text: str) -> bytes:
    # JSON can carry halves of surrogate pairs; replaced, they are a fault of the text instead of one of ours.
    return text.encode("utf-8", "replace")
