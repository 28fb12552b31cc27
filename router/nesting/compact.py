"""Pushing a strip's pieces together without turning them: a linear programme over their positions, repeated.

Every pair of convex parts of two pieces stays on its side of one line, chosen where the pieces stand now, so no piece
passes another. Compaction by linear programming: Li & Milenkovic (1995), European Journal of Operational Research 84.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_array

from router.nesting.compact_kernels import separators, turn_parts
from router.nesting.convex_parts import convex_parts
from router.nesting.lattice_kernels import Floats, Longs
from router.nesting.mask import closed_rings, dilated
from router.nesting.placement import Placement
from router.nesting.shape import Shape, turned

#: A step moves no piece by more than this share of the strip's height; nearer pairs get a line.
_STEP_SHARE = 0.004
_STEP_LEAST = 0.0005
_LEAST_GAIN = 1e-6
_PULL = 1e-3


#: More lines than this make a programme slow: the step is halved.
_MOST_LINES = 6000


@dataclass(frozen=True, slots=True, eq=False)
class _Body:
    """Convex parts (vertices, first and one past) of an outline and of it dilated by the spacing and mirrored."""

    own: Floats
    own_parts: Longs
    grown: Floats
    grown_parts: Longs

    def turned(self, angle_deg: float) -> _Body:
        """The same, turned about the origin."""
        cos, sin = turned(np.array([[1.0, 0.0]]), angle_deg)[0].tolist()
        own, grown = np.empty_like(self.own), np.empty_like(self.grown)
        turn_parts(self.own, self.own_parts, cos, sin, own)
        turn_parts(self.grown, self.grown_parts, cos, sin, grown)
        return _Body(own, self.own_parts, grown, self.grown_parts)


class Compaction:
    """Outlines of one strip as convex parts, and the steps. Any rotation may occur."""

    def __init__(self, height: float, shapes: Mapping[str, Shape], spacing: float = 0.0) -> None:
        self._height = height
        self._shapes = shapes
        self._spacing = spacing
        self._given: dict[str, _Body] = {}

    def parts_of(self, key: str) -> int:
        """Convex parts of an outline."""
        return len(self._body(key).own_parts)

    def tighten(self, places: Sequence[Placement], until: float, rounds: int = 60) -> tuple[Placement, ...]:
        """Shorter layout of the same pieces, at most ``rounds`` steps until the clock shows ``until`` (monotonic)."""
        keys = sorted({(p.shape_key, p.angle_deg) for p in places})
        numbers = {key: k for k, key in enumerate(keys)}
        variant_of: Longs = np.array([numbers[p.shape_key, p.angle_deg] for p in places], dtype=np.int64)
        bodies = [self._body(key).turned(angle) for key, angle in keys]
        own, own_parts, own_first = _joined([(b.own, b.own_parts) for b in bodies])
        grown, grown_parts, grown_first = _joined([(b.grown, b.grown_parts) for b in bodies])
        bounds = np.array([np.concatenate((b.own.min(axis=0), b.own.max(axis=0))) for b in bodies])
        boxes = np.array([np.concatenate((-b.grown.max(axis=0), -b.grown.min(axis=0))) for b in bodies])
        at: Floats = np.array([(p.x_mm, p.y_mm) for p in places])
        step = _STEP_SHARE * self._height
        pairs: Longs = np.empty((_MOST_LINES, 2), dtype=np.int64)
        lines: Floats = np.empty((_MOST_LINES, 3))
        length = float((at[:, 0] + bounds[variant_of, 2]).max())
        took = 0.0
        for _ in range(rounds):
            began = time.monotonic()
            if began + took >= until:
                break
            count = separators(
                at, variant_of, boxes, own, own_parts, own_first, grown, grown_parts, grown_first,
                2.9 * step, pairs, lines,
            )  # fmt: skip
            if count < 0 and step > _STEP_LEAST * self._height:
                step /= 2
                continue
            if count < 0:
                pairs = np.empty((2 * len(pairs), 2), dtype=np.int64)
                lines = np.empty((len(pairs), 3))
                continue
            moved = self._step(at, bounds[variant_of], pairs[:count], lines[:count], step, until)
            took = time.monotonic() - began
            if moved is None:
                break
            shorter = float((moved[:, 0] + bounds[variant_of, 2]).max())
            if shorter > length + 1e-9 * self._height:
                break
            at, gain, length = moved, length - shorter, shorter
            if gain < _LEAST_GAIN * length:
                break
        return tuple(
            Placement(p.shape_key, float(x), float(y), p.angle_deg) for p, (x, y) in zip(places, at, strict=True)
        )

    def _step(
        self, at: Floats, bounds: Floats, pairs: Longs, lines: Floats, step: float, until: float
    ) -> Floats | None:
        n, m = len(at), len(pairs)
        low_x, high_x = np.maximum(at[:, 0] - step, -bounds[:, 0]), at[:, 0] + step
        low_y = np.maximum(at[:, 1] - step, -bounds[:, 1])
        high_y = np.minimum(at[:, 1] + step, self._height - bounds[:, 3])
        # What stands over the edge by a rounding error may stay there.
        low_x, low_y = np.minimum(low_x, at[:, 0]), np.minimum(low_y, at[:, 1])
        high_y = np.maximum(high_y, at[:, 1])
        i, j = pairs[:, 0], pairs[:, 1]
        a, b, c = lines[:, 0], lines[:, 1], lines[:, 2]
        row = np.arange(m)
        ends = m + np.arange(n)
        rows = np.concatenate((row, row, row, row, ends, ends))
        columns = np.concatenate((i, j, n + i, n + j, np.arange(n), np.full(n, 2 * n)))
        values = np.concatenate((a, -a, b, -b, np.ones(n), -np.ones(n)))
        matrix = csr_array((values, (rows, columns)), shape=(m + n, 2 * n + 1))
        limits = np.concatenate((-c, -bounds[:, 2]))
        cost = np.concatenate((np.full(n, _PULL / n), np.zeros(n), [1.0]))
        box = np.column_stack((np.concatenate((low_x, low_y, [0.0])), np.concatenate((high_x, high_y, [np.inf]))))
        left = max(until - time.monotonic(), 0.01)
        answer = linprog(cost, matrix, limits, bounds=box, method="highs", options={"time_limit": left})
        if answer.status != 0:
            return None
        return np.column_stack((answer.x[:n], answer.x[n : 2 * n]))

    def _body(self, key: str) -> _Body:
        known = self._given.get(key)
        if known is None:
            region = self._shapes[key].region()
            wide = closed_rings(dilated(region, self._spacing))
            known = _Body(*_packed(convex_parts(closed_rings(region))), *_packed(convex_parts([-r for r in wide])))
            self._given[key] = known
        return known


def _packed(parts: Sequence[Floats]) -> tuple[Floats, Longs]:
    stops = np.cumsum([len(part) for part in parts])
    spans: Longs = np.column_stack((np.concatenate(([0], stops[:-1])), stops)).astype(np.int64)
    return np.ascontiguousarray(np.concatenate(parts)), spans


def _joined(bodies: Sequence[tuple[Floats, Longs]]) -> tuple[Floats, Longs, Longs]:
    """Vertices of all bodies end to end, (first vertex, one past the last) of every part, first part of every body."""
    starts = np.concatenate(([0], np.cumsum([len(points) for points, _ in bodies])))
    spans: Longs = np.concatenate([parts + start for (_, parts), start in zip(bodies, starts[:-1], strict=True)])
    firsts: Longs = np.concatenate(([0], np.cumsum([len(parts) for _, parts in bodies]))).astype(np.int64)
    return np.ascontiguousarray(np.concatenate([points for points, _ in bodies])), spans, firsts
