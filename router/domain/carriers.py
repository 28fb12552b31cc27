"""Carriers: how finished parts travel and what that costs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time


@dataclass(frozen=True, slots=True)
class Zone:
    """A row of a carrier's table: the first row whose ``up_to_km`` reaches the distance counts."""

    up_to_km: float
    base_cents: int
    cents_per_kg: int
    transit_working_days: int


@dataclass(frozen=True, slots=True)
class Carrier:
    """A mode of transport with its table."""

    carrier_id: str
    name: str
    by_air: bool
    """By air: great circle + 95 km a flight (EN 16258); by road: great circle x circuity."""
    cutoff: time
    dim_cm3_per_kg: float
    max_chargeable_kg: float
    kg_co2e_per_tonne_km: float
    factor_source: str
    zones: tuple[Zone, ...]


@dataclass(frozen=True, slots=True)
class Packaging:
    """What packing adds: shipped mass = parts x (1 + fraction) + fixed; bulk = boxes x void factor."""

    mass_fraction: float
    fixed_kg: float
    void_factor: float


@dataclass(frozen=True, slots=True)
class Customs:
    """Crossing from one customs area to another."""

    area_of_country: tuple[tuple[str, str], ...]
    """(country, area) pairs; a country not listed is an area of its own."""
    cents: int
    working_days: int

    def area(self, country: str) -> str:
        return dict(self.area_of_country).get(country, country)
