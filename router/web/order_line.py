"""What the page of one order line shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from router.domain.plan import Build
from router.domain.result import LineOptions, SiteOption
from router.kernel.faults import Conflict, NotFound
from router.report.leg_entries import map_sites
from router.report.legs_map import Leg, legs_map
from router.report.measures import METRIC, Measures
from router.report.own_plates import fill_change, fills, own_plates
from router.report.theme import numbered
from router.report.wording import day, full_clock, full_day, money, number
from router.service.book import get_line
from router.service.desk import Desk
from router.service.options import build_carbon_cents, where_to_build
from router.service.pinned_site import PinnedSite, pinned_site
from router.service.plans import PlanInFull, full_plan, live_plan
from router.service.records import Actor, LineRecord, LineStanding, TrailRecord
from router.service.seen_totals import NOT_TOLD, WHY_NOT_TOLD
from router.service.trail import line_history
from router.service.visible import hidden_lines

_NOT_TOLD = f"Where the marginal cost is {NOT_TOLD}, {WHY_NOT_TOLD}."


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One site as a place for the line, in words."""

    site: str
    possible: bool
    chosen: bool
    why: tuple[str, ...]
    fair: str
    marginal: str
    ready: str
    arrives: str
    late: int
    co2e: str
    distance: str
    machine: str
    plate: str
    fill: str
    bar_share: float
    cheapest: bool


@dataclass(frozen=True, slots=True)
class CostPart:
    """A part of what the line costs in the live plan. ``key``: its colour."""

    name: str
    amount: str
    share: float
    key: int


@dataclass(frozen=True, slots=True)
class LineView:
    """Everything the page shows."""

    line: LineRecord
    facts: tuple[tuple[str, str], ...]
    sentence: str
    rows: tuple[SiteRow, ...]
    why_no_table: str
    not_told: str
    """Why a marginal cost is not told, where one is not."""
    costs: tuple[CostPart, ...]
    total: str
    other_quantities: bool
    """Whether the live plan can be asked for other quantities."""
    map: str
    history: tuple[TrailRecord, ...]
    build_ids: tuple[str, ...]
    plan_id: int | None
    pin: PinnedSite | None
    """What the site it is pinned to says."""


def line_view(desk: Desk, actor: Actor, line_id: str, zone: ZoneInfo, measures: Measures = METRIC) -> LineView:
    """The page of a line; the tables are asked of the live plan, where there is one. ``zone``: the reader's clock."""
    line = get_line(desk, actor, line_id)
    head = live_plan(desk, actor)
    plan = full_plan(desk, actor, head.plan_id) if head else None
    options: LineOptions | None = None
    why = "There is no live plan yet. Start a run and accept its plan; then this table says where the line belongs."
    if plan is not None and line.standing is LineStanding.OPEN:
        try:
            options = where_to_build(desk, actor, line_id)
        except (Conflict, NotFound) as trouble:
            why = str(trouble)
    elif plan is not None:
        why = f"The line is {line.standing.value}; open lines are planned."
    partial = bool(hidden_lines(desk, actor))
    rows = _rows(plan, options, measures, partial) if plan and options else ()
    costs, total = _costs(plan, line_id, _build_carbon(desk, actor, line_id)) if plan else ((), "")
    shipped = [s for s in plan.result.plan.shipments if s.line_id == line_id] if plan else []
    return LineView(
        line=line,
        facts=_facts(line, plan, measures, zone),
        sentence=options.sentence if options else "",
        rows=rows,
        why_no_table=why,
        not_told=_NOT_TOLD if any(r.marginal == NOT_TOLD for r in rows) else "",
        costs=costs,
        total=total,
        other_quantities=options is not None,
        map=_map(plan, line_id, options, measures) if plan and options else "",
        history=tuple(line_history(desk, actor, line_id)),
        build_ids=tuple(dict.fromkeys(b for s in shipped for b in s.build_ids)),
        plan_id=plan.head.plan_id if plan else None,
        pin=pinned_site(desk, line),
    )


def _facts(
    line: LineRecord, plan: PlanInFull | None, measures: Measures, zone: ZoneInfo
) -> tuple[tuple[str, str], ...]:
    cells = line.cells
    facts = [
        ("Order", line.order_id),
        ("Customer", line.customer),
        ("Part model", line.model),
        ("Alloy", line.alloy_id),
        ("Pieces", number(line.quantity)),
        ("Ship to", line.ship_place),
        ("Received", full_clock(line.received_at, zone)),
        ("Due at the destination", full_day(line.due_date)),
        ("Condition", cells.get("condition", "as built").replace(";", ", ").replace("_", " ")),
        ("Coupons", cells.get("coupons", "0")),
        ("Export control", line.export_control or "none"),
        ("Accreditations", cells.get("accreditations", "none").replace(";", ", ")),
        ("Approved sites", _sites(cells["approved_sites"].split(";"), plan) if "approved_sites" in cells else "any"),
        ("Own plate", cells.get("own_plate", "no")),
        ("May be split over sites", cells.get("may_split_sites", "no")),
        ("Pinned to", _sites([line.pinned_site], plan) if line.pinned_site else "no site"),
    ]
    planned = plan.scenario.line.get(line.line_id) if plan else None
    part = plan.scenario.parts.get(planned.model) if plan and planned else None
    if part is not None:
        facts.insert(3, ("Size as modelled", measures.size(*part.bbox_mm)))
    sent = [s for s in plan.result.plan.shipments if s.line_id == line.line_id] if plan else []
    if sent:
        facts.append(("Mass shipped", measures.mass(sum(s.mass_kg for s in sent))))
    return tuple(facts)


