"""From a plan to the schedule of each site: lanes, bars, due marks, shading, all on one time scale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from router.domain.machines import Machine
from router.domain.network import Scenario
from router.domain.plan import Build, Plan
from router.domain.sites import Shift, Site
from router.report.scales import TimeScale, day_start
from router.report.schedule_chart import (
    NAMES_PX,
    Bar,
    DueMark,
    Lane,
    SiteSchedule,
    names_chart,
    schedule_chart,
)
from router.report.staffed import Span, unstaffed_spans
from router.report.wording import count, day, listed, moment, percent

_ROOM_PX, _LEAST_DAY_PX, _WIDEST_DAY_PX = 1010.0, 40.0, 110.0
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class ScheduleBlock:
    """One site's schedule on the page: heading, a line below it, the two drawings and their widths."""

    anchor: str
    site: str
    sentence: str
    names: str
    names_px: float
    chart: str
    chart_px: float


def time_scale(plan: Plan, dues: Sequence[date]) -> TimeScale:
    """From shortly before now to the last unload, and on to the last due date if that is not much later."""
    start = min([plan.now, *(_first(b)[0] for b in plan.builds)]) - timedelta(hours=5)
    last = max([plan.now + timedelta(days=2), *(b.unload_end for b in plan.builds)])
    utc = ZoneInfo("UTC")
    due_ends = [day_start(d + timedelta(days=1), utc) for d in dues]
    latest_due = max([m for m in due_ends if m <= last + (last - start) * 0.2] or [last])
    end = max(last, latest_due) + timedelta(hours=10)
    day_px = min(max(_ROOM_PX / ((end - start) / timedelta(days=1)), _LEAST_DAY_PX), _WIDEST_DAY_PX)
    return TimeScale(start, end, day_px)


def schedule_blocks(
    scenario: Scenario,
    plan: Plan,
    build_anchor: Mapping[str, str],
    site_anchor: Mapping[str, str],
    alloy_key: Mapping[str, int],
    hatch: Mapping[str, int],
) -> tuple[ScheduleBlock, ...]:
    """A block for every site with machines, in the order of the network."""
    planned = {s.line_id for s in plan.shipments}
    scale = time_scale(plan, [x.due_date for x in scenario.lines if x.line_id in planned])
    by_machine: dict[str, list[Build]] = {}
    for build in plan.builds:
        by_machine.setdefault(build.machine_id, []).append(build)
    late = {(s.line_id, b) for s in plan.shipments if s.late_days for b in s.build_ids}
    blocks = []
    for site in scenario.network.sites:
        machines = [m for m in scenario.network.machines if m.site_id == site.site_id]
        if not machines:
            continue
        zone = ZoneInfo(site.time_zone)
        lanes = []
        for machine in machines:
            builds = sorted(by_machine.get(machine.machine_id, []), key=lambda b: b.load_start)
            bars = tuple(_bar(scenario, b, zone, build_anchor, alloy_key, hatch, late) for b in builds)
            lanes.append(
                Lane(machine.machine_id, machine.model, bars, _stops(machine, plan, zone),
                     _dues(scenario, builds, zone, late))
            )  # fmt: skip
        schedule = SiteSchedule(site.name, zone, tuple(lanes), unstaffed_spans(site, scale.start, scale.end), plan.now)
        anchor = site_anchor[site.site_id]
        builds_here = sum(len(lane.bars) for lane in lanes)
        blocks.append(
            ScheduleBlock(
                anchor, site.name,
                f"{site.place.label()}: {count(builds_here, 'build')} on {count(len(machines), 'machine')}; "
                f"{staffed_sentence(site)}, clock of {site.time_zone}.",
                names_chart(f"{anchor}-m", schedule), NAMES_PX,
                schedule_chart(f"{anchor}-c", schedule, scale), scale.width_px,
            )
        )  # fmt: skip
    return tuple(blocks)


def staffed_sentence(site: Site) -> str:
    """``staffed Mon-Fri 06:00-14:00 and Sat 08:00-12:00``."""
    return f"staffed {listed(_shift(s) for s in site.shifts)}" if site.shifts else "never staffed"


def _shift(shift: Shift) -> str:
    weekdays = sorted(shift.weekdays)
    run = len(weekdays) > 2 and weekdays == list(range(weekdays[0], weekdays[-1] + 1))
    names = (
        f"{_WEEKDAYS[weekdays[0]]}\u2013{_WEEKDAYS[weekdays[-1]]}" if run else " ".join(_WEEKDAYS[d] for d in weekdays)
    )
    return f"{names} {shift.start:%H:%M}\u2013{shift.end:%H:%M}"


def _first(build: Build) -> Span:
    return (build.changeover.start if build.changeover else build.load_start), build.unload_end


def _bar(
    scenario: Scenario,
    build: Build,
    zone: ZoneInfo,
    build_anchor: Mapping[str, str],
    alloy_key: Mapping[str, int],
    hatch: Mapping[str, int],
    late: set[tuple[str, str]],
) -> Bar:
    alloy_id = scenario.network.parameter_set[build.parameter_set_id].alloy_id
    pieces = sum(s.pieces for s in build.shares)
    late_lines = [s.line_id for s in build.shares if (s.line_id, build.build_id) in late]
    title = (
        f"{build.build_id}, {alloy_id}: {count(pieces, 'piece')} of {count(len(build.shares), 'line')}, "
        f"fill {percent(build.fill, 0)}; runs {moment(build.run_start, zone)} to {moment(build.run_end, zone)}, "
        f"unloaded {moment(build.unload_end, zone)}"
    )
    change = build.changeover
    return Bar(
        label=build.build_id,
        alloy=alloy_id,
        key=alloy_key[alloy_id],
        hatch=hatch[alloy_id],
        anchor=build_anchor[build.build_id],
        title=title + (f"; late: {listed(late_lines)}" if late_lines else ""),
        changeover=(change.start, change.end) if change else None,
        changeover_title=f"changeover {change.leaving_alloy_id} to {change.entering_alloy_id}" if change else "",
        load_start=build.load_start,
        run_start=build.run_start,
        run_end=build.run_end,
        unload_start=build.unload_start,
        unload_end=build.unload_end,
        late=bool(late_lines),
    )


def _stops(machine: Machine, plan: Plan, zone: ZoneInfo) -> tuple[tuple[Span, str], ...]:
    stops = [((m.start, m.end), f"planned stop: {m.why or 'maintenance'}") for m in machine.maintenance]
    if machine.available_from > plan.now:
        stops.insert(0, ((plan.now, machine.available_from), f"not free before {moment(machine.available_from, zone)}"))
    return tuple(stops)


def _dues(
    scenario: Scenario, builds: Sequence[Build], zone: ZoneInfo, late: set[tuple[str, str]]
) -> tuple[DueMark, ...]:
    """A mark at the end of each due date of lines on the machine, on the site's clock."""
    by_day: dict[date, dict[str, bool]] = {}
    for build in builds:
        for share in build.shares:
            line = scenario.line.get(share.line_id)
            if line is not None:
                on_day = by_day.setdefault(line.due_date, {})
                on_day[line.line_id] = on_day.get(line.line_id, False) or (line.line_id, build.build_id) in late
    return tuple(
        DueMark(
            day_start(due + timedelta(days=1), zone),
            any(lines.values()),
            f"due {day(due)}: {listed(f'{k} (late)' if v else k for k, v in lines.items())}",
        )
        for due, lines in sorted(by_day.items())
    )
