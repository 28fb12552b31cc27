"""Compiled kernel of the compaction: separating lines between the convex parts of neighbouring pieces."""

from __future__ import annotations

import numpy as np

from router.nesting.lattice_kernels import Floats, Longs, convex_sum
from router.nesting.rect_kernels import compiled


@compiled
def turn_parts(points: Floats, parts: Longs, cos: float, sin: float, out: Floats) -> None:
    """Turn convex rings about the origin; each begins at its lowest, then leftmost vertex again."""
    for p in range(parts.shape[0]):
        first, last = parts[p, 0], parts[p, 1]
        low, low_x, low_y = first, 1e300, 1e300
        for k in range(first, last):
            x = cos * points[k, 0] - sin * points[k, 1]
            y = sin * points[k, 0] + cos * points[k, 1]
            if y < low_y or (y == low_y and x < low_x):
                low, low_x, low_y = k, x, y
        for k in range(first, last):
            source = low + k - first
            if source >= last:
                source -= last - first
            out[k, 0] = cos * points[source, 0] - sin * points[source, 1]
            out[k, 1] = sin * points[source, 0] + cos * points[source, 1]


@compiled
def part_boxes(points: Floats, parts: Longs) -> Floats:
    """Bounds (x0, y0, x1, y1) of every part."""
    boxes = np.empty((parts.shape[0], 4))
    for p in range(parts.shape[0]):
        boxes[p, 0] = boxes[p, 1] = 1e300
        boxes[p, 2] = boxes[p, 3] = -1e300
        for k in range(parts[p, 0], parts[p, 1]):
            for axis in range(2):
                boxes[p, axis] = min(boxes[p, axis], points[k, axis])
                boxes[p, 2 + axis] = max(boxes[p, 2 + axis], points[k, axis])
    return boxes


@compiled
def separators(
    at: Floats,
    variant_of: Longs,
    boxes: Floats,
    own: Floats,
    own_parts: Longs,
    own_first: Longs,
    grown: Floats,
    grown_parts: Longs,
    grown_first: Longs,
    reach: float,
    pairs: Longs,
    lines: Floats,
) -> int:
    """For every pair of parts nearer than ``reach``: the line that keeps them apart with most room as they stand.

    ``at`` (n, 2): positions; ``variant_of`` (n,); ``boxes`` (variants, 4): bounds of the dilated outline at the origin.
    ``own_first`` (variants + 1): first part of every variant in ``own_parts`` (first vertex, one past the last);
    ``grown``: dilated and mirrored in the origin. Writes piece numbers i, j to ``pairs`` and to ``lines`` a unit normal
    (a, b) and c with a * (xj - xi) + b * (yj - yi) >= c. Returns their number, -1 when the tables are too short.
    """
    n = at.shape[0]
    count = 0
    own_boxes, grown_boxes = part_boxes(own, own_parts), part_boxes(grown, grown_parts)
    ring = np.empty((256, 2))
    for i in range(n):
        v = variant_of[i]
        for j in range(i + 1, n):
            u = variant_of[j]
            dx, dy = at[j, 0] - at[i, 0], at[j, 1] - at[i, 1]
            if (
                dx + boxes[u, 0] > boxes[v, 2] + reach
                or dx + boxes[u, 2] < boxes[v, 0] - reach
                or dy + boxes[u, 1] > boxes[v, 3] + reach
                or dy + boxes[u, 3] < boxes[v, 1] - reach
            ):
                continue
            for p in range(own_first[v], own_first[v + 1]):
                a = own[own_parts[p, 0] : own_parts[p, 1]]
                for q in range(grown_first[u], grown_first[u + 1]):
                    # The boxes of the sum's ends: parts far apart need no line.
                    if (
                        dx > own_boxes[p, 2] + grown_boxes[q, 2] + reach
                        or dx < own_boxes[p, 0] + grown_boxes[q, 0] - reach
                        or dy > own_boxes[p, 3] + grown_boxes[q, 3] + reach
                        or dy < own_boxes[p, 1] + grown_boxes[q, 1] - reach
                    ):
                        continue
                    b = grown[grown_parts[q, 0] : grown_parts[q, 1]]
                    if a.shape[0] + b.shape[0] > ring.shape[0]:
                        ring = np.empty((2 * (a.shape[0] + b.shape[0]), 2))
                    m = convex_sum(a, b, ring)
                    best, best_a, best_b, best_c = -1e300, 0.0, 0.0, 0.0
                    for k in range(m):
                        x0, y0 = ring[k, 0], ring[k, 1]
                        ex, ey = ring[(k + 1) % m, 0] - x0, ring[(k + 1) % m, 1] - y0
                        length = np.sqrt(ex * ex + ey * ey)
                        if length <= 0.0:
                            continue
                        na, nb = ey / length, -ex / length
                        c = na * x0 + nb * y0
                        room = na * dx + nb * dy - c
                        if room > best:
                            best, best_a, best_b, best_c = room, na, nb, c
                    if best > reach:
                        continue
                    if count == pairs.shape[0]:
                        return -1
                    pairs[count, 0], pairs[count, 1] = i, j
                    lines[count, 0], lines[count, 1] = best_a, best_b
                    lines[count, 2] = min(best_c, best_c + best)
                    count += 1
    return count
