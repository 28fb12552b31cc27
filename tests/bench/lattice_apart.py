"""At which displacements on a lattice two outlines do not overlap; worked out once a pair and kept."""

from __future__ import annotations

from functools import cache

import numpy as np
import shapely

from tests.bench.plates_problem import Part, Ring

#: An overlap of less area than this is touching.
TOUCH = 1e-9


def apart_steps(first: Part, other: Part, wide: int, deep: int) -> list[list[int]]:
    """Displacements of the second part against the first, each as one number ``(2 deep + 1) dx + dy``, in intervals.

    ``dx`` runs from -wide to wide, ``dy`` from -deep to deep; both outlines unturned.
    """
    return [list(span) for span in _apart(first.rings, other.rings, wide, deep)]


@cache
def _apart(first: tuple[Ring, ...], other: tuple[Ring, ...], wide: int, deep: int) -> tuple[tuple[int, int], ...]:
    stays = shapely.Polygon(first[0], first[1:])
    moves = shapely.Polygon(other[0], other[1:])
    dx, dy = np.meshgrid(np.arange(-wide, wide + 1), np.arange(-deep, deep + 1), indexing="ij")
    codes = ((2 * deep + 1) * dx + dy).ravel()
    steps = np.column_stack((dx.ravel(), dy.ravel())).astype(float)
    x0, y0, x1, y1 = stays.bounds
    u0, v0, u1, v1 = moves.bounds
    near = (steps[:, 0] + u1 > x0) & (steps[:, 0] + u0 < x1) & (steps[:, 1] + v1 > y0) & (steps[:, 1] + v0 < y1)
    moved = np.array([shapely.transform(moves, lambda c, s=s: c + s) for s in steps[near]], dtype=object)
    overlap = np.zeros(len(codes), dtype=bool)
    if len(moved):
        overlap[np.flatnonzero(near)] = shapely.area(shapely.intersection(moved, stays)) > TOUCH
    found: list[tuple[int, int]] = []
    for code in codes[~overlap].tolist():
        if found and found[-1][1] == code - 1:
            found[-1] = (found[-1][0], code)
        else:
            found.append((code, code))
    return tuple(found)
