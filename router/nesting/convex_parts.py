"""Outlines as convex parts that cover them exactly."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float64]

#: Ends of edges this close, relative to their size, are the same point.
_SAME = 1e-12
_Edge = tuple[float, float, float, float]


@dataclass(slots=True)
class _Open:
    """A part still growing upward: the pair of edges it lies between, and the vertices passed on either side."""

    left: int
    right: int
    left_side: list[tuple[float, float]]
    right_side: list[tuple[float, float]]


def convex_parts(rings: Sequence[Points]) -> list[Points]:
    """Convex parts of a valid region given by its closed rings (holes as rings like any other).

    One convex ring stays whole. Otherwise trapezoids between the heights of all vertices, stacked on one another while
    they stay convex. Parts share edges at most; each is counter-clockwise and begins at its lowest, then leftmost
    vertex.
    """
    if len(rings) == 1 and _is_convex(rings[0][:-1]):
        return [ordered(rings[0][:-1])]
    edges: list[_Edge] = []
    for ring in rings:
        for (x0, y0), (x1, y1) in zip(ring[:-1].tolist(), ring[1:].tolist(), strict=True):
            if y0 != y1:
                edges.append((x0, y0, x1, y1) if y0 < y1 else (x1, y1, x0, y0))
    heights = sorted({y for edge in edges for y in (edge[1], edge[3])})
    edges.sort(key=lambda edge: edge[1])
    growing: list[_Open] = []
    parts: list[Points] = []
    active: list[int] = []
    coming = 0
    for low, high in itertools.pairwise(heights):
        active = [e for e in active if edges[e][3] > low]
        while coming < len(edges) and edges[coming][1] <= low:
            active.append(coming)
            coming += 1
        middle = (low + high) / 2
        active.sort(key=lambda e: _at(edges[e], middle))
        above: list[_Open] = []
        for left, right in zip(active[::2], active[1::2], strict=True):
            ends = (_at(edges[left], low), _at(edges[right], low))
            part = next((p for p in growing if _continues(edges, p, left, right, ends, low)), None)
            if part is None:
                part = _Open(left, right, [(ends[0], low)], [(ends[1], low)])
            else:
                growing.remove(part)
                if part.left != left:
                    part.left_side.append((ends[0], low))
                if part.right != right:
                    part.right_side.append((ends[1], low))
                part.left, part.right = left, right
            above.append(part)
        parts.extend(_closed(edges, part, low) for part in growing)
        growing = above
    parts.extend(_closed(edges, part, heights[-1]) for part in growing)
    return [part for part in parts if len(part) >= 3]


def _at(edge: _Edge, y: float) -> float:
    x0, y0, x1, y1 = edge
    return x0 + (x1 - x0) * ((y - y0) / (y1 - y0))


def _lean(edge: _Edge) -> float:
    return (edge[2] - edge[0]) / (edge[3] - edge[1])


def _continues(edges: Sequence[_Edge], part: _Open, left: int, right: int, ends: tuple[float, float], y: float) -> bool:
    """Whether the trapezoid between two edges goes on where the part ends, bulging on neither side inward."""
    if (part.left, part.right) == (left, right):
        return True
    near = _SAME * (1.0 + abs(ends[0]) + abs(ends[1]))
    if abs(_at(edges[part.left], y) - ends[0]) > near or abs(_at(edges[part.right], y) - ends[1]) > near:
        return False
    return _lean(edges[left]) >= _lean(edges[part.left]) and _lean(edges[right]) <= _lean(edges[part.right])


def _closed(edges: Sequence[_Edge], part: _Open, top: float) -> Points:
    left = [*part.left_side, (_at(edges[part.left], top), top)]
    right = [*part.right_side, (_at(edges[part.right], top), top)]
    if right[0][0] <= left[0][0]:
        right.pop(0)
    if right[-1][0] <= left[-1][0]:
        right.pop()
    return np.array([left[0], *right, *left[:0:-1]])


def _turns(ring: Points) -> Points:
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    turn: Points = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return turn


def _is_convex(ring: Points) -> bool:
    turn = _turns(ring)
    return bool((turn >= 0).all() or (turn <= 0).all())


def ordered(ring: Points) -> Points:
    """Convex ring, first vertex not repeated, counter-clockwise from its lowest, then leftmost vertex."""
    if float(_turns(ring).sum()) < 0:
        ring = ring[::-1]
    first = int(np.lexsort((ring[:, 0], ring[:, 1]))[0])
    return np.ascontiguousarray(np.roll(ring, -first, axis=0))
