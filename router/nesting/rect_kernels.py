"""Compiled kernels for rectangles: filling one bin with maximal free rectangles, and emptying a bin by ejection.

Only numpy arrays, no Python objects. Sizes are floats already widened by the spacing, so neighbours may touch.
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
        return njit(cache=True, nogil=True, error_model="numpy")(function)


Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
State = npt.NDArray[np.uint64]

#: Sizes may exceed a free rectangle by this much (rounding of sums of decimal sizes).
SLACK = 1e-7
#: Free rectangles kept per bin; more are dropped, which only costs places.
MOST_FREE = 256


@compiled
def draw(state: State) -> float:
    """Next number in [0, 1) of a xorshift generator with 64 bits of state."""
    x = state[0]
    x ^= x << np.uint64(13)
    x ^= x >> np.uint64(7)
    x ^= x << np.uint64(17)
    state[0] = x
    return float(x >> np.uint64(11)) / 9007199254740992.0


@compiled
def _split(free: Floats, count: int, x: float, y: float, w: float, h: float) -> int:
    """Free rectangles (x, y, w, h) after standing a piece at (x, y); returns their number."""
    old = count
    kept = 0
    fresh = np.empty((4 * old + 4, 4))
    n = 0
    for i in range(old):
        fx, fy, fw, fh = free[i, 0], free[i, 1], free[i, 2], free[i, 3]
        if x >= fx + fw - SLACK or x + w <= fx + SLACK or y >= fy + fh - SLACK or y + h <= fy + SLACK:
            _put_row(free, kept, fx, fy, fw, fh)
            kept += 1
            continue
        if x > fx + SLACK:
            _put_row(fresh, n, fx, fy, x - fx, fh)
            n += 1
        if x + w < fx + fw - SLACK:
            _put_row(fresh, n, x + w, fy, fx + fw - x - w, fh)
            n += 1
        if y > fy + SLACK:
            _put_row(fresh, n, fx, fy, fw, y - fy)
            n += 1
        if y + h < fy + fh - SLACK:
            _put_row(fresh, n, fx, y + h, fw, fy + fh - y - h)
            n += 1
    # A new rectangle inside an old or an earlier new one tells nothing (old ones are never inside new ones).
    for i in range(n):
        inside = False
        for j in range(kept):
            if _within(fresh, i, free, j):
                inside = True
                break
        if not inside:
            for j in range(n):
                if j != i and _within(fresh, i, fresh, j) and (j < i or not _within(fresh, j, fresh, i)):
                    inside = True
                    break
        if not inside and kept < MOST_FREE:
            for k in range(4):
                free[kept, k] = fresh[i, k]
            kept += 1
    return kept


@compiled
def _within(a: Floats, i: int, b: Floats, j: int) -> bool:
    return bool(
        a[i, 0] >= b[j, 0] - SLACK
        and a[i, 1] >= b[j, 1] - SLACK
        and a[i, 0] + a[i, 2] <= b[j, 0] + b[j, 2] + SLACK
        and a[i, 1] + a[i, 3] <= b[j, 1] + b[j, 3] + SLACK
    )


@compiled
def _put_row(table: Floats, i: int, a: float, b: float, c: float, d: float) -> None:
    table[i, 0], table[i, 1], table[i, 2], table[i, 3] = a, b, c, d


@compiled
def _copy_row(to: Floats, source: Floats, i: int) -> None:
    to[i, 0], to[i, 1], to[i, 2] = source[i, 0], source[i, 1], source[i, 2]


@compiled
def fill_bin(
    bin_w: float,
    bin_h: float,
    order: Ints,
    count: int,
    sizes: Floats,
    turns: Ints,
    rule: int,
    all_or_none: bool,
    free: Floats,
    at: Floats,
) -> int:
    """Stand pieces ``order[:count]`` one after the other where they fit; returns how many stand.

    ``sizes`` (n, 2); ``turns``: 1 upright only, 2 turned only, 3 both. ``at`` (n, 3) gets x, y, turned for every piece
    that stands, x = -1 for one that does not. With ``all_or_none`` the first failure ends the attempt. Rules: 0 short
    side fit, 1 area fit, 2 lowest then leftmost, 3 long side fit, 4 nearest to the corner.
    """
    _put_row(free, 0, 0.0, 0.0, bin_w, bin_h)
    frees = 1
    placed = 0
    for k in range(count):
        i = order[k]
        at[i, 0] = -1.0
        best, best_turn, best_score, best_second = -1, 0, 1e300, 1e300
        for turn in range(2):
            if turns[i] & (1 << turn) == 0:
                continue
            w, h = sizes[i, turn], sizes[i, 1 - turn]
            for f in range(frees):
                spare_w, spare_h = free[f, 2] - w, free[f, 3] - h
                if spare_w < -SLACK or spare_h < -SLACK:
                    continue
                if rule == 0:
                    score, second = min(spare_w, spare_h), max(spare_w, spare_h)
                elif rule == 1:
                    score, second = free[f, 2] * free[f, 3] - w * h, min(spare_w, spare_h)
                elif rule == 2:
                    score, second = free[f, 1] + h, free[f, 0]
                elif rule == 3:
                    score, second = max(spare_w, spare_h), min(spare_w, spare_h)
                else:
                    score, second = (free[f, 0] + w) * bin_h + (free[f, 1] + h) * bin_w, min(spare_w, spare_h)
                if score < best_score or (score == best_score and second < best_second):
                    best, best_turn, best_score, best_second = f, turn, score, second
        if best < 0:
            if all_or_none:
                return placed
            continue
        x, y = free[best, 0], free[best, 1]
        at[i, 0], at[i, 1], at[i, 2] = x, y, float(best_turn)
        frees = _split(free, frees, x, y, sizes[i, best_turn], sizes[i, 1 - best_turn])
        placed += 1
    return placed


@compiled
def noisy_order(ids: Ints, count: int, sizes: Floats, key: int, noise: float, state: State, order: Ints) -> None:
    """Sort pieces by falling size with a little chance: key 0 area, 1 long side, 2 perimeter, 3 short side."""
    values = np.empty(count)
    for k in range(count):
        w, h = sizes[ids[k], 0], sizes[ids[k], 1]
        if key == 0:
            value = w * h
        elif key == 1:
            value = max(w, h) + 1e-3 * min(w, h)
        elif key == 2:
            value = w + h
        else:
            value = min(w, h) + 1e-3 * max(w, h)
        values[k] = value * (1.0 + noise * (draw(state) - 0.5)) if noise > 0 else value
        order[k] = ids[k]
    for k in range(1, count):
        value, item = values[k], order[k]
        j = k - 1
        while j >= 0 and values[j] < value:
            values[j + 1], order[j + 1] = values[j], order[j]
            j -= 1
        values[j + 1], order[j + 1] = value, item


@compiled
def try_bin(
    bin_w: float,
    bin_h: float,
    ids: Ints,
    count: int,
    sizes: Floats,
    turns: Ints,
    tries: int,
    state: State,
    order: Ints,
    free: Floats,
    at: Floats,
) -> bool:
    """Do all these pieces stand in one bin? Up to ``tries`` attempts; ``at`` holds the places of the good one."""
    for attempt in range(tries):
        noise = 0.0 if attempt < 2 else 0.2 + 0.8 * draw(state)
        rule = attempt if attempt < 2 else int(draw(state) * 5)
        noisy_order(ids, count, sizes, 0 if attempt < 2 else int(draw(state) * 4), noise, state, order)
        if fill_bin(bin_w, bin_h, order, count, sizes, turns, rule, True, free, at) == count:
            return True
    return False


@compiled
def eject(
    bin_w: float,
    bin_h: float,
    sizes: Floats,
    turns: Ints,
    members: Ints,
    filled: Ints,
    bins: int,
    homeless: Ints,
    counters: Floats,
    at: Floats,
    state: State,
    rounds: int,
) -> int:
    """Find homes for the ``homeless`` pieces in ``bins`` bins by insertion, ejection and swaps.

    Returns the rounds used, negative when all found homes.

    ``members`` (bins, n) with ``filled`` pieces each; ``homeless[0]`` is the number of homeless, the rest a stack.
    ``counters``: how often a piece was hard to place (kept between calls); cheap pieces are ejected first. The
    idea (insertion, cheapest ejection by failure counts, random exchange) is
    the fleet reduction of Nagata & Braysy (2009), Operations Research Letters 37.
    """
    n = sizes.shape[0]
    order = np.empty(n, dtype=np.int64)
    trial = np.empty(n, dtype=np.int64)
    other = np.empty(n, dtype=np.int64)
    spot = np.empty((n, 3))
    best_spot = np.empty((n, 3))
    best_ids = np.empty(n, dtype=np.int64)
    gone = np.empty(4, dtype=np.int64)
    best_gone = np.empty(4, dtype=np.int64)
    free = np.empty((MOST_FREE, 4))
    room = bin_w * bin_h + SLACK
    load = np.zeros(bins)
    for b in range(bins):
        for k in range(filled[b]):
            load[b] += sizes[members[b, k], 0] * sizes[members[b, k], 1]
    for number in range(rounds):
        if homeless[0] == 0:
            return -number - 1
        p = homeless[homeless[0]]
        homeless[0] -= 1
        area = sizes[p, 0] * sizes[p, 1]
        done = False
        start = int(draw(state) * bins)
        for step in range(bins):
            b = (start + step) % bins
            if load[b] + area > room:
                continue
            for k in range(filled[b]):
                trial[k] = members[b, k]
            trial[filled[b]] = p
            if try_bin(bin_w, bin_h, trial, filled[b] + 1, sizes, turns, 8, state, order, free, spot):
                members[b, filled[b]] = p
                filled[b] += 1
                load[b] += area
                for k in range(filled[b]):
                    _copy_row(at, spot, members[b, k])
                done = True
                break
        if done:
            continue
        counters[p] += 1.0
        best_cost, best_bin, best_many, best_count = 1e300, -1, 0, 0
        for _ in range(max(40, 4 * bins)):
            b = int(draw(state) * bins)
            if filled[b] == 0:
                continue
            chance = draw(state)
            many = 1 if chance < 0.5 else (2 if chance < 0.8 else 3)
            many = min(many, filled[b])
            cost, out = 0.0, 0.0
            for g in range(many):
                again = True
                while again:
                    gone[g] = members[b, int(draw(state) * filled[b])]
                    again = False
                    for q in range(g):
                        if gone[q] == gone[g]:
                            again = True
                size = sizes[gone[g], 0] * sizes[gone[g], 1]
                cost += counters[gone[g]] * size
                out += size
            if cost >= best_cost or load[b] - out + area > room:
                continue
            m = 0
            for k in range(filled[b]):
                keep = True
                for g in range(many):
                    if members[b, k] == gone[g]:
                        keep = False
                if keep:
                    trial[m] = members[b, k]
                    m += 1
            trial[m] = p
            m += 1
            if try_bin(bin_w, bin_h, trial, m, sizes, turns, 3, state, order, free, spot):
                best_cost, best_bin, best_many, best_count = cost, b, many, m
                for k in range(m):
                    best_ids[k] = trial[k]
                    _copy_row(best_spot, spot, trial[k])
                for g in range(many):
                    best_gone[g] = gone[g]
        if best_bin < 0:
            # Nowhere even at the cost of others: to the bottom of the stack.
            for k in range(homeless[0], 0, -1):
                homeless[k + 1] = homeless[k]
            homeless[1] = p
            homeless[0] += 1
        else:
            b = best_bin
            filled[b] = best_count
            load[b] = 0.0
            for k in range(best_count):
                i = best_ids[k]
                members[b, k] = i
                _copy_row(at, best_spot, i)
                load[b] += sizes[i, 0] * sizes[i, 1]
            for g in range(best_many):
                homeless[0] += 1
                homeless[homeless[0]] = best_gone[g]
        for _ in range(6):
            _exchange(
                bin_w, bin_h, sizes, turns, members, filled, bins, load, room, at, state, trial, other, order, free,
                spot, best_spot,
            )  # fmt: skip
    return rounds


@compiled
def _exchange(
    bin_w: float,
    bin_h: float,
    sizes: Floats,
    turns: Ints,
    members: Ints,
    filled: Ints,
    bins: int,
    load: Floats,
    room: float,
    at: Floats,
    state: State,
    trial: Ints,
    other: Ints,
    order: Ints,
    free: Floats,
    spot: Floats,
    spot_other: Floats,
) -> None:
    """Swap one piece of a bin for one of another (or move it there) when both bins still close."""
    if bins < 2:
        return
    a, b = int(draw(state) * bins), int(draw(state) * (bins - 1))
    if b >= a:
        b += 1
    if filled[a] == 0:
        return
    i = int(draw(state) * filled[a])
    j = int(draw(state) * (filled[b] + 1))
    p = members[a, i]
    area_p = sizes[p, 0] * sizes[p, 1]
    area_q = 0.0
    q = -1
    if j < filled[b]:
        q = members[b, j]
        area_q = sizes[q, 0] * sizes[q, 1]
    if load[b] - area_q + area_p > room or load[a] - area_p + area_q > room:
        return
    m = 0
    for k in range(filled[b]):
        if k != j:
            trial[m] = members[b, k]
            m += 1
    trial[m] = p
    m += 1
    if not try_bin(bin_w, bin_h, trial, m, sizes, turns, 2, state, order, free, spot):
        return
    o = 0
    for k in range(filled[a]):
        if k != i:
            other[o] = members[a, k]
            o += 1
    if q >= 0:
        other[o] = q
        o += 1
    if o and not try_bin(bin_w, bin_h, other, o, sizes, turns, 2, state, order, free, spot_other):
        return
    filled[a], filled[b] = o, m
    load[a] += area_q - area_p
    load[b] += area_p - area_q
    for k in range(m):
        members[b, k] = trial[k]
        _copy_row(at, spot, trial[k])
    for k in range(o):
        members[a, k] = other[k]
        _copy_row(at, spot_other, other[k])


@compiled
def fill_bins(
    bin_w: float,
    bin_h: float,
    sizes: Floats,
    turns: Ints,
    key: int,
    noise: float,
    rule: int,
    most: int,
    state: State,
    members: Ints,
    filled: Ints,
    at: Floats,
) -> int:
    """Fill bin after bin with what fits, largest first; bins used, or ``most`` + 1 when that many do not do."""
    n = sizes.shape[0]
    order = np.empty(n, dtype=np.int64)
    ids = np.arange(n)
    free = np.empty((MOST_FREE, 4))
    noisy_order(ids, n, sizes, key, noise, state, order)
    left, bins = n, 0
    while left:
        if bins >= most:
            return most + 1
        if fill_bin(bin_w, bin_h, order, left, sizes, turns, rule, False, free, at) == 0:
            return most + 1
        filled[bins] = 0
        kept = 0
        for k in range(left):
            i = order[k]
            if at[i, 0] >= 0.0:
                members[bins, filled[bins]] = i
                filled[bins] += 1
            else:
                order[kept] = i
                kept += 1
        left = kept
        bins += 1
    return bins
