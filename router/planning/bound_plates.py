"""How much of a plate a piece takes at the least, and how many copies a plate takes at the most.

Everything here is proven for free rotation and for the tolerance of RULES.md, section 3 (proofs: BOUND.md, 1 and 2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from shapely import Point, Polygon, maximum_inscribed_circle
from shapely.ops import unary_union

from router.nesting import KeepOut, PlateSpec, Shape

TOLERANCE_MM = 0.01
"""Spacing, margin and keep-outs may each fall short by so much (RULES.md, section 3)."""

_SQUARE_FOR_DISCS = (2.0, 3.4142, 3.9318, 4.0, 4.8284, 5.3282, 5.7320, 5.8637, 6.0)
"""Side of the least square that holds 1, 2, ... 9 discs of radius 1, rounded down (Schaer & Meir 1965 and Schaer 1965,
*Canadian Mathematical Bulletin* 8; values from memory: 2, 2 + sqrt 2, 2 + (sqrt 2 + sqrt 6) / 2, 4, 2 + 2 sqrt 2,
2 + 12 / sqrt 13, 4 + sqrt 3, 2 + sqrt 2 + sqrt 6, 6)."""


@dataclass(frozen=True, slots=True)
class Cover:
    """What one piece keeps for itself, spacing included."""

    area_mm2: float
    """Outline dilated by half the spacing, holes open."""
    filled_mm2: float
    """The same, holes filled."""
    holes_mm2: tuple[float, ...]
    """Area of each hole that stays open."""
    smallest_part_mm2: float
    """Least area of a connected part: nothing of the piece stands in a smaller hole."""
    disc_mm: float
    """Radius of a disc inside the filled outline; 0 for a piece of several parts."""

    def closed_mm2(self, smallest_part_mm2: float, keep_out_mm2: float) -> float:
        """Area with those holes filled in which no part of any piece, nor a keep-out, can be."""
        open_from = min(smallest_part_mm2, keep_out_mm2)
        if not self.holes_mm2 or max(self.holes_mm2) < open_from:
            return self.filled_mm2
        # Holes of several parts may overlap when filled; counting single ones is safe for one part only.
        if self.disc_mm <= 0:
            return self.area_mm2
        return self.area_mm2 + sum(hole for hole in self.holes_mm2 if hole < open_from)


def roomy(spec: PlateSpec) -> PlateSpec:
    """The plate with the tolerance given away: what is allowed on ``spec`` is strictly allowed on this one."""
    return PlateSpec(
        width_mm=spec.width_mm + 2 * TOLERANCE_MM,
        depth_mm=spec.depth_mm + 2 * TOLERANCE_MM,
        round=spec.round,
        edge_margin_mm=spec.edge_margin_mm,
        spacing_mm=max(0.0, spec.spacing_mm - TOLERANCE_MM),
        keep_outs=tuple(
            KeepOut(k.x_mm + TOLERANCE_MM, k.y_mm + TOLERANCE_MM, k.radius_mm - TOLERANCE_MM)
            for k in spec.keep_outs
            if k.radius_mm > TOLERANCE_MM
        ),
    )


@lru_cache(maxsize=256)
def room_mm2(spec: PlateSpec) -> float:
    """Area that the dilated pieces of one plate share."""
    return roomy(spec).bound_area_mm2


@lru_cache(maxsize=256)
def least_keep_out_mm2(spec: PlateSpec) -> float:
    """Least area a hole must have to go round a keep-out; infinite when nothing was taken off the room."""
    easy = roomy(spec)
    radii = [k.radius_mm - easy.spacing_mm / 2 for k in easy.keep_outs]
    return min((math.pi * r * r * 0.999 for r in radii if r > 0), default=math.inf)


@lru_cache(maxsize=16384)
def cover(shape: Shape, spacing_mm: float) -> Cover:
    """The figures of a piece on plates with this spacing; corners are inscribed, so areas are never too large."""
    grown = shape.region().buffer(max(0.0, spacing_mm - TOLERANCE_MM) / 2, quad_segs=16)
    parts = [grown] if isinstance(grown, Polygon) else list(grown.geoms)
    outlines = [Polygon(part.exterior) for part in parts]
    disc = 0.0
    if len(parts) == 1:
        line = maximum_inscribed_circle(outlines[0])
        disc = outlines[0].exterior.distance(Point(line.coords[0])) * (1 - 1e-9)
    return Cover(
        area_mm2=float(grown.area),
        filled_mm2=float(unary_union(outlines).area),
        holes_mm2=tuple(float(Polygon(ring).area) for part in parts for ring in part.interiors),
        smallest_part_mm2=min(float(part.area) for part in parts),
        disc_mm=disc,
    )


def discs_in(width_mm: float, depth_mm: float, is_round: bool, radius_mm: float) -> int:
    """No more than so many discs of one radius lie in a rectangle (or a circle of diameter ``width_mm``).

    Oler's inequality (1961, *Acta Mathematica* 105) on the region of the centres: points at least d apart in a
    convex region of area A and perimeter P number at most 2 A / (sqrt 3 d^2) + P / (2 d) + 1. For squares up to nine
    discs the exact table, and for two discs the diagonal.
    """
    if radius_mm <= 0:
        raise ValueError(f"a disc needs a radius above 0 mm, got {radius_mm:g}")
    free_w, free_d = width_mm - 2 * radius_mm, depth_mm - 2 * radius_mm
    if min(free_w, free_d) < 0:
        return 0
    d = 2 * radius_mm
    area, around = (math.pi / 4 * free_w**2, math.pi * free_w) if is_round else (free_w * free_d, 2 * (free_w + free_d))
    most = math.floor(2 * area / (math.sqrt(3) * d * d) + around / (2 * d) + 1 + 1e-9)
    if (free_w if is_round else math.hypot(free_w, free_d)) < d:
        most = min(most, 1)
    if not is_round:
        side = max(width_mm, depth_mm) / radius_mm
        fitting = sum(1 for least in _SQUARE_FOR_DISCS if least <= side + 1e-9)
        if fitting < len(_SQUARE_FOR_DISCS):
            most = min(most, fitting)
    return most


@lru_cache(maxsize=65536)
def most_on_plate(spec: PlateSpec, shape: Shape) -> int:
    """No plate holds more copies of the shape than this, whatever their rotation; at least 1."""
    piece = cover(shape, spec.spacing_mm)
    # A copy never stands in a hole of another of its kind, so filled outlines are disjoint (one part only); a
    # keep-out inside a hole would make the filled outline larger than its room, so those holes stay open.
    area = piece.closed_mm2(math.inf, least_keep_out_mm2(spec)) if piece.disc_mm > 0 else piece.area_mm2
    most = math.floor(room_mm2(spec) / area + 1e-9)
    if piece.disc_mm > 0:
        easy = roomy(spec)
        reach = easy.spacing_mm * 1.0001
        most = min(
            most,
            discs_in(easy.usable_width_mm + reach, easy.usable_depth_mm + reach, easy.round, piece.disc_mm),
        )
    return max(1, most)
