"""Every build of the plan with the picture of its plate and what belongs below it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from router.domain.network import Scenario
from router.domain.plan import Build, Plan
from router.report.footprints import drawn_footprints
from router.report.plate_picture import PlateLine, plate_picture
from router.report.theme import KEYED, told_apart
from router.report.wording import count, day, duration, moment, money, number, percent, span


@dataclass(frozen=True, slots=True)
class ShareRow:
    """A line on a plate: its letter there, pieces, what it bears."""

    letter: str
    key: int
    line_id: str
    anchor: str
    part: str
    pieces: str
    due: str
    late: bool
    build: str
    plate_steps: str


@dataclass(frozen=True, slots=True)
class PlateEntry:
    """A build on the page."""

    anchor: str
    build_id: str
    machine_id: str
    model: str
    alloy: str
    alloy_key: int
    alloy_hatch: int
    picture: str
    facts: tuple[tuple[str, str], ...]
    shares: tuple[ShareRow, ...]
    total_build: str
    total_plate_steps: str
    coupons: str


@dataclass(frozen=True, slots=True)
class PlateGroup:
    """The builds of one site, by machine and time."""

    site: str
    entries: tuple[PlateEntry, ...]


def plate_groups(
    scenario: Scenario,
    plan: Plan,
    build_anchor: Mapping[str, str],
    line_anchor: Mapping[str, str],
    alloy_key: Mapping[str, int],
    hatch: Mapping[str, int],
) -> tuple[str, tuple[PlateGroup, ...]]:
    """Definitions of all footprints, and the builds grouped by site."""
    network = scenario.network
    definitions, drawn = drawn_footprints(scenario, plan.builds)
    line_key = told_apart([[s.line_id for s in b.shares] for b in plan.builds], len(KEYED))
    late = {(s.line_id, b) for s in plan.shipments if s.late_days for b in s.build_ids}
    order = {m.machine_id: n for n, m in enumerate(network.machines)}
    groups = []
    for site in network.sites:
        zone = ZoneInfo(site.time_zone)
        builds = sorted(
            (b for b in plan.builds if network.machine[b.machine_id].site_id == site.site_id),
            key=lambda b: (order[b.machine_id], b.load_start),
        )
        entries = []
        for build in builds:
            machine = network.machine[build.machine_id]
            alloy_id = network.parameter_set[build.parameter_set_id].alloy_id
            letters = {s.line_id: letter(n) for n, s in enumerate(build.shares)}
            shown = {
                (s.line_id, p.orientation): PlateLine(
                    drawn.get((scenario.line[s.line_id].model, p.orientation)),
                    letters[s.line_id],
                    line_key[s.line_id],
                    f"{letters[s.line_id]}: line {s.line_id}, {count(s.pieces, 'piece')}",
                )
                for s in build.shares
                for p in build.pieces
                if p.line_id == s.line_id and s.line_id in scenario.line
            }
            pieces = sum(s.pieces for s in build.shares)
            coupons = sum(1 for p in build.pieces if p.line_id is None)
            anchor = build_anchor[build.build_id]
            picture = plate_picture(
                anchor + "-p",
                f"Plate of build {build.build_id}",
                f"{count(pieces, 'piece')} of {count(len(build.shares), 'line')}, {count(coupons, 'witness coupon')} "
                f"on a plate of {number(machine.plate.width_mm)} by {number(machine.plate.depth_mm)} mm, "
                f"fill {percent(build.fill)}. The blade lies along the width and travels along the depth.",
                machine.plate,
                build.pieces,
                shown,
                network.coupon.side_mm,
            )
            entries.append(
                PlateEntry(
                    anchor=anchor,
                    build_id=build.build_id,
                    machine_id=machine.machine_id,
                    model=machine.model,
                    alloy=network.alloy[alloy_id].name,
                    alloy_key=alloy_key[alloy_id],
                    alloy_hatch=hatch[alloy_id],
                    picture=picture,
                    facts=_facts(scenario, build, zone),
                    shares=_shares(scenario, build, letters, line_key, line_anchor, late),
                    total_build=number(build.cost.total_cents / 100, 2),
                    total_plate_steps=number(build.plate_steps_cents / 100, 2),
                    coupons=count(coupons, "coupon") if coupons else "",
                )
            )
        if entries:
            groups.append(PlateGroup(site.name, tuple(entries)))
    return definitions, tuple(groups)


def letter(n: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    text = ""
    n += 1
    while n:
        n, rest = divmod(n - 1, 26)
        text = chr(65 + rest) + text
    return text


def _facts(scenario: Scenario, build: Build, zone: ZoneInfo) -> tuple[tuple[str, str], ...]:
    currency = scenario.network.currency
    change = build.changeover
    facts = [
        ("load", moment(build.load_start, zone)),
        ("run", f"{span(build.run_start, build.run_end, zone)}, {duration(build.run_end - build.run_start)}"),
        ("unload", span(build.unload_start, build.unload_end, zone)),
        ("height", f"{number(build.height_mm, 1)} mm, {count(build.layers, 'layer')}"),
        ("cost", f"{money(build.cost.total_cents, currency, 2)} at a fill of {percent(build.fill)}"),
        ("energy", f"{number(build.kwh)} kWh, {number(build.co2e_kg, 1)} kg CO\u2082e"),
    ]
    if change:
        words = f"{change.leaving_alloy_id} \u2192 {change.entering_alloy_id}, {money(change.cost_cents, currency)}"
        facts.insert(0, ("changeover", f"{moment(change.start, zone)}, {words}"))
    return tuple(facts)


def _shares(
    scenario: Scenario,
    build: Build,
    letters: Mapping[str, str],
    line_key: Mapping[str, int],
    line_anchor: Mapping[str, str],
    late: set[tuple[str, str]],
) -> tuple[ShareRow, ...]:
    rows = []
    for share in build.shares:
        line = scenario.line[share.line_id]
        rows.append(
            ShareRow(
                letter=letters[share.line_id],
                key=line_key[share.line_id],
                line_id=share.line_id,
                anchor=line_anchor[share.line_id],
                part=line.model.rsplit(".", 1)[0],
                pieces=number(share.pieces),
                due=day(line.due_date)[4:],
                late=(share.line_id, build.build_id) in late,
                build=number(share.build_cents / 100, 2),
                plate_steps=number(share.plate_steps_cents / 100, 2),
            )
        )
    return tuple(rows)
