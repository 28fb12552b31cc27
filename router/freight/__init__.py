"""Freight: lanes, weights, quotes and journeys (RULES.md, section 6).

- ``lane(network, site_id, place) -> Lane``; ``straight_km(lat, lon, lat, lon)``;
  ``circuity(network, country, country)``.
- ``shipped_mass_kg(network, part_kg, pieces)``, ``chargeable_kg(network, carrier, part_kg, box_cm3, pieces)``,
  ``dimensional_kg``, ``half_kg_up``.
- ``quotes(network, site_id, place, part_kg, box_cm3, pieces) -> tuple[Quote, ...]`` cheapest first (freight + carbon),
  ``refusals(same) -> tuple[str, ...]``; both and ``lane`` remembered a network.
- ``dispatch_and_arrival(network, staffed, carrier, ready, quote, place) -> (dispatch_date, arrive_date)``,
  ``dispatch_date``, ``arrival_date(dispatched, transit_working_days, place)``, ``late_days(arrives, due)``.
- ``freight_desk(network) -> FreightDesk``: the same with the network bound, for inner loops.

``part_kg`` is the mass of one piece without supports, ``box_cm3`` the volume of its bounding box as modelled.
"""

from __future__ import annotations

from router.freight.journey import arrival_date, dispatch_and_arrival, dispatch_date, late_days
from router.freight.lanes import AIR_DETOUR_KM, Lane, circuity, straight_km
from router.freight.quotes import FreightDesk, Quote, freight_desk, lane, quotes, refusals, zone_of
from router.freight.weight import chargeable_kg, dimensional_kg, half_kg_up, shipped_mass_kg

__all__ = [
    "AIR_DETOUR_KM",
    "FreightDesk",
    "Lane",
    "Quote",
    "arrival_date",
    "chargeable_kg",
    "circuity",
    "dimensional_kg",
    "dispatch_and_arrival",
    "dispatch_date",
    "freight_desk",
    "half_kg_up",
    "lane",
    "late_days",
    "quotes",
    "refusals",
    "shipped_mass_kg",
    "straight_km",
    "zone_of",
]
