"""Footprints as shapes on a plate, and the few questions the rules ask of them."""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
import shapely
from shapely import affinity

from router.audit.figures import GEOMETRY_MM
from router.domain.machines import Plate
from router.domain.network import Coupon
from router.geometry.facts import Footprint

Shape: TypeAlias = shapely.Geometry


def footprint_shape(footprint: Footprint) -> Shape:
    """The footprint with its holes, as measured."""
    polygons = [shapely.Polygon(outer, holes) for outer, holes in footprint.polygons]
    return polygons[0] if len(polygons) == 1 else shapely.union_all(polygons)


def coupon_shape(coupon: Coupon) -> Shape:
    """The square of a witness coupon, lower-left at the origin."""
    return shapely.box(0.0, 0.0, coupon.side_mm, coupon.side_mm)


def placed(shape: Shape, x_mm: float, y_mm: float, angle_deg: float) -> Shape:
    """Turned about its own origin, then shifted."""
    return affinity.translate(affinity.rotate(shape, angle_deg, origin=(0.0, 0.0)), x_mm, y_mm)


def overhang_mm(shape: Shape, plate: Plate, margin_mm: float) -> float:
    """How far a shape reaches beyond the plate shrunk by a margin; zero or less when inside.

    The plate is convex, so the corners decide. A round plate has the smaller of its sides as diameter.
    """
    xy = shapely.get_coordinates(shape)
    if plate.round:
        radius = min(plate.width_mm, plate.depth_mm) / 2 - margin_mm
        reach = np.hypot(xy[:, 0] - plate.width_mm / 2, xy[:, 1] - plate.depth_mm / 2)
        return float(reach.max() - radius)
    x, y = xy[:, 0], xy[:, 1]
    return float(
        max(
            margin_mm - x.min(),
            margin_mm - y.min(),
            x.max() - (plate.width_mm - margin_mm),
            y.max() - (plate.depth_mm - margin_mm),
        )
    )


def inner_area_mm2(plate: Plate) -> float:
    """Area of the plate inside its edge margin; keep-outs are not taken off."""
    margin = plate.edge_margin_mm
    if plate.round:
        return float(math.pi * (min(plate.width_mm, plate.depth_mm) / 2 - margin) ** 2)
    return float((plate.width_mm - 2 * margin) * (plate.depth_mm - 2 * margin))


def overlap(one: Shape, other: Shape) -> bool:
    """Whether two shapes reach into each other by more than the tolerance."""
    half = GEOMETRY_MM / 2
    return bool(one.buffer(-half).intersects(other.buffer(-half)))


def long_axes(shape: Shape) -> list[tuple[float, float]]:
    """(length/width, angle of the long axis in degrees) of every least-area bounding rectangle.

    A least rectangle has a side along an edge of the convex hull (Freeman & Shapira 1975, *Communications of the
    ACM* 18(7)), so each edge is tried. There can be several of equal area: every right or acute triangle has.
    """
    xy = shapely.get_coordinates(shape.convex_hull)
    edges = np.diff(xy, axis=0)
    edges = edges[np.hypot(edges[:, 0], edges[:, 1]) > 1e-9]
    angles = np.arctan2(edges[:, 1], edges[:, 0])
    along = np.outer(xy[:, 0], np.cos(angles)) + np.outer(xy[:, 1], np.sin(angles))
    across = np.outer(xy[:, 1], np.cos(angles)) - np.outer(xy[:, 0], np.sin(angles))
    lengths, widths = np.ptp(along, axis=0), np.ptp(across, axis=0)
    areas = lengths * widths
    found: list[tuple[float, float]] = []
    for i in np.flatnonzero(areas <= areas.min() * (1 + 1e-6)):
        length, width = float(lengths[i]), float(widths[i])
        axis = math.degrees(float(angles[i])) + (0.0 if length >= width else 90.0)
        ratio = max(length, width) / min(length, width) if min(length, width) > 0 else math.inf
        found.append((ratio, axis))
    return found


def off_blade_deg(axis_deg: float) -> float:
    """Angle between an axis and the x axis, 0 to 90 degrees."""
    turned = axis_deg % 180.0
    return min(turned, 180.0 - turned)


def keeps_recoater_rule(
    axes: list[tuple[float, float]], angle_deg: float, long_ratio: float, min_off_deg: float
) -> bool:
    """Whether a footprint turned by an angle lies well to the blade by one of its least rectangles."""
    return any(
        ratio < long_ratio * (1 - 1e-9) or off_blade_deg(axis + angle_deg) >= min_off_deg - 1e-6 for ratio, axis in axes
    )
