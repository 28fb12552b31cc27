"""Alloys and the parameter sets that melt them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Alloy:
    """A powder alloy."""

    alloy_id: str
    name: str
    family: str
    """Family for changeover rules, e.g. ``nickel``, ``titanium``."""
    density_g_cm3: float
    powder_cents_per_kg: int
    powder_loss_fraction: float
    """Powder lost per kilogram melted (spatter, soot, sieving)."""
    bed_loss_fraction: float
    """Share of the powder bed under the build's height that is lost each build."""
    stress_relief: bool
    """Plates of this alloy are stress relieved before plate removal."""
    default_parameter_set_id: str
    combustible: bool = False
    """Raises an extra caution on shop papers."""


@dataclass(frozen=True, slots=True)
class ParameterSet:
    """Layer thickness and melting rate. Parts share a plate only within one parameter set."""

    parameter_set_id: str
    alloy_id: str
    layer_mm: float
    build_rate_cm3_h: float
    """Melted volume an hour of one laser at full use."""
    support_density: float
    """Solid share of the bulk support volume."""
