"""Machines and what it takes to change their alloy."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class KeepOutZone:
    """A round area of the plate no piece may enter (screw head, sensor), in plate coordinates."""

    x_mm: float
    y_mm: float
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Plate:
    """Build platform. Origin at the lower-left of its bounding box; the recoater blade lies along x."""

    width_mm: float
    depth_mm: float
    round: bool
    edge_margin_mm: float
    spacing_mm: float
    keep_outs: tuple[KeepOutZone, ...] = ()

    @property
    def area_mm2(self) -> float:
        """Area of the whole plate."""
        return self._area(0.0)

    @property
    def inner_area_mm2(self) -> float:
        """Area inside the edge margin, keep-outs not taken off."""
        return self._area(self.edge_margin_mm)

    def _area(self, margin_mm: float) -> float:
        width, depth = self.width_mm - 2 * margin_mm, self.depth_mm - 2 * margin_mm
        return width * depth * (math.pi / 4 if self.round else 1.0)


@dataclass(frozen=True, slots=True)
class Maintenance:
    """A planned stop: nothing of a build may lie in [start, end)."""

    start: datetime
    end: datetime
    why: str = ""


@dataclass(frozen=True, slots=True)
class Machine:
    """One AM machine (PBF-LB/M)."""

    machine_id: str
    site_id: str
    model: str
    plate: Plate
    height_mm: float
    lasers: int
    laser_efficiency: float
    """Share of ``lasers`` times the single-laser rate that is really reached, in (0, 1]."""
    recoat_s: float
    setup_min: int
    """Preheat and inerting: part of the run, needs nobody."""
    cooldown_min: int
    load_min: int
    unload_min: int
    rate_cents_per_h: int
    purge_cents: int
    gas_cents_per_h: int
    power_kw: float
    plate_cents: int
    """Plate preparation and resurfacing, a build."""
    alloys: tuple[str, ...]
    loaded_alloy_id: str | None
    available_from: datetime
    maintenance: tuple[Maintenance, ...] = ()


@dataclass(frozen=True, slots=True)
class ChangeoverRule:
    """How long a change of alloy takes. ``leaving`` and ``entering`` are an alloy id, a family or ``*``.

    The first rule that matches counts. ``hours`` None means the change is never made.
    """

    leaving: str
    entering: str
    hours: float | None
    consumables_cents: int = 0
