"""Errors as problem details (RFC 9457): one table from what is raised to what is answered."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from router.api.unread import faults_of, no_json, why_unread
from router.kernel.faults import (
    AlreadyMade,
    Conflict,
    Fault,
    FaultyInput,
    NotFound,
    NotOneself,
    NotSignedIn,
    PlatewrightError,
    Refused,
    Stale,
    TooMuch,
)
from router.report.wording import count
from router.service.ports import StoreAway

MEDIA = "application/problem+json"

TABLE: tuple[tuple[type[PlatewrightError], int, str], ...] = (
    (FaultyInput, 422, "faulty-input"),
    (NotFound, 404, "not-found"),
    (Stale, 412, "stale-version"),
    (AlreadyMade, 409, "already-made"),
    (Conflict, 409, "conflict"),
    (NotSignedIn, 401, "not-signed-in"),
    (NotOneself, 403, "not-oneself"),
    (Refused, 403, "refused"),
    (TooMuch, 413, "too-much"),
)
"""The first row whose class fits counts."""
_TITLES = {
    "faulty-input": "The input has faults",
    "not-found": "There is no such thing",
    "stale-version": "It has changed since you looked",
    "already-made": "It was done before",
    "conflict": "That cannot be done as things stand",
    "not-signed-in": "Nobody is signed in",
    "not-oneself": "Nobody does this to themselves",
    "refused": "You may not do this",
    "too-much": "A limit is passed",
    "precondition-required": "Name the version you saw",
    "method": "This address takes other methods",
    "request": "The request cannot be read",
    "away": "The book does not answer",
    "ours": "Something is wrong on our side",
}


_KINDS = {404: "not-found", 405: "method", 413: "too-much", 428: "precondition-required"}
"""Of what the framework refuses, by status; anything else could not be read."""


class Problem(BaseModel):
    """Problem details (RFC 9457)."""

    type: str = Field(examples=["/problems/not-found"])
    title: str
    status: int
    detail: str
    faults: list[Fault] = []
    made: dict[str, Any] | None = None
    """What was made the first time by what is asked again, without the secret its answer held."""


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """What an operation documents for these statuses."""
    schema = {"$ref": "#/components/schemas/Problem"}
    return {s: {"description": "Problem details", "content": {MEDIA: {"schema": schema}}} for s in statuses}


READS = problems(401, 403, 404, 422)
WRITES = problems(400, 401, 403, 404, 409, 413, 422)
CHANGES = problems(400, 401, 403, 404, 409, 412, 413, 422, 428)


def answer(
    status: int,
    kind: str,
    detail: str,
    faults: list[Fault] | None = None,
    headers: Mapping[str, str] | None = None,
    made: Mapping[str, Any] | None = None,
) -> JSONResponse:
    """A problem as a response."""
    body = Problem(
        type=f"/problems/{kind}",
        title=_TITLES[kind],
        status=status,
        detail=detail,
        faults=faults or [],
        made=None if made is None else dict(made),
    )
    content = body.model_dump(exclude={"made"} if made is None else None)
    return JSONResponse(content, status, dict(headers or {}), MEDIA)


def status_of(error: PlatewrightError) -> tuple[int, str]:
    """Status and kind of an error."""
    for cls, status, kind in TABLE:
        if isinstance(error, cls):
            return status, kind
    return 500, "ours"


def answer_to(error: PlatewrightError, see: str = "") -> JSONResponse:
    """An error as a response; ``see`` is the address of what came of it."""
    status, kind = status_of(error)
    faults = list(error.faults) if isinstance(error, FaultyInput) else []
    headers = {"WWW-Authenticate": "Bearer"} if status == 401 else {}
    if see:
        headers["Link"] = f'<{see}>; rel="related"'
    detail = count(len(faults), "fault") if faults else str(error)
    made = error.made if isinstance(error, AlreadyMade) else None
    return answer(status, kind, detail, faults, headers, made)


def answer_away() -> JSONResponse:
    """What is answered while the database does not."""
    return answer(503, "away", "the database does not answer; try again in a moment", headers={"Retry-After": "5"})


def install(app: FastAPI) -> None:
    """Have all errors answered as problem details."""

    @app.exception_handler(PlatewrightError)
    async def ours(request: Request, error: PlatewrightError) -> JSONResponse:
        return answer_to(error)

    @app.exception_handler(StoreAway)
    async def away(request: Request, error: StoreAway) -> JSONResponse:
        return answer_away()

    @app.exception_handler(RequestValidationError)
    async def unread(request: Request, error: RequestValidationError) -> JSONResponse:
        faults = faults_of(request, error)
        detail = faults[0].sentence() if no_json(error) else count(len(faults), "fault")
        return answer(422, "faulty-input", detail, faults)

    @app.exception_handler(HTTPException)
    async def plain(request: Request, error: HTTPException) -> JSONResponse:
        kind = _KINDS.get(error.status_code, "request")
        return answer(error.status_code, kind, why_unread(error), headers=error.headers)
