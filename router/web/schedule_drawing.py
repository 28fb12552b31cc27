"""Machines of one site over a window of time, drawn for the page: only what lies in the window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from router.domain.machines import Machine
from router.domain.sites import Site
from router.report.measures import Measures
from router.report.scales import TimeScale, day_start, local_midnights
from router.report.staffed import unstaffed_spans
from router.report.svg import clip_text, esc, frame, px
from router.report.wording import count, day, moment, percent
from router.service.builds import BuildView
from router.service.visible import RESTRICTED

NAMES_PX = 190.0
_AXIS_PX, _LANE_PX, _BAR_PX = 30.0, 40.0, 28.0
PIN = "M-3.5 -3.5h7l-1.2 1.5v3l2 2h-8.6l2-2v-3zM-.6 3.5h1.2v4.5h-1.2z"
"""A drawing pin, its needle's middle at 0."""
_CHAR_PX = 5.9
_NARROW_NAMES_PX = 112.0
"""What a narrow screen shows of the names (platewright.css)."""
_LABEL_DAY_PX = 34.0
"""Narrower days are labelled by week."""


@dataclass(frozen=True, slots=True)
class SiteDrawing:
    """One site's schedule: machine names, the drawing, and the same builds in words."""

    site: str
    site_id: str
    sentence: str
    names: str
    chart: str
    rows: tuple[tuple[str, str, str, str, str, str], ...]
    """Machine, build, alloy, run start, unload end, what is on it."""


def site_drawing(
    site: Site,
    machines: Sequence[Machine],
    builds: Sequence[BuildView],
    scale: TimeScale,
    now: datetime,
    alloys: Mapping[str, tuple[int, int]],
    pins: Mapping[str, str],
    plan_id: int,
    measures: Measures,
) -> SiteDrawing:
    """``alloys``: colour number and hatch by alloy id; ``pins``: pinned builds and by whom.

    Builds are links to their plates and can be moved by script.
    """
    zone = ZoneInfo(site.time_zone)
    height = _AXIS_PX + len(machines) * _LANE_PX + 4
    lanes = []
    rows = []
    for n, machine in enumerate(machines):
        own = sorted((b for b in builds if b.machine_id == machine.machine_id), key=lambda b: b.load_start)
        shown = [b for b in own if b.unload_end > scale.start and _begin(b) < scale.end]
        after = {b.build_id: (own[k - 1].build_id if k else "") for k, b in enumerate(own)}
        bars = "".join(_bar(b, after[b.build_id], scale, zone, alloys, pins, plan_id, measures) for b in shown)
        stops = "".join(
            f'<rect class="stop" x="{px(scale.at(m.start))}" y="3" width="{px(scale.at(m.end) - scale.at(m.start))}" '
            f'height="{px(_BAR_PX)}"><title>{esc(m.why or "stop")}</title></rect>'
            for m in machine.maintenance
            if m.end > scale.start and m.start < scale.end
        )
        dues = "".join(_due(d, late, scale, zone) for d, late in sorted(_dues(shown)))
        wide = px(scale.width_px)
        lanes.append(
            f'<g class="row" data-machine="{esc(machine.machine_id)}" '
            f'transform="translate(0 {px(_AXIS_PX + n * _LANE_PX)})">'
            f'<rect class="catch" width="{wide}" height="{px(_LANE_PX)}" fill="none" pointer-events="all"/>'
            f'<path class="lane" d="M0 0H{wide}"/>{stops}{dues}{bars}</g>'
        )
        rows += [
            (
                machine.machine_id,
                b.build_id,
                b.alloy_id,
                moment(b.run_start, zone),
                moment(b.unload_end, zone),
                f"{count(b.pieces, 'piece')} of {count(len(b.lines), 'line')}, fill {percent(b.fill, 0)}"
                + (f"; pinned by {pins[b.build_id]}" if b.build_id in pins else ""),
            )
            for b in shown
        ]
    body = _shading(site, scale, height) + _days(zone, scale, height) + "".join(lanes) + _now(now, scale, height)
    described = (
        f"{len(rows)} builds on {len(machines)} machines in this window. The table below says the same in words."
    )
    names = "".join(
        f'<g transform="translate(0 {px(_AXIS_PX + n * _LANE_PX)})"><path class="lane" d="M0 0H{px(NAMES_PX)}"/>'
        f'<text class="mach" x="0" y="17">{esc(clip_text(m.machine_id, NAMES_PX - 4, 7.0))}</text>'
        f"{_model(m.model)}</g>"
        for n, m in enumerate(machines)
    )
    element = f"s-{site.site_id}"
    return SiteDrawing(
        site.name,
        site.site_id,
        f"{site.place.label()}, clock of {site.time_zone}",
        frame(f"{element}-n", NAMES_PX, height, f"Machines of {site.name}", "One lane each.", names),
        frame(f"{element}-c", scale.width_px, height, f"Schedule of {site.name}", described, body, role="group"),
        tuple(rows),
    )


