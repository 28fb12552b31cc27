"""The schedule: machines by site over a window of time, and moving a build, tried before it is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from router.kernel.faults import Fault, FaultyInput, NotFound
from router.report.scales import TimeScale
from router.report.svg import swatch
from router.report.theme import numbered, tone
from router.report.wording import day, money
from router.service.builds import BuildView, list_builds
from router.service.moves import TriedMove, keep_move, try_move
from router.service.names import name_faults
from router.service.pins import pinned_builds, set_pin
from router.service.plans import NO_LIVE_PLAN, PlanInFull, full_plan, live_plan
from router.service.records import PlanStanding
from router.service.rights import Operation, decide, sites_seen
from router.web.forms import Form, Posted
from router.web.reading import NumberAsked, Reader, SignedIn
from router.web.rendering import done, page
from router.web.schedule_drawing import PIN, SiteDrawing, site_drawing

routes = APIRouter()
_WIDTH_PX = 1180.0
_FIRST_DAY, _LAST_DAY = date(1900, 1, 1), date(2999, 12, 31)
"""Days that can be shown: further off there is no room to page on."""
_ZOOMS = (1, 3, 7, 14, 28, 56)


@dataclass(frozen=True, slots=True)
class Window:
    """What part of the plan is shown."""

    plan_id: int
    site: str
    start: date
    days: int

    def address(self, **other: object) -> str:
        """The page of the window with something changed."""
        told = {"plan": self.plan_id, "site": self.site, "from": self.start.isoformat(), "days": self.days, **other}
        return f"/schedule?{urlencode({k: v for k, v in told.items() if v != ''})}"


def chosen_plan(reader: Reader, plan_id: int | None) -> PlanInFull | None:
    """The plan asked for, or the live one; None without either."""
    if plan_id is None:
        head = live_plan(reader.desk, reader.actor)
        if head is None:
            return None
        plan_id = head.plan_id
    return full_plan(reader.desk, reader.actor, plan_id)


@routes.get("/schedule")
def schedule(
    reader: SignedIn,
    plan: NumberAsked | None = None,
    site: str = "",
    start: Annotated[date | None, Query(alias="from", ge=_FIRST_DAY, le=_LAST_DAY)] = None,
    days: Annotated[int, Query(ge=1, le=60)] = 14,
) -> Response:
    """Machines over time."""
    full = chosen_plan(reader, plan)
    if full is None:
        return page(reader, "schedule.html.j2", title="Schedule", here="/schedule", window=None, tried=None)
    faults = name_faults("filter", "site", [site], full.scenario.network.site, "site")
    if faults:
        raise FaultyInput(faults)
    return _shown(reader, full, site, start, days, None)


def _shown(
    reader: Reader, full: PlanInFull, site: str, start: date | None, days: int, tried: TriedMove | None
) -> Response:
    network = full.scenario.network
    start = start or network.now.date()
    window = Window(full.head.plan_id, site, start, days)
    begin = datetime.combine(start, time(0), tzinfo=UTC)
    scale = TimeScale(begin, begin + timedelta(days=days), _WIDTH_PX / days)
    builds = list_builds(reader.desk, reader.actor, full.head.plan_id)
    pins = pinned_builds(reader.desk, reader.actor, full.head.plan_id)
    alloys = alloy_tones(full)
    used = sorted({b.alloy_id for b in builds})
    step = max(1, days // 2)
    return page(
        reader, "schedule.html.j2", title="Schedule", here="/schedule", window=window, tried=tried, head=full.head,
        drawings=_drawings(reader, full, builds, scale, site, alloys, pins), builds=builds, pins=pins,
        machines=[m.machine_id for m in network.machines], sites=[(s.site_id, s.name) for s in network.sites],
        legend=[(network.alloy[a].name, swatch(*alloys[a])) for a in used], zooms=_ZOOMS,
        earlier=window.address(**{"from": (start - timedelta(days=step)).isoformat()}),
        later=window.address(**{"from": (start + timedelta(days=step)).isoformat()}),
        to_now=window.address(**{"from": network.now.date().isoformat()}), shown=f"{day(start)} and {days} days on",
        may_move=decide(reader.actor, Operation.MOVE_BUILD).allowed,
        may_pin=may_pin(reader, full), pin_shape=PIN, money=lambda c: money(c, full.head.currency, 2),
    )  # fmt: skip


def may_pin(reader: Reader, full: PlanInFull) -> bool:
    """Whether builds of the plan can be pinned by this reader."""
    allowed = decide(reader.actor, Operation.MOVE_BUILD).allowed
    return allowed and full.head.standing in (PlanStanding.LIVE, PlanStanding.PROPOSED)


def alloy_tones(full: PlanInFull) -> dict[str, tuple[int, int]]:
    """Colour number and hatch of every alloy, the same on all pages."""
    return {a: (k, tone(k).hatch) for a, k in numbered(x.alloy_id for x in full.scenario.network.alloys).items()}


def _drawings(
    reader: Reader,
    full: PlanInFull,
    builds: list[BuildView],
    scale: TimeScale,
    site: str,
    alloys: dict[str, tuple[int, int]],
    pins: Mapping[str, str],
) -> list[SiteDrawing]:
    network = full.scenario.network
    seen = sites_seen(reader.actor)
    made = []
    for s in network.sites:
        machines = [m for m in network.machines if m.site_id == s.site_id]
        if not machines or (site and site != s.site_id) or (seen is not None and s.site_id not in seen):
            continue
        own = [b for b in builds if b.site_id == s.site_id]
        made.append(
            site_drawing(s, machines, own, scale, network.now, alloys, pins, full.head.plan_id, reader.choices.measures)
        )
    return made


@routes.post("/schedule/pin")
def pin(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Pin a build or release it, and back to where it was asked."""
    plan_id, build_id, pinned = form.whole("plan", 1), form.text("build"), form.text("pinned") == "yes"
    set_pin(reader.desk, reader.actor, plan_id, build_id, pinned)
    back = {"plan": str(plan_id), "site": form.text("site"), "from": form.text("from"), "days": form.text("days")}
    told = urlencode({k: v for k, v in back.items() if v})
    to = f"/plates/{quote(build_id, safe='')}?plan={plan_id}" if form.text("back") == "plate" else f"/schedule?{told}"
    stays = "is pinned: runs that go on from this plan and moves leave it as it is"
    return done(request, to, f"Build {build_id} {stays}." if pinned else f"Build {build_id} is released.")


