"""Compiled kernels: outline to cells, blocking cells, and the bit-parallel search for free positions.

Layout. A plate is ``rows`` of ``words`` uint64; bit i of word w is column 64*w + i. For every row the nest keeps a
small pyramid: bit x of level k says "some cell of x .. x + 2^k - 1 is blocked". A run of n cells is then tested for 64
positions at once by two shifted reads of level floor(log2 n). Words beyond the last column are padding.

Numpy arrays, integers only, no Python objects: every function here compiles in numba's nopython mode.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import numpy as np
import numpy.typing as npt

P = ParamSpec("P")
R = TypeVar("R")

if TYPE_CHECKING:

    def compiled(function: Callable[P, R]) -> Callable[P, R]:
        """Typed stand-in for numba's untyped decorator."""
        return function

else:
    from numba import njit

    def compiled(function):
        """Compile in nopython mode and keep the machine code on disk."""
        return njit(cache=True, nogil=True)(function)


FULL = np.uint64(0xFFFFFFFFFFFFFFFF)
ONE = np.uint64(1)
#: Outlines may reach into a cell by this share of its side without blocking it (far below the 0.01 mm promised).
GRAZE = 1e-4

Cells = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint64]
Table = npt.NDArray[np.int32]


@compiled
def cover_cells(edges: npt.NDArray[np.float64], rows: int, columns: int) -> Cells:
    """Cells whose interior meets the outline.

    ``edges`` (n, 4): x0, y0, x1, y1 in cell units, all rings of valid disjoint polygons. A cell with an edge through
    its interior is set; any other cell is wholly in or out, which the parity of its centre decides.
    """
    cells = np.zeros((rows, columns), dtype=np.uint8)
    flips = np.zeros((rows, columns + 1), dtype=np.uint8)
    for i in range(edges.shape[0]):
        x0, y0, x1, y1 = edges[i, 0], edges[i, 1], edges[i, 2], edges[i, 3]
        if y0 > y1:
            x0, y0, x1, y1 = x1, y1, x0, y0
        first = max(int(np.floor(y0 + GRAZE)), 0)
        last = min(int(np.ceil(y1 - GRAZE)), rows)
        slope = (x1 - x0) / (y1 - y0) if y1 > y0 else 0.0
        for row in range(first, last):
            xa = x0 if y0 >= row else x0 + slope * (row - y0)
            xb = x1 if y1 <= row + 1 else x0 + slope * (row + 1 - y0)
            if xa > xb:
                xa, xb = xb, xa
            left = max(int(np.floor(xa + GRAZE)), 0)
            right = min(int(np.ceil(xb - GRAZE)), columns)
            for column in range(left, right):
                cells[row, column] = 1
        for row in range(max(int(np.floor(y0 - 0.5)), 0), min(int(np.ceil(y1 + 0.5)), rows)):
            centre = row + 0.5
            if (y0 <= centre) != (y1 <= centre):
                cut = x0 + slope * (centre - y0)
                flips[row, min(max(int(np.floor(cut + 0.5)), 0), columns)] ^= 1
    for row in range(rows):
        inside = 0
        for column in range(columns):
            inside ^= flips[row, column]
            if inside:
                cells[row, column] = 1
    return cells


@compiled
def refresh_rows(pyramid: Words, first: int, last: int) -> None:
    """Rebuild levels 1 and up of rows ``first`` .. ``last - 1`` from level 0 (rows, levels, words + 1)."""
    levels, words = pyramid.shape[1], pyramid.shape[2] - 1
    for row in range(first, last):
        for level in range(1, levels):
            reach = 1 << (level - 1)
            skip = reach >> 6
            shift = np.uint64(reach & 63)
            for w in range(words):
                value = np.uint64(0)
                if w + skip < words:
                    value = pyramid[row, level - 1, w + skip] >> shift
                    if shift and w + skip + 1 < words:
                        value |= pyramid[row, level - 1, w + skip + 1] << (np.uint64(64) - shift)
                pyramid[row, level, w] = value | pyramid[row, level - 1, w]


