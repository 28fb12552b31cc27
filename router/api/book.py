"""Order lines, models, imports and exports."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import date, datetime
from typing import IO, Annotated, Any, Literal

from fastapi import APIRouter, File, Path, Query, Response, UploadFile
from fastapi.responses import StreamingResponse
from pydantic import BaseModel, Field, StringConstraints
from starlette.background import BackgroundTask

from router.api.asking import PREFIX, Asks, AtDesk, IdempotencyKey, Seen, etag, once_of
from router.api.problems import CHANGES, READS, WRITES, answer_to, problems
from router.api.words import Asked
from router.kernel.faults import AlreadyMade, Fault
from router.service import book as use
from router.service.cursors import cursor, uncursor
from router.service.desk import Desk
from router.service.exports import scenario_zip
from router.service.imports import (
    ChangedLine,
    ImportPreview,
    Stored,
    look_again,
    preview_files,
    store_import,
    stored_import,
)
from router.service.models import list_models, model_content
from router.service.pinned_site import pinned_site
from router.service.ports import SORTS, LineFilter
from router.service.records import LineRecord, ModelRecord

router = APIRouter(tags=["Order book"])
_PIECE_BYTES = 1_000_000

LineId = Annotated[str, Path(min_length=1, max_length=200, pattern=r"^[^\x00/]+$")]
ImportId = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$")]
Text = Annotated[str, StringConstraints(max_length=500, pattern=r"^[^\x00]*$")]
FINE: dict[int | str, dict[str, Any]] = {
    200: {"headers": {"ETag": {"description": "Version", "schema": {"type": "string"}}}}
}


class LineView(BaseModel):
    """An order line."""

    line_id: str
    order_id: str
    customer: str
    model: str
    alloy_id: str
    quantity: int
    ship_place: str
    received_at: datetime
    release_at: datetime
    due_date: date
    export_control: str | None
    cells: dict[str, str]
    standing: str
    why_held: str
    pinned_site: str | None
    version: int


def line_view(line: LineRecord) -> LineView:
    """A line as it is sent."""
    return LineView.model_validate({**asdict(line), "standing": line.standing.value})


class PinnedSiteView(BaseModel):
    """Whether the site a line is pinned to can build it, and which could. A pin there is kept, plans leave it out."""

    site_id: str
    can_build: bool
    why_not: list[str]
    could_build: list[str]
    """Sites that could build it if it were not pinned."""


class OneLineView(LineView):
    """An order line asked for by itself; ``pinned`` is null for one pinned nowhere, or withdrawn."""

    pinned: PinnedSiteView | None


class LinePageView(BaseModel):
    """A page of lines; ``next`` is the cursor of the page after it.

    ``partial``: the book holds lines you are not cleared for. Whatever is filtered, and told to planners only.
    """

    lines: list[LineView]
    total: int
    next: str | None
    partial: bool


class Hold(Asked):
    """Why a line is held or withdrawn."""

    why: Annotated[str, StringConstraints(min_length=1, max_length=500, pattern=r"^[^\x00]*\S[^\x00]*$")]


class Pin(Asked):
    """The only site that may build it; null: any again."""

    site_id: Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00]+$")] | None


class Cells(Asked):
    """Cells of the order book by column; an empty one is left out."""

    cells: dict[Text, Text] = Field(min_length=1, max_length=40)


@router.get("/lines", responses=READS)
def get_lines(
    desk: AtDesk,
    actor: Asks,
    text: Annotated[str, Query(max_length=200, pattern=r"^[^\x00]*$")] = "",
    standing: Literal["", "open", "held", "withdrawn"] = "",
    alloy: Annotated[str, Query(max_length=200, pattern=r"^[^\x00]*$")] = "",
    site: Annotated[str, Query(max_length=200, pattern=r"^[^\x00]*$", description="pinned to this site")] = "",
    sort: Literal[SORTS] = "due_date",  # type: ignore[valid-type]
    descending: bool = False,
    after: Annotated[str | None, Query(max_length=1000)] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> LinePageView:
    """The order book, page by page."""
    wanted = LineFilter(text=text, standing=standing, alloy_id=alloy, pinned_site=site)
    place = uncursor(after, 2)
    page = use.list_lines(desk, actor, wanted, sort, descending, (place[0], place[1]) if place else None, limit)
    return LinePageView(
        lines=[line_view(x) for x in page.lines], total=page.total, next=cursor(page.next_after), partial=page.partial
    )


@router.get("/lines/{line_id}", responses={**FINE, **READS})
def get_one(line_id: LineId, desk: AtDesk, actor: Asks, response: Response) -> OneLineView:
    """One line."""
    return _answer(desk, use.get_line(desk, actor, line_id), response)


def _answer(desk: Desk, line: LineRecord, response: Response) -> OneLineView:
    response.headers.update(etag(line.version))
    found = pinned_site(desk, line)
    pinned = None
    if found is not None:
        pinned = PinnedSiteView.model_validate({**asdict(found), "can_build": not found.why_not})
    return OneLineView(**line_view(line).model_dump(), pinned=pinned)


@router.patch("/lines/{line_id}", responses={**FINE, **CHANGES})
def change(line_id: LineId, body: Cells, seen: Seen, desk: AtDesk, actor: Asks, response: Response) -> OneLineView:
    """Change cells of one line."""
    return _answer(desk, use.change_line(desk, actor, line_id, body.cells, seen), response)


@router.post("/lines/{line_id}/hold", responses={**FINE, **CHANGES})
def hold(line_id: LineId, body: Hold, seen: Seen, desk: AtDesk, actor: Asks, response: Response) -> OneLineView:
    """Leave the line out of plans."""
    return _answer(desk, use.hold(desk, actor, line_id, body.why, seen), response)


@router.post("/lines/{line_id}/release", responses={**FINE, **CHANGES})
def release(line_id: LineId, seen: Seen, desk: AtDesk, actor: Asks, response: Response) -> OneLineView:
    """Put a held line back into plans."""
    return _answer(desk, use.release(desk, actor, line_id, seen), response)


@router.post("/lines/{line_id}/withdraw", responses={**FINE, **CHANGES})
def withdraw(line_id: LineId, body: Hold, seen: Seen, desk: AtDesk, actor: Asks, response: Response) -> OneLineView:
    """The customer cancels the line."""
    return _answer(desk, use.withdraw(desk, actor, line_id, body.why, seen), response)


@router.put("/lines/{line_id}/pin", responses={**FINE, **CHANGES})
def pin(line_id: LineId, body: Pin, seen: Seen, desk: AtDesk, actor: Asks, response: Response) -> OneLineView:
    """Pin the line to a site, or let it go again. ``pinned`` says at once whether that site can build it."""
    return _answer(desk, use.pin(desk, actor, line_id, body.site_id, seen), response)


class PreviewView(BaseModel):
    """What an import would do; with faults nothing can be stored."""

    import_id: str
    name: str
    storable: bool
    network: str
    new_lines: list[str]
    same_lines: list[str]
    changed_lines: list[ChangedLine]
    new_models: list[str]
    same_models: list[str]
    other_models: list[str]
    faults: list[Fault]
    remarks: list[str]
    """On models that can be stored but deserve a look."""


def preview_view(preview: ImportPreview) -> PreviewView:
    """A preview as it is sent."""
    return PreviewView.model_validate({**asdict(preview), "storable": preview.storable})


@router.post("/imports", responses=WRITES, status_code=201)
def preview(desk: AtDesk, actor: Asks, files: Annotated[list[UploadFile], File()]) -> PreviewView:
    """Look at a zipped scenario folder, an order book (CSV, XLSX, JSON), models or a network file; store nothing."""
    # Files of any size lie in temporary files by now and are read from there, one at a time.
    sent = [(file.filename or f"file {n}", file.file) for n, file in enumerate(files)]
    return preview_view(preview_files(desk, actor, sent))


@router.get("/imports/{import_id}", responses={**READS, **problems(409)}, response_model=PreviewView)
def kept_preview(import_id: ImportId, desk: AtDesk, actor: Asks) -> Any:
    """What an import of one's own that was looked at would do now. 409 for one that is stored, with what came of it."""
    try:
        return preview_view(look_again(desk, actor, import_id))
    except AlreadyMade as made:
        return _stored_already(made, import_id)


