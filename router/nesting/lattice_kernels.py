"""Compiled kernels of the lattice search: which displacements overlap, and depth-first search over bit sets.

Displacements of piece B against piece A at which their interiors meet are the interior of the Minkowski sum of A and
the mirrored B. For convex parts that sum is convex, so every row of the lattice holds one open interval of it; pieces
that are not convex come as convex parts, and the intervals of all pairs of parts are united.

Layout. A *variant* is one rotation of one outline. ``domain`` (variants, rows, words): bit i of word w of row r says
that the variant may still stand at column 64 * w + i of row r. ``pool``: bit masks of pairs of variants end to end;
``places`` (variants, variants, 5): start in the pool, rows, words of a row, first row, first column, counted in
displacement of the second against the first.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from router.nesting.raster import Words
from router.nesting.rect_kernels import compiled

Longs = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

ONE = np.uint64(1)
#: Interiors that meet by less than this share of a step only touch (six decimals of the data on a step of 1).
TOUCH = 1e-6

YES, NO, UNKNOWN = 1, 0, -1


@compiled
def convex_sum(a: Floats, b: Floats, out: Floats) -> int:
    """Vertices of the Minkowski sum of two convex rings (counter-clockwise, lowest then leftmost vertex first).

    ``out`` has room for len(a) + len(b) rows; returns the number of vertices.
    """
    n, m = a.shape[0], b.shape[0]
    i, j, k = 0, 0, 0
    x, y = a[0, 0] + b[0, 0], a[0, 1] + b[0, 1]
    while i < n or j < m:
        out[k, 0], out[k, 1] = x, y
        k += 1
        ax, ay = a[(i + 1) % n, 0] - a[i % n, 0], a[(i + 1) % n, 1] - a[i % n, 1]
        bx, by = b[(j + 1) % m, 0] - b[j % m, 0], b[(j + 1) % m, 1] - b[j % m, 1]
        cross = ax * by - ay * bx
        # Both rings start at their lowest vertex; a cross product alone decides while both edges lie in one half turn.
        up_a, up_b = ay > 0.0 or (ay == 0.0 and ax > 0.0), by > 0.0 or (by == 0.0 and bx > 0.0)
        if j >= m:
            first = True
        elif i >= n:
            first = False
        elif up_a != up_b:
            first = up_a
        else:
            first = cross >= 0.0
        if first:
            x, y = x + ax, y + ay
            i += 1
        else:
            x, y = x + bx, y + by
            j += 1
    return k


@compiled
def forbid(
    a: Floats,
    a_parts: Longs,
    b: Floats,
    b_parts: Longs,
    first_row: int,
    first_column: int,
    marks: npt.NDArray[np.uint8],
) -> None:
    """Set ``marks[dy - first_row, dx - first_column]`` where the second, displaced by (dx, dy) steps, meets the first.

    Both in steps; ``b`` is mirrored in the origin already. ``*_parts`` rows: first vertex, one past the last.
    """
    rows, columns = marks.shape
    ring = np.empty((a.shape[0] + b.shape[0], 2))
    low = np.empty(rows)
    high = np.empty(rows)
    for p in range(a_parts.shape[0]):
        for q in range(b_parts.shape[0]):
            n = convex_sum(a[a_parts[p, 0] : a_parts[p, 1]], b[b_parts[q, 0] : b_parts[q, 1]], ring)
            bottom, top = ring[0, 1], ring[0, 1]
            for k in range(n):
                top = max(top, ring[k, 1])
            r0 = max(int(np.floor(bottom + TOUCH)) + 1 - first_row, 0)
            r1 = min(int(np.ceil(top - TOUCH)) - first_row, rows)
            for r in range(r0, r1):
                low[r], high[r] = 1e300, -1e300
            for k in range(n):
                x0, y0 = ring[k, 0], ring[k, 1]
                x1, y1 = ring[(k + 1) % n, 0], ring[(k + 1) % n, 1]
                if y0 > y1:
                    x0, y0, x1, y1 = x1, y1, x0, y0
                if y1 <= y0:
                    continue
                for r in range(
                    max(int(np.ceil(y0 - 1e-12)) - first_row, r0), min(int(np.floor(y1 + 1e-12)) - first_row + 1, r1)
                ):
                    share = min(max((r + first_row - y0) / (y1 - y0), 0.0), 1.0)
                    x = x0 + share * (x1 - x0)
                    low[r], high[r] = min(low[r], x), max(high[r], x)
            for r in range(r0, r1):
                c0 = max(int(np.floor(low[r] + TOUCH)) + 1 - first_column, 0)
                c1 = min(int(np.ceil(high[r] - TOUCH)) - first_column, columns)
                for c in range(c0, c1):
                    marks[r, c] = 1


@compiled
def _count(word: np.uint64) -> int:
    """Set bits of a word."""
    x = word - ((word >> ONE) & np.uint64(0x5555555555555555))
    x = (x & np.uint64(0x3333333333333333)) + ((x >> np.uint64(2)) & np.uint64(0x3333333333333333))
    x = (x + (x >> np.uint64(4))) & np.uint64(0x0F0F0F0F0F0F0F0F)
    return int((x * np.uint64(0x0101010101010101)) >> np.uint64(56))


@compiled
def _strike(domain: Words, v: int, pool: Words, place: Longs, row: int, column: int) -> None:
    """Take from variant ``v``'s positions those that meet a piece at (row, column)."""
    rows, words = domain.shape[1], domain.shape[2]
    at, high, wide = place[0], place[1], place[2]
    top = row + place[3]
    base = column + place[4]
    skip, shift = base >> 6, np.uint64(base & 63)
    for k in range(max(0, -top), min(high, rows - top)):
        for i in range(wide):
            bits = pool[at + k * wide + i]
            w = skip + i
            if 0 <= w < words:
                domain[v, top + k, w] &= ~(bits << shift)
            if shift and 0 <= w + 1 < words:
                domain[v, top + k, w + 1] &= ~(bits >> (np.uint64(64) - shift))


