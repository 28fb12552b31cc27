"""Compiled loops: where facets cross a grid of vertical columns, and a walk up each column.

A crossing is packed into one integer (column, height, kind of facet), so that sorting the integers puts every column in
order from the plate upwards.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from router.geometry.compiled import compiled

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

UP, DOWN, OVERHANG = 0, 1, 2
"""Kinds of facet: faces up (or is upright), faces down, faces down and needs support."""

_HEIGHT_STEPS = 2**40 - 1


@compiled
def crossings(points: Floats, faces: Ints, kind: npt.NDArray[np.int8], grid: tuple[int, int], size: Floats) -> Ints:
    """Return every crossing of a facet with a column, packed and unsorted.

    `points` (V, 3) in mm lie between the origin and `size`; `grid` columns along x and y stand at cell centres. Limits are
    half open and computed from the lower end of each edge, so two facets that share an edge cut it at the same place and
    a column on the edge crosses exactly one of them.
    """
    across, along = grid
    scale_x, scale_y = across / size[0], along / size[1]
    found = np.empty(1 << 16, dtype=np.int64)
    count = 0
    for facet in range(len(faces)):
        i, j, k = faces[facet, 0], faces[facet, 1], faces[facet, 2]
        ya, yb, yc = points[i, 1] * scale_y - 0.5, points[j, 1] * scale_y - 0.5, points[k, 1] * scale_y - 0.5
        first = max(int(np.ceil(min(ya, yb, yc))), 0)
        last = min(int(np.ceil(max(ya, yb, yc))), along)
        if last <= first:
            continue
        xa, xb, xc = points[i, 0] * scale_x - 0.5, points[j, 0] * scale_x - 0.5, points[k, 0] * scale_x - 0.5
        area = (xb - xa) * (yc - ya) - (xc - xa) * (yb - ya)
        if area == 0.0:
            continue
        za, zb, zc = points[i, 2], points[j, 2], points[k, 2]
        slope_x = ((zb - za) * (yc - ya) - (zc - za) * (yb - ya)) / area
        slope_y = ((xb - xa) * (zc - za) - (xc - xa) * (zb - za)) / area
        low, high = min(za, zb, zc), max(za, zb, zc)
        for row in range(first, last):
            left, right = np.inf, -np.inf
            for side in range(3):
                if side == 0:
                    x0, y0, x1, y1 = xa, ya, xb, yb
                elif side == 1:
                    x0, y0, x1, y1 = xb, yb, xc, yc
                else:
                    x0, y0, x1, y1 = xc, yc, xa, ya
                if y0 > y1:
                    x0, y0, x1, y1 = x1, y1, x0, y0
                if y0 <= row < y1:
                    x = x0 + (row - y0) / (y1 - y0) * (x1 - x0)
                    left, right = min(left, x), max(right, x)
            if right <= left:
                continue
            begin = max(int(np.ceil(left)), 0)
            end = min(int(np.ceil(right)), across)
            if count + end - begin > len(found):
                larger = np.empty(2 * (count + end - begin), dtype=np.int64)
                larger[:count] = found[:count]
                found = larger
            for column in range(begin, end):
                z = za + slope_x * (column - xa) + slope_y * (row - ya)
                z = min(max(z, low), high)  # nearly upright facets must not overshoot
                step = np.int64(z / size[2] * _HEIGHT_STEPS)
                found[count] = ((np.int64(row) * across + column) << 42) | (step << 2) | kind[facet]
                count += 1
    return found[:count]


@compiled
def walk(packed: Ints, top: float, closed: bool) -> tuple[float, int, float]:
    """Walk up every column of sorted crossings.

    Returns the summed length in mm of support under overhangs, the number of overhang crossings (those buried in
    another body included, with no support), and the summed length of solid. In a column where the crossings do not
    balance, which means that surface is missing, the only thing believed is that material ends at an up-facing facet.
    """
    support, hits, solid = 0.0, 0, 0.0
    start = 0
    while start < len(packed):
        end = start
        balance = 0
        while end < len(packed) and packed[end] >> 42 == packed[start] >> 42:
            balance += -1 if packed[end] & 3 == UP else 1
            end += 1
        depth = 0
        below = 0.0
        above_material = False
        for item in range(start, end):
            level = ((packed[item] >> 2) & _HEIGHT_STEPS) / _HEIGHT_STEPS * top
            kind = packed[item] & 3
            if depth > 0:
                solid += level - below
            empty = depth <= 0 if closed or balance == 0 else not above_material
            if kind == OVERHANG:
                hits += 1
                if empty:
                    support += level - below
            depth += -1 if kind == UP else 1
            above_material = kind != UP
            below = level
        start = end
    return support, hits, solid
