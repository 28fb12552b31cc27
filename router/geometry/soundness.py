"""Whether a measured part can be made at all, judged by its size alone."""

from __future__ import annotations

from dataclasses import dataclass

from router.geometry.facts import PartFacts

SMALLEST_SIDE_MM = 0.05
"""A part thinner than this in any direction is below one melt track (common practice, no source)."""
THINNEST_MEAN_MM = 0.02
"""Twice the volume over the surface: the mean wall. Below one fine layer there is no body (common practice, no
source)."""
FEWEST_TRIANGLES = 4
"""No solid has fewer faces than a tetrahedron."""


@dataclass(frozen=True, slots=True)
class Unusable:
    """Why a part cannot be made: what was found and what would be right."""

    found: str
    expected: str

    def sentence(self) -> str:
        return f"the model cannot be built: {self.found}; expected {self.expected}"


def unusable(facts: PartFacts) -> Unusable | None:
    """What keeps every machine from making the part, or None."""
    x, y, z = facts.bbox_mm
    lowest = min((o.height_mm for o in facts.orientations), default=min(facts.bbox_mm))
    if max(facts.bbox_mm) < SMALLEST_SIDE_MM:
        return Unusable(
            f"a part of {x:.3g} x {y:.3g} x {z:.3g} mm",
            f"a part of at least {SMALLEST_SIDE_MM:g} mm, in the right unit (limit: common practice, no source)",
        )
    if facts.triangles < FEWEST_TRIANGLES:
        count = "a single triangle" if facts.triangles == 1 else f"{facts.triangles} triangles"
        return Unusable(count, "a closed body, which has four triangles at the least")
    mean_mm = 2.0 * facts.volume_mm3 / facts.area_mm2 if facts.area_mm2 > 0.0 else 0.0
    if min(x, y, z, lowest) < SMALLEST_SIDE_MM or mean_mm < THINNEST_MEAN_MM:
        return Unusable(
            f"a flat part of {x:.3g} x {y:.3g} x {z:.3g} mm with a volume of {facts.volume_mm3:.3g} mm3",
            f"a body at least {SMALLEST_SIDE_MM:g} mm thick, in the right unit (limit: common practice, no source)",
        )
    return None
