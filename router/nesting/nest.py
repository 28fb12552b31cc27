"""One plate being filled: where pieces stand and what is still free."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from router.nesting.mask import Mask, blocked_runs_at, mask_of
from router.nesting.plate import PlateSpec
from router.nesting.raster import Table, Words, block_runs, place_copies, refresh_rows
from router.nesting.shape import Shape

#: Finest cell sizes tried, mm; the first that keeps the plate within the cell limit is taken.
_CELL_SIZES_MM = (0.5, 1.0, 2.0, 5.0, 10.0)
_CELL_LIMIT = 256
_WIDE_CELL_LIMIT = 512


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a piece stands: turn its own coordinates by ``angle_deg`` counter-clockwise about (0, 0), then shift."""

    shape_key: str
    x_mm: float
    y_mm: float
    angle_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Empty plate as cells: cell size, plate coordinates of the first cell's corner, blocked-run pyramid."""

    cell_mm: float
    x_mm: float
    y_mm: float
    rows: int
    columns: int
    pyramid: Words
    free_cells: int


def cell_size_mm(spec: PlateSpec) -> float:
    """Cell size of the search grid: 0.5 mm up to 128 mm of usable width, 1 mm up to 512 mm, coarser beyond."""
    if spec.resolution_mm > 0:
        return spec.resolution_mm
    reach = max(spec.usable_width_mm, spec.usable_depth_mm)
    for cell in _CELL_SIZES_MM:
        if reach / cell <= (_CELL_LIMIT if cell < 1 else _WIDE_CELL_LIMIT):
            return cell
    return reach / _WIDE_CELL_LIMIT


@lru_cache(maxsize=256)
def grid_of(spec: PlateSpec) -> Grid:
    """Cells wholly inside the usable region are free, all others blocked."""
    cell = cell_size_mm(spec)
    if spec.round:
        half = math.ceil((spec.width_mm / 2 - spec.edge_margin_mm) / cell - 1e-6)
        columns = rows = 2 * half
        x0 = y0 = spec.width_mm / 2 - half * cell
    else:
        columns = int(spec.usable_width_mm / cell + 1e-6)
        rows = int(spec.usable_depth_mm / cell + 1e-6)
        x0 = y0 = spec.edge_margin_mm
    columns, rows = max(columns, 1), max(rows, 1)
    left = x0 + cell * np.arange(columns)[None, :]
    low = y0 + cell * np.arange(rows)[:, None]
    blocked = np.zeros((rows, columns), dtype=bool)
    if spec.round:
        centre = spec.width_mm / 2
        far_x = np.maximum(np.abs(left - centre), np.abs(left + cell - centre))
        far_y = np.maximum(np.abs(low - centre), np.abs(low + cell - centre))
        blocked |= np.hypot(far_x, far_y) > centre - spec.edge_margin_mm + 1e-6
    elif x0 + cell > spec.width_mm - spec.edge_margin_mm + 1e-6 or y0 + cell > spec.depth_mm - spec.edge_margin_mm + 1e-6:
        blocked[:] = True
    for zone in spec.keep_outs:
        near_x = np.clip(zone.x_mm, left, left + cell) - zone.x_mm
        near_y = np.clip(zone.y_mm, low, low + cell) - zone.y_mm
        blocked |= np.hypot(near_x, near_y) < zone.radius_mm - 1e-6
    pyramid = _pack(blocked)
    pyramid.flags.writeable = False
    return Grid(cell, x0, y0, rows, columns, pyramid, int((~blocked).sum()))


def _pack(blocked: npt.NDArray[np.bool_]) -> Words:
    rows, columns = blocked.shape
    words = (columns + 63) // 64
    bits = np.zeros((rows, words * 64), dtype=np.uint8)
    bits[:, :columns] = blocked
    packed = np.packbits(bits, axis=1, bitorder="little").view("<u8").astype(np.uint64)
    levels = columns.bit_length()
    pyramid = np.zeros((rows, levels, words + 1), dtype=np.uint64)
    pyramid[:, 0, :words] = packed
    refresh_rows(pyramid, 0, rows)
    return pyramid


@dataclass(frozen=True, slots=True, eq=False)
class _Standing:
    """What a piece blocks, kept to rebuild the plate after a removal."""

    runs: Table
    first: int
    last: int
    x: int
    y: int


