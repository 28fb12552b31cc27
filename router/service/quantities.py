"""What a line would cost in other quantities, asked of the live plan; remembered, for it takes a question each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from router.kernel.money import round_cents
from router.service.book import get_line
from router.service.desk import Desk
from router.service.models import content_in
from router.service.options import where_in_quantities
from router.service.plans import live_in_full
from router.service.records import Actor

LADDER = (1, 2, 3, 5, 8, 12, 20, 35, 60, 100, 200)
"""Steps of about 1.6, over what low-volume orders span (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class QuantityCost:
    """One quantity at its cheapest able site, the planned quantity where it is planned; without a site nobody can."""

    quantity: int
    site_id: str | None
    landed_cents: int | None
    """Landed cost on the line's fair share of its plates."""
    piece_cents: int | None
    """The same over the quantity."""
    arrive_date: date | None
    late_days: int | None


def cost_by_quantity(desk: Desk, actor: Actor, line_id: str) -> tuple[QuantityCost, ...]:
    """The line in the quantities of ``LADDER`` and its own, each placed against the live plan with the line taken out.

    In the quantity that is planned it is where the plan builds it, as ``where_to_build`` says.

    Raises NotFound without a live plan, FaultyInput and Conflict as ``where_to_build`` does.
    """
    get_line(desk, actor, line_id)  # said first where it is not there for them
    full = live_in_full(desk)
    with desk.store.look() as work:
        latest, line = work.networks.head(), work.lines.get(line_id)
        assert line is not None  # it was there a moment ago, and lines are never taken away
        content = content_in(work, line.line_id, line.model)
    edition = latest.version if latest else 0
    planned = full.scenario.line.get(line_id)
    wanted = sorted({*LADDER, line.quantity} | ({planned.quantity} if planned else set()))

    def make() -> tuple[QuantityCost, ...]:
        # One question at a time: others who ask the live plan need not wait for all of them.
        return tuple(_cost(desk, actor, line_id, quantity) for quantity in wanted)

    cells = tuple(sorted(line.cells.items()))
    key = ("quantities", full.head.plan_id, edition, content, cells)
    found: tuple[QuantityCost, ...] = desk.parts.get(key, make)
    get_line(desk, actor, line_id)  # what was read and remembered is of a line they may see still
    return found


def _cost(desk: Desk, actor: Actor, line_id: str, quantity: int) -> QuantityCost:
    table = where_in_quantities(desk, actor, line_id, [quantity])[0]
    able = [s for s in table.sites if s.possible and s.fair_cents is not None]
    if not able:
        return QuantityCost(quantity, None, None, None, None, None)
    best = [s for s in able if s.chosen] or [min(able, key=lambda s: s.fair_cents or 0)]
    cents = sum(s.fair_cents or 0 for s in best)
    last = max(best, key=lambda s: s.arrive_date or date.min)
    return QuantityCost(
        quantity, best[0].site_id, cents, round_cents(cents / quantity), last.arrive_date, last.late_days
    )
