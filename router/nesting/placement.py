"""Where a piece stands on a plate."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a piece stands: turn its own coordinates by ``angle_deg`` counter-clockwise about (0, 0), then shift."""

    shape_key: str
    x_mm: float
    y_mm: float
    angle_deg: float
