"""How parts arrive: Poisson streams of six kinds of boxes, and draws from them.

The kinds, rates, volumes and due times are those of the published cases (HOLD.md). Their price law is not stated with
them; the line used here was fitted to the published parts by least squares (182 + 3.7 a cm3, standard deviation 38).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from router.whatif.hold.case import Floats, PlateTerms

SMALL, LONG, LARGE = range(3)
_MIXES = {
    "Uniform": (0.04, 0.04, 0.04),
    "Small-dominant": (0.06, 0.04, 0.02),
    "Large-dominant": (0.02, 0.04, 0.06),
}
_MEAN_PRICE, _PRICE_PER_MM3, _PRICE_SPREAD = 181.9, 0.003706, 38.0


@dataclass(frozen=True, slots=True)
class ArrivalLaw:
    """Arrivals an hour of small, long and large footprints; each as often low as high."""

    rates_per_h: tuple[float, float, float]
    chamber_height_mm: float = 200.0
    due_factor: float = 3.0
    """Due so many stand-alone build times after arrival."""

    @classmethod
    def named(cls, name: str) -> ArrivalLaw:
        """The law of a published mix. Raises ValueError for a mix that is not known."""
        if name not in _MIXES:
            raise ValueError(f"mix {name!r} is not known; expected one of {', '.join(_MIXES)}")
        return cls(_MIXES[name])

    def draw(self, start_h: float, end_h: float, terms: PlateTerms, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Parts arriving in (start, end), in order: rows and sizes as case.part_tables makes them."""
        total = 2.0 * sum(self.rates_per_h)
        n = rng.poisson(total * max(0.0, end_h - start_h))
        arrival = np.sort(rng.uniform(start_h, end_h, n))
        kind = rng.choice(3, n, p=np.array(self.rates_per_h) / sum(self.rates_per_h))
        high = rng.random(n) < 0.5
        height = self.chamber_height_mm * np.where(high, rng.uniform(1 / 2, 2 / 3, n), rng.uniform(1 / 3, 1 / 2, n))
        small_w, small_d = rng.uniform(1 / 6, 1 / 3, n), rng.uniform(1 / 6, 1 / 3, n)
        big_w, big_d = rng.uniform(1 / 3, 1 / 2, n), rng.uniform(1 / 3, 1 / 2, n)
        width = terms.plate_w_mm * np.where(kind == SMALL, small_w, big_w)
        depth = terms.plate_d_mm * np.where(kind == LARGE, big_d, small_d)
        volume = width * depth * height * rng.uniform(0.05, 0.15, n)
        support = volume * rng.uniform(0.0, 0.3, n)
        own_h = (volume / terms.body_mm3_per_s + support / terms.support_mm3_per_s) / 3600.0
        recoat_h = height * terms.recoat_s_per_mm / 3600.0
        due = arrival + self.due_factor * (terms.handling_h + own_h + recoat_h)
        price = _MEAN_PRICE + _PRICE_PER_MM3 * volume + rng.normal(0.0, _PRICE_SPREAD, n)
        gain = price - own_h * terms.cost_per_h - (volume + support) * terms.powder_per_mm3
        return np.column_stack([arrival, own_h, recoat_h, due, gain]), np.column_stack([width, depth])
