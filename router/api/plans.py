"""Plans, their builds and plate files, moves, comparisons, and where a line would go."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel, Field, StringConstraints

from router.api.asking import Asks, AtDesk, IdempotencyKey, Seen, etag, once_of
from router.api.book import FINE, LineId
from router.api.problems import CHANGES, READS, WRITES
from router.api.words import Asked
from router.domain.result import LineOptions
from router.formats.order_book import REQUIRED
from router.planning.disturbance import Disturbance
from router.planning.moves import DateChange
from router.planning.room_now import WouldFit
from router.service import plans as use
from router.service.builds import BuildView, list_builds, plate_file
from router.service.compare import BuildDifference, Comparison, LineDifference, compare_plans
from router.service.moves import TriedLineMove, TriedMove, keep_line_move, keep_move, try_line_move, try_move
from router.service.options import where_to_build, where_would_it_go, would_fit
from router.service.pins import pinned_builds, set_pin
from router.service.quantities import QuantityCost, cost_by_quantity
from router.service.records import PlanHead
from router.service.trail import book_changes

router = APIRouter(tags=["Plans"])

PlanId = Annotated[int, Path(ge=1, le=2**31 - 1)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00]+$")]
BuildId = Annotated[str, Path(min_length=1, max_length=200, pattern=r"^[^\x00/]+$")]


class PlanView(BaseModel):
    """A plan without its body; money in cents of ``currency``."""

    plan_id: int
    standing: str
    book_revision: int
    scenario_fingerprint: str
    made_at: datetime
    made_by: str
    how: str
    note: str
    parent: int | None
    job_id: str | None
    currency: str
    kpis: dict[str, Any]
    bound_cents: int | None
    gap: float | None
    findings: int
    version: int
    partial: bool
    """You are not cleared for every line: figures that count all lines, and their bound, are null."""


class BookChange(BaseModel):
    """What was done to what of the book, and when."""

    at: datetime
    operation: str
    subject: str


class ChangedSince(BaseModel):
    """Changes of the book and network that a plan does not know: made since its run looked at them."""

    changes: int
    told: list[BookChange]
    """The newest first, 50 at the most; without those about lines you are not cleared for."""


class AcceptedView(PlanView):
    """A plan that went live, and what has changed since it was made: plan again where that matters."""

    changed_since: ChangedSince


def plan_view(head: PlanHead) -> PlanView:
    """A head as it is sent."""
    return PlanView.model_validate({**asdict(head), "standing": head.standing.value, "partial": head.partial})


def _answer(head: PlanHead, response: Response) -> PlanView:
    response.headers.update(etag(head.version))
    return plan_view(head)


@router.get("/plans", responses=READS)
def plans(
    desk: AtDesk,
    actor: Asks,
    before: Annotated[int | None, Query(ge=1, le=2**31 - 1, description="plans older than this number")] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
) -> list[PlanView]:
    """Plans, newest first."""
    return [plan_view(h) for h in use.list_plans(desk, actor, limit, before)]


@router.get("/plans/{plan_id}", responses={**FINE, **READS})
def plan(plan_id: PlanId, desk: AtDesk, actor: Asks, response: Response) -> PlanView:
    """One plan."""
    return _answer(use.get_plan(desk, actor, plan_id), response)


@router.post("/plans/{plan_id}/accept", responses={**FINE, **CHANGES})
def accept(plan_id: PlanId, seen: Seen, desk: AtDesk, actor: Asks, response: Response) -> AcceptedView:
    """Make it the plan the shop works to. ``changed_since`` says which changes of the book it does not know."""
    head = use.accept(desk, actor, plan_id, seen)
    told = [BookChange.model_validate(asdict(x)) for x in book_changes(desk, actor, head.book_revision)]
    since = ChangedSince(changes=use.staleness(desk, head), told=told)
    return AcceptedView(**_answer(head, response).model_dump(), changed_since=since)


@router.post("/plans/{plan_id}/set-aside", responses={**FINE, **CHANGES})
def set_aside(plan_id: PlanId, seen: Seen, desk: AtDesk, actor: Asks, response: Response) -> PlanView:
    """Say that it will not be used."""
    return _answer(use.set_aside(desk, actor, plan_id, seen), response)


@router.get("/plans/{plan_id}/builds", responses=READS)
def builds(plan_id: PlanId, desk: AtDesk, actor: Asks) -> list[BuildView]:
    """Builds by machine and start."""
    return list_builds(desk, actor, plan_id)


class _File(Response):
    media_type = "application/octet-stream"


_KINDS = {"svg": "image/svg+xml", "dxf": "image/vnd.dxf", "3mf": "model/3mf"}
_FILES: dict[int | str, dict[str, Any]] = {
    200: {"content": {media: {"schema": {"type": "string", "format": "binary"}} for media in _KINDS.values()}}
}


@router.get("/plans/{plan_id}/builds/{build_id}/plate", response_class=_File, responses={**_FILES, **READS})
def plate(
    plan_id: PlanId, build_id: BuildId, desk: AtDesk, actor: Asks, kind: Literal["svg", "dxf", "3mf"] = "3mf"
) -> Response:
    """The plate: true-size picture, outlines, or every part in place for build preparation."""
    content = plate_file(desk, actor, plan_id, build_id, kind)
    return Response(content, media_type=_KINDS[kind], headers={"Content-Disposition": "attachment"})


@router.get("/plans/{plan_id}/builds/{build_id}/would-fit", responses=READS)
def fits(plan_id: PlanId, build_id: BuildId, desk: AtDesk, actor: Asks) -> list[WouldFit]:
    """Lines that would find room on this plate now, the cheapest first."""
    return list(would_fit(desk, actor, plan_id, build_id))


class Move(Asked):
    """A build, and where it goes: behind another build on a machine, or (null) first there."""

    build_id: Name
    machine_id: Name
    after_build_id: Name | None


@router.post("/plans/{plan_id}/moves/try", responses=WRITES)
def try_a_move(plan_id: PlanId, body: Move, desk: AtDesk, actor: Asks) -> TriedMove:
    """What a move would change, with the auditor's word. Nothing is kept."""
    return try_move(desk, actor, plan_id, body.build_id, body.machine_id, body.after_build_id)


