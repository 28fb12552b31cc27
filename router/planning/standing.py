"""Whether one piece, beside its witness coupons, finds a place on an empty plate; answers are kept by content.

Most questions are settled by boxes: a certain yes or a certain no that agrees with what the nesting engine would say.
Only what lies between is really nested.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from router.domain.network import Network
from router.geometry import Orientation, PartFacts
from router.nesting import Nest, PlateSpec, Shape, allowed_angles
from router.nesting.grid import cell_size_mm
from router.nesting.shape import Polygons

_SLACK_CELLS = 3
"""A box that keeps this much off everything contains free cells of the nesting grid however they lie: one cell for the
grid's offset, one each for the outlines rounded outwards."""
_TRIED = 7
"""Places of the box tried along each axis."""
_BEYOND_MM = 0.01
"""A box that is this much larger than the plate has no place on it, whatever the rounding."""

Floats = npt.NDArray[np.float64]


class Standing:
    """Footprints with their plate rotations, and on which plates they stand.

    Answers are kept by content for the whole process: plan after plan and life after life asks the same of the same
    models.
    """

    def __init__(self, network: Network) -> None:
        self._network = network
        self._side_mm = network.coupon.side_mm
        self.coupon = _coupon(network.coupon.side_mm)
        """Footprint of a witness coupon."""
        self._shapes: dict[tuple[str, str], Shape] = {}
        self._turnings: dict[tuple[str, str], Shape] = {}

    def shape(self, part: PartFacts, orientation: Orientation) -> Shape:
        """The footprint with its permitted plate rotations."""
        key = (part.content_hash, orientation.key)
        shape = self._shapes.get(key)
        if shape is None:
            network = self._network
            shape = self._shapes[key] = _usual(
                orientation.footprint.polygons, network.recoater_min_off_deg, network.recoater_long_ratio
            )
        return shape

    def fitting(self, spec: PlateSpec, part: PartFacts, orientation: Orientation, coupons: int) -> Shape | None:
        """The footprint with rotations in which one piece, and its coupons, fit the empty plate; None when none do.

        The few usual rotations are tried first; a piece they do not place gets every permitted one in steps of 15
        degrees.
        """
        usual = self.shape(part, orientation)
        if self.stands(spec, usual, coupons):
            return usual
        if self.never(spec, usual):
            return None
        turning = self._turning(part, orientation)
        return turning if self.stands(spec, turning, coupons) else None

    def stands(self, spec: PlateSpec, shape: Shape, coupons: int) -> bool:
        """Whether a place was found for one piece beside so many coupons on the empty plate."""
        return _stands(spec, shape, coupons, self._side_mm)

    def never(self, spec: PlateSpec, shape: Shape) -> bool:
        """Certain no at whatever angle."""
        return _never_stands(spec, shape)

    def _turning(self, part: PartFacts, orientation: Orientation) -> Shape:
        """The footprint with every permitted plate rotation in steps of 15 degrees."""
        key = (part.content_hash, orientation.key)
        shape = self._turnings.get(key)
        if shape is None:
            network = self._network
            shape = self._turnings[key] = _every_turn(
                orientation.footprint.polygons, network.recoater_min_off_deg, network.recoater_long_ratio
            )
        return shape


@lru_cache(maxsize=16)
def _coupon(side_mm: float) -> Shape:
    side = side_mm
    return Shape.make(((((0.0, 0.0), (side, 0.0), (side, side), (0.0, side)), ()),), (0.0,))


@lru_cache(maxsize=8192)
def _usual(polygons: Polygons, min_off_deg: float, long_ratio: float) -> Shape:
    return Shape.make(polygons, allowed_angles(polygons, min_off_blade_deg=min_off_deg, long_ratio=long_ratio))


@lru_cache(maxsize=2048)
def _every_turn(polygons: Polygons, min_off_deg: float, long_ratio: float) -> Shape:
    every = Shape.make(polygons, tuple(float(a) for a in range(0, 360, 15)))
    return Shape.make(polygons, _off_blade(every, min_off_deg, long_ratio))


@lru_cache(maxsize=1 << 16)
def _stands(spec: PlateSpec, shape: Shape, coupons: int, side_mm: float) -> bool:
    boxes = _boxes_of(shape)
    if coupons == 0 and _clearly_stands(spec, boxes):
        return True
    wide, deep = spec.usable_width_mm + _BEYOND_MM, spec.usable_depth_mm + _BEYOND_MM
    if bool(((boxes[:, 0] > wide) | (boxes[:, 1] > deep)).all()):
        return False
    prepared = _with_coupons(spec, coupons, side_mm)
    if prepared is None:
        return False
    nest, standing = prepared
    return _has_room(spec, boxes, standing) or nest.copy().add(shape, 1) == 1


@lru_cache(maxsize=8192)
def _boxes_of(shape: Shape) -> Floats:
    """Width and depth of the bounding box at every permitted rotation, mm (n, 2)."""
    corners = np.array([vertex for outer, _ in shape.polygons for vertex in outer])
    turn = np.radians(np.array(shape.angles_deg))
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    x = corners[:, 0] * cos - corners[:, 1] * sin
    y = corners[:, 0] * sin + corners[:, 1] * cos
    return np.stack([np.ptp(x, axis=1), np.ptp(y, axis=1)], axis=1)


