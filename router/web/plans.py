"""Plans: the list, one plan, two plans side by side, and what is decided about them."""

from __future__ import annotations

from dataclasses import asdict
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.kernel.faults import NotFound
from router.report.kpi_table import kpi_groups, occupancy_groups
from router.report.risk import at_risk
from router.report.trace_chart import trace_chart
from router.report.wording import clock, clock_time, count, money, number, percent
from router.service import plans as use
from router.service.compare import compare_plans
from router.service.plans import PlanInFull, full_plan
from router.service.records import PlanHead, PlanStanding
from router.service.rights import Operation, decide
from router.service.seen_totals import NOT_TOLD, WHY_NOT_TOLD, seen_totals
from router.service.trail import book_changes
from router.service.visible import hidden_lines
from router.web.forms import Posted
from router.web.reading import NumberAsked, NumberInPath, Reader, SignedIn
from router.web.rendering import done, page
from router.web.runs import disturbance_rows

routes = APIRouter()
_LABELS = {
    "landed_cents": "Landed cost",
    "build_cents": "Cost of builds",
    "changeover_cents": "Cost of changeovers",
    "after_build_cents": "Steps after the build",
    "freight_cents": "Freight",
    "carbon_cents": "Carbon price",
    "lateness_cents": "Lateness",
    "lines_planned": "Lines planned",
    "lines_unplanned": "Lines not planned",
    "late_lines": "Late lines",
    "late_days": "Late days, all lines",
    "on_time_share": "Lines on time",
    "mean_lead_days": "Release to arrival, mean days",
    "builds": "Builds",
    "mean_fill": "Mean plate fill",
    "machine_h": "Machine hours",
    "changeover_h": "Changeover hours",
    "shipment_km": "Kilometres of shipments",
    "tonne_km": "Tonne-kilometres",
    "co2e_kg": "CO2e, kg",
    "nearest_site_share": "Lines built at the nearest able site",
}
STANDING_MARK = {"proposed": "idle", "live": "good", "superseded": "same", "set aside": "gone"}


@routes.get("/plans")
def plans(reader: SignedIn, before: NumberAsked | None = None) -> Response:
    """All plans, newest first, with their key figures."""
    heads = use.list_plans(reader.desk, reader.actor, 40, before)
    rows = [(h, _figures(h)) for h in heads]
    live = next((h for h in heads if h.standing is PlanStanding.LIVE), None)
    following = f"/plans?before={heads[-1].plan_id}" if len(heads) == 40 else ""
    return page(
        reader, "plans.html.j2", title="Plans", here="/plans", rows=rows, live=live, marks=STANDING_MARK,
        pages={"said": "", "first": "/plans" if before else "", "next": following},
        may_run=decide(reader.actor, Operation.ASK_RUN).allowed,
    )  # fmt: skip


def _figures(head: PlanHead) -> dict[str, str]:
    kpis = head.kpis
    told = {"fill": percent(kpis["mean_fill"], 0), "builds": number(kpis["builds"])}
    if head.partial:
        return {**told, "landed": NOT_TOLD, "late": NOT_TOLD, "gap": NOT_TOLD}
    return {
        **told,
        "landed": money(kpis["landed_cents"], head.currency),
        "late": number(kpis["late_lines"]),
        "gap": "none" if head.gap is None else percent(head.gap),
    }


@routes.get("/plans/{plan_id}")
def plan(reader: SignedIn, plan_id: NumberInPath) -> Response:
    """One plan: figures beside today's habit, what the auditor said, lines at risk and lines left out."""
    full = full_plan(reader.desk, reader.actor, plan_id)
    hidden = hidden_lines(reader.desk, reader.actor)
    result = full.result
    risks = [r for r in at_risk(full.scenario, result) if r.line.line_id not in hidden]
    unplanned = [u for u in result.plan.unplanned if u.line_id not in hidden]
    trace, partial = "", full.head.partial
    if result.trace and not partial:
        habit_cents = result.habit_kpis.landed_cents
        trace = trace_chart("trace", result.trace, result.seconds, result.bound_cents, habit_cents, full.head.currency)
    parent = full.head.parent
    may_accept = decide(reader.actor, Operation.ACCEPT_PLAN).allowed
    return page(
        reader, "plan.html.j2", title=f"Plan {plan_id}", here="/plans", head=full.head, full=full,
        kpis=(occupancy_groups if partial else kpi_groups)(result.kpis, result.habit_kpis, full.head.currency),
        seen=_seen(full, hidden) if partial else (), risks=risks, unplanned=unplanned,
        facts=_facts(full, reader), trace=trace, marks=STANDING_MARK, parent=parent,
        stale=use.staleness(reader.desk, full.head),
        since=book_changes(reader.desk, reader.actor, full.head.book_revision) if may_accept else (),
        may_accept=may_accept,
    )  # fmt: skip


