"""Exact check of a nest, independent of how its positions were found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from shapely import STRtree
from shapely.affinity import rotate, translate
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.shape import Shape

#: Clearances and edges are held to this tolerance, mm.
TOLERANCE_MM = 0.01


def confirm(spec: PlateSpec, shapes: Mapping[str, Shape], placements: Sequence[Placement]) -> list[str]:
    """Plain sentences for every breach of the plate's rules; empty when the nest is good.

    Checks with true outlines: overlap, clearance below the spacing, pieces outside the usable region, keep-outs
    touched, unknown shapes and rotations that are not allowed. Lengths hold to 0.01 mm.
    """
    findings: list[str] = []
    regions: list[BaseGeometry] = []
    numbers: list[int] = []
    for number, place in enumerate(placements, start=1):
        shape = shapes.get(place.shape_key)
        if shape is None:
            findings.append(f"piece {number}: no shape with key {place.shape_key}")
            continue
        if not any(abs((place.angle_deg - a + 180) % 360 - 180) < 1e-6 for a in shape.angles_deg):
            findings.append(f"piece {number}: rotation {place.angle_deg:g} degrees is not allowed")
        region = translate(rotate(shape.region(), place.angle_deg, origin=(0, 0)), place.x_mm, place.y_mm)
        regions.append(region)
        numbers.append(number)
        findings.extend(_plate_findings(spec, number, region))
    findings.extend(_pair_findings(spec.spacing_mm, numbers, regions))
    return findings


def _plate_findings(spec: PlateSpec, number: int, region: BaseGeometry) -> list[str]:
    findings: list[str] = []
    beyond = _beyond_mm(spec, region)
    if beyond > TOLERANCE_MM:
        findings.append(f"piece {number} reaches {beyond:.3f} mm beyond the usable region")
    for zone in spec.keep_outs:
        breach = zone.radius_mm - region.distance(Point(zone.x_mm, zone.y_mm))
        if breach > TOLERANCE_MM:
            at = f"x {zone.x_mm:g}, y {zone.y_mm:g}"
            findings.append(f"piece {number} reaches {breach:.3f} mm into the keep-out at {at}")
    return findings


def _beyond_mm(spec: PlateSpec, region: BaseGeometry) -> float:
    """How far the piece reaches over the rim less margin (rim is convex, so vertices decide)."""
    margin = spec.edge_margin_mm
    if spec.round:
        centre = spec.width_mm / 2
        corners = np.array([c for p in getattr(region, "geoms", [region]) for c in p.exterior.coords])
        return float(np.hypot(corners[:, 0] - centre, corners[:, 1] - centre).max() - (centre - margin))
    x0, y0, x1, y1 = region.bounds
    return float(max(margin - x0, margin - y0, x1 - (spec.width_mm - margin), y1 - (spec.depth_mm - margin)))


def _pair_findings(spacing_mm: float, numbers: Sequence[int], regions: Sequence[BaseGeometry]) -> list[str]:
    if len(regions) < 2:
        return []
    findings: list[str] = []
    tree = STRtree(list(regions))
    left, right = tree.query(list(regions), predicate="dwithin", distance=spacing_mm)
    for i, j in sorted(zip(left.tolist(), right.tolist(), strict=True)):
        if i >= j:
            continue
        gap = regions[i].distance(regions[j])
        if gap <= 0.0:
            # Pieces may touch where no spacing is asked; an overlap is a common area deeper than the tolerance.
            common = regions[i].intersection(regions[j])
            if common.area > 0 and not common.buffer(-TOLERANCE_MM / 2).is_empty:
                findings.append(f"pieces {numbers[i]} and {numbers[j]} overlap by {common.area:.3f} mm2")
                continue
        if gap < spacing_mm - TOLERANCE_MM:
            findings.append(f"pieces {numbers[i]} and {numbers[j]} are {gap:.3f} mm apart, {spacing_mm:g} mm asked")
    return findings
