"""Quick answer to "does this demand fit one plate?": certain yes, certain no, or unknown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry

from router.nesting.nest import Nest
from router.nesting.plate import PlateSpec
from router.nesting.shape import Shape

Answer = Literal["yes", "no", "unknown"]

#: Arithmetic slack of the area bound, so that a perfectly tiled plate is never refused.
_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Verdict:
    """Answer with its reason in plain words. ``no`` and ``yes`` are certain."""

    answer: Answer
    reason: str


def quick_verdict(spec: PlateSpec, demand: Sequence[tuple[Shape, int]]) -> Verdict:
    """Certain no by single pieces too large or by dilated area; certain yes by a greedy placement; else unknown.

    The area test: pieces dilated by half the spacing are disjoint inside the usable region dilated by half the spacing.
    """
    wanted = [(shape, count) for shape, count in demand if count > 0]
    for shape, _ in wanted:
        reason = too_large(spec, shape)
        if reason:
            return Verdict("no", reason)
    need = math.fsum(count * shape.bound_area_mm2(spec.spacing_mm) for shape, count in wanted)
    room = spec.bound_area_mm2
    if need > room * (1 + _SLACK):
        return Verdict("no", f"the pieces with spacing need {need:.0f} mm2, the plate has {room:.0f} mm2")
    nest = Nest(spec)
    pieces = sum(count for _, count in wanted)
    for shape, count in sorted(wanted, key=lambda item: (-item[0].area_mm2, item[0].key)):
        if nest.add(shape, count) < count:
            return Verdict("unknown", f"no place found for all {pieces} pieces in one quick attempt")
    return Verdict("yes", f"a layout of all {pieces} pieces was found, fill {nest.fill:.2f}")


@lru_cache(maxsize=8192)
def too_large(spec: PlateSpec, shape: Shape) -> str:
    """Why a single piece can never stand on the empty plate; empty text when these tests do not exclude it."""
    hull: BaseGeometry = shape.region().convex_hull
    if spec.round:
        # A set of diameter d needs a circle of at least d across.
        corners = list(hull.exterior.coords)
        far = max(math.dist(a, b) for a in corners for b in corners)
        limit = spec.width_mm - 2 * spec.edge_margin_mm
        if far > limit + 1e-6:
            return f"a piece {far:.1f} mm across is larger than the usable circle of {limit:.1f} mm"
        return ""
    for angle in shape.angles_deg:
        x0, y0, x1, y1 = rotate(hull, angle, origin=(0, 0)).bounds
        if x1 - x0 <= spec.usable_width_mm + 1e-6 and y1 - y0 <= spec.usable_depth_mm + 1e-6:
            return ""
    width, depth = shape.size_mm()
    return (
        f"a piece of {width:.1f} x {depth:.1f} mm fits in no allowed rotation on "
        f"{spec.usable_width_mm:.1f} x {spec.usable_depth_mm:.1f} mm"
    )
