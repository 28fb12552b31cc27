"""Compiled loops: where facets cross a grid of vertical columns, and a walk up each column.

A crossing is packed into one integer (column, height, kind of facet), so that sorting the integers puts every column in
order from the plate upwards.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from router.geometry.compiled import compiled

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

UP, DOWN, OVERHANG = 0, 1, 2
"""Kinds of facet: faces up (or is upright), faces down, faces down and needs support."""

_HEIGHT_STEPS = 2**40 - 1


def crossings(points: Floats, faces: Ints, kind: npt.NDArray[np.int8], grid: tuple[int, int], size: Floats) -> Ints:
    """Return every crossing of a facet with a column, packed and sorted.

    `points` (V, 3) in mm lie between the origin and `size`; `grid` columns along x and y stand at cell centres.
    """
    across, along = grid
    place_x = points[:, 0] * (across / size[0]) - 0.5  # columns at whole numbers
    place_y = points[:, 1] * (along / size[1]) - 0.5
    level = points[:, 2] * (_HEIGHT_STEPS / size[2])
    nothing = np.empty(0, dtype=np.int64)
    found = np.empty(_cut(place_x, place_y, level, faces, kind, across, along, nothing), dtype=np.int64)
    _cut(place_x, place_y, level, faces, kind, across, along, found)
    found.sort()
    return found


@compiled
def _cut(
    place_x: Floats,
    place_y: Floats,
    level: Floats,
    faces: Ints,
    kind: npt.NDArray[np.int8],
    across: int,
    along: int,
    found: Ints,
) -> int:
    """Write the crossings into `found` if it has room, and return their number.

    Limits are half open and computed from the lower end of each edge, so two facets that share an edge cut it at the
    same place and a column on the edge crosses exactly one of them.
    """
    write = len(found) > 0
    count = 0
    for facet in range(len(faces)):
        i, j, k = faces[facet, 0], faces[facet, 1], faces[facet, 2]
        ya, yb, yc = place_y[i], place_y[j], place_y[k]
        first = max(math.ceil(min(ya, min(yb, yc))), 0)
        last = min(math.ceil(max(ya, max(yb, yc))), along)
        if last <= first:
            continue
        xa, xb, xc = place_x[i], place_x[j], place_x[k]
        area = (xb - xa) * (yc - ya) - (xc - xa) * (yb - ya)
        if area == 0.0:
            continue
        za, zb, zc = level[i], level[j], level[k]
        slope_x = ((zb - za) * (yc - ya) - (zc - za) * (yb - ya)) / area
        slope_y = ((xb - xa) * (zc - za) - (xc - xa) * (zb - za)) / area
        low, high = min(za, min(zb, zc)), max(za, max(zb, zc))
        for row in range(first, last):
            left, right = 1.0e300, -1.0e300
            for side in range(3):
                tail, head = faces[facet, side], faces[facet, (side + 1) % 3]
                if place_y[tail] > place_y[head]:
                    tail, head = head, tail
                if place_y[tail] <= row < place_y[head]:
                    part = (row - place_y[tail]) / (place_y[head] - place_y[tail])
                    x = place_x[tail] + part * (place_x[head] - place_x[tail])
                    left = min(left, x)
                    right = max(right, x)
            begin = max(math.ceil(min(left, 1.0e9)), 0)
            end = min(math.ceil(max(right, -1.0)), across)
            if end <= begin:
                continue
            if write:
                for column in range(begin, end):
                    z = za + slope_x * (column - xa) + slope_y * (row - ya)
                    z = min(max(z, low), high)  # nearly upright facets must not overshoot
                    found[count + column - begin] = ((row * across + column) << 42) | (int(z) << 2) | kind[facet]
            count += end - begin
    return count


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
