"""Cells of a shape at one resolution: what it needs free, what it blocks. Cached per shape, spacing and cell size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from shapely.geometry.base import BaseGeometry

from router.nesting.raster import Table, cover_cells
from router.nesting.shape import Shape, turned

Points = npt.NDArray[np.float64]

#: Largest shortfall of the dilated outline's inscribed arcs, mm (a fifth of the promised 0.01 mm).
_ARC_ERROR_MM = 0.002
#: Digits of a piece's place within a cell: far finer than what an outline may graze of a cell.
_DIGITS = 7


@dataclass(frozen=True, slots=True, eq=False)
class Mask:
    """All rotations of one shape as cell tables.

    A piece needs the cells its own outline meets and blocks the cells its outline dilated by the full spacing meets.
    If a later piece's cells avoid the blocked cells, no point of it lies in the dilated outline, so the true clearance
    is at least the spacing, whichever piece came first; an outline whose sizes are whole cells wastes nothing.

    ``tests``, ``runs``, ``rim``, ``angles`` as in :func:`router.nesting.raster.place_copies`. ``corner_mm``: for every
    rotation the lower-left corner of the turned outline's bounding box, so that x_mm = cell corner - corner_mm.
    """

    tests: Table
    runs: Table
    rim: Table
    angles: Table
    corner_mm: tuple[tuple[float, float], ...]
    fewest_cells: int


@lru_cache(maxsize=4096)
def mask_of(shape: Shape, spacing_mm: float, cell_mm: float) -> Mask:
    """Mask of every allowed rotation."""
    body, grown = _point_sets(shape, spacing_mm)
    tests, runs, rims = _Stack(), _Stack(), _Stack()
    angles: list[tuple[int, ...]] = []
    corners: list[tuple[float, float]] = []
    fewest = 1 << 40
    for angle in shape.angles_deg:
        own = [turned(ring, angle) for ring in body]
        wide = [turned(ring, angle) for ring in grown]
        corner = np.min([ring.min(axis=0) for ring in own], axis=0)
        need, need_at = _cells(own, corner, cell_mm)
        block, block_at = _cells(wide, corner, cell_mm)
        size = (need.shape[0] + need_at[1], need.shape[1] + need_at[0])
        lift = round(16 * (float(np.nonzero(need)[0].mean()) + need_at[1] + 0.5))
        parts = (
            *tests.push(_tests(need, need_at)),
            *runs.push(_runs(block, block_at)),
            *rims.push(_rim(need, need_at)),
        )
        angles.append((*parts, *size, lift))
        corners.append((float(corner[0]), float(corner[1])))
        fewest = min(fewest, int(need.sum()))
    table = np.array(angles, dtype=np.int32)
    return Mask(tests.table(), runs.table(), rims.table(), table, tuple(corners), fewest)


@dataclass(frozen=True, slots=True, eq=False)
class Turned:
    """One rotation as runs (row, from, to) of the cells it needs (``own``) and of those it blocks (``blocked``).

    Rows and columns count from the lower-left corner of the turned outline's bounding box; ``rows`` and ``columns``
    are the size of the needed cells.
    """

    own: Table
    blocked: Table
    rows: int
    columns: int
    corner_mm: tuple[float, float]


@lru_cache(maxsize=4096)
def turned_runs(shape: Shape, spacing_mm: float, cell_mm: float) -> tuple[Turned, ...]:
    """Every allowed rotation as runs, in the order of ``shape.angles_deg`` (same cells as :func:`mask_of`)."""
    body, grown = _point_sets(shape, spacing_mm)
    result: list[Turned] = []
    for angle in shape.angles_deg:
        own = [turned(ring, angle) for ring in body]
        corner = np.min([ring.min(axis=0) for ring in own], axis=0)
        need, need_at = _cells(own, corner, cell_mm)
        block, block_at = _cells([turned(ring, angle) for ring in grown], corner, cell_mm)
        size = (need.shape[0] + need_at[1], need.shape[1] + need_at[0])
        at = (float(corner[0]), float(corner[1]))
        result.append(Turned(_runs(need, need_at), _runs(block, block_at), *size, at))
    return tuple(result)


class _Stack:
    """Tables laid end to end, each known by its first and last-but-one row."""

    def __init__(self) -> None:
        self._tables: list[Table] = []
        self._rows = 0

    def push(self, table: Table) -> tuple[int, int]:
        start = self._rows
        self._tables.append(table)
        self._rows += len(table)
        return start, self._rows

    def table(self) -> Table:
        return np.concatenate(self._tables)


def blocked_runs_at(
    shape: Shape, spacing_mm: float, cell_mm: float, x_mm: float, y_mm: float, angle_deg: float
) -> tuple[Table, int, int]:
    """Cells blocked by a piece standing anywhere, as runs and the column and row these count from.

    x_mm, y_mm refer to the grid's origin.
    """
    column, row = math.floor(x_mm / cell_mm), math.floor(y_mm / cell_mm)
    # Copies that a search placed differ by whole cells but for rounding: one table serves all of them.
    within_x, within_y = round(x_mm / cell_mm - column, _DIGITS), round(y_mm / cell_mm - row, _DIGITS)
    return _blocked_runs(shape, spacing_mm, cell_mm, within_x, within_y, angle_deg), column, row


@lru_cache(maxsize=8192)
def _blocked_runs(
    shape: Shape, spacing_mm: float, cell_mm: float, within_x: float, within_y: float, angle_deg: float
) -> Table:
    """Cells blocked by a piece so many cells right of and above the corner of a cell."""
    rings = [turned(ring, angle_deg) for ring in _point_sets(shape, spacing_mm)[1]]
    cells, at = _cells(rings, np.array([-within_x * cell_mm, -within_y * cell_mm]), cell_mm)
    return _runs(cells, at)


@lru_cache(maxsize=4096)
def _point_sets(shape: Shape, spacing_mm: float) -> tuple[list[Points], list[Points]]:
    """Closed rings of the outline and of the outline dilated by the spacing."""
    region = shape.region()
    return closed_rings(region), closed_rings(dilated(region, spacing_mm))


def dilated(region: BaseGeometry, spacing_mm: float) -> BaseGeometry:
    """Region widened by the spacing, arcs inscribed with at most 0.002 mm shortfall."""
    if spacing_mm <= 0:
        return region
    # shapely inscribes arcs: the sagitta of a segment is spacing * (1 - cos(pi / (4 * segments))).
    step = math.acos(max(0.0, 1.0 - _ARC_ERROR_MM / spacing_mm))
    segments = max(4, math.ceil(math.pi / (4 * step)))
    return region.buffer(spacing_mm, quad_segs=segments)


def closed_rings(geometry: BaseGeometry) -> list[Points]:
    """All rings of a polygon or multipolygon, the first vertex repeated at the end."""
    faces = getattr(geometry, "geoms", [geometry])
    return [np.array(ring.coords) for face in faces for ring in (face.exterior, *face.interiors)]


def _cells(rings: Sequence[Points], corner: Points, cell_mm: float) -> tuple[npt.NDArray[np.uint8], tuple[int, int]]:
    """Covered cells (rows, columns) and the (x, y) index of the first one, counted in cells from ``corner``."""
    scaled = [(ring - corner) / cell_mm for ring in rings]
    low = np.floor(np.min([ring.min(axis=0) for ring in scaled], axis=0) + 1e-6)
    high = np.ceil(np.max([ring.max(axis=0) for ring in scaled], axis=0) - 1e-6)
    edges = np.concatenate([np.hstack((ring[:-1], ring[1:])) for ring in scaled]) - np.tile(low, 2)
    columns, rows = (max(int(n), 1) for n in high - low)
    cells = np.zeros((rows, columns), dtype=np.uint8)
    cover_cells(np.ascontiguousarray(edges), cells, np.zeros((rows, columns + 1), dtype=np.uint8))
    return cells, (int(low[0]), int(low[1]))


def _spans(cells: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    """Runs of set cells as (row, from, to)."""
    padded = np.zeros((cells.shape[0], cells.shape[1] + 2), dtype=np.int8)
    padded[:, 1:-1] = cells
    change = np.diff(padded, axis=1)
    row, start = np.nonzero(change == 1)
    stop = np.nonzero(change == -1)[1]
    return np.column_stack((row, start, stop))


def _runs(cells: npt.NDArray[np.uint8], at: tuple[int, int]) -> Table:
    spans = _spans(cells) + np.array([at[1], at[0], at[0]])
    return np.ascontiguousarray(spans, dtype=np.int32)


def _rim(cells: npt.NDArray[np.uint8], at: tuple[int, int]) -> Table:
    """Runs of the free cells that share a side with the piece's own cells."""
    own = np.pad(cells.astype(bool), 1)
    near = own.copy()
    near[1:] |= own[:-1]
    near[:-1] |= own[1:]
    near[:, 1:] |= own[:, :-1]
    near[:, :-1] |= own[:, 1:]
    return _runs((near & ~own).astype(np.uint8), (at[0] - 1, at[1] - 1))


def _tests(cells: npt.NDArray[np.uint8], at: tuple[int, int]) -> Table:
    """Run tests (row, level, left block, right block), the ones most likely to hit first."""
    spans = _spans(cells) + np.array([at[1], at[0], at[0]])
    length = spans[:, 2] - spans[:, 1]
    level = np.floor(np.log2(length) + 1e-9).astype(np.int64)
    block = 1 << level
    right = np.where(length > block, spans[:, 2] - block, -1)
    table = np.column_stack((spans[:, 0], level, spans[:, 1], right))
    return np.ascontiguousarray(table[_probing_order(spans[:, 0], length)], dtype=np.int32)


def _probing_order(row: npt.NDArray[np.int64], length: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Widest run first, then ever closer rows between: neighbours tell little new, far rows tell most."""
    count = int(row.max()) + 1
    bits = max(count - 1, 1).bit_length()
    reverse = np.array([int(f"{r:0{bits}b}"[::-1], 2) for r in range(count)])
    order = np.lexsort((-length, reverse[row]))
    first = int(np.argmax(length))
    return np.concatenate(([first], order[order != first])).astype(np.int64)
