"""What people do at the machines in the next two days: change over, load, unload, in the order of the clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from router.domain.network import Scenario
from router.domain.plan import Build, Plan
from router.report.wording import count, day, moment

AHEAD = timedelta(hours=48)


@dataclass(frozen=True, slots=True)
class HandsOn:
    """One activity that needs a person. ``late`` when a line on the plate will arrive after its due date."""

    when: str
    machine_id: str
    what: str
    build_id: str
    anchor: str
    alloy: str
    plate: str
    first_due: str
    late: bool


@dataclass(frozen=True, slots=True)
class HandsOnSite:
    """The activities of one site, on its own clock."""

    site: str
    zone: str
    rows: tuple[HandsOn, ...]


def next_activities(scenario: Scenario, plan: Plan, build_anchor: Mapping[str, str]) -> tuple[HandsOnSite, ...]:
    """Activities that begin within two days of the plan's moment, by site."""
    network = scenario.network
    until = plan.now + AHEAD
    late = {s.line_id for s in plan.shipments if s.late_days > 0}
    sites = []
    for site in network.sites:
        zone = ZoneInfo(site.time_zone)
        found: list[tuple[datetime, str, str, Build]] = []
        for build in plan.builds:
            if network.machine[build.machine_id].site_id != site.site_id:
                continue
            change = build.changeover
            if change is not None:
                what = f"change over, {change.leaving_alloy_id} to {change.entering_alloy_id}"
                found.append((change.start, build.machine_id, what, build))
            found.append((build.load_start, build.machine_id, "load and start", build))
            found.append((build.unload_start, build.machine_id, "unload", build))
        rows = []
        for start, machine_id, what, build in sorted(found, key=lambda f: (f[0], f[1], f[2])):
            if start >= until:
                continue
            lines = dict.fromkeys(p.line_id for p in build.pieces if p.line_id is not None)
            pieces = count(sum(1 for p in build.pieces if p.line_id is not None), "piece")
            rows.append(
                HandsOn(
                    when=moment(start, zone),
                    machine_id=machine_id,
                    what=what,
                    build_id=build.build_id,
                    anchor=build_anchor[build.build_id],
                    alloy=network.alloy[network.parameter_set[build.parameter_set_id].alloy_id].name,
                    plate=f"{pieces} of {count(len(lines), 'line')}",
                    first_due=day(min(scenario.line[x].due_date for x in lines)),
                    late=any(x in late for x in lines),
                )
            )
        sites.append(HandsOnSite(site.name, site.time_zone, tuple(rows)))
    return tuple(sites)
