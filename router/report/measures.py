"""Lengths, areas and masses in words: metric, or inches, pounds and miles.

Factors are exact by definition: 25.4 mm an inch, 0.45359237 kg a pound, 1.609344 km a mile (NIST SP 811, appendix B).
"""

from __future__ import annotations

from dataclasses import dataclass

from router.report.wording import NBSP, number

_MM_PER_IN, _KG_PER_LB, _KM_PER_MI = 25.4, 0.45359237, 1.609344


@dataclass(frozen=True, slots=True)
class Measures:
    """How the reader wants them written."""

    inch: bool = False

    @property
    def length_unit(self) -> str:
        """Of bare figures in a table."""
        return "in" if self.inch else "mm"

    @property
    def mass_unit(self) -> str:
        """Likewise."""
        return "lb" if self.inch else "kg"

    @property
    def distance_unit(self) -> str:
        """Likewise."""
        return "mi" if self.inch else "km"

    def bare_length(self, mm: float) -> str:
        """A figure under a heading that names the unit."""
        return number(mm / _MM_PER_IN, 2) if self.inch else number(mm, 1)

    def bare_mass(self, kg: float) -> str:
        """Likewise."""
        return number(kg / _KG_PER_LB if self.inch else kg, 1)

    def bare_distance(self, km: float) -> str:
        """Likewise."""
        return number(km / _KM_PER_MI if self.inch else km)

    def length(self, mm: float) -> str:
        """``41.5 mm`` or ``1.63 in``."""
        return f"{self.bare_length(mm)}{NBSP}{self.length_unit}"

    def bare_size(self, *sides_mm: float) -> str:
        """``280 x 280`` or ``11.02 x 11.02``."""
        return " x ".join(number(s / _MM_PER_IN, 2) if self.inch else f"{round(s, 1):g}" for s in sides_mm)

    def size(self, *sides_mm: float) -> str:
        """``280 x 280 mm`` or ``11.02 x 11.02 in``."""
        return f"{self.bare_size(*sides_mm)}{NBSP}{self.length_unit}"

    def area(self, mm2: float) -> str:
        """``320 cm2`` or ``49.6 sq in``."""
        return f"{number(mm2 / _MM_PER_IN**2, 1)}{NBSP}sq in" if self.inch else f"{number(mm2 / 100)}{NBSP}cm2"

    def mass(self, kg: float) -> str:
        """``1.2 kg`` or ``2.6 lb``."""
        return f"{self.bare_mass(kg)}{NBSP}{self.mass_unit}"

    def distance(self, km: float) -> str:
        """``640 km`` or ``398 mi``."""
        return f"{self.bare_distance(km)}{NBSP}{self.distance_unit}"


METRIC = Measures()
