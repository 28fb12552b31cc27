"""The plate as the nesting engine sees it: usable room, keep-outs, spacing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from shapely import Polygon
from shapely.geometry import Point, box
from shapely.geometry.base import BaseGeometry

#: Segments per quarter circle. A round plate of 400 mm then deviates by less than 0.004 mm from the true circle.
_QUARTER_SEGMENTS = 128


@dataclass(frozen=True, slots=True)
class KeepOut:
    """Round zone (screw head, sensor) that no piece may touch; centre and radius in plate coordinates, mm."""

    x_mm: float
    y_mm: float
    radius_mm: float

    def __post_init__(self) -> None:
        """Refuse values that describe no circle."""
        if not all(math.isfinite(v) for v in (self.x_mm, self.y_mm, self.radius_mm)) or self.radius_mm <= 0:
            raise ValueError(f"keep-out needs finite x, y and a radius above 0 mm, got {self}")


@dataclass(frozen=True, slots=True)
class PlateSpec:
    """A build plate and its rules.

    Origin at the lower-left corner of the plate's bounding box, x along the width, y along the depth. The recoater
    blade lies parallel to x and travels along y. A round plate has ``width_mm == depth_mm ==`` its diameter.

    ``edge_margin_mm`` is kept free along the rim, ``spacing_mm`` between any two pieces. Pieces keep off a keep-out
    but owe it no spacing. ``resolution_mm`` overrides the cell size of the search grid (0 = chosen by plate size).
    """

    width_mm: float
    depth_mm: float
    round: bool = False
    edge_margin_mm: float = 5.0
    spacing_mm: float = 2.0
    keep_outs: tuple[KeepOut, ...] = ()
    resolution_mm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse plates without usable room; says which figure is wrong."""
        numbers = (self.width_mm, self.depth_mm, self.edge_margin_mm, self.spacing_mm, self.resolution_mm)
        if not all(math.isfinite(v) for v in numbers):
            raise ValueError(f"plate figures must be finite, got {numbers}")
        if self.width_mm <= 0 or self.depth_mm <= 0:
            raise ValueError(f"plate width and depth must be above 0 mm, got {self.width_mm} x {self.depth_mm}")
        if self.edge_margin_mm < 0 or self.spacing_mm < 0 or self.resolution_mm < 0:
            raise ValueError("edge margin, spacing and resolution must not be negative")
        if 2 * self.edge_margin_mm >= min(self.width_mm, self.depth_mm):
            raise ValueError(
                f"edge margin {self.edge_margin_mm} mm leaves no room on a plate of {self.width_mm} x {self.depth_mm}"
            )
        if self.round and self.width_mm != self.depth_mm:
            raise ValueError(f"a round plate has equal width and depth, got {self.width_mm} x {self.depth_mm}")

    @property
    def usable_width_mm(self) -> float:
        """Width between the edge margins."""
        return self.width_mm - 2 * self.edge_margin_mm

    @property
    def usable_depth_mm(self) -> float:
        """Depth between the edge margins."""
        return self.depth_mm - 2 * self.edge_margin_mm

    def usable(self) -> BaseGeometry:
        """Plate shrunk by the edge margin, minus the keep-outs (Polygon or MultiPolygon, mm).

        Circles are polygons on the safe side: the rim inscribed, keep-outs circumscribed.
        """
        return _usable(self)

    @property
    def usable_area_mm2(self) -> float:
        """Area of :meth:`usable`."""
        return float(_usable(self).area)

    @property
    def bound_area_mm2(self) -> float:
        """Area of the usable region dilated by half the spacing, never too small.

        Pieces dilated by half the spacing are disjoint and stay in this region, so the sum of their dilated areas
        can not exceed it (the usual area bound of packing with a minimum distance).
        """
        return _bound_area(self)


def _circle(x: float, y: float, radius: float, outside: bool) -> Polygon:
    """Regular polygon in or around a circle."""
    grown = radius / math.cos(math.pi / (4 * _QUARTER_SEGMENTS)) if outside else radius
    return Point(x, y).buffer(grown, quad_segs=_QUARTER_SEGMENTS)


def keep_out_outline(zone: KeepOut) -> Polygon:
    """Polygon around the zone, on the safe side."""
    return _circle(zone.x_mm, zone.y_mm, zone.radius_mm, outside=True)


def _region(spec: PlateSpec, generous: bool) -> BaseGeometry:
    """Usable region with circles approximated on the small (safe) or the large (bound) side."""
    room: BaseGeometry
    if spec.round:
        centre = spec.width_mm / 2
        room = _circle(centre, centre, centre - spec.edge_margin_mm, outside=generous)
    else:
        margin = spec.edge_margin_mm
        room = box(margin, margin, spec.width_mm - margin, spec.depth_mm - margin)
    for zone in spec.keep_outs:
        room = room.difference(_circle(zone.x_mm, zone.y_mm, zone.radius_mm, outside=not generous))
    return room


@lru_cache(maxsize=256)
def _usable(spec: PlateSpec) -> BaseGeometry:
    return _region(spec, generous=False)


@lru_cache(maxsize=256)
def _bound_area(spec: PlateSpec) -> float:
    reach = spec.spacing_mm / 2 / math.cos(math.pi / (4 * _QUARTER_SEGMENTS))
    return float(_region(spec, generous=True).buffer(reach, quad_segs=_QUARTER_SEGMENTS).area)
