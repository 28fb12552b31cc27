"""The first page: what is at risk, how the network stands, and what to do when there is nothing yet."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import timedelta

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.domain.result import Kpis
from router.report.risk import AtRisk, at_risk
from router.report.wording import count, money, number, percent, signed
from router.service.book import list_lines
from router.service.compare import Comparison, compare_plans
from router.service.demo import demo_folder
from router.service.desk import Desk
from router.service.imports import preview_folder, store_import
from router.service.jobs import list_jobs
from router.service.plans import PlanInFull, full_plan, list_plans, live_before, live_plan, staleness
from router.service.records import Actor, JobRecord, PlanHead, PlanStanding
from router.service.rights import Operation, decide
from router.service.seen_totals import NOT_TOLD, WHY_NOT_TOLD, seen_totals
from router.service.visible import hidden_lines
from router.web.clearance import not_shown_words
from router.web.figures import Figure
from router.web.forms import Posted
from router.web.orders import not_shown
from router.web.own_clock import OwnClock
from router.web.reading import SignedIn
from router.web.rendering import done, page
from router.web.runs import job_word

routes = APIRouter()
_WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Load:
    """One site or alloy: builds, hours of the next seven days that its machines are busy, mean fill."""

    name: str
    builds: int
    busy_share: float | None
    fill: float
    late_lines: int


@dataclass(frozen=True, slots=True)
class Today:
    """Everything the page shows of a live plan."""

    head: PlanHead
    invented: bool
    as_of: str
    figures: tuple[Figure, ...]
    risks: tuple[AtRisk, ...]
    more_risks: int
    sites: tuple[Load, ...]
    alloys: tuple[Load, ...]
    stale: int
    past: bool
    """A real network whose plans stand at a moment that is not the clock's, because the service was told so."""
    changed: Comparison | None


@routes.get("/")
def today(reader: SignedIn) -> Response:
    """The network at a glance."""
    head = live_plan(reader.desk, reader.actor)
    book = list_lines(reader.desk, reader.actor, limit=1)
    waiting = [p for p in list_plans(reader.desk, reader.actor, 20) if p.standing is PlanStanding.PROPOSED]
    running = _running(reader.desk, reader.actor)
    may_import = decide(reader.actor, Operation.IMPORT).allowed
    may_run = decide(reader.actor, Operation.ASK_RUN).allowed
    view = _view(reader.desk, reader.actor, reader.clock, head) if head else None
    return page(
        reader, "today.html.j2", title="Today", here="/", view=view, lines=book.total, waiting=waiting[:3],
        not_shown=not_shown_words(reader) if book.partial else "",
        running=running, word=job_word, may_import=may_import, may_run=may_run,
    )  # fmt: skip


