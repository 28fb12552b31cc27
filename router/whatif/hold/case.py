"""The case: parts that arrive over time, one machine, what a build brings and costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

ARRIVAL, OWN_H, RECOAT_H, DUE, GAIN = 0, 1, 2, 3, 4
"""Columns of the table of parts: hours, hours of exposure, hours of recoating to its height, hours, money."""


@dataclass(frozen=True, slots=True)
class PlateTerms:
    """The machine, and what an hour, a build and a late hour cost. Lengths in mm, money in any one unit."""

    plate_w_mm: float
    plate_d_mm: float
    body_mm3_per_s: float
    support_mm3_per_s: float
    recoat_s_per_mm: float
    pre_build_h: float
    post_build_h: float
    cost_per_h: float
    """Energy and gas while it builds; not before and after."""
    powder_per_mm3: float
    cost_per_build: float
    late_per_h: float
    """For each part and hour past its due time, counted up to the horizon."""

    @property
    def handling_h(self) -> float:
        return self.pre_build_h + self.post_build_h


@dataclass(frozen=True, slots=True)
class BoxPart:
    """A box, its price, when it comes and when it is due. Turned by 90 degrees at will, never stacked."""

    arrival_h: float
    length_mm: float
    width_mm: float
    height_mm: float
    volume_mm3: float
    support_mm3: float
    due_h: float
    price: float


@dataclass(frozen=True, slots=True)
class HoldCase:
    """Parts in the order of their arrival, and the hour at which counting ends."""

    name: str
    horizon_h: float
    terms: PlateTerms
    parts: tuple[BoxPart, ...]

    def __post_init__(self) -> None:
        if any(b.arrival_h < a.arrival_h for a, b in zip(self.parts, self.parts[1:], strict=False)):
            raise ValueError(f"{self.name}: parts must come in the order of their arrival")


def part_tables(parts: Sequence[BoxPart], terms: PlateTerms) -> tuple[Floats, Floats]:
    """What the kernels read: ``rows`` (n, 5) by the columns above, and ``sizes`` (n, 2) of the footprints in mm.

    ``GAIN`` is the price less powder and the running cost of the part's own exposure: all but its plate.
    """
    rows = np.empty((len(parts), 5))
    sizes = np.empty((len(parts), 2))
    for i, p in enumerate(parts):
        own_h = (p.volume_mm3 / terms.body_mm3_per_s + p.support_mm3 / terms.support_mm3_per_s) / 3600.0
        own_cost = own_h * terms.cost_per_h + (p.volume_mm3 + p.support_mm3) * terms.powder_per_mm3
        rows[i] = (p.arrival_h, own_h, p.height_mm * terms.recoat_s_per_mm / 3600.0, p.due_h, p.price - own_cost)
        sizes[i] = (p.length_mm, p.width_mm)
    return rows, sizes


def term_row(case: HoldCase) -> Floats:
    """Terms as the kernels read them: plate width, depth, handling h, cost an h, a build, a late h, horizon h."""
    t = case.terms
    return np.array(
        [t.plate_w_mm, t.plate_d_mm, t.handling_h, t.cost_per_h, t.cost_per_build, t.late_per_h, case.horizon_h]
    )