def _model(model: str) -> str:
    """The machine's model under its name, clipped for wide screens and, where that is less, for narrow ones."""
    wide, narrow = (clip_text(model, room - 4, _CHAR_PX) for room in (NAMES_PX, _NARROW_NAMES_PX))
    if wide == narrow:
        return f'<text class="note" x="0" y="30">{esc(wide)}</text>'
    return (
        f'<text class="note wide" x="0" y="30">{esc(wide)}</text>'
        f'<text class="note narrow" x="0" y="30">{esc(narrow)}</text>'
    )


def _begin(build: BuildView) -> datetime:
    return build.changeover_start or build.load_start


def _bar(
    b: BuildView,
    after: str,
    scale: TimeScale,
    zone: ZoneInfo,
    alloys: Mapping[str, tuple[int, int]],
    pins: Mapping[str, str],
    plan_id: int,
    measures: Measures,
) -> str:
    key, hatch = alloys.get(b.alloy_id, (0, 0))
    x0, x1, x2, x3, x4 = (scale.at(t) for t in (b.load_start, b.run_start, b.run_end, b.unload_start, b.unload_end))
    change = ""
    if b.changeover_start and b.changeover_end:
        c0, c1 = scale.at(b.changeover_start), scale.at(b.changeover_end)
        if c1 > c0:
            change = f'<rect class="change" x="{px(c0)}" y="6" width="{px(c1 - c0)}" height="{px(_BAR_PX - 6)}"/>'
    wait = f'<rect class="wait" x="{px(x2)}" y="12" width="{px(x3 - x2)}" height="8"/>' if x3 - x2 > 0.5 else ""
    late = any(x.late_days for x in b.lines)
    told = ", ".join(f"{x.line_id} ({x.pieces})" for x in b.lines[:12] if x.line_id != RESTRICTED)
    title = (
        f"{b.build_id}: {b.alloy_id}, {count(b.pieces, 'piece')}, fill {percent(b.fill, 0)}, "
        f"{measures.length(b.height_mm)}; "
        f"load {moment(b.load_start, zone)}, run {moment(b.run_start, zone)} to {moment(b.run_end, zone)}, "
        f"unload {moment(b.unload_end, zone)}; {told}{'; a line is late' if late else ''}"
        + (f"; pinned by {pins[b.build_id]}" if b.build_id in pins else "")
    )
    width = max(x4 - x0, 1.0)
    high = f'y="3" height="{px(_BAR_PX)}"'
    run = f'x="{px(x1)}" width="{px(max(x2 - x1, 0))}"'
    hatching = f'<rect {run} {high} fill="url(#hatch-{hatch})"/>' if hatch else ""
    hands = (
        f'<rect class="hands" x="{px(x0)}" y="3" width="{px(max(x1 - x0, 0.8))}" height="{px(_BAR_PX)}"/>'
        f'<rect class="hands" x="{px(x3)}" y="3" width="{px(max(x4 - x3, 0.8))}" height="{px(_BAR_PX)}"/>'
    )
    label = clip_text(f"{b.build_id}  {percent(b.fill, 0)}", width - 8, _CHAR_PX) if width > 26 else ""
    text = f'<text class="id" x="{px(x0 + 5)}" y="21">{esc(label)}</text>' if label else ""
    held = _pin(x0, width) if b.build_id in pins else ""
    pinned = "yes" if held else "no"
    corner = f'<path class="latecorner" d="M{px(x4)} 3h-8l8 8z"/>' if late else ""
    return (
        f'<a class="bld k{key}" href="/plates/{esc(b.build_id)}?plan={plan_id}" data-build="{esc(b.build_id)}" '
        f'data-after="{esc(after)}" data-pinned="{pinned}"><title>{esc(title)}</title>{change}'
        f'<rect class="body" x="{px(x0)}" width="{px(width)}" {high}/>'
        f"{hatching}{hands}{wait}{text}{corner}{held}</a>"
    )


