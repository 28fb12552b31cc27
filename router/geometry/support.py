"""Overhangs and the bulk volume of support under them.

The part is looked at in vertical columns on a regular grid. Walking up a column through a closed solid, each down-
facing facet enters material and each up-facing one leaves it; an overhang facet entered from empty space has support
below, down to the last surface met or to the plate. The mean support length over all columns under overhangs times
their exact projected area is the volume; taking the area from the facets and not from the grid removes most of the
grid's error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from router.geometry.columns import DOWN, OVERHANG, UP, crossings, walk
from router.geometry.pose import Pose

COLUMNS = 100_000
"""Columns over the bounding box of the shadow."""
PLATE_TOLERANCE_MM = 0.01
"""Facets with all corners this close to the plate rest on it; well under any layer thickness."""
ANGLE_SLACK = 1.0e-5
"""A wall at exactly the overhang angle needs no support; this absorbs rounding of 32-bit coordinates."""

_THINNEST_MM = 1.0e-9
_MOST_IN_A_ROW = 4_000


@dataclass(frozen=True, slots=True)
class Overhang:
    """Support need of one orientation; `solid_mm3` is the united volume of all bodies as seen by the columns."""

    area_mm2: float
    support_mm3: float
    solid_mm3: float


def measure_overhang(pose: Pose, overhang_deg: float, columns: int = COLUMNS) -> Overhang:
    """Measure overhang area and support volume of a part on the plate.

    A facet needs support if its angle from the horizontal is less than `overhang_deg` and it faces down
    (45 degrees: common practice, no source).
    """
    surface, points = pose.surface, pose.points
    limit = np.cos(np.radians(overhang_deg)) + ANGLE_SLACK
    steep = np.flatnonzero(-pose.upright > limit * surface.length)
    a, b, c = (points[surface.faces[steep, corner], 2] for corner in range(3))
    off_plate = np.maximum(np.maximum(a, b), c) > PLATE_TOLERANCE_MM
    hanging = steep[off_plate]
    kind = np.where(pose.upright > 0.0, UP, DOWN).astype(np.int8)
    kind[hanging] = OVERHANG
    size = np.maximum(pose.size, _THINNEST_MM)
    pitch = max(float(np.sqrt(size[0] * size[1] / columns)), float(size[:2].max()) / _MOST_IN_A_ROW)
    grid = (max(1, int(np.ceil(size[0] / pitch))), max(1, int(np.ceil(size[1] / pitch))))
    cell_area = float(size[0] * size[1]) / (grid[0] * grid[1])
    packed = crossings(points, surface.faces, kind, grid, size)
    support, hits, solid = walk(packed, float(size[2]), surface.closed)
    if not len(hanging):
        return Overhang(0.0, 0.0, solid * cell_area)
    projected = -0.5 * pose.upright[hanging]
    # Slivers that slip between all columns are taken down to the plate.
    mean_length = support / hits if hits else (a + b + c)[off_plate] / 3.0
    volume = float((projected * mean_length).sum())
    return Overhang(0.5 * float(surface.length[hanging].sum()), volume, solid * cell_area)
