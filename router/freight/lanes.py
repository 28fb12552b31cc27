"""Lanes: how far it is from a site to a destination, and whether customs lie between."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from geopy.distance import geodesic

from router.domain.network import Network
from router.domain.places import Place
from router.kernel.faults import PlatewrightError

AIR_DETOUR_KM = 95.0
"""Added to the great circle of every flight (EN 16258)."""


@dataclass(frozen=True, slots=True)
class Lane:
    """The way from one site to one destination. Distances in km."""

    site_id: str
    origin_country: str
    destination_country: str
    straight_km: float
    """Geodesic on WGS84."""
    road_km: float
    """Straight line times circuity."""
    air_km: float
    """Straight line + 95 km."""
    crosses_customs: bool

    def distance_km(self, by_air: bool) -> float:
        return self.air_km if by_air else self.road_km


@lru_cache(maxsize=65536)
def straight_km(latitude_a_deg: float, longitude_a_deg: float, latitude_b_deg: float, longitude_b_deg: float) -> float:
    """Length of the geodesic between two points on WGS84, in km (Karney 2013, as computed by geopy)."""
    return float(geodesic((latitude_a_deg, longitude_a_deg), (latitude_b_deg, longitude_b_deg)).km)


def circuity(network: Network, country_a: str, country_b: str) -> float:
    """Road over straight-line distance: the country's own within one country, ``*`` otherwise.

    Raises PlatewrightError when the table has neither the country nor ``*``.
    """
    table = dict(network.circuity)
    factor = table.get(country_a) if country_a == country_b else None
    if factor is None:
        factor = table.get("*")
    if factor is None:
        raise PlatewrightError(
            f"circuity: no factor for {country_a} to {country_b}; expected a row for the country or for '*'"
        )
    return factor


def measure_lane(network: Network, site_id: str, place: Place) -> Lane:
    """The lane from a site to a place (RULES.md, section 6), worked out afresh apart from the geodesic."""
    origin = network.site[site_id].place
    straight = straight_km(origin.latitude_deg, origin.longitude_deg, place.latitude_deg, place.longitude_deg)
    return Lane(
        site_id=site_id,
        origin_country=origin.country,
        destination_country=place.country,
        straight_km=straight,
        road_km=straight * circuity(network, origin.country, place.country),
        air_km=straight + AIR_DETOUR_KM,
        crosses_customs=network.customs.area(origin.country) != network.customs.area(place.country),
    )