def _pin(x0: float, width: float) -> str:
    """A drawing pin over the upper edge, and a second outline: seen without colour, and on the narrowest bar."""
    at = px(x0 + min(width / 2, 10.0))
    return (
        f'<rect class="pinned" x="{px(x0)}" y="3" width="{px(width)}" height="{px(_BAR_PX)}"/>'
        f'<path class="pin" transform="translate({at} 1) scale(1.3)" d="{PIN}"/>'
    )


def _dues(builds: Sequence[BuildView]) -> set[tuple[date, bool]]:
    late = {x.due_date for b in builds for x in b.lines if x.due_date and x.late_days}
    return {(x.due_date, x.due_date in late) for b in builds for x in b.lines if x.due_date}


def _due(due: date, late: bool, scale: TimeScale, zone: ZoneInfo) -> str:
    at = day_start(due + timedelta(days=1), zone)
    if not scale.start < at < scale.end:
        return ""
    name = f"due {due:%d %b}{', late' if late else ''}"
    x = scale.at(at)
    return f'<path class="due{" late" if late else ""}" d="M{px(x)} 32l3.5 6h-7z"><title>{esc(name)}</title></path>'


def _shading(site: Site, scale: TimeScale, height: float) -> str:
    path = "".join(
        f"M{px(scale.at(a))} {px(_AXIS_PX)}H{px(scale.at(b))}V{px(height)}H{px(scale.at(a))}z"
        for a, b in unstaffed_spans(site, scale.start, scale.end)
    )
    return f'<path class="night" d="{path}"/>' if path else ""


def _days(zone: ZoneInfo, scale: TimeScale, height: float) -> str:
    body = []
    for local, at in local_midnights(scale.start, scale.end, zone):
        x = scale.at(at)
        body.append(f'<path class="dayline" d="M{px(x)} {px(_AXIS_PX)}V{px(height)}"/>')
        label = day(local)
        # A name that the edge would cut is left out.
        if (scale.day_px >= _LABEL_DAY_PX or local.weekday() == 0) and x + 3 + len(label) * _CHAR_PX < scale.width_px:
            body.append(f'<text class="day" x="{px(x + 3)}" y="22">{label}</text>')
    if scale.day_px > 300:
        hour = scale.start.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
        while hour < scale.end:
            local_hour = hour.astimezone(zone).hour
            if local_hour % 3 == 0 and local_hour:
                body.append(f'<text class="note" x="{px(scale.at(hour))}" y="10">{local_hour}:00</text>')
            hour += timedelta(hours=1)
    return "".join(body)


def _now(now: datetime, scale: TimeScale, height: float) -> str:
    if not scale.start <= now <= scale.end:
        return ""
    x = px(scale.at(now))
    return f'<path class="now" d="M{x} 14V{px(height)}"><title>the moment of the plan</title></path>'
