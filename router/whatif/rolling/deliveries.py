"""How a line of a draft reaches its customer: day, carrier, mass; the choice that its prices in cents rest on."""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb

from router.scheduling.book import Book, lots_there, new_site
from router.scheduling.prices import cheapest_carrier, shipped_kg
from router.scheduling.shop import Shop


@dataclass(frozen=True, slots=True)
class Leg:
    """One shipment."""

    site: int
    pieces: int
    mass_kg: float
    carrier: int
    """Which of the carriers that serve the lane, in their order in the network."""
    transit_days: int
    """Working days, customs included."""
    day: int
    """Arrival, as an ordinal day."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """One line: the day its last piece arrives, days late, what comes after its plates in cents, its shipments."""

    day: int
    late_days: int
    cents: int
    """Steps after the plate, freight, carbon and lateness."""
    legs: tuple[Leg, ...]


def delivered(shop: Shop, book: Book, line: int) -> Delivered | None:
    """The delivery of a line as its lots stand; None when it stands on no plate or no carrier takes it."""
    held, wanted = book.standing[line], shop.lines[line]
    legs = []
    first = int(held["first"])
    for a in range(first, first + int(held["lots"])):
        site = new_site(shop, book, line, a)
        if site < 0:
            continue
        pieces, ready, _ = lots_there(shop, book, line, site)
        leg = _ship(shop, line, site, pieces, ready)
        if leg is None:
            return None
        legs.append(leg)
    if not legs:
        return None
    day = max(leg.day for leg in legs)
    return Delivered(day, max(0, day - int(wanted["due_day"])), int(held["cents"]), tuple(legs))


@nb.njit(cache=True)
def arrival(shop: Shop, book: Book, line: int) -> int:
    """The day (ordinal) a line's last piece arrives as its lots stand; 0 when it stands on no plate or no carrier
    takes it."""
    held = book.standing[line]
    latest = 0
    for a in range(held.first, held.first + held.lots):
        site = new_site(shop, book, line, a)
        if site < 0:
            continue
        pieces, ready, _ = lots_there(shop, book, line, site)
        row, _, day = cheapest_carrier(shop, line, site, pieces, ready)
        if row < 0:
            return 0
        latest = max(latest, day)
    return latest


def _ship(shop: Shop, line: int, site: int, pieces: int, ready: int) -> Leg | None:
    """The cheapest shipment, lateness counted."""
    row, _, day = cheapest_carrier(shop, line, site, pieces, ready)
    if row < 0:
        return None
    which = row - int(shop.lanes[int(shop.lines[line]["place"]), site]["first"])
    return Leg(site, pieces, shipped_kg(shop, line, pieces), which, int(shop.carriers[row]["days"]), day)