def _seen(full: PlanInFull, hidden: frozenset[str]) -> list[tuple[str, str]]:
    """What the lines come to that the reader sees."""
    totals = seen_totals(full.result.plan, hidden)
    return [
        ("Lines planned", number(totals.lines_planned)),
        ("Lines not planned", number(totals.lines_unplanned)),
        ("Late lines", number(totals.late_lines)),
        ("Late days, all of them", number(totals.late_days)),
        ("Landed cost, fair shares", money(totals.landed_cents, full.head.currency)),
    ]


def _facts(full: PlanInFull, reader: Reader) -> list[tuple[str, str]]:
    result = full.result
    bound = "none" if result.bound_cents is None else money(result.bound_cents, full.head.currency, 2)
    gap = "none" if result.gap is None else percent(result.gap, 2)
    if full.head.partial:
        bound = gap = f"{NOT_TOLD}; {WHY_NOT_TOLD}"
    return [
        ("Made", f"{reader.clock.told(full.head.made_at)} by {full.head.made_by}, {full.head.how}"),
        ("Stopped because", result.stop_reason),
        ("Seed, rounds, workers", f"{result.seed}, {number(result.work)}, {result.workers}"),
        ("Time taken", clock_time(result.seconds)),
        ("Proven bound", bound),
        ("Gap to the bound", gap),
        ("Auditor", f"{number(full.checks)} checks, {number(len(full.findings))} findings"),
        ("Scenario, SHA-256", full.scenario.fingerprint[:16]),
    ]


@routes.post("/plans/{plan_id}/{decision}")
def decide_plan(request: Request, reader: SignedIn, form: Posted, plan_id: NumberInPath, decision: str) -> Response:
    """Accept a plan or set it aside."""
    if decision not in ("accept", "set-aside"):
        raise NotFound(f"nothing called {decision[:40]!r} can be decided of a plan")
    seen = form.whole("version")
    if decision == "accept":
        head = use.accept(reader.desk, reader.actor, plan_id, seen)
        return done(request, "/", f"Plan {plan_id} is live.{_unknown_to(reader, head)}")
    use.set_aside(reader.desk, reader.actor, plan_id, seen)
    return done(request, "/plans", f"Plan {plan_id} is set aside.")


_NAMED = 3
"""So many changes are named in a sentence."""


def _unknown_to(reader: Reader, head: PlanHead) -> str:
    """A sentence on what has changed since the plan was made; empty where nothing has."""
    changes = use.staleness(reader.desk, head)
    if not changes:
        return ""
    told = [f"{x.operation} {x.subject[:40]}" for x in book_changes(reader.desk, reader.actor, head.book_revision)]
    named = f" ({', '.join(told[:_NAMED])}{', ...' if changes > len(told[:_NAMED]) else ''})" if told else ""
    return f" It does not know {count(changes, 'change')} of the book made since{named}: plan again where that matters."


@routes.get("/compare")
def compare(reader: SignedIn, before: NumberAsked, after: NumberAsked) -> Response:
    """Two plans: key figures with today's habit beside them, and every difference."""
    found = compare_plans(reader.desk, reader.actor, before, after)
    network = full_plan(reader.desk, reader.actor, after).scenario.network
    zones = {m.machine_id: ZoneInfo(network.site[m.site_id].time_zone) for m in network.machines}
    rows = []
    for name in use.kpi_names():
        if name not in _LABELS:  # the last unloading is a moment
            continue
        one, other, habit = (k[name] for k in (found.kpis_before, found.kpis_after, found.habit_kpis))
        told = (_value(name, v, found.after.currency) for v in (one, other, habit))
        rows.append((_LABELS[name], *told, one != other))
    return page(
        reader, "compare.html.j2", title=f"Plans {before} and {after}", here="/plans", found=found, rows=rows,
        marks=STANDING_MARK, money=lambda cents: money(cents, found.after.currency), why_not_told=WHY_NOT_TOLD,
        sites={s.site_id: s.name for s in network.sites},
        # A machine that is no longer in the network has no clock of its own.
        told_at=lambda at, machine_id: clock(at, zones.get(machine_id, ZoneInfo("UTC"))),
        disturbed=disturbance_rows(asdict(found.disturbed)),
        may_accept=decide(reader.actor, Operation.ACCEPT_PLAN).allowed,
    )  # fmt: skip


def _value(name: str, value: float | int | None, currency: str) -> str:
    if value is None:
        return NOT_TOLD
    if name.endswith("_cents"):
        return money(int(value), currency)
    if name.endswith("_share") or name == "mean_fill":
        return percent(value)
    return number(value, 0 if isinstance(value, int) else 1)