@routes.post("/demo")
def load_demo(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Fill an empty book with the demonstration (invented data)."""
    if list_lines(reader.desk, reader.actor, limit=1).total:
        return done(request, "/", "The book is not empty; the demonstration was not loaded.")
    preview = preview_folder(reader.desk, reader.actor, demo_folder())
    stored = store_import(reader.desk, reader.actor, preview.import_id)
    return done(
        request, "/", f"Demonstration loaded: {stored.lines_added} lines.{not_shown(stored)} Start a run to plan them."
    )


def _running(desk: Desk, actor: Actor) -> list[JobRecord]:
    return [j for j in list_jobs(desk, actor, 20) if not j.standing.ended]


def _view(desk: Desk, actor: Actor, clock: OwnClock, head: PlanHead) -> Today:
    plan = full_plan(desk, actor, head.plan_id)
    hidden = hidden_lines(desk, actor)
    risks = [r for r in at_risk(plan.scenario, plan.result) if r.line.line_id not in hidden]
    before = live_before(desk, actor, head.plan_id)
    changed = compare_plans(desk, actor, before, head.plan_id) if before is not None else None
    network = plan.scenario.network
    sites, alloys = _loads(plan, hidden)
    return Today(
        head=head,
        invented=network.invented,
        as_of=clock.told(network.now),
        figures=_seen_figures(plan, hidden) if head.partial else _figures(plan),
        risks=tuple(risks[:12]),
        more_risks=max(0, len(risks) - 12),
        sites=sites,
        alloys=alloys,
        stale=staleness(desk, head),
        past=not network.invented and not desk.by_the_clock(network),
        changed=changed,
    )


def _figures(plan: PlanInFull) -> tuple[Figure, ...]:
    result, network = plan.result, plan.scenario.network
    kpis, habit, currency = result.kpis, result.habit_kpis, network.currency
    saved = (kpis.landed_cents - habit.landed_cents) / habit.landed_cents if habit.landed_cents else 0.0
    landed = Figure(
        "Landed cost of the plan",
        money(kpis.landed_cents, currency),
        f"{signed(100 * saved, 1)}\u00a0% beside today's habit",
        "build + changeovers + steps after the build + freight + carbon price + lateness penalty",
        (
            ("Builds", money(kpis.build_cents, currency)),
            ("Changeovers", money(kpis.changeover_cents, currency)),
            ("After the build", money(kpis.after_build_cents, currency)),
            ("Freight", money(kpis.freight_cents, currency)),
            ("Carbon", money(kpis.carbon_cents, currency)),
            ("Lateness", money(kpis.lateness_cents, currency)),
        ),
    )
    gap = Figure(
        "Above the proven bound",
        "no bound" if result.gap is None else percent(result.gap),
        "no plan can cost less than the bound",
        "(landed cost - bound) / landed cost",
        (("Bound", "none" if result.bound_cents is None else money(result.bound_cents, currency)),),
    )
    late = Figure(
        "Late lines",
        number(kpis.late_lines),
        f"habit: {number(habit.late_lines)}",
        "lines whose last shipment arrives after the due date",
        (("Late days, all lines", number(kpis.late_days)), ("Lines planned", number(kpis.lines_planned))),
        "bad" if kpis.late_lines else "good",
    )
    carbon = Figure(
        "CO2e",
        f"{number(kpis.co2e_kg)} kg",
        f"{percent(kpis.nearest_site_share)} at the nearest able site",
        "energy of builds x grid intensity of the site + tonne-km x factor of the carrier",
        (("Tonne-km", number(kpis.tonne_km)), ("Kilometres of shipments", number(kpis.shipment_km))),
    )
    return landed, late, _fill(kpis), gap, carbon


def _fill(kpis: Kpis) -> Figure:
    return Figure(
        "Mean fill of plates",
        percent(kpis.mean_fill),
        f"{count(kpis.builds, 'build')}",
        "net footprint area of all pieces / plate area inside the edge margin, all builds together",
        (("Machine hours", number(kpis.machine_h)), ("Changeover hours", number(kpis.changeover_h))),
    )


def _seen_figures(plan: PlanInFull, hidden: frozenset[str]) -> tuple[Figure, ...]:
    """The same for somebody to whom lines are hidden: of lines those that are seen, of plates all."""
    kpis, currency = plan.result.kpis, plan.scenario.network.currency
    seen = seen_totals(plan.result.plan, hidden)
    landed = Figure(
        "Landed cost of the lines you see",
        money(seen.landed_cents, currency),
        f"of the whole plan it is {NOT_TOLD}: {WHY_NOT_TOLD}",
        "fair shares of builds and plate steps + steps after the plate + freight + its carbon price + lateness penalty",
    )
    late = Figure(
        "Late lines of those you see",
        number(seen.late_lines),
        f"of {count(seen.lines_planned, 'line')} you see",
        "lines whose last shipment arrives after the due date",
        (("Late days, all of them", number(seen.late_days)),),
        "bad" if seen.late_lines else "good",
    )
    return landed, late, _fill(kpis)


def _loads(plan: PlanInFull, hidden: frozenset[str]) -> tuple[tuple[Load, ...], tuple[Load, ...]]:
    network, result = plan.scenario.network, plan.result.plan
    late = {s.line_id for s in result.shipments if s.late_days} - hidden
    start, end = network.now, network.now + _WEEK
    builds: Counter[str] = Counter()
    busy: Counter[str] = Counter()
    fills: dict[str, list[float]] = defaultdict(list)
    late_at: dict[str, set[str]] = defaultdict(set)
    for build in result.builds:
        site_id = network.machine[build.machine_id].site_id
        alloy_id = network.parameter_set[build.parameter_set_id].alloy_id
        begin = build.changeover.start if build.changeover else build.load_start
        hours = max(0.0, (min(build.unload_end, end) - max(begin, start)) / timedelta(hours=1))
        for name in (f"site {site_id}", f"alloy {alloy_id}"):
            builds[name] += 1
            busy[name] += hours  # type: ignore[assignment]
            fills[name].append(build.fill)
            late_at[name] |= late & {s.line_id for s in build.shares}
    sites = []
    for site in network.sites:
        machines = sum(m.site_id == site.site_id for m in network.machines)
        key = f"site {site.site_id}"
        share = float(busy[key]) / (machines * 168) if machines else None
        sites.append(Load(site.name, builds[key], share, _mean(fills[key]), len(late_at[key])))
    alloys = []
    for alloy in network.alloys:
        key = f"alloy {alloy.alloy_id}"
        if builds[key]:
            alloys.append(Load(alloy.name, builds[key], None, _mean(fills[key]), len(late_at[key])))
    return tuple(sites), tuple(alloys)


def _mean(values: list[float]) -> float:
    return sum(values) / len(values) if values else 0.0
