"""Order streams drawn from a book's own history: whole orders, at random moments, the same for every scenario.

An order is drawn with all its lines, its quantities and its lead times. Candidates arrive as a Poisson stream of
several times the historic rate; each carries a mark, and stands in a scenario's stream when the mark is small enough
for that scenario's demand. So a scenario with more demand sees all orders of one with less, and some besides: these
are the common random numbers that paired differences live on (thinning: Lewis & Shedler 1979, *Naval Research
Logistics Quarterly* 26(3), from memory).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.kernel.faults import NotFound

MOST_DEMAND = 4.0
"""No part of the demand may grow to more than so many times its history."""
_LEAST_HISTORY_DAYS = 5
_POISSON_PART = 500.0

DemandFactor = Callable[[OrderLine, float, int], float]
"""How much of the historic demand for such a line there is so many years after the start, in a month (1 to 12)."""


@dataclass(frozen=True, slots=True)
class History:
    """Orders of a book, each with its lines, and the calendar days over which they came."""

    orders: tuple[tuple[OrderLine, ...], ...]
    days: float

    @property
    def orders_a_day(self) -> float:
        """Orders a calendar day."""
        return len(self.orders) / self.days


def history_of(scenario: Scenario) -> History:
    """The orders of a scenario's book. Raises NotFound for a book without lines."""
    by_order: dict[str, list[OrderLine]] = {}
    for line in scenario.lines:
        by_order.setdefault(line.order_id, []).append(line)
    if not by_order:
        raise NotFound("the order book is empty: a stream of orders needs some weeks of history to draw from")
    received = [line.received_at for line in scenario.lines]
    span = (max(received) - min(received)).total_seconds() / 86_400
    return History(tuple(tuple(lines) for lines in by_order.values()), max(span, float(_LEAST_HISTORY_DAYS)))


def draw_stream(
    history: History,
    start: datetime,
    days: int,
    seed: int,
    demand: DemandFactor | None = None,
) -> tuple[OrderLine, ...]:
    """Lines received in ``days`` calendar days from ``start``, by the moment they come in.

    Orders come on working days (Monday to Friday) at the time of day of the order drawn; review, release and due date
    keep their distance from receipt. The same seed gives the same candidates whatever ``demand`` says. An order stands
    or falls by the mean factor of its lines. Raises ValueError for a factor below 0 or above MOST_DEMAND.
    """
    rng = random.Random(seed)
    # As many orders a week as ever, on five days of seven.
    rate = history.orders_a_day * MOST_DEMAND * 7 / 5
    lines: list[OrderLine] = []
    number = 0
    for day in range(days):
        date = start + timedelta(days=day)
        if date.weekday() >= 5:
            continue
        for _ in range(_poisson(rng, rate)):
            number += 1
            order = history.orders[rng.randrange(len(history.orders))]
            mark = rng.random()
            factor = 1.0 if demand is None else _factor(order, demand, day / 365.25, date.month)
            if mark * MOST_DEMAND < factor:
                lines += _again(order, date, number)
    lines.sort(key=lambda x: (x.received_at, x.line_id))
    return tuple(lines)


def _factor(order: Sequence[OrderLine], demand: DemandFactor, years: float, month: int) -> float:
    factor = sum(demand(line, years, month) for line in order) / len(order)
    if not 0.0 <= factor <= MOST_DEMAND:
        raise ValueError(f"demand must stay between 0 and {MOST_DEMAND:g} times its history, found {factor:g}")
    return factor


def _again(order: Sequence[OrderLine], date: datetime, number: int) -> list[OrderLine]:
    """The order once more, received on another day."""
    first = min(line.received_at for line in order)
    local = first.astimezone(date.tzinfo)
    received = date.replace(hour=local.hour, minute=local.minute, second=0, microsecond=0)
    made = []
    for place, line in enumerate(order, start=1):
        late = line.received_at - first
        made.append(
            replace(
                line,
                line_id=f"S{number}-{place}",
                order_id=f"S{number}",
                received_at=received + late,
                release_at=received + late + (line.release_at - line.received_at),
                due_date=received.date() + (line.due_date - local.date()),
            )
        )
    return made


def _poisson(rng: random.Random, mean: float) -> int:
    """Knuth's product of uniforms, a large mean in parts: exp(-mean) must not vanish."""
    count = 0
    while mean > 0:
        part = min(mean, _POISSON_PART)
        mean -= part
        limit, product = math.exp(-part), rng.random()
        while product > limit:
            product *= rng.random()
            count += 1
    return count
