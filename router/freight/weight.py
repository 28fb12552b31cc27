"""Weights: what a consignment weighs and what it is charged for."""

from __future__ import annotations

import math

from router.domain.carriers import Carrier
from router.domain.network import Network


def shipped_mass_kg(network: Network, part_kg: float, pieces: int) -> float:
    """Mass of a consignment with its packing, kg (RULES.md, section 6)."""
    return pieces * part_kg * (1 + network.packaging.mass_fraction) + network.packaging.fixed_kg


def dimensional_kg(network: Network, carrier: Carrier, box_cm3: float, pieces: int) -> float:
    """Weight a carrier reckons from bulk: bulk in cm3 with packing over its divisor in cm3/kg."""
    return pieces * box_cm3 * network.packaging.void_factor / carrier.dim_cm3_per_kg


def half_kg_up(kg: float) -> float:
    """Rounded up to the next half kilogram."""
    return math.ceil(2 * kg - 1e-9) / 2


def chargeable_kg(network: Network, carrier: Carrier, part_kg: float, box_cm3: float, pieces: int) -> float:
    """Larger of actual and dimensional weight, rounded up to 0.5 kg."""
    return half_kg_up(max(shipped_mass_kg(network, part_kg, pieces), dimensional_kg(network, carrier, box_cm3, pieces)))
