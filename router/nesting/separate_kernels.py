"""Compiled kernels of the deep search: move overlapping pieces of one plate until none overlaps.

Guided local search on the cell grid: all pieces stand on the plate, overlaps allowed; a piece that overlaps moves to
the position (any allowed rotation) of least weighted overlap; pairs that keep overlapping weigh ever more. Weighted
overlap minimisation for nesting: Egeblad, Nielsen & Odgaard (2007), European Journal of Operational Research 183.

Tables. A *variant* is one rotation of one shape. ``own`` and ``blocked``: runs (row, from, to) of all variants end to
end; ``variants`` rows: own from, own to, blocked from, blocked to, rows, columns. ``pieces`` rows: first variant, one
past the last, movable (1 or 0). ``at`` rows: variant, row, column of the piece's lower-left cell.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from router.nesting.raster import Table
from router.nesting.rect_kernels import State, compiled, draw

Longs = npt.NDArray[np.int64]
Weights = npt.NDArray[np.float64]
Marks = npt.NDArray[np.uint8]

#: Weights are integers on the grid so that a free position costs exactly nothing; this many steps are 1.0.
SCALE = 32
#: Candidates of the coarse lattice that are refined.
KEPT = 6
_CAP = 60.0


@compiled
def shared_cells(
    a: Table, a_from: int, a_to: int, ya: int, xa: int, b: Table, b_from: int, b_to: int, yb: int, xb: int
) -> int:
    """Cells common to two lists of runs standing at (y, x); both sorted by row, then start."""
    i, j, count = a_from, b_from, 0
    while i < a_to and j < b_to:
        ra, rb = a[i, 0] + ya, b[j, 0] + yb
        if ra < rb:
            i += 1
        elif rb < ra:
            j += 1
        else:
            low = max(a[i, 1] + xa, b[j, 1] + xb)
            high = min(a[i, 2] + xa, b[j, 2] + xb)
            if high > low:
                count += high - low
            if a[i, 2] + xa < b[j, 2] + xb:
                i += 1
            else:
                j += 1
    return count


@compiled
def _cost_map(
    i: int,
    pieces: Longs,
    at: Longs,
    variants: Longs,
    blocked: Table,
    barred: Marks,
    weights: Weights,
    plain: Weights,
    cost: npt.NDArray[np.int32],
) -> None:
    """``cost[r, c]`` = weighted overlap of cells 0 .. c - 1 of row r for piece ``i`` (prefix sums along the row)."""
    rows, columns = barred.shape
    for row in range(rows):
        for column in range(columns + 2):
            cost[row, column] = 0
    for j in range(pieces.shape[0]):
        if j == i:
            continue
        step = np.int32(round(weights[i, j] * SCALE))
        v, y, x = at[j, 0], at[j, 1], at[j, 2]
        for k in range(variants[v, 2], variants[v, 3]):
            row = blocked[k, 0] + y
            if row < 0 or row >= rows:
                continue
            start = max(blocked[k, 1] + x, 0)
            stop = min(blocked[k, 2] + x, columns)
            if start < stop:
                cost[row, start + 1] += step
                cost[row, stop + 1] -= step
    base = np.int32(round(plain[i] * SCALE))
    for row in range(rows):
        level, total = np.int32(0), np.int32(0)
        for column in range(columns):
            level += cost[row, column + 1]
            total += level
            if barred[row, column]:
                total += base
            cost[row, column + 1] = total


@compiled
def _price(
    cost: npt.NDArray[np.int32], own: Table, first: int, last: int, skip: int, y: int, x: int, limit: int
) -> int:
    """Weighted overlap at a position over every ``skip``-th run; stops early above ``limit``."""
    total = 0
    for k in range(first, last, skip):
        row = own[k, 0] + y
        total += cost[row, own[k, 2] + x] - cost[row, own[k, 1] + x]
        if total > limit:
            break
    return int(total)


@compiled
def _best_place(
    i: int,
    pieces: Longs,
    variants: Longs,
    own: Table,
    cost: npt.NDArray[np.int32],
    rows: int,
    columns: int,
    state: State,
    top: Longs,
    best: Longs,
) -> int:
    """Cheapest position found for piece ``i``; ``best`` gets variant, row, column; returns the cost."""
    huge = 1 << 60
    for k in range(KEPT):
        top[k, 0] = huge
    worst = huge
    for v in range(pieces[i, 0], pieces[i, 1]):
        high, wide = variants[v, 4], variants[v, 5]
        if high > rows or wide > columns:
            continue
        small = min(high, wide)
        step = int(min(max(small // 5, 1), 6))
        first, last = variants[v, 0], variants[v, 1]
        skip = max(1, (last - first) // 12)
        y = int(draw(state) * min(step, rows - high + 1))
        shift = int(draw(state) * min(step, columns - wide + 1))
        while y <= rows - high:
            x = shift
            while x <= columns - wide:
                price = _price(cost, own, first, last, skip, y, x, worst // skip) * skip
                if price < worst:
                    # Into the list of candidates, replacing the worst one.
                    w = 0
                    for k in range(1, KEPT):
                        if top[k, 0] > top[w, 0]:
                            w = k
                    top[w, 0], top[w, 1], top[w, 2], top[w, 3] = price, v, y, x
                    worst = top[0, 0]
                    for k in range(1, KEPT):
                        worst = max(worst, top[k, 0])
                    if worst == 0:
                        break
                x += step
            if worst == 0:
                break
            y += step
        if worst == 0:
            break
    found = huge
    for k in range(KEPT):
        if top[k, 0] == huge:
            continue
        v, y, x = top[k, 1], top[k, 2], top[k, 3]
        first, last = variants[v, 0], variants[v, 1]
        price = _price(cost, own, first, last, 1, y, x, huge)
        step = 4
        while step >= 1 and price > 0:
            moved = False
            for d in range(8):
                # The eight neighbours, row by row, the middle left out.
                spot = d if d < 4 else d + 1
                ny, nx = y + (spot // 3 - 1) * step, x + (spot % 3 - 1) * step
                if ny < 0 or nx < 0 or ny + variants[v, 4] > rows or nx + variants[v, 5] > columns:
                    continue
                other = _price(cost, own, first, last, 1, ny, nx, price)
                if other < price:
                    price, y, x = other, ny, nx
                    moved = True
                    break
            if not moved:
                step //= 2
        if price < found:
            found = price
            best[0], best[1], best[2] = v, y, x
        if found == 0:
            break
    return found


@compiled
def _measure(
    i: int,
    pieces: Longs,
    at: Longs,
    variants: Longs,
    own: Table,
    blocked: Table,
    barred: Marks,
    reach: int,
    overlap: Longs,
    outside: Longs,
) -> None:
    """Cells piece ``i`` shares with every other and with barred cells, as it stands now."""
    v, y, x = at[i, 0], at[i, 1], at[i, 2]
    for j in range(pieces.shape[0]):
        if j == i:
            continue
        u = at[j, 0]
        gap_y = max(at[j, 1] - (y + variants[v, 4]), y - (at[j, 1] + variants[u, 4]))
        gap_x = max(at[j, 2] - (x + variants[v, 5]), x - (at[j, 2] + variants[u, 5]))
        count = 0
        if gap_y < reach and gap_x < reach:
            count = shared_cells(
                own, variants[v, 0], variants[v, 1], y, x,
                blocked, variants[u, 2], variants[u, 3], at[j, 1], at[j, 2],
            )  # fmt: skip
            if count and pieces[j, 2]:
                # One direction without common cells is enough for the clearance.
                back = shared_cells(
                    own, variants[u, 0], variants[u, 1], at[j, 1], at[j, 2],
                    blocked, variants[v, 2], variants[v, 3], y, x,
                )  # fmt: skip
                count = min(count, back)
        overlap[i, j] = count
        overlap[j, i] = count
    if not pieces[i, 2]:
        return
    count = 0
    for k in range(variants[v, 0], variants[v, 1]):
        row = own[k, 0] + y
        for column in range(own[k, 1] + x, own[k, 2] + x):
            count += barred[row, column]
    outside[i] = count


@compiled
def separate(
    pieces: Longs,
    at: Longs,
    variants: Longs,
    own: Table,
    blocked: Table,
    barred: Marks,
    reach: int,
    weights: Weights,
    base: Weights,
    fresh: int,
    state: State,
    sweeps: int,
    patience: int,
    report: Longs,
) -> int:
    """Move pieces until none overlaps: sweeps used, negative when the plate is good.

    The piece ``fresh`` (-1: none) has no position yet and first takes the cheapest one. Gives up after ``patience``
    sweeps without less overlap in total. ``reach``: cells by which blocked cells may exceed the own ones. ``weights``
    (n, n) live on between calls, ``base`` (n, n) are their floors. ``report[0]`` gets the cells still shared.
    """
    n = pieces.shape[0]
    rows, columns = barred.shape
    overlap = np.zeros((n, n), dtype=np.int64)
    outside = np.zeros(n, dtype=np.int64)
    plain = np.full(n, 4.0)
    cost = np.zeros((rows, columns + 2), dtype=np.int32)
    top = np.empty((KEPT, 4), dtype=np.int64)
    best = np.empty(3, dtype=np.int64)
    order = np.empty(n, dtype=np.int64)
    if fresh >= 0:
        # Out of the way while its cheapest position is sought: the map leaves out the piece itself.
        _cost_map(fresh, pieces, at, variants, blocked, barred, weights, plain, cost)
        _best_place(fresh, pieces, variants, own, cost, rows, columns, state, top, best)
        for k in range(3):
            at[fresh, k] = best[k]
    for i in range(n):
        _measure(i, pieces, at, variants, own, blocked, barred, reach, overlap, outside)
    least = 1 << 60
    since = 0
    for sweep in range(sweeps + 1):
        total = 0
        bad = 0
        for i in range(n):
            row_total = outside[i]
            for j in range(n):
                row_total += overlap[i, j]
            total += row_total
            if row_total and pieces[i, 2]:
                order[bad] = i
                bad += 1
        report[0] = total
        if total == 0:
            return -sweep - 1
        if total < least:
            least, since = total, 0
        else:
            since += 1
        if since > patience or sweep == sweeps or bad == 0:
            return sweep + 1
        for k in range(bad - 1, 0, -1):
            m = int(draw(state) * (k + 1))
            order[k], order[m] = order[m], order[k]
        for k in range(bad):
            i = order[k]
            now = outside[i]
            for j in range(n):
                now += overlap[i, j]
            if now == 0:
                continue
            _cost_map(i, pieces, at, variants, blocked, barred, weights, plain, cost)
            v = at[i, 0]
            stay = _price(cost, own, variants[v, 0], variants[v, 1], 1, at[i, 1], at[i, 2], 1 << 60)
            price = _best_place(i, pieces, variants, own, cost, rows, columns, state, top, best)
            if price < stay:
                for m in range(3):
                    at[i, m] = best[m]
                _measure(i, pieces, at, variants, own, blocked, barred, reach, overlap, outside)
        most = 1
        for i in range(n):
            for j in range(n):
                most = max(most, overlap[i, j])
        for i in range(n):
            for j in range(n):
                if overlap[i, j]:
                    weights[i, j] = min(weights[i, j] * (1.2 + 0.6 * overlap[i, j] / most), _CAP)
                else:
                    weights[i, j] = max(weights[i, j] * 0.95, base[i, j])
            if outside[i]:
                plain[i] = min(plain[i] * 1.5, _CAP)
    return sweeps
