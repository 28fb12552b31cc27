"""Where the live plan has a line built and when it arrives, for lists of lines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from router.service.desk import Desk
from router.service.plans import PlanInFull, live_in_full, live_plan
from router.service.records import Actor
from router.service.rights import sites_seen


@dataclass(frozen=True, slots=True)
class Placed:
    """A line in the live plan. ``site_ids`` as far as the actor sees them; ``elsewhere``: at others too."""

    site_ids: tuple[str, ...]
    elsewhere: bool
    arrives_on: date | None
    """Day of the last shipment; None for a line that is not shipped."""
    late_days: int


def placed_lines(desk: Desk, actor: Actor, line_ids: Iterable[str]) -> Mapping[str, Placed]:
    """Those of the lines that the live plan builds; none without a live plan. The lines are ones the actor sees."""
    if live_plan(desk, actor) is None:
        return {}
    plan = live_in_full(desk)
    known: Mapping[str, Placed] = desk.memory.get(("placed", plan.head.plan_id), lambda: _placed(plan))
    seen = sites_seen(actor)
    found = {line_id: known[line_id] for line_id in line_ids if line_id in known}
    return found if seen is None else {line_id: _at(seen, placed) for line_id, placed in found.items()}


def _placed(plan: PlanInFull) -> dict[str, Placed]:
    network = plan.scenario.network
    sites: dict[str, set[str]] = {}
    for build in plan.result.plan.builds:
        for line_id in build.pieces_by_line():
            sites.setdefault(line_id, set()).add(network.machine[build.machine_id].site_id)
    arrivals = plan.result.plan.last_arrivals()
    found = {}
    for line_id, at in sites.items():
        arrives_on, late_days = arrivals.get(line_id, (None, 0))
        found[line_id] = Placed(tuple(sorted(at)), False, arrives_on, late_days)
    return found


def _at(seen: frozenset[str], placed: Placed) -> Placed:
    own = tuple(s for s in placed.site_ids if s in seen)
    return replace(placed, site_ids=own, elsewhere=len(own) < len(placed.site_ids))