@compiled
def block_runs(pyramid: Words, columns: int, runs: Table, first: int, last: int, x: int, y: int) -> None:
    """Block cells given as runs (row, from, to) relative to (x, y), clipped to the plate; then refresh the rows."""
    rows = pyramid.shape[0]
    low, high = rows, 0
    for i in range(first, last):
        row = runs[i, 0] + y
        if row < 0 or row >= rows:
            continue
        start = max(runs[i, 1] + x, 0)
        stop = min(runs[i, 2] + x, columns)
        if start >= stop:
            continue
        low, high = min(low, row), max(high, row + 1)
        w0, w1 = start >> 6, (stop - 1) >> 6
        head = FULL << np.uint64(start & 63)
        tail = FULL >> np.uint64(63 - ((stop - 1) & 63))
        if w0 == w1:
            pyramid[row, 0, w0] |= head & tail
        else:
            pyramid[row, 0, w0] |= head
            for w in range(w0 + 1, w1):
                pyramid[row, 0, w] = FULL
            pyramid[row, 0, w1] |= tail
    refresh_rows(pyramid, low, high)


@compiled
def blocked_positions(pyramid: Words, tests: Table, first: int, last: int, y: int, w: int, bad: np.uint64) -> np.uint64:
    """Which of the 64 positions of word ``w`` in row ``y`` collide (bit set), starting from ``bad``.

    ``tests`` rows: (row, level, offset of the left block, offset of the right block or -1 when one is enough).
    """
    for i in range(first, last):
        row, level = tests[i, 0] + y, tests[i, 1]
        for side in range(2, 4):
            offset = tests[i, side]
            if offset < 0:
                continue
            word = w + (offset >> 6)
            shift = np.uint64(offset & 63)
            value = pyramid[row, level, word] >> shift
            if shift:
                value |= pyramid[row, level, word + 1] << (np.uint64(64) - shift)
            bad |= value
        if bad == FULL:
            break
    return bad


@compiled
def first_free(
    pyramid: Words, columns: int, tests: Table, first: int, last: int, height: int, width: int, y0: int, x0: int, y_end: int
) -> tuple[int, int]:
    """First free position (y, x) in row order from (y0, x0) with y < y_end; (y_end, 0) when there is none."""
    span = columns - width + 1
    if span <= 0:
        return y_end, 0
    top = min(y_end, pyramid.shape[0] - height + 1)
    start = x0
    for y in range(y0, top):
        for w in range(start >> 6, (span + 63) >> 6):
            bad = np.uint64(0)
            if 64 * w < start:
                bad = (ONE << np.uint64(start & 63)) - ONE
            if span < 64 * (w + 1):
                bad |= FULL << np.uint64(span & 63)
            if bad == FULL:
                continue
            bad = blocked_positions(pyramid, tests, first, last, y, w, bad)
            if bad != FULL:
                x = 64 * w
                while bad & ONE:
                    bad >>= ONE
                    x += 1
                return y, x
        start = 0
    return y_end, 0


@compiled
def place_copies(
    pyramid: Words,
    columns: int,
    tests: Table,
    runs: Table,
    angles: Table,
    resume: Table,
    found: Table,
    count: int,
    turn: int,
) -> int:
    """Place up to ``count`` copies one after the other; returns how many stand.

    ``angles`` rows (one per rotation): tests from, to, runs from, to, height, width in cells. Every copy takes the
    rotation whose lowest free position has the lowest top edge, then the smallest x. ``resume`` (rotation, (y, x))
    is the first position not yet known to be blocked: blocking only grows, so the search never looks back. ``found`` receives
    (rotation, y, x). ``turn`` fixes the rotation (-1: choose). Equal scores go to the earlier rotation.
    """
    rows = pyramid.shape[0]
    placed = 0
    while placed < count:
        best, best_top, best_x, best_y = -1, rows + 1, 0, 0
        for a in range(angles.shape[0]):
            if turn >= 0 and a != turn:
                continue
            height, width = angles[a, 4], angles[a, 5]
            limit = min(best_top - height + 1, rows - height + 1)
            if resume[a, 0] >= limit:
                continue
            y, x = first_free(
                pyramid, columns, tests, angles[a, 0], angles[a, 1], height, width, resume[a, 0], resume[a, 1], limit
            )
            resume[a, 0], resume[a, 1] = y, x
            if y < limit and (y + height < best_top or x < best_x):
                best, best_top, best_x, best_y = a, y + height, x, y
        if best < 0:
            break
        block_runs(pyramid, columns, runs, angles[best, 2], angles[best, 3], best_x, best_y)
        found[placed, 0], found[placed, 1], found[placed, 2] = best, best_y, best_x
        placed += 1
    return placed
