"""Few pieces on a plate, exactly on a lattice of positions: yes with a layout, no, or not settled within the limit.

Made for tight sets of two to about fifteen pieces, where a search on cells loses what lies between outline and cell.
Overlap is judged with the true outlines, touching is allowed; only the positions are restricted: the anchor of a piece
(lower-left corner of its bounding box as turned, or the origin of its coordinates) stands a whole number of steps from
the lower-left corner of the usable region.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from router.nesting.convex_parts import convex_parts, ordered
from router.nesting.lattice_kernels import NO, YES, Floats, Longs, forbid, search
from router.nesting.mask import closed_rings, dilated
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec, keep_out_outline
from router.nesting.raster import Words
from router.nesting.shape import Shape, turned

_DEFAULT_STEPS = 64
#: Outlines with more vertices are thinned outward, by this share of a step.
_PLAIN_VERTICES, _THIN_SHARE = 40, 0.05
#: A piece may reach over the edge by this much, mm (rounding of decimal sizes; the exact check grants 0.01 mm).
_REACH_MM = 1e-6
#: Nodes of the first try from each of the four corners.
_FIRST_NODES = 50
_POOL_WORDS = 1 << 22

#: Rotations one board remembers; the table of pairs grows with the square.
_MOST_VARIANTS = 1024

Answer = Literal["yes", "no", "unknown"]
Anchor = Literal["corner", "origin"]


@dataclass(frozen=True, slots=True)
class LatticeAnswer:
    """``yes`` with the layout, ``no`` (no layout on this lattice; ``reason`` says whether by area), or ``unknown``."""

    status: Answer
    placements: tuple[Placement, ...]
    nodes: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class _Body:
    """One rotation in steps: convex parts of the outline and, mirrored in the origin, of it dilated by the spacing.

    The outline lies right of and above the origin, which is ``corner_mm`` in the coordinates of the turned shape.
    """

    own: Floats
    own_parts: Longs
    grown: Floats
    grown_parts: Longs
    width: float
    height: float
    corner_mm: tuple[float, float]


class _Board:
    """Positions on one kind of plate and the pair masks met so far."""

    def __init__(self, spec: PlateSpec, step_mm: float, anchor: Anchor) -> None:
        self.spec = spec
        self.step_mm = step_mm
        self.anchor = anchor
        self.columns = int(spec.usable_width_mm / step_mm + 1e-9) + 1
        self.rows = int(spec.usable_depth_mm / step_mm + 1e-9) + 1
        self.words = (self.columns + 63) // 64
        self.forget()

    def forget(self) -> None:
        """Start anew: no outline is known."""
        self.known: dict[str, range] = {}
        self.bodies: list[_Body] = []
        self.homes = np.zeros((16, self.rows, self.words), dtype=np.uint64)
        self.places: Longs = np.full((16, 16, 5), -1, dtype=np.int64)
        self.pool: Words = np.zeros(1 << 12, dtype=np.uint64)
        self.used = 0

    def variants(self, shape: Shape) -> range:
        """Numbers of the shape's rotations, entered on first sight."""
        known = self.known.get(shape.key)
        if known is None:
            first = len(self.bodies)
            self.bodies.extend(_bodies(shape, self.spec.spacing_mm, self.step_mm, self.anchor))
            known = self.known[shape.key] = range(first, len(self.bodies))
            while len(self.homes) < len(self.bodies):
                self.homes = np.concatenate((self.homes, np.zeros_like(self.homes)))
                old = self.places
                self.places = np.full((2 * len(old), 2 * len(old), 5), -1, dtype=np.int64)
                self.places[: len(old), : len(old)] = old
            for v in known:
                self.homes[v] = _packed(self._home(self.bodies[v]), self.words)
        return known

    def _home(self, body: _Body) -> npt.NDArray[np.bool_]:
        spec, step = self.spec, self.step_mm
        reach = _REACH_MM / step
        free = np.zeros((self.rows, self.columns), dtype=bool)
        high = math.floor(spec.usable_depth_mm / step - body.height + reach)
        wide = math.floor(spec.usable_width_mm / step - body.width + reach)
        free[: max(high + 1, 0), : max(wide + 1, 0)] = True
        if spec.round:
            centre = spec.usable_width_mm / 2
            x = body.own[:, 0, None] * step + step * np.arange(self.columns) - centre
            y = body.own[:, 1, None] * step + step * np.arange(self.rows) - centre
            far = (np.square(x)[:, None, :] + np.square(y)[:, :, None]).max(axis=0)
            free &= far <= (centre + _REACH_MM) ** 2
        for zone in spec.keep_outs:
            corner = np.array([spec.edge_margin_mm, spec.edge_margin_mm])
            points, parts = _joined([(ring - corner) / step for ring in closed_rings(keep_out_outline(zone))])
            marks = np.zeros((self.rows, self.columns), dtype=np.uint8)
            mirrored = [ordered(-body.own[a:b]) for a, b in body.own_parts.tolist()]
            forbid(points, parts, np.concatenate(mirrored), body.own_parts, 0, 0, marks)
            free &= marks == 0
        return free

    def fill_pairs(self, numbers: Sequence[int]) -> None:
        """Enter the masks of all pairs of these variants."""
        missing = np.argwhere(self.places[np.ix_(numbers, numbers)][:, :, 0] < 0)
        for i, j in missing.tolist():
            if i <= j:
                self._enter(numbers[i], numbers[j])

    def _enter(self, v: int, u: int) -> None:
        first, second = self.bodies[v], self.bodies[u]
        spare = math.ceil(self.spec.spacing_mm / self.step_mm) + 1
        low_row, low_column = -math.ceil(second.height) - spare, -math.ceil(second.width) - spare
        shape = (math.ceil(first.height) + spare - low_row + 1, math.ceil(first.width) + spare - low_column + 1)
        marks = np.zeros(shape, dtype=np.uint8)
        forbid(first.own, first.own_parts, second.grown, second.grown_parts, low_row, low_column, marks)
        rows, columns = np.flatnonzero(marks.any(axis=1)), np.flatnonzero(marks.any(axis=0))
        if len(rows):
            marks = marks[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            low_row, low_column = low_row + int(rows[0]), low_column + int(columns[0])
        self._keep(v, u, marks, low_row, low_column)
        if u != v:
            # What keeps the one off the other keeps the other off the one: the same displacements, mirrored.
            high_row, high_column = low_row + marks.shape[0] - 1, low_column + marks.shape[1] - 1
            self._keep(u, v, marks[::-1, ::-1], -high_row, -high_column)

    def _keep(self, v: int, u: int, marks: npt.NDArray[np.uint8], low_row: int, low_column: int) -> None:
        wide = (marks.shape[1] + 63) // 64
        words = _packed(marks.astype(bool), wide).ravel()
        while self.used + len(words) > len(self.pool):
            self.pool = np.concatenate((self.pool, np.zeros_like(self.pool)))
        self.pool[self.used : self.used + len(words)] = words
        self.places[v, u] = self.used, marks.shape[0], wide, low_row, low_column
        self.used += len(words)


def lattice_fit(
    spec: PlateSpec,
    pieces: Sequence[Shape],
    step_mm: float = 0.0,
    nodes: int = 20_000,
    seed: int = 0,
    anchor: Anchor = "corner",
) -> LatticeAnswer:
    """Do all these pieces (copies given as often as they occur) fit the plate on a lattice of ``step_mm``?

    ``step_mm`` 0: a 64th of the usable side. The search stops after ``nodes`` placements tried. A ``no`` is certain
    for the positions of this lattice; outlines of more than 40 vertices are thinned outward by up to a twentieth of
    a step first. Masks are kept by content, so the first question about an outline takes longest. ``seed`` chooses the
    corner from which the search begins. Raises ``ValueError`` for a step or node limit that is not above 0.
    """
    if step_mm < 0 or not math.isfinite(step_mm) or nodes <= 0:
        raise ValueError(f"step must not be negative and nodes above 0, got {step_mm:g} mm and {nodes}")
    if not pieces:
        return LatticeAnswer("yes", (), 0, "nothing to place")
    need = math.fsum(shape.bound_area_mm2(spec.spacing_mm) for shape in pieces)
    if need > spec.bound_area_mm2 * (1 + 1e-9):
        return LatticeAnswer("no", (), 0, f"the pieces need {need:.0f} mm2, the plate has {spec.bound_area_mm2:.0f}")
    board = _board(spec, step_mm or max(spec.usable_width_mm, spec.usable_depth_mm) / _DEFAULT_STEPS, anchor)
    counted = sorted(Counter(pieces).items(), key=lambda item: (-item[0].area_mm2, item[0].key))
    if board.used > _POOL_WORDS or len(board.bodies) > _MOST_VARIANTS:
        board.forget()
    numbers: list[int] = []
    groups: list[int] = []
    for group, (shape, _) in enumerate(counted):
        rotations = board.variants(shape)
        numbers.extend(rotations)
        groups.extend([group] * len(rotations))
    board.fill_pairs(numbers)
    home = board.homes[numbers]
    places = np.ascontiguousarray(board.places[np.ix_(numbers, numbers)])
    copies = np.array([count for _, count in counted], dtype=np.int64)
    stand: Longs = np.zeros((len(pieces), 3), dtype=np.int64)
    report: Longs = np.zeros(1, dtype=np.int64)
    used = 0
    found = NO
    tries = [(flip ^ seed & 3, min(_FIRST_NODES, nodes)) for flip in range(4)] + [(seed & 3, nodes)]
    for flip, limit in tries:
        limit = min(limit, nodes - used)
        if limit <= 0:
            break
        found = search(
            home, copies, np.array(groups, dtype=np.int64), len(counted), board.pool, places, limit, flip, stand, report
        )
        used += int(report[0])
        if found in (YES, NO):
            break
    if found == YES:
        placed = tuple(
            _placement(board, counted[groups[v]][0], numbers[v], row, column) for v, row, column in stand.tolist()
        )
        return LatticeAnswer("yes", placed, used, f"a layout was found after {used} positions")
    if found == NO:
        return LatticeAnswer("no", (), used, f"no layout with steps of {board.step_mm:g} mm")
    return LatticeAnswer("unknown", (), used, f"not settled after {used} positions")


def _placement(board: _Board, shape: Shape, number: int, row: int, column: int) -> Placement:
    body, margin = board.bodies[number], board.spec.edge_margin_mm
    return Placement(
        shape.key,
        margin + column * board.step_mm - body.corner_mm[0],
        margin + row * board.step_mm - body.corner_mm[1],
        shape.angles_deg[number - board.known[shape.key].start],
    )


@lru_cache(maxsize=32)
def _board(spec: PlateSpec, step_mm: float, anchor: Anchor) -> _Board:
    return _Board(spec, step_mm, anchor)


def _bodies(shape: Shape, spacing_mm: float, step_mm: float, anchor: Anchor) -> list[_Body]:
    region = shape.region()
    if sum(len(ring) for outer, holes in shape.polygons for ring in (outer, *holes)) > _PLAIN_VERTICES:
        thin = _THIN_SHARE * step_mm / 2
        region = region.buffer(thin, join_style="mitre").simplify(thin)
    bodies: list[_Body] = []
    wide = dilated(region, spacing_mm)
    for angle in shape.angles_deg:
        own = [turned(ring, angle) for ring in closed_rings(region)]
        corner = np.min([ring.min(axis=0) for ring in own], axis=0)
        if anchor == "origin":
            corner = np.floor(corner / step_mm + 1e-9) * step_mm
        size = np.max([ring.max(axis=0) for ring in own], axis=0) - corner
        grown = [turned(ring, angle) for ring in closed_rings(wide)]
        bodies.append(
            _Body(
                *_joined([(ring - corner) / step_mm for ring in own]),
                *_joined([-(ring - corner) / step_mm for ring in grown]),
                float(size[0]) / step_mm,
                float(size[1]) / step_mm,
                (float(corner[0]), float(corner[1])),
            )
        )
    return bodies


def _joined(rings: Sequence[Floats]) -> tuple[Floats, Longs]:
    parts = convex_parts(rings)
    stops = np.cumsum([len(part) for part in parts])
    spans: Longs = np.column_stack((np.concatenate(([0], stops[:-1])), stops)).astype(np.int64)
    return np.ascontiguousarray(np.concatenate(parts)), spans


def _packed(bits: npt.NDArray[np.bool_], words: int) -> Words:
    padded = np.zeros((bits.shape[0], words * 64), dtype=np.uint8)
    padded[:, : bits.shape[1]] = bits
    packed: Words = np.packbits(padded, axis=1, bitorder="little").view("<u8").astype(np.uint64)
    return packed
