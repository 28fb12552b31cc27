"""What one piece in one orientation asks of one machine."""

from __future__ import annotations

import math
from dataclasses import dataclass

from router.domain.alloys import ParameterSet
from router.domain.machines import Machine
from router.domain.network import Network


@dataclass(frozen=True, slots=True)
class PieceLoad:
    """A piece's own part of a build."""

    exposure_h: float
    """Laser time, hours of the machine."""
    melted_kg: float
    melted_cm3: float
    """Solid and supports."""
    footprint_mm2: float
    """Net area, holes taken out."""
    height_mm: float
    n_layers: int


def layers(height_mm: float, layer_mm: float) -> int:
    """Layers of a height: ``ceil(height / layer - 1e-9)`` (RULES.md, section 3)."""
    return math.ceil(height_mm / layer_mm - 1e-9)


def melted_cm3(parameter_set: ParameterSet, volume_mm3: float, support_volume_mm3: float) -> float:
    """Melted volume of a piece: its solid plus the solid share of its bulk supports."""
    return (volume_mm3 + parameter_set.support_density * support_volume_mm3) / 1000


def melting_cm3_h(machine: Machine, parameter_set: ParameterSet) -> float:
    """Volume a machine really melts in an hour."""
    return parameter_set.build_rate_cm3_h * machine.lasers * machine.laser_efficiency


def piece_load(
    network: Network,
    machine: Machine,
    parameter_set: ParameterSet,
    volume_mm3: float,
    support_volume_mm3: float,
    footprint_mm2: float,
    height_mm: float,
) -> PieceLoad:
    """The load of one piece; volumes in mm3 (supports as bulk), net footprint in mm2, orientation height in mm."""
    return _load(
        network,
        machine,
        parameter_set,
        melted_cm3(parameter_set, volume_mm3, support_volume_mm3),
        footprint_mm2,
        height_mm,
    )


def coupon_load(network: Network, machine: Machine, parameter_set: ParameterSet) -> PieceLoad:
    """The load of one witness coupon."""
    side, height = network.coupon.side_mm, network.coupon.height_mm
    return _load(network, machine, parameter_set, side**2 * height / 1000, side**2, height)


def _load(
    network: Network,
    machine: Machine,
    parameter_set: ParameterSet,
    melted: float,
    footprint_mm2: float,
    height_mm: float,
) -> PieceLoad:
    return PieceLoad(
        exposure_h=melted / melting_cm3_h(machine, parameter_set),
        melted_kg=network.alloy[parameter_set.alloy_id].density_g_cm3 * melted / 1000,
        melted_cm3=melted,
        footprint_mm2=footprint_mm2,
        height_mm=height_mm,
        n_layers=layers(height_mm, parameter_set.layer_mm),
    )
