"""Totals of plans for somebody who is not cleared for every line of the book.

Whoever knows a total and every part of it but one knows that part. So what counts hidden lines' money, promises and
transport together is not told; in its place stands what the lines that are seen come to. What machines are busy with
is told: every build stands on the schedule.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

from router.domain.plan import Plan

NOT_TOLD = "not told"
WHY_NOT_TOLD = "it counts lines under export control you are not cleared for"
OCCUPANCY = frozenset({"builds", "mean_fill", "machine_h", "changeover_h", "last_unload"})
"""Key figures of plates and machines, which are told to everybody."""


def kpis_told(kpis: Mapping[str, Any], hidden: Collection[str]) -> Mapping[str, Any]:
    """Key figures as somebody may read them to whom some lines are hidden; None for what is not told."""
    if not hidden:
        return kpis
    return {name: value if name in OCCUPANCY else None for name, value in kpis.items()}


@dataclass(frozen=True, slots=True)
class SeenTotals:
    """What the lines that somebody sees come to in a plan."""

    lines_planned: int
    lines_unplanned: int
    late_lines: int
    late_days: int
    """Sum over lines of the days of their latest shipment."""
    landed_cents: int
    """Fair shares of builds and plate steps, steps after them, freight, its carbon, lateness: as on their pages."""


def seen_totals(plan: Plan, hidden: Collection[str]) -> SeenTotals:
    """Totals of the lines that are not hidden."""
    seen = seen_part(plan, hidden)
    late = [days for _, days in seen.last_arrivals().values()]
    shares = sum(s.build_cents + s.plate_steps_cents for b in seen.builds for s in b.shares)
    lots = sum(lot.cost_cents for lot in plan.lots if lot.line_id not in hidden)
    sent = sum(s.freight_cents + s.carbon_cents + s.late_cents for s in seen.shipments)
    return SeenTotals(
        lines_planned=len(late),
        lines_unplanned=sum(u.line_id not in hidden for u in plan.unplanned),
        late_lines=sum(days > 0 for days in late),
        late_days=sum(late),
        landed_cents=shares + lots + sent,
    )


def seen_part(plan: Plan, hidden: Collection[str]) -> Plan:
    """The plan with all its builds, and of lines only those that are not hidden."""
    if not hidden:
        return plan
    builds = (replace(b, shares=tuple(s for s in b.shares if s.line_id not in hidden)) for b in plan.builds)
    return replace(plan, builds=tuple(builds), shipments=tuple(s for s in plan.shipments if s.line_id not in hidden))


def hidden_money(plan: Plan, hidden: Collection[str]) -> tuple[object, ...]:
    """All that hidden lines cost in a plan: where two plans have the same, their difference tells nothing of it."""
    shares = [(s.line_id, s.build_cents, s.plate_steps_cents) for b in plan.builds for s in b.shares]
    lots = [(x.line_id, x.cost_cents) for x in plan.lots]
    sent = [(x.line_id, x.freight_cents, x.carbon_cents, x.late_cents) for x in plan.shipments]
    return tuple(sorted((x for x in (*shares, *lots, *sent) if x[0] in hidden), key=repr))