class Nest:
    """A plate with pieces on it. Adding is greedy and deterministic; copies share their bitmap until one changes.

    Positions lie on the plate's cell grid. The result is safe by construction (see :class:`router.nesting.mask.Mask`);
    :func:`router.nesting.confirm.confirm` checks it exactly and independently.
    """

    __slots__ = ("spec", "placements", "shapes", "_grid", "_pyramid", "_own", "_standing", "_resume", "_area", "_free")

    def __init__(self, spec: PlateSpec) -> None:
        """Empty plate."""
        self.spec = spec
        self.placements: list[Placement] = []
        self.shapes: dict[str, Shape] = {}
        self._grid = grid_of(spec)
        self._pyramid = self._grid.pyramid
        self._own = False
        self._standing: list[_Standing] = []
        self._resume: dict[str, Table] = {}
        self._area = 0.0
        self._free = self._grid.free_cells

    def copy(self) -> Nest:
        """Independent copy; the bitmap is shared until either side changes."""
        twin = Nest.__new__(Nest)
        twin.spec = self.spec
        twin.placements = self.placements.copy()
        twin.shapes = self.shapes.copy()
        twin._grid = self._grid
        twin._pyramid = self._pyramid
        twin._own = self._own = False
        twin._standing = self._standing.copy()
        twin._resume = self._resume.copy()
        twin._area = self._area
        twin._free = self._free
        return twin

    def _writable(self) -> Words:
        if not self._own:
            self._pyramid = self._pyramid.copy()
            self._own = True
        return self._pyramid

    def _mask(self, shape: Shape) -> Mask:
        return mask_of(shape, self.spec.spacing_mm, self._grid.cell_mm)

    def add(self, shape: Shape, count: int = 1) -> int:
        """Place up to ``count`` copies in free room; returns how many stand now that did not before."""
        return self._add(shape, count, -1)

    def add_turned(self, shape: Shape, count: int, rotation: int) -> int:
        """Like :meth:`add` with one rotation only (index into ``shape.angles_deg``)."""
        return self._add(shape, count, rotation)

    def _add(self, shape: Shape, count: int, turn: int) -> int:
        if count <= 0:
            return 0
        mask = self._mask(shape)
        count = min(count, self._free_cells() // mask.fewest_cells)
        if count <= 0:
            return 0
        resume = self._resume.get(shape.key)
        resume = np.zeros((len(mask.angles), 2), dtype=np.int32) if resume is None else resume.copy()
        found = np.empty((count, 3), dtype=np.int32)
        pyramid = self._writable()
        placed = place_copies(pyramid, self._grid.columns, mask.tests, mask.runs, mask.angles, resume, found, count, turn)
        self._resume[shape.key] = resume
        if placed:
            self._record(shape, mask, found[:placed].tolist())
        return placed

    def _record(self, shape: Shape, mask: Mask, found: list[list[int]]) -> None:
        grid = self._grid
        angles = mask.angles.tolist()
        for a, y, x in found:
            corner = mask.corner_mm[a]
            self.placements.append(
                Placement(
                    shape.key,
                    grid.x_mm + x * grid.cell_mm - corner[0],
                    grid.y_mm + y * grid.cell_mm - corner[1],
                    shape.angles_deg[a],
                )
            )
            self._standing.append(_Standing(mask.runs, angles[a][2], angles[a][3], x, y))
        self.shapes[shape.key] = shape
        self._area += shape.area_mm2 * len(found)
        self._free = -1

    def put(self, shape: Shape, placement: Placement) -> None:
        """Stand a piece exactly there, without looking whether it fits (for plates nested elsewhere or running)."""
        if placement.shape_key != shape.key:
            raise ValueError(f"placement is of shape {placement.shape_key}, not {shape.key}")
        grid = self._grid
        runs = blocked_runs_at(
            shape,
            self.spec.spacing_mm,
            grid.cell_mm,
            placement.x_mm - grid.x_mm,
            placement.y_mm - grid.y_mm,
            placement.angle_deg,
        )
        block_runs(self._writable(), grid.columns, runs, 0, len(runs), 0, 0)
        self.placements.append(placement)
        self._standing.append(_Standing(runs, 0, len(runs), 0, 0))
        self.shapes[shape.key] = shape
        self._area += shape.area_mm2
        self._free = -1

    def remove(self, indices: Iterable[int]) -> None:
        """Take pieces off by their index in ``placements``; the others keep their order.

        Raises ``IndexError`` for an index that is not there, before anything changes.
        """
        gone = set(indices)
        for index in gone:
            if not 0 <= index < len(self.placements):
                raise IndexError(f"no piece {index} on a plate of {len(self.placements)} pieces")
        if not gone:
            return
        keep = [i for i in range(len(self.placements)) if i not in gone]
        self.placements = [self.placements[i] for i in keep]
        self._standing = [self._standing[i] for i in keep]
        used = {p.shape_key for p in self.placements}
        self.shapes = {key: shape for key, shape in self.shapes.items() if key in used}
        self._area = math.fsum(self.shapes[p.shape_key].area_mm2 for p in self.placements)
        self._pyramid = self._grid.pyramid.copy()
        self._own = True
        for s in self._standing:
            block_runs(self._pyramid, self._grid.columns, s.runs, s.first, s.last, s.x, s.y)
        self._resume = {}
        self._free = -1

    def _free_cells(self) -> int:
        if self._free < 0:
            blocked = int(np.bitwise_count(self._pyramid[:, 0, :]).sum())
            self._free = self._grid.rows * self._grid.columns - blocked
        return self._free

    @property
    def net_area_mm2(self) -> float:
        """Sum of the areas of the pieces."""
        return self._area

    @property
    def fill(self) -> float:
        """Net area of the pieces over the usable area."""
        return self._area / self.spec.usable_area_mm2

    @property
    def free_area_mm2(self) -> float:
        """Area of the cells in which a piece may still stand (outside every dilated piece)."""
        return self._free_cells() * self._grid.cell_mm**2

    @staticmethod
    def of(spec: PlateSpec, shapes: Mapping[str, Shape], placements: Iterable[Placement]) -> Nest:
        """Plate with given pieces already standing."""
        nest = Nest(spec)
        for placement in placements:
            if placement.shape_key not in shapes:
                raise ValueError(f"no shape with key {placement.shape_key} was given")
            nest.put(shapes[placement.shape_key], placement)
        return nest
