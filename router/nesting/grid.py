"""The empty plate as cells of the search grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from router.nesting.plate import PlateSpec
from router.nesting.raster import Words, refresh_rows

#: Finest cell sizes tried, mm; the first that keeps the plate within the cell limit is taken.
_CELL_SIZES_MM = (0.5, 1.0, 2.0, 5.0, 10.0)
_CELL_LIMIT = 256
_WIDE_CELL_LIMIT = 512


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
    elif cell > min(spec.usable_width_mm, spec.usable_depth_mm) + 1e-6:
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