def _stored_already(made: AlreadyMade, import_id: str) -> Response:
    return answer_to(made, f"{PREFIX}/imports/{import_id}/stored")


@router.post("/imports/{import_id}/store", responses=WRITES, response_model=Stored)
def store(
    import_id: ImportId,
    desk: AtDesk,
    actor: Asks,
    idempotency_key: IdempotencyKey = None,
) -> Any:
    """Store what a preview showed. When it would do something else by now, nothing is stored: 409 names a fresh one.

    One that is stored already is not stored again: 409 with what came of it in ``made``, and a link to that.
    """
    once = once_of(idempotency_key, "store", import_id=import_id)
    try:
        return store_import(desk, actor, import_id, once)
    except AlreadyMade as made:
        return _stored_already(made, import_id)


@router.get("/imports/{import_id}/stored", responses=READS)
def stored(import_id: ImportId, desk: AtDesk, actor: Asks) -> Stored:
    """What came of an import of one's own that was stored."""
    return stored_import(desk, actor, import_id)


class _Zip(StreamingResponse):
    media_type = "application/zip"


@router.get("/export", response_class=_Zip, responses=problems(401, 403, 404))
def export(desk: AtDesk, actor: Asks) -> Response:
    """The book as a zipped scenario folder."""
    archive = scenario_zip(desk, actor)
    size = archive.seek(0, io.SEEK_END)
    archive.seek(0)
    headers = {"Content-Disposition": 'attachment; filename="platewright-book.zip"', "Content-Length": str(size)}
    return _Zip(_pieces(archive), headers=headers, background=BackgroundTask(archive.close))


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    while piece := file.read(_PIECE_BYTES):
        yield piece


@router.get("/models", responses=READS)
def models(desk: AtDesk, actor: Asks) -> list[ModelRecord]:
    """Part models by name."""
    return list_models(desk, actor)


class _Bytes(Response):
    media_type = "application/octet-stream"


@router.get("/models/{name:path}", response_class=_Bytes, responses=READS)
def model(name: Annotated[str, Path(max_length=200)], desk: AtDesk, actor: Asks) -> Response:
    """A model file as it was sent."""
    record, content = model_content(desk, actor, name)
    headers: Mapping[str, Any] = {"ETag": f'"{record.sha256}"', "Content-Disposition": "attachment"}
    return _Bytes(content, headers=dict(headers))
