"""What-if files that are kept."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import BaseModel, StringConstraints

from router.api.asking import Asks, AtDesk, IdempotencyKey, Seen, etag, once_of
from router.api.problems import CHANGES, READS, WRITES
from router.api.words import Asked
from router.kernel.faults import Fault
from router.service import kept_what_ifs as use

router = APIRouter(tags=["What-ifs"])

WhatIfId = Annotated[int, Path(ge=1, le=2**31 - 1)]
_Text = Annotated[str, StringConstraints(max_length=use.MOST_BYTES)]


class WhatIfHead(BaseModel):
    """A kept what-if as it reads today: its changes in words, and faults where it does not fit the network any more."""

    what_if_id: int
    file: str
    name: str
    version: int
    saved_at: datetime
    saved_by: str
    changes: list[str]
    faults: list[Fault]


class WhatIfBody(WhatIfHead):
    """With its text."""

    text: str


class WhatIfPreview(BaseModel):
    """What a text would change and every fault of it; nothing is stored."""

    name: str
    changes: list[str]
    faults: list[Fault]


class WhatIfGap(BaseModel):
    """What only the one and only the other changes."""

    only_one: list[str]
    only_other: list[str]


class WhatIfText(Asked):
    """The YAML text of a what-if."""

    text: _Text


class WhatIfFile(WhatIfText):
    """With the file name by which others go on from it."""

    file: Annotated[str, StringConstraints(max_length=100)]


def what_if_head(kept: use.KeptWhatIf) -> WhatIfHead:
    record, view = kept.record, kept.view
    return WhatIfHead(
        what_if_id=record.what_if_id,
        file=record.file,
        name=view.name,
        version=record.version,
        saved_at=record.saved_at,
        saved_by=record.saved_by,
        changes=list(view.changes),
        faults=list(view.faults),
    )


def _body(kept: use.KeptWhatIf) -> WhatIfBody:
    return WhatIfBody(**what_if_head(kept).model_dump(), text=kept.record.raw.decode("utf-8", "replace"))


@router.get("/what-ifs", responses=READS)
def what_ifs(desk: AtDesk, actor: Asks) -> list[WhatIfHead]:
    """All that are kept (500 at most), by file name."""
    return [what_if_head(x) for x in use.list_what_ifs(desk, actor)]


@router.get("/what-ifs/{what_if_id}", responses=READS)
def what_if(what_if_id: WhatIfId, desk: AtDesk, actor: Asks, response: Response) -> WhatIfBody:
    """One with its text; its version is the ETag."""
    kept = use.get_what_if(desk, actor, what_if_id)
    response.headers.update(etag(kept.record.version))
    return _body(kept)


@router.post("/what-ifs/check", responses=WRITES)
def check(body: WhatIfFile, desk: AtDesk, actor: Asks) -> WhatIfPreview:
    """Look for faults, in the text and beside the network of today, without storing anything."""
    view = use.check_what_if(desk, actor, body.file, _bytes(body.text))
    return WhatIfPreview(name=view.name, changes=list(view.changes), faults=list(view.faults))


@router.post("/what-ifs", responses=WRITES, status_code=201)
def add(
    body: WhatIfFile, desk: AtDesk, actor: Asks, response: Response, idempotency_key: IdempotencyKey = None
) -> WhatIfBody:
    """Keep a new one; any fault keeps nothing."""
    once = once_of(idempotency_key, "what-if", **body.model_dump())
    kept = use.add_what_if(desk, actor, body.file, _bytes(body.text), once)
    response.headers.update(etag(kept.record.version))
    return _body(kept)


@router.put("/what-ifs/{what_if_id}", responses=CHANGES)
def change(
    body: WhatIfText, what_if_id: WhatIfId, seen: Seen, desk: AtDesk, actor: Asks, response: Response
) -> WhatIfBody:
    """Keep another text in its place. If-Match names the version seen."""
    kept = use.change_what_if(desk, actor, what_if_id, _bytes(body.text), seen)
    response.headers.update(etag(kept.record.version))
    return _body(kept)


@router.delete("/what-ifs/{what_if_id}", responses=CHANGES, status_code=204)
def delete(what_if_id: WhatIfId, seen: Seen, desk: AtDesk, actor: Asks) -> None:
    """Delete it; refused while another goes on from it. The trail keeps who did."""
    use.delete_what_if(desk, actor, what_if_id, seen)


@router.get("/what-ifs/{what_if_id}/difference/{beside_id}", responses=READS | {409: CHANGES[409]})
def difference(what_if_id: WhatIfId, beside_id: WhatIfId, desk: AtDesk, actor: Asks) -> WhatIfGap:
    """What only one of two changes, in words."""
    found = use.what_if_difference(desk, actor, what_if_id, beside_id)
    return WhatIfGap(only_one=list(found.only_one), only_other=list(found.only_other))


def _bytes(text: str) -> bytes:
    # JSON can carry halves of surrogate pairs; replaced, they are a fault of the text instead of one of ours.
    return text.encode("utf-8", "replace")
