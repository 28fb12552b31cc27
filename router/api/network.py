"""The network and its editions."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Response
from pydantic import BaseModel, Field, StringConstraints

from router.api.asking import Asks, AtDesk, Seen, etag
from router.api.problems import CHANGES, READS, WRITES
from router.api.words import Asked
from router.kernel.faults import Fault
from router.service import network as use
from router.service.desk import Desk
from router.service.network_figures import place_of, present_figures, told_change
from router.service.network_remarks import remarks_on_file
from router.service.records import Actor, NetworkHead, NetworkRecord

router = APIRouter(tags=["Network"])
YAML = "application/yaml"


class EditionView(BaseModel):
    """An edition of the network file, without its text."""

    version: int
    sha256: str
    saved_at: datetime
    saved_by: str
    note: str


def _view(record: NetworkRecord | NetworkHead) -> EditionView:
    return EditionView.model_validate({name: getattr(record, name) for name in EditionView.model_fields})


class _Yaml(Response):
    media_type = YAML


_RAW: dict[int | str, dict[str, Any]] = {200: {"content": {YAML: {"schema": {"type": "object"}}}}}


@router.get("/network", response_class=_Yaml, responses={**_RAW, **READS})
def network(desk: AtDesk, actor: Asks) -> Response:
    """The newest edition as network.yaml; its version is the ETag."""
    record = use.current_network(desk, actor).record
    return _Yaml(record.raw, headers=etag(record.version))


@router.get("/network/editions", responses=READS)
def editions(
    desk: AtDesk,
    actor: Asks,
    before: Annotated[int | None, Query(ge=0, le=2**31 - 1, description="editions below this one")] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
) -> list[EditionView]:
    """Editions, newest first."""
    return [_view(r) for r in use.editions(desk, actor, limit, before)]


@router.get("/network/editions/{version}", response_class=_Yaml, responses={**_RAW, **READS})
def edition(version: Annotated[int, Path(ge=1, le=2**31 - 1)], desk: AtDesk, actor: Asks) -> Response:
    """One edition."""
    return _Yaml(use.edition(desk, actor, version).raw, headers=etag(version))


Raw = Annotated[bytes, Body(media_type=YAML, description="network.yaml")]


class Checked(BaseModel):
    """Faults of a network file, also those it would make in the order book; remarks keep nobody from saving it."""

    faults: list[Fault]
    remarks: list[str]
    """Builds of the live plan that would stand on no machine any more."""


class Saved(EditionView):
    """An edition just saved, with the remarks on it."""

    remarks: list[str]


@router.post("/network/check", responses=WRITES)
def check(body: Raw, desk: AtDesk, actor: Asks) -> Checked:
    """Look for faults without saving."""
    faults = list(use.check_network(desk, actor, body))
    return Checked(faults=faults, remarks=[] if faults else list(remarks_on_file(desk, actor, body)))


@router.put("/network", responses=CHANGES)
def save(
    body: Raw,
    seen: Seen,
    desk: AtDesk,
    actor: Asks,
    response: Response,
    note: Annotated[str, Query(max_length=500, pattern=r"^[^\x00]*$")] = "",
) -> Saved:
    """Save the next edition. If-Match names the edition seen, "0" for the first."""
    record = use.save_network(desk, actor, body, seen, note)
    response.headers.update(etag(record.version))
    return _saved(desk, actor, record)


class FieldChange(Asked):
    """One field of the network file, e.g. path ["sites", "OHIO", "labour_per_h"], value 60; null leaves it out."""

    path: list[Annotated[str, StringConstraints(min_length=1, max_length=200)]] = Field(min_length=1, max_length=8)
    value: Any
    note: Annotated[str, StringConstraints(max_length=500)] = ""


@router.patch("/network", responses=CHANGES)
def change(body: FieldChange, seen: Seen, desk: AtDesk, actor: Asks, response: Response) -> Saved:
    """Change one field; comments and order of the file stay."""
    before = use.current_network(desk, actor).record
    raw = use.with_field(before.raw, body.path, body.value)
    place, figures = place_of(body.path), present_figures(desk, before)
    what = told_change(place, figures[place], body.value) if place in figures else f"{'.'.join(body.path)} changed"
    record = use.save_network(desk, actor, raw, seen, body.note or what)
    response.headers.update(etag(record.version))
    return _saved(desk, actor, record)


def _saved(desk: Desk, actor: Actor, record: NetworkRecord) -> Saved:
    return Saved(**_view(record).model_dump(), remarks=list(remarks_on_file(desk, actor, record.raw)))
