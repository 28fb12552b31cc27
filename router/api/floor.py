"""The floor: events, and feeds of what is planned there (iCalendar, GeoJSON)."""

from __future__ import annotations

from typing import Annotated, Any
from zoneinfo import ZoneInfo

import icalendar
from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel, Field, StrictInt, StringConstraints

from router.api.asking import Asks, AtDesk, IdempotencyKey, once_of
from router.api.moments import Instant
from router.api.plans import Name
from router.api.problems import READS, WRITES
from router.api.words import Asked
from router.kernel.faults import FaultyInput, NotFound
from router.report.wording import clock
from router.service.builds import list_builds
from router.service.events import list_events, record_event, withdraw_event
from router.service.geo import network_features
from router.service.machines import MachinesNow, machines_now
from router.service.names import name_faults
from router.service.plans import NO_LIVE_PLAN, full_plan, live_plan
from router.service.records import EventKind, EventRecord

router = APIRouter(tags=["Floor"])


class Details(Asked):
    """``until``: when a machine that is down will run again; ``pieces``: scrapped, by line."""

    until: Instant | None = None
    pieces: dict[Name, Annotated[StrictInt, Field(ge=1, lt=2**31)]] | None = Field(default=None, max_length=500)
    note: Annotated[str, StringConstraints(max_length=500, pattern=r"^[^\x00]*$")] | None = None


class NewEvent(Asked):
    """What happened. ``subject``: a build by name or lasting id, a machine, a shipment of the live plan."""

    kind: EventKind
    subject: Name
    occurred_at: Instant
    details: Details = Details()


@router.post("/events", responses=WRITES, status_code=201)
def record(body: NewEvent, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> EventRecord:
    """Add a fact: a build started, finished, failed; pieces scrapped; a machine down or up; a shipment sent."""
    once = once_of(idempotency_key, "event", **body.model_dump(mode="json"))
    return record_event(desk, actor, body.kind, body.subject, body.occurred_at, _told(body.details), once)


def _told(details: Details) -> dict[str, Any]:
    return details.model_dump(mode="json", exclude_none=True)


class Withdrawal(Asked):
    """Why an event is not so."""

    why: Annotated[str, StringConstraints(min_length=1, max_length=500, pattern=r"^[^\x00]*\S[^\x00]*$")]


@router.post("/events/{event_id}/withdraw", responses=WRITES, status_code=201)
def withdraw(
    event_id: Annotated[int, Path(ge=1, le=2**31 - 1)],
    body: Withdrawal,
    desk: AtDesk,
    actor: Asks,
    idempotency_key: IdempotencyKey = None,
) -> EventRecord:
    """Say that an event is not so. Both stay on record; refused while later events rest on it."""
    once = once_of(idempotency_key, "withdraw event", event_id=event_id, why=body.why)
    return withdraw_event(desk, actor, event_id, body.why, once)


@router.get("/events", responses=READS)
def events(
    desk: AtDesk,
    actor: Asks,
    after: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> list[EventRecord]:
    """Facts in the order they were recorded."""
    return list_events(desk, actor, after, limit)


@router.get("/machines", responses=READS)
def machines(desk: AtDesk, actor: Asks) -> MachinesNow:
    """Machines as they stand on the floor: up or down, since when, until when plans leave them out."""
    return machines_now(desk, actor)


class _Calendar(Response):
    media_type = "text/calendar"


@router.get("/calendar.ics", response_class=_Calendar, responses=READS)
def calendar(
    desk: AtDesk,
    actor: Asks,
    site: Annotated[str, Query(max_length=200)] = "",
    machine: Annotated[str, Query(max_length=200)] = "",
) -> Response:
    """Builds of the live plan as an iCalendar feed (RFC 5545), of one site or machine if named.

    Begin and end are moments in UTC, which calendars show on the clock of whoever looks; the description tells them
    on the clock of the site.
    """
    head = live_plan(desk, actor)
    if head is None:
        raise NotFound(NO_LIVE_PLAN)
    # A plan may be older than the network: its machines are known too.
    network = full_plan(desk, actor, head.plan_id).scenario.network
    faults = name_faults("query", "site", [site], network.site, "site")
    faults += name_faults("query", "machine", [machine], network.machine, "machine")
    if faults:
        raise FaultyInput(faults)
    feed = icalendar.Calendar()
    feed.add("prodid", "-//platewright//plan//EN")
    feed.add("version", "2.0")
    feed.add("name", "platewright builds")
    for build in list_builds(desk, actor, head.plan_id):
        if (site and build.site_id != site) or (machine and build.machine_id != machine):
            continue
        zone = ZoneInfo(network.site[build.site_id].time_zone)
        entry = icalendar.Event()
        entry.add("uid", f"{build.lasting_id}@platewright.invalid")
        entry.add("dtstamp", head.made_at)
        entry.add("dtstart", build.load_start)
        entry.add("dtend", build.unload_end)
        entry.add("summary", f"{build.machine_id}: {build.build_id}, {build.alloy_id}, {build.pieces} pieces")
        entry.add("location", build.site_id)
        lines = ", ".join(f"{x.line_id} ({x.pieces})" for x in build.lines)
        entry.add(
            "description",
            f"Load {clock(build.load_start, zone)}, run until {clock(build.run_end, zone)}. {lines}",
        )
        feed.add_component(entry)
    return _Calendar(feed.to_ical())


class Feature(BaseModel):
    """A GeoJSON feature."""

    type: str
    geometry: dict[str, Any]
    properties: dict[str, Any]


class FeatureCollection(BaseModel):
    """GeoJSON (RFC 7946)."""

    type: str
    features: list[Feature]


@router.get("/network.geojson", responses=READS)
def geojson(desk: AtDesk, actor: Asks) -> FeatureCollection:
    """Sites as points and, with a live plan, its legs as lines."""
    head = live_plan(desk, actor)
    full = full_plan(desk, actor, head.plan_id) if head else None
    features = [Feature.model_validate(f) for f in network_features(desk, actor, full)]
    return FeatureCollection(type="FeatureCollection", features=features)
