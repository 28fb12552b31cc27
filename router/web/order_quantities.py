"""What the curve of cost by quantity of one order line shows."""

from __future__ import annotations

from dataclasses import dataclass

from router.report.quantity_chart import quantity_chart
from router.report.wording import day, money
from router.service.book import get_line
from router.service.desk import Desk
from router.service.plans import live_in_full
from router.service.quantities import cost_by_quantity
from router.service.records import Actor


@dataclass(frozen=True, slots=True)
class QuantityRow:
    """One quantity in words; without a site nobody can build so many."""

    quantity: int
    own: bool
    site: str
    landed: str
    each: str
    arrives: str
    late_days: int


@dataclass(frozen=True, slots=True)
class QuantityView:
    """The curve and its figures."""

    line_id: str
    chart: str
    rows: tuple[QuantityRow, ...]


def quantity_view(desk: Desk, actor: Actor, line_id: str) -> QuantityView:
    """Asked of the live plan. Raises what ``cost_by_quantity`` does."""
    line = get_line(desk, actor, line_id)
    network = live_in_full(desk).scenario.network
    found = cost_by_quantity(desk, actor, line_id)
    points = [(q.quantity, q.landed_cents / q.quantity / 100) for q in found if q.landed_cents is not None]
    rows = tuple(
        QuantityRow(
            q.quantity,
            q.quantity == line.quantity,
            network.site[q.site_id].name if q.site_id else "",
            "" if q.landed_cents is None else money(q.landed_cents, network.currency),
            "" if q.piece_cents is None else money(q.piece_cents, network.currency, 2),
            "" if q.arrive_date is None else day(q.arrive_date),
            q.late_days or 0,
        )
        for q in found
    )
    chart = quantity_chart("quantities", points, line.quantity, network.currency) if len(points) > 1 else ""
    return QuantityView(line_id, chart, rows)
