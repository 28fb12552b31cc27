"""How a line of a draft reaches its customer: day, carrier, mass; the choice that its prices in cents rest on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from router.scheduling.book import Book
from router.scheduling.calendar import arrival_day, first_moment, through
from router.scheduling.shop import NEVER, Shop


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
    by_site: dict[int, tuple[int, int]] = {}
    first = int(held["first"])
    for lot in book.lots[first : first + int(held["lots"])]:
        plate = book.plates[lot["plate"]]
        k = int(plate["machine"])
        site = int(shop.machines[k]["site"])
        done = int(book.times[k, int(plate["position"])]["done"])
        steps = shop.lot_steps[int(wanted["route"]), site]
        pieces = int(lot["pieces"])
        at, _ = through(
            shop,
            site,
            int(steps["first"]),
            int(steps["last"]),
            done,
            pieces,
            float(shop.variants[int(lot["variant"])]["support_cm3"]),
            pieces * float(wanted["part_kg"]),
            int(wanted["code"]),
        )
        many, ready = by_site.get(site, (0, 0))
        by_site[site] = (many + pieces, max(ready, int(at)))
    legs = []
    for site, (pieces, ready) in by_site.items():
        leg = _ship(shop, line, site, pieces, ready)
        if leg is None:
            return None
        legs.append(leg)
    if not legs:
        return None
    day = max(leg.day for leg in legs)
    return Delivered(day, max(0, day - int(wanted["due_day"])), int(held["cents"]), tuple(legs))


def _ship(shop: Shop, line: int, site: int, pieces: int, ready: int) -> Leg | None:
    """The cheapest shipment, lateness counted: router/scheduling/prices.py, ``shipping``, with its choice."""
    wanted, common = shop.lines[line], shop.common[0]
    lane = shop.lanes[int(wanted["place"]), site]
    mass = pieces * float(wanted["part_kg"]) * (1.0 + float(common["mass_fraction"])) + float(common["fixed_kg"])
    bulk = pieces * float(wanted["box_cm3"]) * float(common["void_factor"])
    best: tuple[float, Leg] | None = None
    for row in range(int(lane["first"]), int(lane["last"])):
        carrier = shop.carriers[row]
        charged = math.ceil(2.0 * max(mass, bulk / float(carrier["dim_cm3_kg"])) - 1e-9) / 2.0
        if charged > float(carrier["max_kg"]):
            continue
        cents = int(carrier["base_cents"]) + int(carrier["customs_cents"])
        cents += math.floor(float(carrier["kg_cents"]) * charged + 0.5)
        cents += math.floor(float(carrier["carbon_cents_kg"]) * mass + 0.5)
        span = shop.post_spans[int(carrier["post"])]
        post = first_moment(shop.posts, int(span["first"]), int(span["last"]), ready)
        if post == int(span["last"]):
            continue
        days = int(carrier["days"])
        arrives = int(arrival_day(shop, int(wanted["place"]), int(shop.posts[post]["day"]), days))
        if arrives >= NEVER:
            continue
        late = max(0, arrives - int(wanted["due_day"]))
        cents += math.floor(float(wanted["late_rate"]) * late * pieces / int(wanted["quantity"]) + 0.5)
        if best is None or cents < best[0]:
            best = (cents, Leg(site, pieces, mass, row - int(lane["first"]), days, arrives))
    return None if best is None else best[1]
