"""The true shadow of a surface on the plate, with its holes, and an outline of few vertices that contains it.

The facets that face up cover exactly the shadow of a closed solid, each with positive turn. The edges where that set of
facets ends form closed loops, and the number of times those loops wind around a point of the plate is the number of
facets above it. So the shadow is the region with positive winding number: one small polygon clean-up instead of a
union of every facet. For a surface that is not closed all facets are turned to face up first.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely
from manifold3d import CrossSection, FillRule, OpType

from router.geometry.compiled import compiled
from router.geometry.facts import Footprint, Piece, Ring
from router.geometry.pose import Pose
from router.geometry.surface import Surface

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

OUTLINE_TOLERANCE_MM = 0.05
OUTLINE_VERTICES = 300
EXACT_VERTICES = 80
"""Outlines this simple are kept as they are."""
SMALLEST_HOLE_MM2 = 1.0
"""Smaller holes are filled: nothing can be built inside one."""

_EDGES_AT_ONCE = 5_000
_MOST_STRIPS = 40
_SAFETY_MM = 2.0e-6
_HAIR_MM = 0.01


def footprint(pose: Pose, tolerance_mm: float = OUTLINE_TOLERANCE_MM) -> Footprint:
    """Measure the shadow of a part on the plate.

    The outline contains every projected vertex to within 1e-6 mm.
    """
    points = pose.points[:, :2]
    shadow = _shadow(pose, points)
    outline = _simplify(shadow, (float(pose.size[0]), float(pose.size[1])), tolerance_mm)
    x0, y0, x1, y1 = outline.bounds
    return Footprint(
        polygons=tuple(_piece(polygon, x0, y0) for polygon in _pieces(outline)),
        area_mm2=float(shadow.area),
        width_mm=float(x1 - x0),
        depth_mm=float(y1 - y0),
    )


def _shadow(pose: Pose, points: Floats) -> shapely.Geometry:
    surface = pose.surface
    covering = (pose.upright > 0.0).astype(np.float64) if surface.closed else np.sign(pose.upright)
    edges = _boundary_edges(surface, covering, None)
    if len(edges) <= _EDGES_AT_ONCE:
        section = _wound_region(points, edges)
    else:
        # The clean-up sweeps a line over all edges, so long ragged shadows are cut into strips across the sweep first.
        axis = int(np.argmax(pose.size[:2]))
        middle = sum(points[surface.faces[:, corner], axis] for corner in range(3)) / (3.0 * pose.size[axis])
        count = min(len(edges) // _EDGES_AT_ONCE + 1, _MOST_STRIPS) + 1
        strip = np.minimum((middle * count).astype(np.int64), count - 1)
        order = np.argsort(strip, kind="stable")
        limits = np.searchsorted(strip[order], np.arange(count + 1))
        sweep = points if axis == 0 else points[:, ::-1] * np.array([1.0, -1.0])
        section = CrossSection.batch_boolean(
            [
                _wound_region(sweep, _boundary_edges(surface, covering, order[first:last]))
                for first, last in pairwise(limits)
            ],
            OpType.Add,
        )
        if axis == 1:
            section = section.rotate(90.0)
    shapes = [_from_contours(piece.to_polygons()) for piece in section.decompose() if not piece.is_empty()]
    shadow = shapely.union_all(shapes) if len(shapes) != 1 else shapes[0]
    return shadow if surface.closed and not shadow.is_empty else _with_stray_facets(surface, points, shadow)


def _boundary_edges(surface: Surface, covering: Floats, among: Ints | None) -> Ints:
    """Directed edges, shape (n, 2), that bound the facets `among` (or all), each facet counted `covering` times."""
    chosen: Ints | slice = slice(None) if among is None else among
    weight = (surface.edge_sign[chosen] * covering[chosen, None]).reshape(-1)
    turns = np.bincount(surface.edge_of[chosen].reshape(-1), weights=weight)
    used = np.flatnonzero(np.abs(turns) > 0.5)
    count = np.rint(turns[used]).astype(np.int64)
    ends = surface.edges[used]
    ends = np.where(count[:, None] > 0, ends, ends[:, ::-1])
    return np.repeat(ends, np.abs(count), axis=0)


def _wound_region(points: Floats, edges: Ints) -> CrossSection:
    """The region around which the edges wind at least once.

    As many edges arrive at a vertex as leave it, so pairing them in sorted order links all of them into closed loops;
    which of several pairings is taken does not change how often the loops wind around a point.
    """
    follow = np.empty(len(edges), dtype=np.int64)
    follow[np.argsort(edges[:, 1], kind="stable")] = np.argsort(edges[:, 0], kind="stable")
    order, limits = _loops(follow)
    corners = points[edges[order, 0]]
    loops = [corners[first:last] for first, last in pairwise(limits.tolist()) if last - first > 2]
    return CrossSection(loops, FillRule.Positive)


@compiled
def _loops(follow: Ints) -> tuple[Ints, Ints]:
    """Edges in the order of the loops they form, and where each loop begins (and the last one ends)."""
    order = np.empty_like(follow)
    limits = np.zeros(len(follow) + 1, dtype=np.int64)
    seen = np.zeros(len(follow), dtype=np.bool_)
    count, done = 0, 0
    for start in range(len(follow)):
        edge = start
        while not seen[edge]:
            seen[edge] = True
            order[done] = edge
            done += 1
            edge = follow[edge]
        if done > limits[count]:
            count += 1
            limits[count] = done
    return order, limits[: count + 1]


def _from_contours(contours: list[npt.NDArray[np.float64]]) -> shapely.Geometry:
    """One connected region: the contour with the largest area is its outside, the rest are holes."""
    rings = sorted((shapely.Polygon(contour) for contour in contours), key=lambda ring: -ring.area)
    region = shapely.Polygon(rings[0].exterior, [hole.exterior for hole in rings[1:]])
    return region if region.is_valid else shapely.make_valid(region)


def _with_stray_facets(surface: Surface, points: Floats, shadow: shapely.Geometry) -> shapely.Geometry:
    """Add a hair's breadth around upright facets of an open surface, which otherwise would throw no shadow."""
    shapely.prepare(shadow)
    outside = ~shapely.intersects_xy(shadow.buffer(1.0e-7), points)
    if not outside.any():
        return shadow
    facets = surface.faces[outside[surface.faces].any(axis=1)]
    rings = shapely.linestrings(points[facets[:, [0, 1, 2, 0]]])
    return shapely.union_all([shadow, shapely.union_all(shapely.buffer(rings, _HAIR_MM, quad_segs=2))])


