"""Which customer may still go to which site in a choice that is better than the best one known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from router.geometry.compiled import compiled
from router.whatif.siting.ascent_kernels import MAYBE, SHUT, WHOLE, Floats, Marks


@compiled
def _mark(
    mode: int,
    cost: Floats,
    demand: Floats,
    capacity: Floats,
    prices: Floats,
    state: Marks,
    opening: Floats,
    left: float,
    usable: NDArray[np.bool_],
) -> int:
    n, m = cost.shape
    count = 0
    for i in range(n):
        if state[i] == SHUT:
            continue
        room = int(capacity[i]) if mode == WHOLE else 0
        best = np.zeros(room + 1)
        if mode == WHOLE:
            for j in range(m):
                gain = cost[i, j] - prices[j]
                size = int(demand[j])
                if gain < 0.0:
                    for r in range(room, size - 1, -1):
                        best[r] = min(best[r], best[r - size] + gain)
        for j in range(m):
            extra = max(0.0, cost[i, j] - prices[j])
            if demand[j] > capacity[i]:
                continue
            if mode == WHOLE and extra > 0.0:
                extra += best[room - int(demand[j])] - best[room]
            usable[j, i] = opening[i] + extra < left
            count += usable[j, i]
    return count


def usable_pairs(
    mode: int,
    cost: Floats,
    demand: Floats,
    capacity: Floats,
    prices: Floats,
    state: Marks,
    worth: Floats,
    price: Floats,
    left: float,
) -> tuple[NDArray[np.bool_], int]:
    """Pairs [customer, site] that whole customers may use, and how many: all others would cost ``left`` or more above
    the bound at ``prices``. ``worth`` and ``price`` are those of that bound."""
    # Both prices of one more site give the same bound, so the higher loss counts.
    reduced = worth - (price[2] * capacity if price[2] > 0 else price[:2].min())
    opening = np.where((state == MAYBE) & np.isfinite(reduced), np.maximum(0.0, reduced), 0.0)
    usable = np.zeros((cost.shape[1], cost.shape[0]), dtype=np.bool_)
    count = _mark(mode, cost, demand, capacity, prices, state, opening, left, usable)
    return usable, int(count)
