"""Compiled search for good choices: swaps of open sites without capacities, shifts and swaps of customers with them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from router.geometry.compiled import compiled
from router.whatif.siting.ascent_kernels import rising

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@compiled
def two_nearest(cost: Floats, is_open: Flags, first: Ints, second: Floats) -> float:
    """Cheapest open site and second least cost of every customer; total of the least. ``cost``: [site, customer]."""
    n, m = cost.shape
    total = 0.0
    for j in range(m):
        best, other, at = np.inf, np.inf, -1
        for i in range(n):
            if is_open[i]:
                c = cost[i, j]
                if c < best:
                    other, best, at = best, c, i
                elif c < other:
                    other = c
        first[j] = at
        second[j] = other
        total += best
    return total


@compiled
def swap_to_local_best(cost: Floats, fixed: Floats, is_open: Flags, keep_number: bool) -> float:
    """Swap (and, unless the number is kept, add or drop) the best pair until nothing gains; the value reached.

    The gain of letting a site in is computed once for all sites that might go out (Whitaker 1983), so a round costs
    sites times customers.
    """
    n, m = cost.shape
    first = np.empty(m, np.int64)
    second = np.empty(m)
    value = two_nearest(cost, is_open, first, second)
    for i in range(n):
        if is_open[i]:
            value += fixed[i]
    number = is_open.sum()
    out_loss = np.empty(n)
    extra = np.empty(n)
    while True:
        out_loss[:] = 0.0
        for i in range(n):
            out_loss[i] = -fixed[i]
        for j in range(m):
            out_loss[first[j]] += second[j] - cost[first[j], j]
        best_gain, best_in, best_out = 1e-9 * max(1.0, abs(value)), -1, -1
        for i in range(n):
            if is_open[i]:
                continue
            gain = -fixed[i]
            extra[:] = 0.0
            for j in range(m):
                c = cost[i, j]
                f = cost[first[j], j]
                if c < f:
                    gain += f - c
                    # Whoever would have gone to the second site now comes here.
                    extra[first[j]] += second[j] - f
                elif c < second[j]:
                    extra[first[j]] += second[j] - c
            if not keep_number and gain > best_gain:
                best_gain, best_in, best_out = gain, i, -1
            if number == 1:
                continue
            for o in range(n):
                if is_open[o]:
                    both = gain - out_loss[o] + extra[o]
                    if both > best_gain:
                        best_gain, best_in, best_out = both, i, o
        if number == 1:
            here = int(np.argmax(is_open))
            for i in range(n):
                alone = value - fixed[i] - cost[i].sum()
                if alone > best_gain:
                    best_gain, best_in, best_out = alone, i, here
        if not keep_number and number > 1:
            for o in range(n):
                if is_open[o] and -out_loss[o] > best_gain:
                    best_gain, best_in, best_out = -out_loss[o], -1, o
        if best_in < 0 and best_out < 0:
            return value
        if best_in >= 0:
            is_open[best_in] = True
            number += 1
        if best_out >= 0:
            is_open[best_out] = False
            number -= 1
        value = two_nearest(cost, is_open, first, second)
        for i in range(n):
            if is_open[i]:
                value += fixed[i]


@compiled
def _over(load: float, capacity: float) -> float:
    return max(0.0, load - capacity)


@compiled
def serve_whole(cost: Floats, demand: Floats, capacity: Floats, sites: Ints, seed: int, rounds: int, at: Ints) -> float:
    """Whole customers to the given open sites within capacities: the cost, infinite when no fit was found.

    Overload is priced; shifts of a customer and swaps of two go downhill on cost plus priced overload, the price rises
    while overloads stay and falls when they are gone, and every few rounds some customers are moved by chance.
    ``at``: best site of each customer found.
    """
    np.random.seed(seed)
    m, k = len(demand), len(sites)
    here = np.empty(m, np.int64)
    load = np.zeros(k)
    order = rising(-demand)
    spread = 0.0
    for j in range(m):
        for a in range(k):
            spread = max(spread, cost[sites[a], j])
    price = max(1e-9, spread / max(1.0, demand.max()))
    for j in order:
        best, best_a = np.inf, 0
        for a in range(k):
            c = cost[sites[a], j] + price * _over(load[a] + demand[j], capacity[sites[a]])
            if c < best:
                best, best_a = c, a
        here[j] = best_a
        load[best_a] += demand[j]
    least = np.inf
    for _ in range(rounds):
        moved = True
        while moved:
            moved = False
            for j in range(m):
                a = here[j]
                d = demand[j]
                leave = cost[sites[a], j] + price * (
                    _over(load[a], capacity[sites[a]]) - _over(load[a] - d, capacity[sites[a]])
                )
                best, best_b = leave - 1e-9 * max(1.0, abs(leave)), -1
                for b in range(k):
                    if b == a:
                        continue
                    c = cost[sites[b], j] + price * (
                        _over(load[b] + d, capacity[sites[b]]) - _over(load[b], capacity[sites[b]])
                    )
                    if c < best:
                        best, best_b = c, b
                if best_b >= 0:
                    load[a] -= d
                    load[best_b] += d
                    here[j] = best_b
                    moved = True
            if moved:
                continue
            for j in range(m):
                for other in range(j + 1, m):
                    a, b = here[j], here[other]
                    if a == b:
                        continue
                    change = cost[sites[b], j] + cost[sites[a], other] - cost[sites[a], j] - cost[sites[b], other]
                    step = demand[other] - demand[j]
                    change += price * (
                        _over(load[a] + step, capacity[sites[a]])
                        - _over(load[a], capacity[sites[a]])
                        + _over(load[b] - step, capacity[sites[b]])
                        - _over(load[b], capacity[sites[b]])
                    )
                    if change < -1e-9 * max(1.0, spread):
                        here[j], here[other] = b, a
                        load[a] += step
                        load[b] -= step
                        moved = True
        overload, value = 0.0, 0.0
        for a in range(k):
            overload += _over(load[a], capacity[sites[a]] * (1 + 1e-9))
        for j in range(m):
            value += cost[sites[here[j]], j]
        if overload <= 0.0:
            if value < least - 1e-9 * max(1.0, abs(value)):
                least = value
                for j in range(m):
                    at[j] = sites[here[j]]
            price *= 0.7
        else:
            price *= 1.6
        if k < 2:
            break
        for _ in range(max(2, m // 12)):
            j = np.random.randint(m)
            b = np.random.randint(k)
            load[here[j]] -= demand[j]
            load[b] += demand[j]
            here[j] = b
    return least
