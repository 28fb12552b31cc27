"""Least cost of what follows the build: steps of the lots, freight and its carbon (BOUND.md, 3 and 4)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from router.costing import lot_route
from router.domain.places import Place
from router.freight import zone_of
from router.planning.problem import Problem

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_TRIED_PIECES = 256
"""Shipments of up to so many pieces are weighed to the half kilogram one by one; larger by the line below."""


@dataclass(frozen=True, slots=True)
class LotFloor:
    """Least cents of the steps after the plate of all pieces of a line at one site."""

    pieces_cents: float
    """Whatever the number of lots."""
    support_cents: float
    """For each cm3 of support of a piece."""
    lot_cents: float
    """For each lot; never below zero."""
    outside: tuple[tuple[tuple[float, float], ...], ...]
    """Steps bought outside: (lot cents, cents of all pieces by mass) of each service."""

    def cents(self, lots: float, most_in_lot: float, support_cm3: float) -> float:
        """Cost with so many lots at own centres, none of more pieces than ``most_in_lot`` (as a share of the line)."""
        total = self.pieces_cents + self.support_cents * support_cm3 + self.lot_cents * lots
        return total + sum(min(once / most_in_lot + mass for once, mass in step) for step in self.outside)


def lot_floor(problem: Problem, line: int, site_id: str) -> LotFloor:
    """The floor for a line at a site that may build it."""
    network = problem.network
    wanted = problem.lines[line]
    labour = network.site[site_id].labour_cents_per_h
    pieces = support = lot = 0.0
    outside = []
    for step in lot_route(wanted, network.alloy[wanted.alloy_id]):
        centre = network.work_centre.get((site_id, step))
        if centre is None:
            kg = problem.part_kg[line] * wanted.quantity
            priced = []
            for service in network.outside(site_id, step):
                once, mass = service.lot_cents - 0.5, service.cents_per_kg * kg
                # Half a cent that a lot may round down; with a price a lot below that, a piece may each time.
                priced.append((max(0.0, once), mass + wanted.quantity * min(0.0, once)))
            outside.append(tuple(priced))
            continue
        hourly = centre.rate_cents_per_h + (labour if centre.attended else 0)
        once = centre.fixed_cents + centre.lot_min / 60 * hourly - 0.5
        lot += max(0.0, once)
        pieces += wanted.quantity * (centre.piece_min / 60 * hourly + min(0.0, once))
        support += wanted.quantity * centre.min_per_support_cm3 / 60 * hourly
    return LotFloor(pieces, support, lot, tuple(outside))


@dataclass(frozen=True, slots=True)
class Lane:
    """What the carriers that go from one site to one customer ask; one entry a carrier."""

    carriers: tuple[tuple[int, int], ...]
    """Number of the carrier, transit days with customs."""
    once_cents: Floats
    """(carriers, 1): of each shipment."""
    kg_cents: Floats
    """(carriers, 1): of a chargeable kilogram."""
    carbon_cents: Floats
    """(carriers, 1): of a kilogram carried."""
    numbers: Ints


def lane_of(problem: Problem, site_id: str, place: Place) -> Lane:
    """The carriers of a lane, whatever they can lift."""
    network = problem.network
    way = problem.desk.lane(site_id, place)
    customs = network.customs if way.crosses_customs else None
    carriers, figures = [], []
    for number, carrier in enumerate(network.carriers):
        distance = way.distance_km(carrier.by_air)
        zone = zone_of(carrier, distance)
        if zone is None:
            continue
        carriers.append((number, zone.transit_working_days + (customs.working_days if customs else 0)))
        carbon = distance * carrier.kg_co2e_per_tonne_km / 1000 * network.carbon_cents_per_kg
        # Freight, carbon and lateness of a shipment each round down by half a cent at most.
        once = zone.base_cents + (customs.cents if customs else 0) - 1.5
        figures.append((once, float(zone.cents_per_kg), carbon))
    table = np.array(figures, dtype=float).reshape(-1, 3)
    numbers = np.array([number for number, _ in carriers], dtype=np.int64)
    return Lane(tuple(carriers), table[:, :1], table[:, 1:2], table[:, 2:], numbers)


class Weights:
    """What shipments of every size of one line weigh, divided by their pieces: the same whatever site they leave."""

    def __init__(self, problem: Problem, line: int) -> None:
        packaging = problem.network.packaging
        carriers = problem.network.carriers
        self.quantity = problem.lines[line].quantity
        self.exact = self.quantity <= _TRIED_PIECES
        counts = np.arange(1.0, self.quantity + 1.0) if self.exact else np.array([1.0, float(self.quantity)])
        mass = counts * (problem.part_kg[line] * (1 + packaging.mass_fraction)) + packaging.fixed_kg
        bulk_kg = np.array([[problem.box_cm3[line] * packaging.void_factor / c.dim_cm3_per_kg] for c in carriers])
        kg = np.maximum(mass, counts * bulk_kg)
        if self.exact:
            # A hair off, so that a weight on the edge of a half kilogram never counts for too much.
            kg = np.ceil(2 * kg - 1e-6) / 2
        most = np.array([[c.max_chargeable_kg] for c in carriers])
        carried = kg <= most + 1e-6
        self.one = 1 / counts
        self.mass_kg = mass * self.one
        self.charged_kg = kg * self.one
        self.penalty = np.where(carried, 0.0, np.inf)
        """(carriers, sizes): infinite for what a carrier cannot lift."""

    def floors(self, lane: Lane) -> Floats:
        """Least freight and carbon of all pieces by each carrier of a lane, however many shipments share them.

        That is pieces times the best price a piece of any shipment; infinite where a carrier lifts not even one.
        """
        price = lane.kg_cents * self.charged_kg[lane.numbers] + lane.carbon_cents * self.mass_kg
        lifted = self.penalty[lane.numbers]
        if self.exact:
            floors: Floats = (lane.once_cents * self.one + price + lifted).min(axis=1) * self.quantity
            return floors
        # What is fixed weighs least on the largest shipment, lifted or not.
        once = lane.once_cents[:, 0]
        large: Floats = np.maximum(0.0, once) + self.quantity * (price[:, -1] + np.minimum(0.0, once) + lifted[:, 0])
        return large