@compiled
def _meets(domain: Words, v: int, pool: Words, place: Longs, row: int, column: int) -> bool:
    """Whether some position of variant ``v`` meets a piece at (row, column)."""
    rows, words = domain.shape[1], domain.shape[2]
    at, high, wide = place[0], place[1], place[2]
    top = row + place[3]
    base = column + place[4]
    skip, shift = base >> 6, np.uint64(base & 63)
    for k in range(max(0, -top), min(high, rows - top)):
        for i in range(wide):
            bits = pool[at + k * wide + i]
            w = skip + i
            if 0 <= w < words and domain[v, top + k, w] & (bits << shift):
                return True
            if shift and 0 <= w + 1 < words and domain[v, top + k, w + 1] & (bits >> (np.uint64(64) - shift)):
                return True
    return False


@compiled
def _hit(pool: Words, place: Longs, dy: int, dx: int) -> bool:
    """Whether the mask holds a displacement."""
    k, c = dy - place[3], dx - place[4]
    if k < 0 or k >= place[1] or c < 0 or c >= 64 * place[2]:
        return False
    return bool((pool[place[0] + k * place[2] + (c >> 6)] >> np.uint64(c & 63)) & ONE)


@compiled
def _held(
    stand: Longs,
    k: int,
    depth: int,
    dy: int,
    dx: int,
    home: Words,
    domain: Words,
    copies: Longs,
    group_of: Longs,
    pool: Words,
    places: Longs,
) -> bool:
    """Whether the piece of level ``k`` can not move by (dy, dx), or an unplaced piece may still come to prevent it."""
    v, row, column = stand[k, 0], stand[k, 1] + dy, stand[k, 2] + dx
    if row < 0 or column < 0 or row >= home.shape[1] or column >= 64 * home.shape[2]:
        return True
    if not (home[v, row, column >> 6] >> np.uint64(column & 63)) & ONE:
        return True
    for j in range(depth):
        if j != k and _hit(pool, places[stand[j, 0], v], row - stand[j, 1], column - stand[j, 2]):
            return True
    for u in range(domain.shape[0]):
        if copies[group_of[u]] > 0 and _meets(domain, u, pool, places[v, u], row, column):
            return True
    return False


