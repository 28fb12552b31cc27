"""Key figures of a plan."""

from __future__ import annotations

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Kpis
from router.planning.problem import Problem


def key_figures(problem: Problem, plan: Plan) -> Kpis:
    """Work the figures out from the published plan."""
    scenario: Scenario = problem.scenario
    network = scenario.network
    late_days: dict[str, int] = {}
    lead = weight = 0.0
    for shipment in plan.shipments:
        late_days[shipment.line_id] = max(late_days.get(shipment.line_id, 0), shipment.late_days)
        line = scenario.line[shipment.line_id]
        share = shipment.pieces / line.quantity
        release = max(line.release_at, network.now)
        lead += share * (shipment.arrive_date - release.date()).days
        weight += share
    nearest = 0
    for index, line in enumerate(problem.lines):
        sites = {s.site_id for s in plan.shipments if s.line_id == line.line_id}
        if sites and sites == set(problem.sites_by_distance(index)[:1]):
            nearest += 1
    planned = len(late_days)
    late = sum(1 for days in late_days.values() if days > 0)
    usable = net = 0.0
    for build in plan.builds:
        area = network.machine[build.machine_id].plate.inner_area_mm2
        usable += area
        net += build.fill * area
    changeovers = [b.changeover for b in plan.builds if b.changeover]
    totals = plan.totals
    return Kpis(
        landed_cents=totals.landed_cents,
        build_cents=totals.build_cents,
        changeover_cents=totals.changeover_cents,
        after_build_cents=totals.after_build_cents,
        freight_cents=totals.freight_cents,
        carbon_cents=totals.carbon_cents,
        lateness_cents=totals.lateness_cents,
        lines_planned=planned,
        lines_unplanned=len(plan.unplanned),
        late_lines=late,
        late_days=sum(late_days.values()),
        on_time_share=1 - late / planned if planned else 1.0,
        builds=len(plan.builds),
        mean_fill=net / usable if usable else 0.0,
        machine_h=sum((b.run_end - b.run_start).total_seconds() for b in plan.builds) / 3600,
        changeover_h=sum((c.end - c.start).total_seconds() for c in changeovers) / 3600,
        shipment_km=sum(s.distance_km for s in plan.shipments),
        tonne_km=sum(s.distance_km * s.mass_kg / 1000 for s in plan.shipments),
        co2e_kg=sum(b.co2e_kg for b in plan.builds) + sum(s.co2e_kg for s in plan.shipments),
        nearest_site_share=nearest / planned if planned else 0.0,
        mean_lead_days=lead / weight if weight else 0.0,
        last_unload=max((b.unload_end for b in plan.builds), default=None),
    )