@lru_cache(maxsize=512)
def _with_coupons(spec: PlateSpec, coupons: int, side_mm: float) -> tuple[Nest, Floats] | None:
    """A plate with so many coupons and their lower left corners (n, 2); None when they find no room."""
    nest = Nest(spec)
    if nest.add(_coupon(side_mm), coupons) != coupons:
        return None
    corners = np.array([(p.x_mm, p.y_mm) for p in nest.placements]).reshape(-1, 2)
    return nest, np.hstack([corners, corners + side_mm])


def _off_blade(shape: Shape, min_off_deg: float, long_ratio: float) -> tuple[float, ...]:
    """Those rotations of a shape that keep the long axis of an elongated footprint off the blade."""
    corners = np.array(shape.region().minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(corners[:3], axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    if float(lengths.max()) < long_ratio * float(max(lengths.min(), 1e-9)):
        return shape.angles_deg
    long_side = sides[int(np.argmax(lengths))]
    axis_deg = math.degrees(math.atan2(long_side[1], long_side[0]))
    leans = {a: (axis_deg + a) % 180 for a in shape.angles_deg}
    return tuple(a for a, lean in leans.items() if min(lean, 180 - lean) >= min_off_deg - 1e-9)


@lru_cache(maxsize=1 << 16)
def _never_stands(spec: PlateSpec, shape: Shape) -> bool:
    """Certain no at whatever angle: too much area, too long for the diagonal, or nowhere narrow enough."""
    if shape.area_mm2 > spec.usable_area_mm2 * (1 + 1e-9):
        return True
    hull = np.array(shape.region().convex_hull.exterior.coords)
    edges = np.diff(hull, axis=0)
    normals = np.stack([-edges[:, 1], edges[:, 0]], axis=1) / np.hypot(edges[:, 0], edges[:, 1])[:, None]
    across = hull @ normals.T
    narrowest = float(np.ptp(across, axis=0).min())
    longest = float(np.hypot(*(hull[:, None, :] - hull[None, :, :]).transpose(2, 0, 1)).max())
    wide, deep = spec.width_mm - 2 * spec.edge_margin_mm, spec.depth_mm - 2 * spec.edge_margin_mm
    diagonal = wide if spec.round else math.hypot(wide, deep)
    return narrowest > min(wide, deep) + 1e-6 or longest > diagonal + 1e-6


def _clearly_stands(spec: PlateSpec, boxes: Floats) -> bool:
    """Quick certain yes: the piece's box, turned as permitted and centred, keeps off margin and keep-outs."""
    middle_x, middle_y = spec.width_mm / 2, spec.depth_mm / 2
    for half_x, half_y in (boxes / 2).tolist():
        if spec.round:
            inside = math.hypot(half_x, half_y) <= middle_x - spec.edge_margin_mm
        else:
            inside = half_x <= middle_x - spec.edge_margin_mm and half_y <= middle_y - spec.edge_margin_mm
        if inside and all(
            math.hypot(max(0.0, abs(k.x_mm - middle_x) - half_x), max(0.0, abs(k.y_mm - middle_y) - half_y))
            >= k.radius_mm
            for k in spec.keep_outs
        ):
            return True
    return False


def _has_room(spec: PlateSpec, boxes: Floats, standing: Floats) -> bool:
    """Quick certain yes: the piece's box somewhere on a lattice of places, well clear of everything.

    ``standing``: boxes on the plate already (left, low, right, high), spacing not included.
    """
    slack = _SLACK_CELLS * cell_size_mm(spec)
    margin, clear = spec.edge_margin_mm + slack, spec.spacing_mm + slack
    for wide, deep in boxes.tolist():
        spare_x, spare_y = spec.width_mm - 2 * margin - wide, spec.depth_mm - 2 * margin - deep
        if spare_x < 0 or spare_y < 0:
            continue
        left, low = np.meshgrid(
            np.linspace(margin, margin + spare_x, _TRIED), np.linspace(margin, margin + spare_y, _TRIED)
        )
        right, high = left + wide, low + deep
        free = np.ones(left.shape, dtype=bool)
        if spec.round:
            centre = spec.width_mm / 2
            far_x = np.maximum(np.abs(left - centre), np.abs(right - centre))
            far_y = np.maximum(np.abs(low - centre), np.abs(high - centre))
            free &= np.hypot(far_x, far_y) <= centre - margin
        for zone in spec.keep_outs:
            near_x = np.clip(zone.x_mm, left, right) - zone.x_mm
            near_y = np.clip(zone.y_mm, low, high) - zone.y_mm
            free &= np.hypot(near_x, near_y) >= zone.radius_mm + slack
        for x0, y0, x1, y1 in standing.tolist():
            free &= (left >= x1 + clear) | (right <= x0 - clear) | (low >= y1 + clear) | (high <= y0 - clear)
        if bool(free.any()):
            return True
    return False