@compiled
def search(
    home: Words,
    copies: Longs,
    group_of: Longs,
    groups: int,
    pool: Words,
    places: Longs,
    nodes: int,
    flip: int,
    stand: Longs,
    report: Longs,
) -> int:
    """Stand all pieces: ``YES`` (``stand`` rows: variant, row, column), ``NO`` (none exists), ``UNKNOWN`` (limit).

    ``home``: positions of every variant on the empty plate; ``copies``: pieces of every group (same outline, any
    rotation); ``group_of``: group of every variant. A position that failed for one copy has failed for all of them. Any
    layout can be pushed into a corner, so only layouts in which no piece can move a step towards it are sought.
    ``flip``: the corner, 0 lower left, 1 upper left, 2 lower right, 3 upper right. ``report[0]`` gets the nodes used.
    """
    variants, rows, words = home.shape
    total = 0
    for g in range(groups):
        total += copies[g]
    domains = np.empty((total + 1, variants, rows, words), dtype=np.uint64)
    counts = np.empty((total + 1, groups), dtype=np.int64)
    chosen = np.empty(total + 1, dtype=np.int64)
    for v in range(variants):
        for r in range(rows):
            for w in range(words):
                domains[0, v, r, w] = home[v, r, w]
    for g in range(groups):
        counts[0, g] = copies[g]
    step_y, step_x = 1 if flip & 1 else -1, 1 if flip & 2 else -1
    depth, used, entering = 0, 0, True
    while depth >= 0:
        domain, left = domains[depth], counts[depth]
        if entering:
            entering = False
            pick, fewest = -1, 1 << 60
            for g in range(groups):
                if left[g] == 0:
                    continue
                size = 0
                for v in range(variants):
                    if group_of[v] == g:
                        for r in range(rows):
                            for w in range(words):
                                size += _count(domain[v, r, w])
                if size < left[g]:
                    pick = -2
                    break
                if size < fewest:
                    pick, fewest = g, size
            if pick == -2:
                depth -= 1
                continue
            chosen[depth] = pick
        g = chosen[depth]
        variant, row, column = -1, 0, 0
        for v in range(variants):
            if group_of[v] != g:
                continue
            found = False
            for k in range(rows):
                r = k if flip & 1 == 0 else rows - 1 - k
                if variant >= 0 and (r >= row if flip & 1 == 0 else r <= row):
                    break
                for i in range(words):
                    w = i if flip & 2 == 0 else words - 1 - i
                    bits = domain[v, r, w]
                    if bits:
                        bit = 0
                        if flip & 2 == 0:
                            while not (bits >> np.uint64(bit)) & ONE:
                                bit += 1
                        else:
                            bit = 63
                            while not (bits >> np.uint64(bit)) & ONE:
                                bit -= 1
                        variant, row, column = v, r, 64 * w + bit
                        found = True
                        break
                if found:
                    break
        if variant < 0:
            depth -= 1
            continue
        if used == nodes:
            return UNKNOWN
        used += 1
        report[0] = used
        domain[variant, row, column >> 6] &= ~(ONE << np.uint64(column & 63))
        stand[depth, 0], stand[depth, 1], stand[depth, 2] = variant, row, column
        if depth + 1 == total:
            return YES
        below, rest = domains[depth + 1], counts[depth + 1]
        for h in range(groups):
            rest[h] = left[h]
        rest[g] -= 1
        alive = True
        for v in range(variants):
            if rest[group_of[v]] == 0:
                continue
            for r in range(rows):
                for w in range(words):
                    below[v, r, w] = domain[v, r, w]
            _strike(below, v, pool, places[variant, v], row, column)
        for k in range(depth + 1):
            if not _held(stand, k, depth + 1, step_y, 0, home, below, rest, group_of, pool, places) or not _held(
                stand, k, depth + 1, 0, step_x, home, below, rest, group_of, pool, places
            ):
                alive = False
                break
        if alive:
            depth += 1
            entering = True
    return NO