def _sites(ids: list[str], plan: PlanInFull | None) -> str:
    known = plan.scenario.network.site if plan else {}
    return ", ".join(known[s].name if s in known else s for s in (one.strip() for one in ids))


def _rows(plan: PlanInFull, options: LineOptions, measures: Measures, partial: bool) -> tuple[SiteRow, ...]:
    """``partial``: some lines are hidden from the reader, who is not told what counts them."""
    possible = [o for o in options.sites if o.possible and o.fair_cents is not None]
    dearest = max((o.fair_cents or 0 for o in possible), default=0)
    margins = [o.marginal_cents for o in possible if o.marginal_cents is not None]
    # Which is the least cannot be said where one is not known.
    best = min(margins, default=None) if len(margins) == len(possible) else None
    ordered = sorted(options.sites, key=lambda o: (not o.chosen, not o.possible, o.fair_cents or 0))
    unknown = NOT_TOLD if partial else ""
    own = own_plates(plan.result.plan, options.line_id)
    return tuple(_row(plan, o, dearest, best, unknown, measures, own.get(o.site_id, ())) for o in ordered)


def _row(
    plan: PlanInFull,
    o: SiteOption,
    dearest: int,
    best: int | None,
    unknown: str,
    measures: Measures,
    own: Sequence[Build],
) -> SiteRow:
    """``own``: plates at the site that the line is on.

    ``unknown`` stands for a marginal cost that is None where the line could be built.
    """
    currency, site = plan.scenario.network.currency, plan.scenario.network.site[o.site_id]
    several = own if o.chosen and len(own) > 1 else ()
    plate = ", ".join(b.build_id for b in several) or o.joins_build_id
    fill = "" if o.fill_after is None else fills(several) or fill_change(o.fill_before, o.fill_after)
    return SiteRow(
        site=site.name,
        possible=o.possible,
        chosen=o.chosen,
        why=o.reasons,
        fair="" if o.fair_cents is None else money(o.fair_cents, currency),
        marginal=money(o.marginal_cents, currency) if o.marginal_cents is not None else unknown if o.possible else "",
        ready="" if o.ready_at is None else day(o.ready_at.astimezone(ZoneInfo(site.time_zone)).date()),
        arrives="" if o.arrive_date is None else day(o.arrive_date),
        late=o.late_days or 0,
        co2e="" if o.co2e_kg is None else f"{number(o.co2e_kg, 1)} kg",
        distance="" if o.distance_km is None else measures.distance(o.distance_km),
        machine=o.machine_id or "",
        plate=plate or ("a plate of its own" if o.possible else ""),
        fill=fill,
        bar_share=(o.fair_cents or 0) / dearest if dearest else 0.0,
        cheapest=o.possible and best is not None and o.marginal_cents == best,
    )


def _build_carbon(desk: Desk, actor: Actor, line_id: str) -> int:
    try:
        return build_carbon_cents(desk, actor, line_id)
    except (Conflict, NotFound):
        return 0  # the plan cannot be opened; then there is no fair share beside it either


def _costs(plan: PlanInFull, line_id: str, build_carbon: int) -> tuple[tuple[CostPart, ...], str]:
    result, currency = plan.result.plan, plan.scenario.network.currency
    shares = [s for b in result.builds for s in b.shares if s.line_id == line_id]
    sent = [s for s in result.shipments if s.line_id == line_id]
    parts = [
        ("Build, fair share", sum(s.build_cents for s in shares)),
        ("Plate steps, fair share", sum(s.plate_steps_cents for s in shares)),
        ("Carbon of the build, fair share", build_carbon),
        ("Steps after the plate", sum(lot.cost_cents for lot in result.lots if lot.line_id == line_id)),
        ("Freight", sum(s.freight_cents for s in sent)),
        ("Carbon of freight", sum(s.carbon_cents for s in sent)),
        ("Lateness", sum(s.late_cents for s in sent)),
    ]
    total = sum(cents for _, cents in parts)
    if not total:
        return (), ""
    made = tuple(CostPart(n, money(c, currency, 2), c / total, k) for k, (n, c) in enumerate(parts) if c)
    return made, money(total, currency, 2)


def _map(plan: PlanInFull, line_id: str, options: LineOptions, measures: Measures) -> str:
    scenario = plan.scenario
    if line_id not in scenario.line:
        return ""
    key = numbered(s.site_id for s in scenario.network.sites)
    marks = dict(zip((s.site_id for s in scenario.network.sites), map_sites(scenario, key), strict=True))
    to = scenario.line[line_id].ship_to
    sent = [s for s in plan.result.plan.shipments if s.line_id == line_id]
    legs = [Leg(marks[s.site_id], to.label(), to.latitude_deg, to.longitude_deg, s.mass_kg, 1) for s in sent]
    able = {o.site_id for o in options.sites if o.possible}
    used = {s.site_id for s in sent}
    # Where else it could be built: the way from there, drawn as what is possible only.
    legs += [Leg(marks[s], to.label(), to.latitude_deg, to.longitude_deg, 0.0, 0) for s in sorted(able - used)]
    shown = [m for s, m in marks.items() if s in able | used or not able]
    return legs_map("line-map", shown, legs, measures)
