"""Whether a surface cuts through itself: pairs of facets of which an edge of one passes through the other.

Such a body has no inside that everybody agrees on: its volume counts what lies in it twice, and slicers fill it or
leave it out each in its own way.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from router.geometry.compiled import compiled
from router.geometry.surface import Floats, Ints, Surface

MOST_PAIRS = 300_000_000
"""So many pairs of facets whose boxes may meet are looked at, about a second; with more none is."""
DEEP_MM = 0.001
"""How far an edge must reach through a facet, and into it; less is rounding in the file (common practice,
no source)."""


def count_crossings(surface: Surface, shells: Ints) -> int | None:
    """Number of pairs of facets that cut each other; None when there were too many to look.

    ``shells``: only facets of the same number are set beside each other. Facets that lie on each other in one plane do
    not cut; those that share an edge cannot.
    """
    corner = surface.vertices[surface.faces]
    low, high = corner.min(axis=1), corner.max(axis=1)
    axis, pairs = _sparsest(low, high)
    if pairs > MOST_PAIRS:
        return None
    order = np.argsort(low[:, axis], kind="stable")
    lengths = np.maximum(surface.length, 1e-300)
    normals = surface.cross / lengths[:, None]
    turned = [axis, (axis + 1) % 3, (axis + 2) % 3]
    return int(
        _count(
            np.ascontiguousarray(surface.vertices[:, turned]),
            np.ascontiguousarray(surface.faces[order]),
            np.ascontiguousarray(normals[order][:, turned]),
            np.ascontiguousarray(low[order][:, turned]),
            np.ascontiguousarray(high[order][:, turned]),
            np.ascontiguousarray(shells[order]),
            DEEP_MM,
        )
    )


def _sparsest(low: Floats, high: Floats) -> tuple[int, int]:
    """The axis along which fewest pairs of facets overlap, and how many do."""
    counts = []
    for axis in range(3):
        begin = np.sort(low[:, axis])
        end = np.sort(high[:, axis])
        # Of all pairs, those apart are the ones of which one ends before the other begins.
        apart = int(np.searchsorted(end, begin, side="left").sum())
        counts.append(len(low) * (len(low) - 1) // 2 - apart)
    best = int(np.argmin(counts))
    return best, counts[best]


@compiled
def _count(
    points: Floats, faces: Ints, normals: Floats, low: Floats, high: Floats, shells: npt.NDArray[np.int64], deep: float
) -> int:
    """Facets in order of their beginning along the first axis; each is set beside those that begin before it ends."""
    found = 0
    for one in range(len(faces)):
        for other in range(one + 1, len(faces)):
            if low[other, 0] > high[one, 0]:
                break
            if low[other, 1] > high[one, 1] or low[one, 1] > high[other, 1]:
                continue
            if low[other, 2] > high[one, 2] or low[one, 2] > high[other, 2]:
                continue
            if shells[one] != shells[other]:
                continue
            shared = 0
            for i in range(3):
                for j in range(3):
                    if faces[one, i] == faces[other, j]:
                        shared += 1
            if shared >= 2:
                continue
            if _pierces(points, faces[one], faces[other], normals[other], deep) or _pierces(
                points, faces[other], faces[one], normals[one], deep
            ):
                found += 1
    return found


@compiled
def _pierces(points: Floats, edges_of: Ints, facet: Ints, normal: Floats, deep: float) -> bool:
    """Whether an edge of one facet passes through the other, further than ``deep`` from its rim and on both sides."""
    base = points[facet[0]]
    for side in range(3):
        p, q = points[edges_of[side]], points[edges_of[(side + 1) % 3]]
        above, below = 0.0, 0.0
        for k in range(3):
            above += (p[k] - base[k]) * normal[k]
            below += (q[k] - base[k]) * normal[k]
        if not ((above > deep and below < -deep) or (above < -deep and below > deep)):
            continue
        part = above / (above - below)
        x = p[0] + part * (q[0] - p[0])
        y = p[1] + part * (q[1] - p[1])
        z = p[2] + part * (q[2] - p[2])
        inside = True
        for rim in range(3):
            a, b = points[facet[rim]], points[facet[(rim + 1) % 3]]
            u, v, w = b[0] - a[0], b[1] - a[1], b[2] - a[2]
            length = (u * u + v * v + w * w) ** 0.5
            # The normal crossed with the rim points into the facet.
            depth = (
                (normal[1] * w - normal[2] * v) * (x - a[0])
                + (normal[2] * u - normal[0] * w) * (y - a[1])
                + (normal[0] * v - normal[1] * u) * (z - a[2])
            )
            if depth <= deep * length:
                inside = False
                break
        if inside:
            return True
    return False
