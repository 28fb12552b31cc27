"""A triangle surface prepared for measuring: areas, shared edges, closedness, bodies and hollows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_SHELLS_TESTED_EXACTLY = 200


@dataclass(frozen=True, slots=True)
class Surface:
    """Arrays derived once from a mesh of V vertices, F facets and E edges.

    Attributes
    ----------
    vertices : (V, 3) mm
    faces : (F, 3) vertex numbers, counter-clockwise seen from outside
    cross : (F, 3) facet normals, length twice the facet's area in mm2
    length : (F,) that length
    edges : (E, 2) vertex numbers, smaller first
    edge_of : (F, 3) number of the edge that starts at each corner
    edge_sign : (F, 3) +1 where the facet runs along the edge from the smaller vertex number, else -1
    neighbours : (n, 2) pairs of facets that share an edge
    closed : every edge belongs to two facets that run along it in opposite directions
    two_sided : every edge belongs to two facets, whatever their directions
    """

    vertices: Floats
    faces: Ints
    cross: Floats
    length: Floats
    edges: Ints
    edge_of: Ints
    edge_sign: Floats
    neighbours: Ints
    closed: bool
    two_sided: bool


@dataclass(frozen=True, slots=True)
class Shells:
    """Connected pieces of a closed surface: solids, and hollows enclosed in them."""

    body_count: int
    closed_hollows: int
    loose_negative: int


def build_surface(vertices: Floats, faces: Ints) -> Surface:
    """Work out edges and normals; facets with repeated corners must be gone already."""
    corner = vertices[faces]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    heads = np.roll(faces, -1, axis=1)
    low, high = np.minimum(faces, heads), np.maximum(faces, heads)
    key = (low * len(vertices) + high).reshape(-1)
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    new = np.empty(len(key), dtype=bool)
    new[0] = True
    np.not_equal(ordered[1:], ordered[:-1], out=new[1:])
    edge_of = np.empty(len(key), dtype=np.int64)
    edge_of[order] = np.cumsum(new) - 1
    unique = ordered[new]
    sign = np.where(faces < heads, 1.0, -1.0)
    uses = np.bincount(edge_of)
    two_sided = bool((uses == 2).all())
    balance = np.bincount(edge_of, weights=sign.reshape(-1))
    facet = order // 3
    same = ~new[1:]
    return Surface(
        vertices=vertices,
        faces=faces,
        cross=cross,
        length=np.sqrt(np.einsum("ij,ij->i", cross, cross)),
        edges=np.stack([unique // len(vertices), unique % len(vertices)], axis=1),
        edge_of=edge_of.reshape(-1, 3),
        edge_sign=sign,
        neighbours=np.stack([facet[:-1][same], facet[1:][same]], axis=1),
        closed=two_sided and not balance.any(),
        two_sided=two_sided,
    )


def facet_volumes(surface: Surface) -> Floats:
    """Signed volume in mm3 of the tetrahedron from the box centre to each facet, shape (F,).

    Their sum is the enclosed volume when the surface is closed (divergence theorem); measuring from the box centre
    keeps the sum accurate for parts modelled far from the origin.
    """
    centre = 0.5 * (surface.vertices.min(axis=0) + surface.vertices.max(axis=0))
    first = surface.vertices[surface.faces[:, 0]] - centre
    volumes: Floats = np.einsum("ij,ij->i", first, surface.cross) / 6.0
    return volumes


def shell_labels(surface: Surface) -> tuple[int, Ints]:
    """Number of connected shells and the shell of each facet, shape (F,)."""
    count = len(surface.faces)
    pairs = surface.neighbours
    graph = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    shells, labels = connected_components(graph, directed=False)
    return int(shells), labels.astype(np.int64)


def count_shells(surface: Surface) -> Shells:
    """Count solids and enclosed hollows.

    A shell with positive signed volume is a solid. One with negative volume is a hollow if a point of it lies inside
    a solid, that is if a vertical line from that point crosses the solid's surface an unbalanced number of times.
    """
    shells, labels = shell_labels(surface)
    if shells == 1:
        return Shells(1, 0, 0)
    volume = np.bincount(labels, weights=facet_volumes(surface), minlength=shells)
    negative = np.flatnonzero(volume < 0.0)
    if not len(negative):
        return Shells(shells, 0, 0)
    corner = surface.vertices[surface.faces]
    low, high = corner.min(axis=1), corner.max(axis=1)
    shell_low = np.full((shells, 3), np.inf)
    shell_high = np.full((shells, 3), -np.inf)
    np.minimum.at(shell_low, labels, low)
    np.maximum.at(shell_high, labels, high)
    solid = volume > 0.0
    hollows = 0
    for number, shell in enumerate(negative):
        around = solid & (shell_low <= shell_low[shell]).all(axis=1) & (shell_high >= shell_high[shell]).all(axis=1)
        if not around.any():
            continue
        if number >= _SHELLS_TESTED_EXACTLY:  # a lattice of pores: the box test must do
            hollows += 1
            continue
        facet = int(np.argmax(labels == shell))
        point = corner[facet] @ np.array([0.5, 0.3, 0.2])
        hollows += _encloses(surface, corner, low, high, around[labels], point)
    return Shells(int(solid.sum()), hollows, len(negative) - hollows)


def _encloses(surface: Surface, corner: Floats, low: Floats, high: Floats, among: Bools, point: Floats) -> bool:
    """Whether facets `among` wind around `point`, told by the facets straight above it."""
    near = among & (low[:, :2] <= point[:2]).all(axis=1) & (high[:, :2] >= point[:2]).all(axis=1)
    near &= high[:, 2] >= point[2]
    triangles = corner[near]
    normal = surface.cross[near]
    offset = triangles[:, :, :2] - point[:2]
    following = np.roll(offset, -1, axis=1)
    turn = offset[:, :, 0] * following[:, :, 1] - offset[:, :, 1] * following[:, :, 0]
    inside = (turn > 0.0).all(axis=1) | (turn < 0.0).all(axis=1)
    upright = normal[:, 2]
    inside &= np.abs(upright) > 0.0
    rise = np.einsum("ij,ij->i", triangles[inside, 0] - point, normal[inside]) / upright[inside]
    return int(np.sign(upright[inside])[rise > 0.0].sum()) > 0
