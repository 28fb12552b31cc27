"""Nesting: do these pieces fit this plate, and where?

Room rule: imports only ``router.kernel`` and libraries. Start at :class:`Nest` (one plate, incremental) or
:func:`pack` (a whole demand); :func:`confirm` is the independent exact check.
"""

from __future__ import annotations

from router.nesting.confirm import confirm
from router.nesting.nest import Nest
from router.nesting.pack import PackResult, capacity, capacity_layout, clear_caches, pack
from router.nesting.placement import Placement
from router.nesting.plate import KeepOut, PlateSpec
from router.nesting.shape import Ring, Shape, allowed_angles
from router.nesting.verdict import Verdict, quick_verdict

__all__ = [
    "KeepOut",
    "Nest",
    "PackResult",
    "Placement",
    "PlateSpec",
    "Ring",
    "Shape",
    "Verdict",
    "allowed_angles",
    "capacity",
    "capacity_layout",
    "clear_caches",
    "confirm",
    "pack",
    "quick_verdict",
]
