"""Compiled kernels of hold-or-go: does a set stand on the plate, what does a build bring, what does a simple rule earn.

``rows``, ``sizes`` and ``terms`` are those of case.py. A rule is (fill, slack): start when the plate is covered to that
share by what waits, or when some part has no more than that many hours before it would be late.
"""

from __future__ import annotations

import math

import numpy as np

from router.nesting.rect_kernels import MOST_FREE, Floats, Ints, State, compiled, fill_bin, try_bin
from router.whatif.hold.case import ARRIVAL, DUE, GAIN, OWN_H, RECOAT_H

PLATE_W, PLATE_D, HANDLING_H, COST_H, COST_BUILD, LATE_H, HORIZON = 0, 1, 2, 3, 4, 5, 6
HARD_TRIES = 60
"""Attempts at placing a set that must be decided well; a rule's own builds get the first-fit answer."""


@compiled
def stands(ids: Ints, count: int, sizes: Floats, terms: Floats, tries: int, state: State) -> bool:
    """Do these footprints stand side by side on the plate? A no is a failure to find places, not a proof."""
    area = 0.0
    for k in range(count):
        area += sizes[ids[k], 0] * sizes[ids[k], 1]
    if area > terms[PLATE_W] * terms[PLATE_D] + 1e-6:
        return False
    n = len(sizes)
    turns = np.full(n, 3)
    order = np.empty(count, np.int64)
    free = np.empty((4 * MOST_FREE, 4))
    at = np.empty((n, 3))
    return try_bin(terms[PLATE_W], terms[PLATE_D], ids, count, sizes, turns, tries, state, order, free, at)


@compiled
def build_end(ids: Ints, count: int, start_h: float, rows: Floats, terms: Floats) -> float:
    """Hour at which a build of these parts is over and the machine free."""
    own, tallest = 0.0, 0.0
    for k in range(count):
        own += rows[ids[k], OWN_H]
        tallest = max(tallest, rows[ids[k], RECOAT_H])
    return float(start_h + terms[HANDLING_H] + own + tallest)


@compiled
def build_profit(ids: Ints, count: int, start_h: float, rows: Floats, terms: Floats) -> float:
    """Gain of the parts less build, recoating and lateness up to the horizon; start before the horizon."""
    end = min(build_end(ids, count, start_h, rows, terms), terms[HORIZON])
    tallest, total = 0.0, -terms[COST_BUILD]
    for k in range(count):
        i = ids[k]
        tallest = max(tallest, rows[i, RECOAT_H])
        total += rows[i, GAIN] - terms[LATE_H] * max(0.0, end - rows[i, DUE])
    return float(total - terms[COST_H] * tallest)


@compiled
def never_built(i: int, rows: Floats, terms: Floats) -> float:
    """What a part brings that is never started: its lateness up to the horizon."""
    return float(-terms[LATE_H] * max(0.0, terms[HORIZON] - rows[i, DUE]))


@compiled
def choose_build(waiting: Ints, count: int, sizes: Floats, rows: Floats, terms: Floats, chosen: Ints) -> int:
    """Waiting parts that a simple rule would start: all when they stand, else by due time those that find room."""
    n = len(sizes)
    turns = np.full(n, 3)
    free = np.empty((4 * MOST_FREE, 4))
    at = np.empty((n, 3))
    order = waiting[:count].copy()
    # Due time first; insertion sort, a handful of parts.
    for k in range(1, count):
        item = order[k]
        j = k - 1
        while j >= 0 and rows[order[j], DUE] > rows[item, DUE]:
            order[j + 1] = order[j]
            j -= 1
        order[j + 1] = item
    fill_bin(terms[PLATE_W], terms[PLATE_D], order, count, sizes, turns, 0, False, free, at)
    m = 0
    for k in range(count):
        if at[order[k], 0] >= 0.0:
            chosen[m] = order[k]
            m += 1
    return m


@compiled
def earn_on(
    now_h: float,
    waiting: Ints,
    count: int,
    following: Ints,
    following_count: int,
    rows: Floats,
    sizes: Floats,
    terms: Floats,
    fill: float,
    slack: float,
    until_h: float,
) -> float:
    """Profit from ``now_h`` (machine free) to the horizon under a rule (fill, slack).

    ``waiting[:count]`` are there, ``following`` will arrive, in order. Before ``until_h`` nothing is started.
    Nothing is started that would lose money, unless leaving its parts unbuilt would lose more.
    """
    horizon = terms[HORIZON]
    line = np.empty(count + following_count, np.int64)
    for k in range(count):
        line[k] = waiting[k]
    n, nxt, total = count, 0, 0.0
    chosen = np.empty(count + following_count, np.int64)
    plate = terms[PLATE_W] * terms[PLATE_D]
    t = math.ceil(now_h - 1e-9)
    while t < horizon:
        while nxt < following_count and rows[following[nxt], ARRIVAL] <= t + 1e-9:
            line[n] = following[nxt]
            n += 1
            nxt += 1
        if t < until_h:
            t += 1
            continue
        if n == 0:
            if nxt >= following_count:
                break
            t = max(t + 1, math.ceil(rows[following[nxt], ARRIVAL] - 1e-9))
            continue
        m = choose_build(line, n, sizes, rows, terms, chosen)
        end = build_end(chosen, m, t, rows, terms)
        area, spare = 0.0, 1e9
        for k in range(m):
            area += sizes[chosen[k], 0] * sizes[chosen[k], 1]
            spare = min(spare, rows[chosen[k], DUE] - end)
        crowded = m < n
        if crowded or area >= fill * plate or spare <= slack or t + 1 >= horizon:
            profit = build_profit(chosen, m, t, rows, terms)
            left = 0.0
            for k in range(m):
                left += never_built(chosen[k], rows, terms)
            if profit > left:
                total += profit
                kept = 0
                for k in range(n):
                    taken = False
                    for j in range(m):
                        if chosen[j] == line[k]:
                            taken = True
                            break
                    if not taken:
                        line[kept] = line[k]
                        kept += 1
                n = kept
                t = math.ceil(end - 1e-9)
                continue
        t += 1
    for k in range(n):
        total += never_built(line[k], rows, terms)
    while nxt < following_count:
        if rows[following[nxt], ARRIVAL] < horizon:
            total += never_built(following[nxt], rows, terms)
        nxt += 1
    return total
