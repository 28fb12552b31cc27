"""Compiled kernels of the Lagrangian bound: the worth of each site at given prices, which sites that opens, the ascent.

SITING.md states the relaxation. ``cost`` here is [site, customer]; ``prices`` one a customer: what serving it earns.
``mode`` is how a site picks its customers: freely, by a knapsack that may split one, or by a knapsack of whole ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from router.geometry.compiled import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Marks = NDArray[np.int8]

FREE, SPLIT, WHOLE = 0, 1, 2
SHUT, MAYBE, OPEN = -1, 0, 1
_NONE = np.inf


@compiled
def rising(values: Floats) -> Ints:
    """Positions of the values from least to greatest, by a heap: small to compile, which the library's sort is not."""
    n = len(values)
    order = np.arange(n)
    start, end = n // 2, n
    while end > 1:
        if start > 0:
            start -= 1
        else:
            end -= 1
            order[0], order[end] = order[end], order[0]
        at = start
        while 2 * at + 1 < end:
            child = 2 * at + 1
            if child + 1 < end and values[order[child]] < values[order[child + 1]]:
                child += 1
            if values[order[at]] >= values[order[child]]:
                break
            order[at], order[child] = order[child], order[at]
            at = child
    return order


@compiled
def free_worth(row: Floats, prices: Floats) -> float:
    """Least sum of (cost - price) over any set of customers."""
    total = 0.0
    for j in range(len(row)):
        total += min(0.0, row[j] - prices[j])
    return total


@compiled
def split_worth(row: Floats, prices: Floats, demand: Floats, capacity: float, take: Floats, fill: bool) -> float:
    """The same within the capacity, one customer may be taken in part; ``take`` gets the shares if ``fill``."""
    n = len(row)
    if fill:
        take[:] = 0.0
    total, used, count = 0.0, 0.0, 0
    for j in range(n):
        if row[j] < prices[j]:
            total += row[j] - prices[j]
            used += demand[j]
            count += 1
    if used <= capacity:
        if fill:
            for j in range(n):
                if row[j] < prices[j]:
                    take[j] = 1.0
        return total
    ids = np.empty(count, np.int64)
    rate = np.empty(count)
    at = 0
    total, used = 0.0, 0.0
    for j in range(n):
        if row[j] < prices[j]:
            if demand[j] <= 0.0:
                total += row[j] - prices[j]
                if fill:
                    take[j] = 1.0
                continue
            ids[at] = j
            rate[at] = (row[j] - prices[j]) / demand[j]
            at += 1
    order = rising(rate[:at])
    for k in order:
        j = ids[k]
        part = min(1.0, (capacity - used) / demand[j])
        if part <= 0.0:
            break
        total += part * (row[j] - prices[j])
        used += part * demand[j]
        if fill:
            take[j] = part
    return total


@compiled
def whole_worth(row: Floats, prices: Floats, demand: Floats, capacity: float, take: Floats, fill: bool) -> float:
    """The same with whole customers and whole-number demands: a knapsack table by capacity."""
    n = len(row)
    if fill:
        take[:] = 0.0
    total, used, count = 0.0, 0.0, 0
    for j in range(n):
        if row[j] < prices[j] and demand[j] <= capacity:
            total += row[j] - prices[j]
            used += demand[j]
            count += 1
    if used <= capacity:
        if fill:
            for j in range(n):
                if row[j] < prices[j] and demand[j] <= capacity:
                    take[j] = 1.0
        return total
    room = int(capacity)
    best = np.zeros(room + 1)
    taken = np.zeros((count if fill else 1, room + 1), np.bool_)
    ids = np.empty(count, np.int64)
    at = 0
    total = 0.0
    for j in range(n):
        if row[j] >= prices[j] or demand[j] > capacity:
            continue
        gain = row[j] - prices[j]
        size = int(demand[j])
        ids[at] = j
        if fill:
            for r in range(room, size - 1, -1):
                other = best[r - size] + gain
                if other < best[r]:
                    best[r] = other
                    taken[at, r] = True
        else:
            for r in range(room, size - 1, -1):
                best[r] = min(best[r], best[r - size] + gain)
        at += 1
    if fill:
        r = room
        for k in range(at - 1, -1, -1):
            if taken[k, r]:
                take[ids[k]] = 1.0
                r -= int(demand[ids[k]])
    return float(best[room])


