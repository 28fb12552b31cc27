"""What a line would cost in other quantities, asked of the live plan; remembered, for it takes a question each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from router.service.book import get_line
from router.service.desk import Desk
from router.service.options import where_would_it_go
from router.service.plans import live_in_full
from router.service.records import Actor

LADDER = (1, 2, 3, 5, 8, 12, 20, 35, 60, 100, 200)
"""Steps of about 1.6, over what low-volume orders span (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class QuantityCost:
    """One quantity at its cheapest able site; without a site nobody can build so many."""

    quantity: int
    site_id: str | None
    landed_cents: int | None
    """Landed cost on the line's fair share of its plates."""
    piece_cents: int | None
    """The same over the quantity."""
    arrive_date: date | None
    late_days: int | None


def cost_by_quantity(desk: Desk, actor: Actor, line_id: str) -> tuple[QuantityCost, ...]:
    """The line in the quantities of ``LADDER`` and its own, each placed against the live plan as it stands.

    Raises NotFound without a live plan, FaultyInput and Conflict as ``where_would_it_go`` does.
    """
    line = get_line(desk, actor, line_id)
    plan_id = live_in_full(desk).head.plan_id
    with desk.store.look() as work:
        record, model = work.networks.latest(), work.models.by_name(line.model)
    edition, content = record.version if record else 0, model.sha256 if model else ""
    cells = {k: v for k, v in line.cells.items() if k != "line"}

    def make() -> tuple[QuantityCost, ...]:
        # One question at a time: others who ask the live plan need not wait for all of them.
        return tuple(_cost(desk, actor, cells, quantity) for quantity in sorted({*LADDER, line.quantity}))

    key = ("quantities", plan_id, edition, content, tuple(sorted(cells.items())))
    found: tuple[QuantityCost, ...] = desk.parts.get(key, make)
    return found


def _cost(desk: Desk, actor: Actor, cells: dict[str, str], quantity: int) -> QuantityCost:
    table = where_would_it_go(desk, actor, cells, [quantity])[0]
    able = [(s.fair_cents, s) for s in table.sites if s.possible and s.fair_cents is not None]
    if not able:
        return QuantityCost(quantity, None, None, None, None, None)
    cents, best = min(able, key=lambda a: a[0])
    return QuantityCost(quantity, best.site_id, cents, round(cents / quantity), best.arrive_date, best.late_days)
