"""Builds of a plan as people see them: limited to the sites and lines they may see; and the files of a plate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from router.domain.plan import Build
from router.formats.plate_3mf import plate_3mf
from router.formats.plate_dxf import plate_dxf
from router.formats.plate_layout import lay_out
from router.formats.plate_svg import plate_svg
from router.geometry import read_mesh
from router.geometry.measuring import sound_surface
from router.geometry.surface import Surface
from router.kernel.faults import NotFound, Refused
from router.service.desk import Desk
from router.service.models import model_path
from router.service.plans import PlanInFull, full_plan
from router.service.records import Actor
from router.service.rights import Operation, require, sites_seen
from router.service.visible import RESTRICTED, hidden_lines


@dataclass(frozen=True, slots=True)
class PlacedLine:
    """Pieces of one line on a build, and its fair share of the build and its plate steps.

    All lines the reader is not cleared for are one row, with no more than how many pieces of them there are.
    """

    line_id: str
    pieces: int
    build_cents: int | None
    plate_steps_cents: int | None
    due_date: date | None
    late_days: int | None


@dataclass(frozen=True, slots=True)
class BuildView:
    """One build."""

    build_id: str
    lasting_id: str
    """Stays with the build in plans made from this one; names are used again."""
    site_id: str
    machine_id: str
    alloy_id: str
    parameter_set_id: str
    changeover_start: datetime | None
    changeover_end: datetime | None
    load_start: datetime
    run_start: datetime
    run_end: datetime
    unload_start: datetime
    unload_end: datetime
    height_mm: float
    layers: int
    fill: float
    pieces: int
    build_cents: int
    """Of the lines the reader may see, where there are others on the build; so with the plate steps."""
    plate_steps_cents: int
    kwh: float
    co2e_kg: float
    lines: tuple[PlacedLine, ...]


def list_builds(desk: Desk, actor: Actor, plan_id: int) -> list[BuildView]:
    """Builds by machine and start, as far as the actor may see them."""
    plan = full_plan(desk, actor, plan_id)
    sites = sites_seen(actor)
    hidden = hidden_lines(desk, actor)
    arrivals = plan.result.plan.last_arrivals()
    views = [build_view(plan, build, hidden, arrivals) for build in plan.result.plan.builds]
    return [v for v in views if sites is None or v.site_id in sites]


def build_view(
    plan: PlanInFull, build: Build, hidden: frozenset[str], arrivals: Mapping[str, tuple[date, int]]
) -> BuildView:
    """A build with lines the actor may not see under one name. ``arrivals``: ``Plan.last_arrivals`` of its plan."""
    network = plan.scenario.network
    counts = build.pieces_by_line()
    lines = [
        PlacedLine(
            share.line_id,
            counts[share.line_id],
            share.build_cents,
            share.plate_steps_cents,
            plan.scenario.line[share.line_id].due_date,
            arrivals[share.line_id][1] if share.line_id in arrivals else 0,
        )
        for share in build.shares
        if share.line_id not in hidden
    ]
    restricted = sum(n for line_id, n in counts.items() if line_id in hidden)
    if restricted:
        lines.append(PlacedLine(RESTRICTED, restricted, None, None, None, None))
    changeover = build.changeover
    return BuildView(
        build_id=build.build_id,
        lasting_id=build.lasting_id,
        site_id=network.machine[build.machine_id].site_id,
        machine_id=build.machine_id,
        alloy_id=network.parameter_set[build.parameter_set_id].alloy_id,
        parameter_set_id=build.parameter_set_id,
        changeover_start=changeover.start if changeover else None,
        changeover_end=changeover.end if changeover else None,
        load_start=build.load_start,
        run_start=build.run_start,
        run_end=build.run_end,
        unload_start=build.unload_start,
        unload_end=build.unload_end,
        height_mm=build.height_mm,
        layers=build.layers,
        fill=build.fill,
        pieces=counts.total(),
        build_cents=sum(x.build_cents or 0 for x in lines) if restricted else build.cost.total_cents,
        plate_steps_cents=sum(x.plate_steps_cents or 0 for x in lines) if restricted else build.plate_steps_cents,
        kwh=build.kwh,
        co2e_kg=build.co2e_kg,
        lines=tuple(lines),
    )


def seen_build(desk: Desk, actor: Actor, plan_id: int, build_id: str) -> tuple[PlanInFull, Build]:
    """A build and its plan. One at a site the actor does not see is refused."""
    plan = full_plan(desk, actor, plan_id)
    build = next((b for b in plan.result.plan.builds if b.build_id == build_id), None)
    if build is None:
        raise NotFound(f"no build {build_id[:80]!r} in plan {plan_id}")
    require(actor, Operation.SEE_FLOOR, plan.scenario.network.machine[build.machine_id].site_id)
    return plan, build


def plate_file(desk: Desk, actor: Actor, plan_id: int, build_id: str, kind: str) -> bytes:
    """A plate as ``svg`` (true size), ``dxf`` (outlines) or ``3mf`` (every part in place).

    Raises Refused when the plate carries parts the actor is not cleared for: a file shows their shape.
    """
    plan, build = seen_build(desk, actor, plan_id, build_id)
    if {p.line_id for p in build.pieces} & hidden_lines(desk, actor):
        raise Refused(f"build {build_id} carries export-controlled parts you are not cleared for")
    layout = lay_out(plan.scenario, build)
    if kind == "svg":
        return plate_svg(layout).encode()
    if kind == "dxf":
        return plate_dxf(layout)
    if kind != "3mf":
        raise NotFound(f"no plate file of kind {kind!r}; there are svg, dxf and 3mf")
    units = {line.model: line.unit for line in plan.scenario.lines}

    def surface_of(model: str) -> Surface:
        path = model_path(desk, plan.models[model], model)
        surface: Surface = desk.surfaces.get(
            (plan.models[model], units[model]), lambda: sound_surface(read_mesh(path, units[model]), [])
        )
        return surface

    return plate_3mf(layout, surface_of)
