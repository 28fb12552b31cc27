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
        """Compile in nopython mode and keep the machine code on disk.

        No kernel allocates or is called from C, so reference counting and C wrappers are left out: shorter compilation.
        """
        return njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True, _nrt=False)(function)


FULL = np.uint64(0xFFFFFFFFFFFFFFFF)
ONE = np.uint64(1)
_PAIRS, _FOURS = np.uint64(0x5555555555555555), np.uint64(0x3333333333333333)
_EIGHTS, _EVERY_BYTE = np.uint64(0x0F0F0F0F0F0F0F0F), np.uint64(0x0101010101010101)
#: Outlines may reach into a cell by this share of its side without blocking it (far below the 0.01 mm promised).
GRAZE = 1e-4

Cells = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint64]
Table = npt.NDArray[np.int32]


@compiled
def cover_cells(edges: npt.NDArray[np.float64], cells: Cells, flips: Cells) -> None:
    """Set the cells whose interior meets the outline.

    ``edges`` (n, 4): x0, y0, x1, y1 in cell units, all rings of valid disjoint polygons. ``cells`` (rows, columns) and
    ``flips`` (rows, columns + 1) come in as zeros; ``flips`` is scratch. A cell with an edge through
    its interior is set; any other cell is wholly in or out, which the parity of its centre decides.
    """
    rows, columns = cells.shape
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
def _paint_runs(pyramid: Words, columns: int, runs: Table, first: int, last: int, x: int, y: int) -> tuple[int, int]:
    """Set the cells of runs (row, from, to) relative to (x, y) in level 0, clipped; which rows, from and to."""
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
    return low, high


@compiled
def block_runs(pyramid: Words, columns: int, runs: Table, first: int, last: int, x: int, y: int) -> None:
    """Block cells given as runs (row, from, to) relative to (x, y), clipped to the plate; then refresh the rows."""
    low, high = _paint_runs(pyramid, columns, runs, first, last, x, y)
    refresh_rows(pyramid, low, high)


@compiled
def block_copies(pyramid: Words, columns: int, runs: Table, angles: Table, found: Table) -> None:
    """Block the cells of copies that stand as ``found`` says (rows of rotation, y, x; ``runs`` and ``angles`` as in
    :func:`place_copies`), then refresh the rows."""
    low, high = pyramid.shape[0], 0
    for i in range(found.shape[0]):
        a = found[i, 0]
        from_row, to_row = _paint_runs(pyramid, columns, runs, angles[a, 2], angles[a, 3], found[i, 2], found[i, 1])
        low, high = min(low, from_row), max(high, to_row)
    refresh_rows(pyramid, low, high)


@compiled
def blocked_cells(pyramid: Words) -> int:
    """How many cells are blocked."""
    count = 0
    for row in range(pyramid.shape[0]):
        for w in range(pyramid.shape[2]):
            bits = pyramid[row, 0, w]
            # Sums of bits in ever wider fields of the word.
            bits -= (bits >> ONE) & _PAIRS
            bits = (bits & _FOURS) + ((bits >> np.uint64(2)) & _FOURS)
            bits = (bits + (bits >> np.uint64(4))) & _EIGHTS
            count += int((bits * _EVERY_BYTE) >> np.uint64(56))
    return count


@compiled
def free_in_row(
    pyramid: Words, columns: int, tests: Table, first: int, last: int, width: int, y: int, start: int
) -> int:
    """First free x >= ``start`` for a piece with its lower-left cell in row ``y``; ``columns`` when there is none.

    ``tests`` rows: (row, level, offset of the left block, offset of the right block or -1 when one is enough). Bit x
    of ``bad`` says that some test hits a blocked cell at position x; 64 positions are settled together.
    """
    span = columns - width + 1
    for w in range(start >> 6, (span + 63) >> 6):
        bad = np.uint64(0)
        if 64 * w < start:
            bad = (ONE << np.uint64(start & 63)) - ONE
        if span < 64 * (w + 1):
            bad |= FULL << np.uint64(span & 63)
        for i in range(first, last):
            if bad == FULL:
                break
            row, level = tests[i, 0] + y, tests[i, 1]
            for side in range(2, 4):
                offset = tests[i, side]
                if offset >= 0:
                    word = w + (offset >> 6)
                    shift = np.uint64(offset & 63)
                    bad |= pyramid[row, level, word] >> shift
                    if shift:
                        bad |= pyramid[row, level, word + 1] << (np.uint64(64) - shift)
        if bad != FULL:
            x = 64 * w
            while bad & ONE:
                bad >>= ONE
                x += 1
            return x
    return columns


@compiled
def touching_cells(pyramid: Words, columns: int, rim: Table, first: int, last: int, x: int, y: int) -> int:
    """How many cells of a rim (runs of single cells or more) are blocked or outside the plate."""
    rows = pyramid.shape[0]
    count = 0
    for i in range(first, last):
        row = rim[i, 0] + y
        if row < 0 or row >= rows:
            count += rim[i, 2] - rim[i, 1]
            continue
        for column in range(rim[i, 1] + x, rim[i, 2] + x):
            if column < 0 or column >= columns:
                count += 1
            else:
                count += int((pyramid[row, 0, column >> 6] >> np.uint64(column & 63)) & ONE)
    return count


@compiled
def place_copies(
    pyramid: Words,
    columns: int,
    tests: Table,
    runs: Table,
    rim: Table,
    angles: Table,
    left: Table,
    found: Table,
    turn: int,
    snug: float,
) -> int:
    """Place copies one after the other until ``found`` is full or no room is left; returns how many stand.

    ``angles`` rows, one per rotation: tests from, to, runs from, to, rim from, to, height, width in cells, height of
    the centroid in 1/16 cells. Candidates: the leftmost free position of every row and rotation. Every copy takes the
    one with the lowest centroid (then smallest x, then earlier rotation) when ``snug`` is 0; otherwise that with the
    largest share of touching rim less 1/``snug`` of the relative centroid height. ``left`` (rotation, row) is the
    smallest x not yet known to be blocked: blocking only grows, so the search never looks back. ``found`` rows get
    (rotation, y, x). ``turn`` fixes the rotation (-1: free choice).
    """
    rows = pyramid.shape[0]
    placed = 0
    while placed < found.shape[0]:
        best, best_x, best_y, best_score = -1, 0, 0, -1e300
        for a in range(angles.shape[0]):
            if turn >= 0 and a != turn:
                continue
            rim_from, rim_to = angles[a, 4], angles[a, 5]
            width, lift = angles[a, 7], angles[a, 8]
            length = 0
            for i in range(rim_from, rim_to):
                length += rim[i, 2] - rim[i, 1]
            for y in range(rows - angles[a, 6] + 1):
                score = -float(16 * y + lift) * columns
                if snug == 0.0 and score < best_score:
                    break
                if left[a, y] >= columns:
                    continue
                x = free_in_row(pyramid, columns, tests, angles[a, 0], angles[a, 1], width, y, left[a, y])
                left[a, y] = x
                if x >= columns:
                    continue
                if snug > 0.0:
                    touch = touching_cells(pyramid, columns, rim, rim_from, rim_to, x, y)
                    score = snug * touch / length - (16 * y + lift) / (16.0 * rows)
                else:
                    score -= x
                if score > best_score:
                    best, best_x, best_y, best_score = a, x, y, score
                if snug == 0.0:
                    break
        if best < 0:
            break
        block_runs(pyramid, columns, runs, angles[best, 2], angles[best, 3], best_x, best_y)
        found[placed, 0], found[placed, 1], found[placed, 2] = best, best_y, best_x
        placed += 1
    return placed