@compiled
def site_worth(
    mode: int, row: Floats, prices: Floats, demand: Floats, capacity: float, take: Floats, fill: bool
) -> float:
    """Least sum of (cost - price) a site can reach; ``take`` gets the shares if ``fill``."""
    if mode == FREE:
        if fill:
            for j in range(len(row)):
                take[j] = 1.0 if row[j] < prices[j] else 0.0
        return free_worth(row, prices)
    if mode == SPLIT:
        return split_worth(row, prices, demand, capacity, take, fill)
    return whole_worth(row, prices, demand, capacity, take, fill)


@compiled
def fewest(capacity: Floats, state: Marks, needed: float) -> int:
    """Fewest undecided sites that with the open ones hold the demand; more than there are when none do."""
    room = 0.0
    maybe = np.empty(len(state))
    n = 0
    for i in range(len(state)):
        if state[i] == OPEN:
            room += capacity[i]
        elif state[i] == MAYBE:
            maybe[n] = capacity[i]
            n += 1
    if room >= needed - 1e-9:
        return 0
    order = rising(maybe[:n])
    for k in range(n):
        room += maybe[order[n - 1 - k]]
        if room >= needed - 1e-9:
            return k + 1
    return n + 1


@compiled
def choose(
    worth: Floats, state: Marks, capacity: Floats, needed: float, count: int, least: int, y: Floats, price: Floats
) -> float:
    """Sites to open at least total worth; ``y`` gets how far each opens. Infinite when too few are left.

    ``count``: exactly so many in all, or -1. ``least``: at least so many undecided ones. Otherwise the capacities of
    those opened cover ``needed``, the last one in part. ``price[0:2]`` get two prices of one more site, ``price[2]``
    the price of capacity: by each pair a site's reduced worth is worth - price - capacity price * capacity.
    """
    n = len(worth)
    ids = np.empty(n, np.int64)
    m, total, room, opened = 0, 0.0, 0.0, 0
    for i in range(n):
        y[i] = 0.0
        if state[i] == OPEN:
            y[i] = 1.0
            total += worth[i]
            room += capacity[i]
            opened += 1
        elif state[i] == MAYBE:
            ids[m] = i
            m += 1
    price[:] = 0.0
    w = np.empty(m)
    for k in range(m):
        w[k] = worth[ids[k]]
    order = rising(w)
    if count >= 0:
        more = count - opened
        if more < 0 or more > m:
            return _NONE
        for k in range(more):
            y[ids[order[k]]] = 1.0
            total += w[order[k]]
        price[0] = w[order[more - 1]] if more > 0 else (w[order[0]] if m else 0.0)
        price[1] = w[order[more]] if more < m else price[0]
        return total
    if least > m:
        return _NONE
    taken = 0
    for k in range(m):
        if w[order[k]] >= 0.0:
            break
        y[ids[order[k]]] = 1.0
        total += w[order[k]]
        room += capacity[ids[order[k]]]
        taken += 1
    # Two relaxations of "the open sites hold the demand": by number and by capacity; the higher one is the bound.
    by_count = total
    for k in range(taken, least):
        by_count += w[order[k]]
    by_room, short, last = total, needed - room, -1
    if short > 1e-9:
        rate = np.empty(m - taken)
        for k in range(taken, m):
            c = capacity[ids[order[k]]]
            rate[k - taken] = w[order[k]] / c if c > 0 else np.inf
        ranks = rising(rate)
        cover = short
        for k in ranks:
            i = order[k + taken]
            c = capacity[ids[i]]
            if c <= 0:
                break
            part = min(1.0, cover / c)
            by_room += part * w[i]
            cover -= part * c
            last = k
            if cover <= 1e-9:
                break
        if cover > 1e-6 * needed:
            return _NONE
        if by_room > by_count + 1e-12 * abs(by_count):
            cover = short
            for k in ranks:
                i = order[k + taken]
                part = min(1.0, cover / capacity[ids[i]])
                y[ids[i]] = part
                cover -= part * capacity[ids[i]]
                if cover <= 1e-9:
                    break
            price[2] = rate[last]
            return by_room
    for k in range(taken, least):
        y[ids[order[k]]] = 1.0
    if least >= taken and least > 0:
        price[0] = max(0.0, w[order[least - 1]])
        price[1] = max(0.0, w[order[least]]) if least < m else price[0]
    return by_count


