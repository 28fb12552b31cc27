"""What carrying a shipment takes: distance, weight, price, days, emissions (RULES.md, section 6)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geopy.distance import geodesic

from router.audit.figures import Cents, cents
from router.domain.carriers import Carrier, Zone
from router.domain.network import Network
from router.domain.places import Place
from router.geometry.facts import PartFacts

AIR_DETOUR_KM = 95.0
"""Added to the great circle of a flight (EN 16258)."""


@dataclass(frozen=True, slots=True)
class Carriage:
    """One shipment with one carrier."""

    mass_kg: float
    chargeable_kg: float
    distance_km: float
    zone: Zone | None
    """None when the destination lies beyond the carrier's last zone."""
    too_heavy: bool
    transit_days: int
    freight: Cents
    co2e_kg: float
    carbon_exact: float

    @property
    def possible(self) -> bool:
        return self.zone is not None and not self.too_heavy


def part_kg(facts: PartFacts, density_g_cm3: float) -> float:
    """Mass of one finished piece, without support."""
    return facts.volume_mm3 / 1000 * density_g_cm3 / 1000


def carry(
    net: Network, origin: Place, destination: Place, carrier: Carrier, pieces: int, facts: PartFacts, piece_kg: float
) -> Carriage:
    """Derive everything about one shipment; without a zone the price is that of nothing."""
    straight_km = float(
        geodesic((origin.latitude_deg, origin.longitude_deg), (destination.latitude_deg, destination.longitude_deg)).km
    )
    distance_km = straight_km + AIR_DETOUR_KM if carrier.by_air else straight_km * _circuity(net, origin, destination)
    zone = next((z for z in carrier.zones if z.up_to_km >= distance_km), None)

    pack = net.packaging
    mass_kg = pieces * piece_kg * (1 + pack.mass_fraction) + pack.fixed_kg
    box_cm3 = math.prod(facts.bbox_mm) / 1000
    dimensional_kg = pieces * box_cm3 * pack.void_factor / carrier.dim_cm3_per_kg
    chargeable_kg = math.ceil(2 * max(mass_kg, dimensional_kg) - 1e-9) / 2

    crossing = net.customs.area(origin.country) != net.customs.area(destination.country)
    customs_cents, customs_days = (net.customs.cents, net.customs.working_days) if crossing else (0, 0)
    co2e_kg = mass_kg / 1000 * distance_km * carrier.kg_co2e_per_tonne_km
    return Carriage(
        mass_kg=mass_kg,
        chargeable_kg=chargeable_kg,
        distance_km=distance_km,
        zone=zone,
        too_heavy=chargeable_kg > carrier.max_chargeable_kg,
        transit_days=(zone.transit_working_days if zone else 0) + customs_days,
        freight=cents(zone.cents_per_kg * chargeable_kg, plus=zone.base_cents + customs_cents) if zone else (0, 0),
        co2e_kg=co2e_kg,
        carbon_exact=co2e_kg * net.carbon_cents_per_kg,
    )


def _circuity(net: Network, origin: Place, destination: Place) -> float:
    """Road over straight line: of the country when both ends lie in it, else the general one."""
    factors = dict(net.circuity)
    inland = origin.country == destination.country and origin.country in factors
    return factors[origin.country if inland else "*"]
