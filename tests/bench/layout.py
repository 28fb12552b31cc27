"""A layout as every engine hands it over, its value, and the check that trusts no engine."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from shapely import STRtree
from shapely.affinity import rotate, translate
from shapely.geometry.base import BaseGeometry

from tests.bench.cases import Case

#: Overlap, protrusion and missing clearance allowed, as a share of the bin's (strip's) height: single-precision engines
#: must not fail on rounding. On a 300 mm plate this is 0.006 mm, within the 0.01 mm the project promises.
TOLERANCE_SHARE = 2e-5


@dataclass(frozen=True, slots=True)
class Put:
    """One piece: index of its type, bin, then turn about the outline's own origin (degrees) and shift."""

    type: int
    bin: int
    x: float
    y: float
    angle: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What an engine found: a layout (None: nothing complete in time), bounds it proved, notes, named sub-results."""

    puts: tuple[Put, ...] | None
    bound: float | None = None
    note: str = ""
    configurations: tuple[tuple[str, float], ...] = ()


def value_of(case: Case, puts: Sequence[Put]) -> float:
    """Number of bins, or density of the strip (net area over height times length used)."""
    if case.goal == "bins":
        return float(len({p.bin for p in puts}))
    edge = max(placed(case, p).bounds[2] for p in puts)
    return float(case.item_area / (case.height * edge))


def better(case: Case, one: float, other: float) -> bool:
    """Whether the first value is strictly better."""
    return one < other if case.goal == "bins" else one > other


def placed(case: Case, put: Put) -> BaseGeometry:
    """Outline of a piece where it stands."""
    return translate(rotate(case.types[put.type].region(), put.angle, origin=(0, 0)), put.x, put.y)


def faults(case: Case, puts: Sequence[Put]) -> list[str]:
    """What is wrong with a layout, judged with true outlines by shapely; empty when it is right."""
    found: list[str] = []
    counted = Counter(p.type for p in puts)
    for number, piece in enumerate(case.types):
        if counted[number] != piece.copies:
            found.append(f"type {number}: {counted[number]} pieces placed, {piece.copies} asked")
    tolerance = TOLERANCE_SHARE * case.height
    by_bin: dict[int, list[BaseGeometry]] = defaultdict(list)
    for put in puts:
        allowed = case.types[put.type].angles
        if allowed is not None and all(abs((put.angle - a + 180) % 360 - 180) > 1e-3 for a in allowed):
            found.append(f"type {put.type}: angle {put.angle:g} is not allowed")
        region = placed(case, put)
        by_bin[put.bin].append(region)
        x0, y0, x1, y1 = region.bounds
        m, right = case.margin, case.width if math.isfinite(case.width) else math.inf
        out = max(m - x0, m - y0, x1 - (right - m), y1 - (case.height - m))
        if out > tolerance:
            found.append(f"type {put.type} in bin {put.bin} reaches {out:.4g} outside")
    for number, regions in by_bin.items():
        found.extend(f"bin {number}: {text}" for text in _pairs(regions, case.spacing, tolerance))
    return found


def _pairs(regions: list[BaseGeometry], spacing: float, tolerance: float) -> list[str]:
    found: list[str] = []
    left, right = STRtree(regions).query(regions, predicate="dwithin", distance=spacing)
    for i, j in zip(left.tolist(), right.tolist(), strict=True):
        if i >= j:
            continue
        gap = float(regions[i].distance(regions[j]))
        if gap <= 0.0:
            common = regions[i].intersection(regions[j])
            if common.area > 0 and not common.buffer(-tolerance / 2).is_empty:
                found.append(f"two pieces overlap by an area of {common.area:.4g}")
                continue
        if gap < spacing - tolerance:
            found.append(f"two pieces {gap:.4g} apart, {spacing:g} asked")
    return found
