"""Plain arithmetic of the rules: rounding, tolerances, splitting cents. Nothing here knows of plans."""

from __future__ import annotations

import math
from collections.abc import Sequence

RELATIVE = 1e-6
"""Two derivations of the same physical figure may differ by this share of it."""

HALF_SLACK_CENTS = 1e-6
"""An exact amount this near to half a cent may be rounded either way: two sound sums differ in their last bits."""

GEOMETRY_MM = 0.01
"""RULES.md, section 3."""

Cents = tuple[int, int]
"""Least and greatest whole-cent amount that agree with an exact one; nearly always equal."""


def half_up(amount: float) -> int:
    """RULES.md: ``floor(x + 0.5)``."""
    return math.floor(amount + 0.5)


def cents(*exact: float, plus: int = 0) -> Cents:
    """Round each exact amount half up and add them, and the whole cents ``plus``."""
    low = sum(half_up(x - HALF_SLACK_CENTS) for x in exact)
    high = sum(half_up(x + HALF_SLACK_CENTS) for x in exact)
    return low + plus, high + plus


def agrees(stated: int, derived: Cents) -> bool:
    """Whether a stated amount is one the rules allow."""
    return derived[0] <= stated <= derived[1]


def settled(stated: int, derived: Cents) -> int:
    """The stated amount when it agrees, else the derived one."""
    return stated if agrees(stated, derived) else derived[1]


def near(found: float, expected: float) -> bool:
    """Equal to one in a million; never for a NaN."""
    return abs(found - expected) <= max(RELATIVE * abs(expected), 1e-12)


def whole_minutes(minutes: float) -> int:
    """RULES.md, section 1: minutes of work."""
    return math.ceil(minutes - 1e-9)


def whole_layers(height_mm: float, layer_mm: float) -> int:
    """RULES.md, section 3: layers of a height."""
    return math.ceil(height_mm / layer_mm - 1e-9)


def largest_remainder(total_cents: int, exact: Sequence[float]) -> list[int]:
    """Whole cents that sum to ``total_cents``: floors, then one more for the largest remainders, ties in order.

    Remainders are compared in steps of a millionth of a cent, so that a tie stays one after float sums.
    """
    floors = [math.floor(x + HALF_SLACK_CENTS) for x in exact]
    missing = total_cents - sum(floors)
    order = sorted(range(len(exact)), key=lambda i: (-round(exact[i] - floors[i], 6), i))
    for i in order[: max(0, missing)]:
        floors[i] += 1
    return floors


def fairly_rounded(stated: Sequence[int], total_cents: int, exact: Sequence[float]) -> bool:
    """Whether whole cents are a largest-remainder rounding of exact shares.

    They are when they sum to the total and no entry was favoured over another by more than a cent:
    for every i, j: (stated_i - exact_i) - (stated_j - exact_j) <= 1. A tie may go either way within the slack.
    """
    if sum(stated) != total_cents:
        return False
    favours = [s - x for s, x in zip(stated, exact, strict=True)]
    return not favours or max(favours) - min(favours) <= 1 + 2 * HALF_SLACK_CENTS
