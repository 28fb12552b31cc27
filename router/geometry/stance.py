"""Ways a part could stand on the plate, found from its own shape.

A stance is fixed by which direction of the model points up. Candidates are: as modelled, the six axis directions, the
principal axes of the hull, large flat hull facets turned down, and 45 degree tilts. Each gets quick estimates of
height, shadow and support so that only the promising ones need exact measuring.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, QhullError

from router.geometry.support import ANGLE_SLACK, PLATE_TOLERANCE_MM
from router.geometry.surface import Surface

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

AS_MODELLED = "as modelled"
SAME_DIRECTION = np.cos(np.radians(1.0))
BULKY = 0.3
"""Shortest over longest box side from which a 45 degree tilt is worth trying (rule of thumb, no source)."""

_FLAT_FACETS = 8
_SMALLEST_FLAT = 0.02
_HULL_POINTS = 4_000
_CELLS = 24
_FACETS_ESTIMATED = 60_000


@dataclass(frozen=True, slots=True)
class Stance:
    """A candidate: its plain name, the model direction that points up, and whether it is a tilt."""

    name: str
    up: tuple[float, float, float]
    tilted: bool = False


@dataclass(frozen=True, slots=True)
class Estimate:
    """Quick figures of a stance: exact height, and upper bounds of shadow and support (layers above each other add)."""

    height_mm: float
    shadow_mm2: float
    support_mm3: float


def outer_points(vertices: Floats) -> Floats:
    """Vertices that span the hull: all of them for small parts, else the farthest in each of 3,456 directions.

    Box sides are scaled to one first (an affine map keeps hulls), so that long parts keep the points at their ends.
    """
    if len(vertices) > _HULL_POINTS:
        low, high = vertices.min(axis=0), vertices.max(axis=0)
        unit = (vertices - 0.5 * (low + high)) / np.maximum(0.5 * (high - low), 1.0e-12)
        reach = np.abs(unit)
        axis = np.argmax(reach, axis=1)
        longest = np.maximum(reach.max(axis=1), 1.0e-12)
        others = np.array([[1, 2], [2, 0], [0, 1]])[axis]
        place = np.take_along_axis(unit, others, axis=1) / longest[:, None]
        square = np.minimum((0.5 * (place + 1.0) * _CELLS).astype(np.int64), _CELLS - 1)
        side = 2 * axis + (np.take_along_axis(unit, axis[:, None], axis=1)[:, 0] > 0.0)
        cell = (side * _CELLS + square[:, 0]) * _CELLS + square[:, 1]
        order = np.lexsort((-np.einsum("ij,ij->i", unit, unit), cell))
        first = np.append(True, cell[order][1:] != cell[order][:-1])
        extremes = np.concatenate([np.argmin(vertices, axis=0), np.argmax(vertices, axis=0)])
        vertices = vertices[np.union1d(order[first], extremes)]
    try:
        corners: Floats = vertices[ConvexHull(vertices).vertices]
    except (QhullError, ValueError):  # flat or too few points: they are their own hull
        return vertices
    return corners


def candidate_stances(surface: Surface, outer: Floats) -> list[Stance]:
    """List distinct candidate stances, the part as modelled first, in a fixed order."""
    found = [Stance(AS_MODELLED, (0.0, 0.0, 1.0))]
    for name, up in (
        ("upside down", (0.0, 0.0, -1.0)),
        ("on its left side", (1.0, 0.0, 0.0)),
        ("on its right side", (-1.0, 0.0, 0.0)),
        ("on its front", (0.0, 1.0, 0.0)),
        ("on its back", (0.0, -1.0, 0.0)),
    ):
        found.append(Stance(name, up))
    axes = _principal_axes(outer)
    flats = [Stance(f"resting on flat {number}", up) for number, up in enumerate(_flat_downs(outer), start=1)]
    found += flats
    for name, axis in zip(("along its length", "across its length", "across its thickness"), axes, strict=True):
        found += [Stance(f"upright {name}", _triple(axis)), Stance(f"upright {name}, turned over", _triple(-axis))]
    sides = surface.vertices.max(axis=0) - surface.vertices.min(axis=0)
    if sides.min() >= BULKY * sides.max():
        found += _tilts("tilted 45", np.array([0.0, 0.0, 1.0]))
        if flats:
            found += _tilts("tilted 45 from flat 1", np.array(flats[0].up))
    distinct: list[Stance] = []
    for stance in found:
        if all(float(np.dot(stance.up, other.up)) < SAME_DIRECTION for other in distinct):
            distinct.append(stance)
    return distinct


def estimate_stances(surface: Surface, outer: Floats, stances: list[Stance], overhang_deg: float) -> list[Estimate]:
    """Estimate every stance from the facets (from a fixed sample of them for very fine meshes)."""
    cross, low_corner = surface.cross, surface.vertices[surface.faces]
    share = 1.0
    if len(cross) > _FACETS_ESTIMATED:
        chosen = np.random.default_rng(0).choice(len(cross), _FACETS_ESTIMATED, replace=False)
        share = len(cross) / _FACETS_ESTIMATED
        cross, low_corner = cross[chosen], low_corner[chosen]
    centre = low_corner.mean(axis=1)
    length = np.sqrt(np.einsum("ij,ij->i", cross, cross))
    limit = np.cos(np.radians(overhang_deg)) + ANGLE_SLACK
    estimates = []
    for stance in stances:
        up = np.array(stance.up)
        rise = outer @ up
        facing = cross @ up
        above = centre @ up - rise.min()
        hanging = (-facing > limit * length) & (above > PLATE_TOLERANCE_MM)
        estimates.append(
            Estimate(
                height_mm=float(rise.max() - rise.min()),
                shadow_mm2=0.5 * share * float(np.maximum(facing, 0.0).sum()),
                support_mm3=0.5 * share * float((-facing * above)[hanging].sum()),
            )
        )
    return estimates


def rotation_for(up: tuple[float, float, float], outer: Floats) -> Floats:
    """The rotation (3 x 3) that turns `up` to +z and the shadow's tightest box along x and y, longer side along x.

    The part as modelled is left alone.
    """
    if up == (0.0, 0.0, 1.0):
        return np.eye(3)
    z = np.array(up) / np.linalg.norm(up)
    helper = np.eye(3)[int(np.argmin(np.abs(z)))]
    x = np.cross(helper, z)
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    angle = _tightest_angle(outer @ np.stack([x, y]).T)
    spun = np.cos(angle) * x + np.sin(angle) * y
    rotation = np.stack([spun, np.cross(z, spun), z])
    rotation[np.abs(rotation) < 1.0e-12] = 0.0
    return np.where(np.abs(np.abs(rotation) - 1.0) < 1.0e-12, np.sign(rotation), rotation)


def _tightest_angle(points: Floats) -> float:
    """Direction of the longer side of the smallest box around plane points: it lies along a hull edge."""
    try:
        ring = points[ConvexHull(points).vertices]
    except (QhullError, ValueError):
        ring = points[:: max(1, len(points) // 64)]
    edge = np.roll(ring, -1, axis=0) - ring
    angles = np.unique(np.round(np.mod(np.arctan2(edge[:, 1], edge[:, 0]), 0.5 * np.pi), 9))
    along = np.stack([np.cos(angles), np.sin(angles)]).T @ ring.T
    across = np.stack([-np.sin(angles), np.cos(angles)]).T @ ring.T
    width = along.max(axis=1) - along.min(axis=1)
    depth = across.max(axis=1) - across.min(axis=1)
    best = int(np.argmin(np.round(width * depth, 6)))
    return float(angles[best]) + (0.0 if width[best] >= depth[best] - 1.0e-9 else 0.5 * np.pi)


def _flat_downs(outer: Floats) -> list[tuple[float, float, float]]:
    """Up directions that put the largest flat facets of the hull on the plate, largest first."""
    try:
        hull = ConvexHull(outer)
    except (QhullError, ValueError):
        return []
    normals = hull.equations[:, :3]
    corner = outer[hull.simplices]
    areas = 0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    left = areas.copy()
    downs: list[tuple[float, float, float]] = []
    smallest = _SMALLEST_FLAT * float(areas.sum())
    while len(downs) < _FLAT_FACETS:
        # Coplanar simplices agree to rounding; half a degree also joins facets split by rounded coordinates.
        seed = normals[int(np.argmax(np.round(left, 9)))]
        group = (normals @ seed > np.cos(np.radians(0.5))) & (left > 0.0)
        area = float(left[group].sum())
        if area < smallest:
            break
        mean = (normals[group] * areas[group, None]).sum(axis=0)
        downs.append(_triple(-mean / np.linalg.norm(mean)))
        left[group] = 0.0
    return downs


def _principal_axes(outer: Floats) -> list[Floats]:
    """Axes of the points that span the hull, longest first, each with its largest entry positive."""
    centred = outer - outer.mean(axis=0)
    _, vectors = np.linalg.eigh(centred.T @ centred)
    axes = []
    for axis in vectors.T[::-1]:
        sign = np.sign(axis[int(np.argmax(np.round(np.abs(axis), 9)))])
        axes.append(axis * sign)
    return axes


def _tilts(name: str, up: Floats) -> list[Stance]:
    helper = np.eye(3)[int(np.argmin(np.abs(up)))]
    x = np.cross(np.cross(up, helper), up) if abs(up[2]) > 0.9 else np.cross(helper, up)
    x /= np.linalg.norm(x)
    y = np.cross(up, x)
    half = np.sqrt(0.5)
    return [
        Stance(f"{name} about x", _triple(half * up + half * y), True),
        Stance(f"{name} back about x", _triple(half * up - half * y), True),
        Stance(f"{name} about y", _triple(half * up + half * x), True),
        Stance(f"{name} back about y", _triple(half * up - half * x), True),
        Stance(f"{name} onto a corner", _triple((up + half * x + half * y) * half), True),
        Stance(f"{name} back onto a corner", _triple((up - half * x - half * y) * half), True),
    ]


def _triple(vector: Floats) -> tuple[float, float, float]:
    snapped = np.where(np.abs(vector) < 1.0e-12, 0.0, vector)
    return float(snapped[0]), float(snapped[1]), float(snapped[2])
