"""Footprint of a piece and the plate rotations it may take."""

from __future__ import annotations

import hashlib
import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon, Polygon, make_valid
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient
from shapely.ops import unary_union

Ring = tuple[tuple[float, float], ...]
Polygons = tuple[tuple[Ring, tuple[Ring, ...]], ...]
LooseRing = Sequence[Sequence[float]]
LoosePolygons = Iterable[tuple[LooseRing, Sequence[LooseRing]]]

#: Long pieces turn in these steps (common practice, no source: fine enough to leave the blade direction).
_LONG_STEP_DEG = 15
#: Two outlines are the same after turning when every vertex meets another within this distance.
_SAME_MM = 1e-3
#: Above this many vertices symmetry is not looked for (quadratic comparison).
_SYMMETRY_LIMIT = 600
#: So many vertices are compared first: most outlines that differ already differ in these.
_FEW_VERTICES = 6


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Outline of one piece, in its own coordinates (mm), with the rotations allowed on the plate.

    ``polygons``: parts as (outer ring, hole rings), outer rings counter-clockwise, first vertex not repeated. Build
    it with :meth:`make`, which cleans the rings and fills in ``key`` and ``area_mm2``. Equality is by ``key``.
    """

    key: str
    polygons: Polygons
    angles_deg: tuple[float, ...]
    area_mm2: float

    def __eq__(self, other: object) -> bool:
        """Same content, same shape."""
        return isinstance(other, Shape) and self.key == other.key

    def __hash__(self) -> int:
        """Hash of the content key."""
        return hash(self.key)

    @staticmethod
    def make(polygons: LoosePolygons, angles_deg: Iterable[float]) -> Shape:
        """Check and clean rings (mm) and rotations (degrees, counter-clockwise).

        Self-crossing rings are repaired, overlapping parts united. Raises ``ValueError`` when nothing with an area
        remains, a coordinate is not finite or no rotation is given.
        """
        rotations = tuple(sorted({float(a) % 360.0 + 0.0 for a in angles_deg}))
        if not rotations:
            raise ValueError("a shape needs at least one allowed rotation")
        if not all(math.isfinite(a) for a in rotations):
            raise ValueError(f"rotations must be finite, got {rotations}")
        region = region_of(polygons)
        rings = _rings(region)
        digest = hashlib.blake2b(digest_size=16)
        digest.update(struct.pack(f"<{len(rotations)}d", *rotations))
        for outer, holes in rings:
            for ring in (outer, *holes):
                flat = [value for vertex in ring for value in vertex]
                digest.update(struct.pack(f"<q{len(flat)}d", len(holes), *flat))
        return Shape(digest.hexdigest(), rings, rotations, float(region.area))

    def region(self) -> MultiPolygon:
        """The outline as a shapely geometry in the shape's own coordinates."""
        return MultiPolygon([Polygon(outer, holes) for outer, holes in self.polygons])

    def bound_area_mm2(self, spacing_mm: float) -> float:
        """Area of the outline dilated by half the spacing; holes narrower than the spacing close.

        Round corners are inscribed, so the figure is never too large and area bounds built on it stay valid.
        """
        return _bound_area(self, float(spacing_mm))

    def size_mm(self) -> tuple[float, float]:
        """Width and depth of the bounding box at rotation 0."""
        x0, y0, x1, y1 = _bounds(self)
        return x1 - x0, y1 - y0


@lru_cache(maxsize=4096)
def _bounds(shape: Shape) -> tuple[float, float, float, float]:
    points = np.array([vertex for outer, _ in shape.polygons for vertex in outer])
    low, high = points.min(axis=0), points.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


@lru_cache(maxsize=8192)
def _bound_area(shape: Shape, spacing_mm: float) -> float:
    return float(shape.region().buffer(spacing_mm / 2, quad_segs=16).area)


def region_of(polygons: LoosePolygons) -> MultiPolygon:
    """Valid multipolygon of loose rings; ``ValueError`` in plain words when there is none."""
    parts: list[BaseGeometry] = []
    for number, (outer, holes) in enumerate(polygons, start=1):
        for ring in (outer, *holes):
            if len(ring) < 3:
                raise ValueError(f"part {number}: a ring needs at least 3 vertices, got {len(ring)}")
            if not all(math.isfinite(vertex[0]) and math.isfinite(vertex[1]) for vertex in ring):
                raise ValueError(f"part {number}: a coordinate is not a finite number")
        part: BaseGeometry = Polygon(outer, holes)
        parts.append(part if part.is_valid else make_valid(part))
    united = parts[0] if len(parts) == 1 else unary_union(parts)
    faces = [face for face in _faces(united) if face.area > 0]
    if not faces:
        raise ValueError("the outline encloses no area")
    return MultiPolygon([orient(face) for face in faces])


