"""Nesting: do these pieces fit this plate, and where?

Room rule: imports only ``router.kernel`` and libraries. Start at :class:`Nest` (one plate, incremental) or
:func:`pack` (a whole demand); deep questions: :func:`fit_all`, :func:`best_subset`, :func:`fewest_plates`,
:func:`pack_strip`; few pieces exactly: :func:`contact_fit`,
:func:`lattice_fit`; :func:`confirm` is the independent exact check.
"""

from __future__ import annotations

from router.nesting.best_subset import SubsetResult, best_subset
from router.nesting.confirm import confirm
from router.nesting.contact_search import contact_fit
from router.nesting.fewest_plates import PlatesResult, fewest_plates
from router.nesting.lattice import LatticeAnswer, lattice_fit
from router.nesting.nest import Nest
from router.nesting.pack import PackResult, capacity, capacity_layout, clear_caches, pack, room_for
from router.nesting.placement import Placement
from router.nesting.plate import KeepOut, PlateSpec
from router.nesting.plate_fit import FitResult, fit_all, forget_fits
from router.nesting.shape import Ring, Shape, allowed_angles
from router.nesting.strip import StripResult, pack_strip
from router.nesting.verdict import Verdict, quick_verdict

__all__ = [
    "FitResult",
    "KeepOut",
    "LatticeAnswer",
    "Nest",
    "PackResult",
    "Placement",
    "PlateSpec",
    "PlatesResult",
    "Ring",
    "Shape",
    "StripResult",
    "SubsetResult",
    "Verdict",
    "allowed_angles",
    "best_subset",
    "capacity",
    "capacity_layout",
    "clear_caches",
    "confirm",
    "contact_fit",
    "fewest_plates",
    "fit_all",
    "forget_fits",
    "lattice_fit",
    "pack",
    "pack_strip",
    "quick_verdict",
    "room_for",
]