@routes.post("/schedule/try")
def try_it(reader: SignedIn, form: Posted) -> Response:
    """What a move would change; the page shows it with a button to keep it."""
    full = chosen_plan(reader, form.whole("plan", 1))
    if full is None:
        raise NotFound(NO_LIVE_PLAN)
    after = form.text("after") or None
    start = _day_in(form)
    tried = try_move(reader.desk, reader.actor, full.head.plan_id, form.text("build"), form.text("machine"), after)
    return _shown(reader, full, form.text("site"), start, form.whole("days", 1, 60), tried)


def _day_in(form: Form) -> date | None:
    text = form.text("from")
    try:
        found = date.fromisoformat(text) if text else None
    except ValueError:
        found = None
    if text and (found is None or not _FIRST_DAY <= found <= _LAST_DAY):
        want = f"a day from {_FIRST_DAY} to {_LAST_DAY}, e.g. 2027-03-01"
        raise FaultyInput([Fault("form", "", "from", text[:40], want)])
    return found


@routes.post("/schedule/keep")
def keep_it(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Keep the move as a proposed plan and show its schedule."""
    after = form.text("after") or None
    head = keep_move(reader.desk, reader.actor, form.whole("plan", 1), form.text("build"), form.text("machine"), after)
    back = {"plan": str(head.plan_id), "site": form.text("site"), "from": form.text("from"), "days": form.text("days")}
    told = urlencode({k: v for k, v in back.items() if v})
    said = f"Kept as plan {head.plan_id}, proposed. Undo goes back to plan {head.parent}."
    return done(request, f"/schedule?{told}", said)
