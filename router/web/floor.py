"""How machines stand, what was recorded of builds, machines and shipments, and taking back what is not so."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from router.kernel.faults import Fault, FaultyInput, NotFound
from router.report.wording import clock, full_clock
from router.service.events import latest_events, record_event, withdraw_event
from router.service.machines import MachinesNow, machines_now
from router.service.records import EventKind
from router.service.snapshot import DOWN_WITHOUT_END
from router.web.forms import Form, Posted, typed
from router.web.reading import NumberInPath, Reader, SignedIn
from router.web.rendering import done, page

routes = APIRouter()
_MOST_GIVEN_BACK = 2_000
"""Characters of a field that stand in the form again when it had faults."""
_A_PAGE = 100
_UTC = ZoneInfo("UTC")
_KINDS = {"down": EventKind.MACHINE_DOWN, "up": EventKind.MACHINE_UP}


@routes.get("/floor")
def floor(reader: SignedIn, before: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None) -> Response:
    """Events the reader may see."""
    return _floor(reader, before)


def _floor(
    reader: Reader,
    before: int | None = None,
    given: Mapping[str, str] | None = None,
    faults: Sequence[Fault] = (),
    before_faults: datetime | None = None,
) -> Response:
    """The page; with ``faults`` of a form that was sent, what was ``given`` stands in it again.

    ``before_faults``: the moment that was offered on that form.
    """
    found = latest_events(reader.desk, reader.actor, before, _A_PAGE)
    following = f"/floor?before={found[-1].event.event_id}" if len(found) == _A_PAGE else ""
    pages = {"said": "", "first": "/floor" if before else "", "next": following}
    may = any(x.may_withdraw for x in found)
    stands = _machines(reader)
    own = [m for m in stands.machines if m.may_record] if stands else []
    zones = {m.site_id: m.time_zone for m in stands.machines} if stands else {}
    # A form with faults comes back with the offer it was filled in beside, or what was left of it would be typed text.
    offered = (before_faults or stands.moment.replace(second=0, microsecond=0)) if stands else None

    def local(at: datetime | str, site_id: str | None, told: Callable[[datetime, ZoneInfo], str] = clock) -> str:
        """On the clock of the site; of one that is not in the network any more, in UTC."""
        known = datetime.fromisoformat(at) if isinstance(at, str) else at
        return told(known, ZoneInfo(zones[site_id]) if site_id in zones else _UTC)

    return page(
        reader, "floor.html.j2", title="On the floor", here="/floor", status=422 if faults else 200,
        given=given or {}, faults=faults, found=found, pages=pages, may=may,
        stands=stands, local=local,
        may_record=[(m.machine_id, f"{m.machine_id}, {m.site}", typed(offered, ZoneInfo(m.time_zone))) for m in own]
        if offered
        else [],
        offered=offered,
        full_clock=full_clock, sites={m.site_id: m.site for m in stands.machines} if stands else {},
        days_without_end=DOWN_WITHOUT_END.days,
    )  # fmt: skip


def _clock_of(reader: Reader, machine_id: str) -> ZoneInfo:
    """The clock of the machine's site; of a machine that is not there, which is told later, any."""
    stands = _machines(reader)
    found = [m.time_zone for m in stands.machines if m.machine_id == machine_id] if stands else []
    return ZoneInfo(found[0]) if found else _UTC


def _machines(reader: Reader) -> MachinesNow | None:
    try:
        return machines_now(reader.desk, reader.actor)
    except NotFound:
        return None  # no network yet


@routes.post("/floor/machine")
def machine(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Record that a machine is down, or up again."""
    machine_id, kind, until = form.text("machine"), _KINDS.get(form.text("kind")), form.text("until")
    zone = _clock_of(reader, machine_id)
    at, faults = form.moment("at", machine_id, zone)
    end, wrong = form.moment("until", machine_id, zone) if until else (None, [])
    faults += wrong
    if kind is None:
        faults.append(Fault("form", machine_id, "kind", form.text("kind") or "nothing", ", ".join(_KINDS)))
    if until and kind is EventKind.MACHINE_UP:
        faults.append(Fault("form", machine_id, "until", until, "nothing: a machine that is up has no end of it"))
    if faults or kind is None or at is None:
        return _floor(reader, given=_given(form), faults=faults, before_faults=form.offered("at"))
    told = {"note": form.text("note")} | ({"until": end.isoformat()} if end else {})
    try:
        record_event(reader.desk, reader.actor, kind, machine_id, at, told)
    except FaultyInput as faulty:
        return _floor(reader, given=_given(form), faults=faulty.faults, before_faults=form.offered("at"))
    return done(
        request,
        "/floor",
        f"Recorded: {kind.value}, {machine_id}, {full_clock(at, zone)}. The next plan starts from it.",
    )


def _given(form: Form) -> dict[str, str]:
    return {name: form.text(name)[:_MOST_GIVEN_BACK] for name in ("machine", "kind", "at", "until", "note")}


@routes.post("/floor/events/{event_id}/withdraw")
def withdraw(request: Request, reader: SignedIn, form: Posted, event_id: NumberInPath) -> Response:
    """Say that an event is not so."""
    withdraw_event(reader.desk, reader.actor, event_id, form.text("why"))
    return done(request, "/floor", "Withdrawn. The next plan starts as if it had not been recorded.")
