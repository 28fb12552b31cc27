"""What was recorded of builds, machines and shipments, newest first, and taking back what is not so."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from router.service.events import latest_events, withdraw_event
from router.web.forms import Posted
from router.web.reading import SignedIn
from router.web.rendering import done, page

routes = APIRouter()
_A_PAGE = 100


@routes.get("/floor")
def floor(reader: SignedIn, before: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None) -> Response:
    """Events the reader may see."""
    found = latest_events(reader.desk, reader.actor, before, _A_PAGE)
    following = f"/floor?before={found[-1].event.event_id}" if len(found) == _A_PAGE else ""
    pages = {"said": "", "first": "/floor" if before else "", "next": following}
    may = any(x.may_withdraw for x in found)
    return page(reader, "floor.html.j2", title="On the floor", here="/plates", found=found, pages=pages, may=may)


@routes.post("/floor/events/{event_id}/withdraw")
def withdraw(request: Request, reader: SignedIn, form: Posted, event_id: int) -> Response:
    """Say that an event is not so."""
    withdraw_event(reader.desk, reader.actor, event_id, form.text("why"))
    return done(request, "/floor", "Withdrawn. The next plan starts as if it had not been recorded.")