@compiled
def ascend(
    mode: int,
    cost: Floats,
    fixed: Floats,
    demand: Floats,
    capacity: Floats,
    state: Marks,
    count: int,
    prices: Floats,
    upper: float,
    theta: float,
    rounds: int,
    patience: int,
    cut: float,
    best_prices: Floats,
    best_worth: Floats,
    often: Floats,
    last_y: Floats,
    price: Floats,
) -> tuple[float, float, int]:
    """Sub-gradient rounds from ``prices`` (changed in place): (best bound, step factor, rounds done).

    ``best_prices``, ``best_worth`` and ``price`` belong to the best bound; ``often``: how far each site opened, on
    average of late; ``last_y``: what the best bound opens. Ends early at ``cut``, or when the step is used up.
    """
    n, m = cost.shape
    needed = demand.sum() if mode != FREE else 0.0
    least = 0
    if count < 0:
        least = fewest(capacity, state, needed) if mode != FREE else 0
        opened = False
        for i in range(n):
            opened = opened or state[i] == OPEN
        if not opened:
            least = max(least, 1)
    best = -_NONE
    worth = np.empty(n)
    y = np.empty(n)
    dual = np.zeros(3)
    take = np.empty(m)
    step = np.zeros(m)
    served = np.empty(m)
    since, done = 0, 0
    for _ in range(rounds):
        done += 1
        for i in range(n):
            worth[i] = _NONE
            if state[i] != SHUT:
                worth[i] = fixed[i] + site_worth(mode, cost[i], prices, demand, capacity[i], take, False)
        part = choose(worth, state, capacity, needed, count, least, y, dual)
        if part == _NONE:
            return _NONE, theta, done
        bound = prices.sum() + part
        for i in range(n):
            often[i] = 0.9 * often[i] + 0.1 * y[i]
        if done == 1 or bound > best + 1e-10 * abs(best):
            if done == 1 or bound > best + 1e-6 * abs(best):
                since = 0
            best = bound
            best_prices[:] = prices
            best_worth[:] = worth
            last_y[:] = y
            price[:] = dual
            if best >= cut:
                return best, theta, done
        else:
            since += 1
            if since >= patience:
                theta *= 0.5
                since = 0
                prices[:] = best_prices
                if theta < 1e-3:
                    return best, theta, done
        served[:] = 0.0
        for i in range(n):
            if y[i] > 0.0:
                if mode == FREE:
                    for j in range(m):
                        if cost[i, j] < prices[j]:
                            served[j] += y[i]
                else:
                    site_worth(mode, cost[i], prices, demand, capacity[i], take, True)
                    for j in range(m):
                        served[j] += y[i] * take[j]
        square = 0.0
        for j in range(m):
            step[j] = (1.0 - served[j]) + 0.3 * step[j]
            square += step[j] * step[j]
        if square < 1e-12:
            return best, theta, done
        reach = max(upper - bound, 1e-9 * max(1.0, abs(upper)))
        length = theta * 1.02 * reach / square
        for j in range(m):
            prices[j] += length * step[j]
    return best, theta, done


@compiled
def shut_and_open(
    state: Marks, worth: Floats, y: Floats, capacity: Floats, price: Floats, bound: float, cut: float, changed: Marks
) -> int:
    """Decide undecided sites whose other choice costs at least ``cut`` by reduced worth: how many were decided."""
    decided = 0
    for i in range(len(state)):
        changed[i] = state[i]
        if state[i] != MAYBE:
            continue
        for k in range(2):
            reduced = worth[i] - price[k] - price[2] * capacity[i] if price[2] > 0.0 else worth[i] - price[k]
            if reduced > 0.0 and bound + reduced >= cut:
                changed[i] = SHUT
            elif reduced < 0.0 and bound - reduced >= cut:
                changed[i] = OPEN
        decided += changed[i] != MAYBE
    return decided