@router.post("/plans/{plan_id}/moves", responses=WRITES, status_code=201)
def keep_a_move(
    plan_id: PlanId, body: Move, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None
) -> PlanView:
    """Keep the moved plan as a proposed one; its parent is the plan before."""
    once = once_of(idempotency_key, "move", plan_id=plan_id, **body.model_dump())
    return plan_view(keep_move(desk, actor, plan_id, body.build_id, body.machine_id, body.after_build_id, once))


class LineMove(Asked):
    """A line's pieces of one build, and the build they go onto."""

    line_id: Name
    build_id: Name
    onto_build_id: Name


@router.post("/plans/{plan_id}/line-moves/try", responses=WRITES)
def try_a_line_move(plan_id: PlanId, body: LineMove, desk: AtDesk, actor: Asks) -> TriedLineMove:
    """What moving a line to another plate would change, with the auditor's word. Nothing is kept."""
    return try_line_move(desk, actor, plan_id, body.line_id, body.build_id, body.onto_build_id)


@router.post("/plans/{plan_id}/line-moves", responses=WRITES, status_code=201)
def keep_a_line_move(
    plan_id: PlanId, body: LineMove, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None
) -> PlanView:
    """Keep the plan with the line moved as a proposed one; its parent is the plan before."""
    once = once_of(idempotency_key, "line move", plan_id=plan_id, **body.model_dump())
    return plan_view(keep_line_move(desk, actor, plan_id, body.line_id, body.build_id, body.onto_build_id, once))


class PinView(BaseModel):
    """A build that stays as it is."""

    build_id: str
    pinned_by: str


@router.get("/plans/{plan_id}/pins", responses=READS)
def pins(plan_id: PlanId, desk: AtDesk, actor: Asks) -> list[PinView]:
    """Builds of the plan that are pinned."""
    found = pinned_builds(desk, actor, plan_id)
    return [PinView(build_id=b, pinned_by=by) for b, by in sorted(found.items())]


@router.put("/plans/{plan_id}/pins/{build_id}", responses=WRITES)
def pin(plan_id: PlanId, build_id: BuildId, desk: AtDesk, actor: Asks) -> list[PinView]:
    """Pin a build: moves, and runs that go on from the plan, leave it as it is. Answers what is pinned then."""
    set_pin(desk, actor, plan_id, build_id, True)
    return pins(plan_id, desk, actor)


@router.delete("/plans/{plan_id}/pins/{build_id}", responses=WRITES)
def unpin(plan_id: PlanId, build_id: BuildId, desk: AtDesk, actor: Asks) -> list[PinView]:
    """Release a build. Answers what is pinned then."""
    set_pin(desk, actor, plan_id, build_id, False)
    return pins(plan_id, desk, actor)


class ComparisonView(BaseModel):
    """Two plans side by side."""

    before: PlanView
    after: PlanView
    habit_kpis: dict[str, Any]
    lines: list[LineDifference]
    lines_alike: int
    builds: list[BuildDifference]
    builds_alike: int
    disturbed: Disturbance
    later: list[DateChange]


def _comparison(found: Comparison) -> ComparisonView:
    return ComparisonView(
        before=plan_view(found.before),
        after=plan_view(found.after),
        habit_kpis=dict(found.habit_kpis),
        lines=list(found.lines),
        lines_alike=found.lines_alike,
        builds=list(found.builds),
        builds_alike=found.builds_alike,
        disturbed=found.disturbed,
        later=list(found.later),
    )


@router.get("/plans/{plan_id}/compare/{other_id}", responses=READS)
def compare(plan_id: PlanId, other_id: PlanId, desk: AtDesk, actor: Asks) -> ComparisonView:
    """Every difference between two plans."""
    return _comparison(compare_plans(desk, actor, plan_id, other_id))


@router.get("/lines/{line_id}/where", responses=READS)
def where(line_id: LineId, desk: AtDesk, actor: Asks) -> LineOptions:
    """Every site for a line of the book, against the live plan."""
    return where_to_build(desk, actor, line_id)


@router.get("/lines/{line_id}/quantities", responses=READS)
def quantities(line_id: LineId, desk: AtDesk, actor: Asks) -> list[QuantityCost]:
    """The line in other quantities, each at its cheapest able site against the live plan."""
    return list(cost_by_quantity(desk, actor, line_id))


class NewLine(Asked):
    """A line as cells of the order book, and quantities to ask for (its own when none)."""

    cells: Annotated[
        dict[Annotated[str, StringConstraints(max_length=60)], Annotated[str, StringConstraints(max_length=500)]],
        Field(
            description=(
                "one row of the order book, texts by column, e.g. "
                '{"model": "ring.stl", "unit": "mm", "quantity": "3", ...}; wanted are '
                + ", ".join(c for c in REQUIRED if c != "line")
                + ", unit for STL files, and where it goes (ship_to, ship_postcode, or ship_lat and ship_lon)"
            )
        ),
    ]
    quantities: list[int] = Field(default=[], max_length=12)


@router.post("/where", responses=WRITES)
def where_new(body: NewLine, desk: AtDesk, actor: Asks) -> list[LineOptions]:
    """Every site for a line that is not in the book, one table for each quantity. Nothing is kept."""
    return list(where_would_it_go(desk, actor, body.cells, body.quantities))