def _faces(geometry: BaseGeometry) -> list[Polygon]:
    if isinstance(geometry, Polygon):
        return [geometry]
    pieces: list[Polygon] = []
    for piece in getattr(geometry, "geoms", ()):
        pieces.extend(_faces(piece))
    return pieces


def _rings(region: MultiPolygon) -> Polygons:
    def ring(coords: Iterable[tuple[float, ...]]) -> Ring:
        return tuple((float(c[0]) + 0.0, float(c[1]) + 0.0) for c in coords)[:-1]

    return tuple((ring(p.exterior.coords), tuple(ring(h.coords) for h in p.interiors)) for p in region.geoms)


def turned(points: npt.NDArray[np.float64], angle_deg: float) -> npt.NDArray[np.float64]:
    """Vertices (n, 2) turned counter-clockwise about the origin; right angles are exact."""
    quarter, rest = divmod(angle_deg % 360.0, 90.0)
    if rest == 0.0:
        cos, sin = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarter)]
    else:
        cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    x, y = points[:, 0], points[:, 1]
    return np.column_stack((cos * x - sin * y, sin * x + cos * y))


def allowed_angles(
    polygons: LoosePolygons, min_off_blade_deg: float = 10.0, long_ratio: float = 3.0, step_deg: float = 90
) -> tuple[float, ...]:
    """Rotations that keep a long piece off the recoater blade, which lies along x.

    A piece whose smallest enclosing rectangle is at least ``long_ratio`` times longer than wide gets rotations in
    multiples of 15 degrees with its long axis at least ``min_off_blade_deg`` from the blade: the steepest one and the
    flattest allowed one on either side, each also upside down (a few good ones, since every rotation costs search
    time). Other pieces get multiples of ``step_deg``. Rotations that give the same outline again are left out.
    The 10 degrees and the ratio of 3 are common practice, no source.
    """
    if not 0 <= min_off_blade_deg <= 75 or not 0 < step_deg <= 360:
        raise ValueError("off-blade angle must be 0 to 75 degrees and the step above 0 and at most 360")
    region = region_of(polygons)
    axis_deg, ratio = _long_axis(region)
    if ratio >= long_ratio:
        wanted = _long_angles(axis_deg, min_off_blade_deg)
    else:
        wanted = [k * float(step_deg) for k in range(math.ceil(360 / step_deg - 1e-9))]
    return _without_repeats(region, wanted)


def _long_axis(region: MultiPolygon) -> tuple[float, float]:
    """Direction of the long side of the smallest enclosing rectangle (degrees) and long/short ratio."""
    corners = np.array(region.minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(corners[:3], axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    long = sides[int(np.argmax(lengths))]
    ratio = float(lengths.max() / max(lengths.min(), 1e-9))
    return math.degrees(math.atan2(long[1], long[0])) % 180.0, ratio


def _long_angles(axis_deg: float, min_off_blade_deg: float) -> list[float]:
    off: dict[int, float] = {}
    for angle in range(0, 180, _LONG_STEP_DEG):
        lean = (axis_deg + angle) % 180.0
        if min(lean, 180.0 - lean) >= min_off_blade_deg - 1e-9:
            off[angle] = lean
    steep = min(off, key=lambda a: (round(abs(off[a] - 90.0), 6), a))
    flat_left = min(off, key=lambda a: (round(off[a], 6), a))
    flat_right = max(off, key=lambda a: (round(off[a], 6), -a))
    half_turn = dict.fromkeys((steep, flat_left, flat_right))
    return [float(a) for base in half_turn for a in (base, base + 180)]


def _without_repeats(region: MultiPolygon, angles: Sequence[float]) -> tuple[float, ...]:
    points = np.array([c for p in region.geoms for r in (p.exterior, *p.interiors) for c in r.coords[:-1]])
    if len(points) > _SYMMETRY_LIMIT:
        return tuple(sorted(angles))
    kept: list[float] = []
    seen: list[npt.NDArray[np.float64]] = []
    for angle in angles:
        cloud = turned(points, angle)
        cloud = cloud - cloud.min(axis=0)
        if not any(_same_cloud(cloud, other) for other in seen):
            kept.append(angle)
            seen.append(cloud)
    return tuple(sorted(kept))


def _same_cloud(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> bool:
    if np.abs(a.max(axis=0) - b.max(axis=0)).max() > _SAME_MM:
        return False
    few = a[:: max(1, len(a) // _FEW_VERTICES)]
    if (np.abs(few[:, None, :] - b[None, :, :]).max(axis=2).min(axis=1) > _SAME_MM).any():
        return False
    distance = np.abs(a[:, None, :] - b[None, :, :]).max(axis=2)
    return bool((distance.min(axis=1) <= _SAME_MM).all() and (distance.min(axis=0) <= _SAME_MM).all())
