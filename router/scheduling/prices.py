"""Kernels of money: what a build costs, what finishing and shipping a line's pieces costs, lateness counted."""

from __future__ import annotations

import math

from router.scheduling.calendar import arrival_day, first_moment
from router.scheduling.kernel import kernel
from router.scheduling.shop import NEVER, Shop


@kernel
def build_price(shop: Shop, machine: int, powder: int, layers: int, exposure_h: float, melt_kg: float) -> int:
    """Cents of a build and its carbon, rounded once (the plan's own cents are rounded item by item)."""
    rate = shop.rates[machine, powder]
    cents = rate.start_cents + layers * rate.layer_cents
    cents += exposure_h * rate.exposure_cents_h + melt_kg * rate.melt_cents_kg
    return int(math.floor(cents + 0.5))  # noqa: RUF046 - the kernel's floor is typed as the float's


@kernel
def run_minutes(shop: Shop, machine: int, layers: int, exposure_h: float) -> int:
    """Whole minutes of a run."""
    made = shop.machines[machine]
    seconds = made.setup_s + layers * made.recoat_s + exposure_h * 3600.0 + made.cooldown_s
    return int(math.ceil(seconds / 60.0 - 1e-9))  # noqa: RUF046


@kernel
def shipped_kg(shop: Shop, line: int, pieces: int) -> float:
    """Mass of a consignment, packaging included."""
    common = shop.common[0]
    return float(pieces * shop.lines[line].part_kg * (1.0 + common.mass_fraction) + common.fixed_kg)


@kernel
def cheapest_carrier(shop: Shop, line: int, site: int, pieces: int, ready: int) -> tuple[int, int, int]:
    """Row of the carrier whose shipment of pieces ready at a moment is cheapest, its cents, and the day it arrives.

    Cents are freight, carbon and lateness; NEVER, with row -1, when no carrier takes them.
    """
    wanted = shop.lines[line]
    lane = shop.lanes[wanted.place, site]
    best, best_row, best_day = NEVER, -1, NEVER
    mass = shipped_kg(shop, line, pieces)
    bulk = pieces * wanted.box_cm3 * shop.common[0].void_factor
    for c in range(lane.first, lane.last):
        carrier = shop.carriers[c]
        charged = math.ceil(2.0 * max(mass, bulk / carrier.dim_cm3_kg) - 1e-9) / 2.0
        if charged > carrier.max_kg:
            continue
        cents = carrier.base_cents + carrier.customs_cents + math.floor(carrier.kg_cents * charged + 0.5)
        cents += math.floor(carrier.carbon_cents_kg * mass + 0.5)
        if cents >= best:
            continue
        end = shop.post_spans[carrier.post].last
        row = first_moment(shop.posts, shop.post_spans[carrier.post].first, end, ready)
        if row == end:
            continue
        arrives = arrival_day(shop, wanted.place, shop.posts[row].day, carrier.days)
        if arrives >= NEVER:
            continue
        late = max(0, arrives - wanted.due_day)
        cents += math.floor(wanted.late_rate * late * pieces / wanted.quantity + 0.5)
        if cents < best:
            best, best_row, best_day = cents, c, arrives
    return best_row, best, best_day


@kernel
def shipping(shop: Shop, line: int, site: int, pieces: int, ready: int) -> tuple[int, int]:
    """Cents (freight, carbon, lateness) of the cheapest shipment of pieces ready at a moment, and its days late.

    NEVER when no carrier takes them.
    """
    row, cents, day = cheapest_carrier(shop, line, site, pieces, ready)
    return cents, max(0, day - shop.lines[line].due_day) if row >= 0 else 0