def _vertices(shape: shapely.Geometry) -> int:
    return int(shapely.get_num_coordinates(shape))


def _simplify(shadow: shapely.Geometry, size: tuple[float, float], tolerance_mm: float) -> shapely.Geometry:
    """Fewer vertices, never less area: grow by a little more than the simplification may cut away.

    Growing is undone where it would leave the shadow's own bounding box, so boxes stay exact. The tolerance doubles
    until the outline is short enough for quick nesting, which only very ragged outlines need.
    """
    outline = shadow.simplify(1.0e-7)  # straight runs of many facets become one edge
    if _vertices(outline) <= EXACT_VERTICES:
        return outline
    box = shapely.box(min(0.0, shadow.bounds[0]), min(0.0, shadow.bounds[1]), *shadow.bounds[2:])
    tolerance = tolerance_mm
    while True:
        grown = outline.buffer(tolerance + _SAFETY_MM, join_style="mitre", mitre_limit=2.0)
        coarse = _without_specks(grown.simplify(tolerance), SMALLEST_HOLE_MM2).intersection(box)
        coarse = shapely.MultiPolygon(_pieces(coarse))
        if _vertices(coarse) <= OUTLINE_VERTICES or tolerance > 0.02 * max(size):
            break
        tolerance *= 2.0
    if not coarse.buffer(1.0e-7).covers(outline):
        coarse = shapely.MultiPolygon(_pieces(shapely.union_all([coarse, outline])))
    return coarse if _vertices(coarse) < _vertices(outline) else outline


def _without_specks(shape: shapely.Geometry, smallest_mm2: float) -> shapely.Geometry:
    kept = [
        shapely.Polygon(
            polygon.exterior, [hole for hole in polygon.interiors if shapely.Polygon(hole).area >= smallest_mm2]
        )
        for polygon in _pieces(shape)
    ]
    return shapely.union_all(kept)


def _pieces(shape: shapely.Geometry) -> list[shapely.Polygon]:
    parts = shapely.get_parts(shape, return_index=False)
    return [part for part in parts if isinstance(part, shapely.Polygon) and part.area > 0.0]


def _piece(polygon: shapely.Polygon, x0: float, y0: float) -> Piece:
    turned = shapely.orient_polygons(polygon)
    return _ring(turned.exterior, x0, y0), tuple(_ring(hole, x0, y0) for hole in turned.interiors)


def _ring(ring: shapely.LinearRing, x0: float, y0: float) -> Ring:
    return tuple((float(x - x0), float(y - y0)) for x, y in shapely.get_coordinates(ring)[:-1])
