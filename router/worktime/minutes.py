"""Whole minutes of work."""

from __future__ import annotations

import math


def whole_minutes(minutes: float) -> int:
    """Minutes of work rounded up to the planning grain: ``ceil(minutes - 1e-9)`` (RULES.md, section 1)."""
    return math.ceil(minutes - 1e-9)
