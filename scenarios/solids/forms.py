"""Solid forms every part is put together from: lofts, tubes, curved slabs, limbs, ring patterns.

All lengths are millimetres, all angles degrees. Every function returns a closed solid or raises ``ValueError``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
from manifold3d import CrossSection, Error, Manifold, Mesh64, OpType
from numpy.typing import ArrayLike, NDArray

Points = NDArray[np.float64]


def solid_from(vertices: Points, faces: NDArray[np.int64]) -> Manifold:
    """A solid from an indexed closed mesh (``(n, 3)`` mm, ``(m, 3)`` indices); turned inside out if need be.

    Raises ``ValueError`` when the mesh does not close.
    """
    triangles = np.ascontiguousarray(faces, dtype=np.uint64)
    positions = np.ascontiguousarray(vertices, dtype=np.float64)
    solid = Manifold(Mesh64(positions, triangles))
    if solid.status() == Error.NoError and solid.volume() < 0:
        solid = Manifold(Mesh64(positions, np.ascontiguousarray(triangles[:, ::-1])))
    if solid.status() != Error.NoError:
        raise ValueError(f"mesh of {len(faces)} triangles does not close: {solid.status()}")
    return solid


def union(solids: Iterable[Manifold]) -> Manifold:
    """All the solids in one."""
    return Manifold.batch_boolean(list(solids), OpType.Add)


def cut(solid: Manifold, *tools: Manifold) -> Manifold:
    """The solid less every tool."""
    return solid - union(tools) if tools else solid


def ring(solid: Manifold, count: int, start_deg: float = 0.0) -> list[Manifold]:
    """``count`` copies evenly turned about the z axis."""
    return [solid.rotate((0.0, 0.0, start_deg + 360.0 * i / count)) for i in range(count)]


def loft(rings: Sequence[ArrayLike], closed: bool = False) -> Manifold:
    """Skin through rings of equal point count (each ``(n, 3)``); star-shaped end rings are capped by a fan
    about their mean point, or the last ring joins the first if ``closed``."""
    stack = np.asarray(rings, dtype=np.float64)
    if stack.ndim != 3 or stack.shape[2] != 3 or stack.shape[0] < 2:
        raise ValueError(f"loft needs at least two rings of (n, 3) points, got shape {stack.shape}")
    count, around, _ = stack.shape
    index = np.arange(count * around).reshape(count, around)
    if closed:
        index = np.vstack([index, index[:1]])
    low, high = index[:-1], index[1:]
    low_next, high_next = np.roll(low, -1, axis=1), np.roll(high, -1, axis=1)
    faces = [
        np.stack([low, low_next, high_next], axis=-1).reshape(-1, 3),
        np.stack([low, high_next, high], axis=-1).reshape(-1, 3),
    ]
    vertices = stack.reshape(-1, 3)
    if not closed:
        centres = np.array([stack[0].mean(axis=0), stack[-1].mean(axis=0)])
        first = np.full(around, len(vertices))
        last = np.full(around, len(vertices) + 1)
        faces.append(np.stack([first, np.roll(index[0], -1), index[0]], axis=-1))
        faces.append(np.stack([last, index[-1], np.roll(index[-1], -1)], axis=-1))
        vertices = np.vstack([vertices, centres])
    return solid_from(vertices, np.vstack(faces))


def circle_points(radius: float, segments: int) -> Points:
    """``(segments, 2)`` points of a circle, counter-clockwise."""
    angle = np.linspace(0.0, 2.0 * math.pi, segments, endpoint=False)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def smooth_path(points: ArrayLike, steps: int = 6, closed: bool = False) -> Points:
    """A Catmull-Rom curve through the points, ``steps`` pieces per span (textbook cubic, tension 1/2)."""
    given = np.asarray(points, dtype=np.float64)
    if closed:
        padded = np.vstack([given[-1:], given, given[:2]])
    else:
        padded = np.vstack([2 * given[0] - given[1], given, 2 * given[-1] - given[-2]])
    t = np.linspace(0.0, 1.0, steps, endpoint=False)[:, None]
    out = []
    for a, b, c, d in zip(padded[:-3], padded[1:-2], padded[2:-1], padded[3:], strict=True):
        out.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    curve = np.vstack(out)
    return curve if closed else np.vstack([curve, given[-1:]])


def frames(path: Points, closed: bool = False) -> tuple[Points, Points]:
    """Two unit side directions at each path point, carried along without needless twist (double reflection is
    not needed at these step sizes: each frame is the last one projected square to the new tangent)."""
    ahead = np.roll(path, -1, axis=0) - path
    behind = path - np.roll(path, 1, axis=0)
    if not closed:
        ahead[-1], behind[0] = behind[-1], ahead[0]
    tangent = ahead / np.linalg.norm(ahead, axis=1)[:, None] + behind / np.linalg.norm(behind, axis=1)[:, None]
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    side = np.eye(3)[int(np.argmin(np.abs(tangent[0])))]
    sides = np.empty_like(path)
    for i, direction in enumerate(tangent):
        side = side - direction * float(side @ direction)
        side = side / np.linalg.norm(side)
        sides[i] = side
    return sides, np.cross(tangent, sides)


def sweep(path: ArrayLike, section: ArrayLike, scale: ArrayLike = 1.0, closed: bool = False) -> Manifold:
    """A star-shaped ``(n, 2)`` section carried along a path; ``scale`` is one factor or one per path point."""
    line = np.asarray(path, dtype=np.float64)
    outline = np.asarray(section, dtype=np.float64)
    factor = np.broadcast_to(np.asarray(scale, dtype=np.float64), (len(line),))
    u, v = frames(line, closed)
    rings = line[:, None, :] + factor[:, None, None] * (
        outline[None, :, :1] * u[:, None, :] + outline[None, :, 1:] * v[:, None, :]
    )
    return loft(list(rings), closed)


def tube(path: ArrayLike, radius: ArrayLike, segments: int = 16, closed: bool = False) -> Manifold:
    """A round bar along a path, one radius or one per path point. Closed paths should be planar."""
    return sweep(path, circle_points(1.0, segments), radius, closed)


def rod(start: Sequence[float], end: Sequence[float], radius: float, segments: int = 16) -> Manifold:
    """A straight round bar between two points."""
    return tube([start, end], radius, segments)


def limb(points: Sequence[Sequence[float]], radii: Sequence[float], segments: int = 16) -> Manifold:
    """A bone-like chain: neighbouring balls joined by their hull, so that branches meet roundly."""
    balls = [Manifold.sphere(r, segments).translate((p[0], p[1], p[2])) for p, r in zip(points, radii, strict=True)]
    return union(Manifold.batch_hull([a, b]) for a, b in pairwise(balls))


def slab(grid: ArrayLike, thickness: ArrayLike) -> Manifold:
    """A curved sheet ``(m, n, 3)`` thickened half to each side; ``thickness`` is one value or an ``(m, n)`` field."""
    mid = np.asarray(grid, dtype=np.float64)
    rows, columns, _ = mid.shape
    normal = np.cross(np.gradient(mid, axis=0), np.gradient(mid, axis=1))
    normal /= np.linalg.norm(normal, axis=2)[..., None]
    half = 0.5 * np.broadcast_to(np.asarray(thickness, dtype=np.float64), (rows, columns))[..., None] * normal
    index = np.arange(rows * columns).reshape(rows, columns)
    top, bottom = index, index + rows * columns
    quads = []
    for sheet, flip in ((top, False), (bottom, True)):
        a, b, c, d = sheet[:-1, :-1], sheet[1:, :-1], sheet[1:, 1:], sheet[:-1, 1:]
        quads.append(np.stack([d, c, b, a] if flip else [a, b, c, d], axis=-1).reshape(-1, 4))
    rim = np.concatenate([index[0, :-1], index[:-1, -1], index[-1, :0:-1], index[:0:-1, 0]])
    ahead = np.roll(rim, -1)
    quads.append(np.stack([rim, ahead, ahead + rows * columns, rim + rows * columns], axis=-1))
    quad = np.vstack(quads)
    faces = np.vstack([quad[:, [0, 1, 2]], quad[:, [0, 2, 3]]])
    return solid_from(np.vstack([(mid + half).reshape(-1, 3), (mid - half).reshape(-1, 3)]), faces)


def turned(profile: Sequence[tuple[float, float]], segments: int = 64) -> Manifold:
    """A lathe part: ``(radius, z)`` corners of a closed profile revolved about z."""
    section = CrossSection([np.asarray(profile, dtype=np.float64)])
    if section.is_empty():
        section = CrossSection([np.asarray(profile[::-1], dtype=np.float64)])
    return section.revolve(segments)


def cylinder(radius: float, z_low: float, z_high: float, segments: int = 48) -> Manifold:
    """An upright cylinder about z."""
    return Manifold.cylinder(z_high - z_low, radius, radius, segments).translate((0.0, 0.0, z_low))


def bore(centre: tuple[float, float], radius: float, z_low: float, z_high: float, segments: int = 24) -> Manifold:
    """An upright cylinder about any vertical axis: a hole to cut or a boss to add."""
    return cylinder(radius, z_low, z_high, segments).translate((centre[0], centre[1], 0.0))


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> Manifold:
    """An axis-aligned block between any two opposite corners."""
    start = (min(low[0], high[0]), min(low[1], high[1]), min(low[2], high[2]))
    size = (abs(high[0] - low[0]), abs(high[1] - low[1]), abs(high[2] - low[2]))
    return Manifold.cube(size).translate(start)


def prism(outline: CrossSection, z_low: float, z_high: float) -> Manifold:
    """An upright extrusion of an outline."""
    return outline.extrude(z_high - z_low).translate((0.0, 0.0, z_low))


def soft_block(low: tuple[float, float, float], high: tuple[float, float, float], edge: float) -> Manifold:
    """A block with its edges and corners broken by ``edge`` mm (hull of three crossing blocks)."""
    parts = []
    for axis in range(3):
        inset = [edge] * 3
        inset[axis] = 0.0
        parts.append(
            box(
                (low[0] + inset[0], low[1] + inset[1], low[2] + inset[2]),
                (high[0] - inset[0], high[1] - inset[1], high[2] - inset[2]),
            )
        )
    return Manifold.batch_hull(parts)
