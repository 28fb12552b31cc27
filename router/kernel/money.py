"""Integer money: every amount is a whole number of cents of the network's one currency."""

from __future__ import annotations

import math
from collections.abc import Sequence


def round_cents(amount: float) -> int:
    """Round an amount in cents half up, away from the platform's banker's rounding."""
    return math.floor(amount + 0.5)


def apportion(total_cents: int, weights: Sequence[float]) -> tuple[int, ...]:
    """Split whole cents in proportion to weights so that the parts sum to the total exactly.

    Largest-remainder method; ties go to the earlier entry, so the split is deterministic.
    All-zero weights split evenly. Raises ValueError for no weights, or a negative or non-finite one.
    """
    if not weights:
        raise ValueError("apportion needs at least one weight")
    if any(not math.isfinite(w) or w < 0 for w in weights):
        raise ValueError(f"weights must be finite and not negative, found {list(weights)}")
    scale = math.fsum(weights)
    shares = [w / scale for w in weights] if scale > 0 else [1 / len(weights)] * len(weights)
    exact = [total_cents * share for share in shares]
    floors = [math.floor(x) for x in exact]
    missing = total_cents - sum(floors)
    by_remainder = sorted(range(len(weights)), key=lambda i: (floors[i] - exact[i], i))
    for i in by_remainder[:missing]:
        floors[i] += 1
    return tuple(floors)
