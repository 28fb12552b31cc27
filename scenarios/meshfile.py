"""Part model files: binary STL and 3MF, the same bytes for the same solid on every run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from manifold3d import Error, Manifold
from numpy.typing import NDArray

from router.geometry.threemf_write import BuildItem, MeshObject, write_3mf

_SINGLE_DIGITS = 7
"""Digits of a corner in a 3MF file: what single precision holds."""

GRID_PER_MM = 1024.0
"""Corners are snapped to 1/1024 mm: exact in single precision, and far below a laser spot."""


@dataclass(frozen=True, slots=True)
class FacetMesh:
    """Corners ``(n, 3)`` float32 mm and facets ``(m, 3)`` int64, in a settled order."""

    corners: NDArray[np.float32]
    facets: NDArray[np.int64]


def settled_mesh(solid: Manifold, detail_mm: float) -> FacetMesh:
    """The solid's facets with detail below ``detail_mm`` removed, corners on the grid, in sorted order.

    Standing on z = 0 with the corner of its box at the origin. Raises ``ValueError`` for a broken or empty
    solid, or if snapping opens the mesh.
    """
    if solid.status() != Error.NoError or solid.is_empty():
        raise ValueError(f"no solid to write: {solid.status()}")
    low = solid.bounding_box()[:3]
    thin = solid.translate((-low[0], -low[1], -low[2])).simplify(detail_mm)
    mesh = thin.to_mesh64()
    snapped = np.round(np.asarray(mesh.vert_properties)[:, :3] * GRID_PER_MM).astype(np.int64)
    corners, place = np.unique(snapped, axis=0, return_inverse=True)
    facets = place.reshape(-1)[np.asarray(mesh.tri_verts).astype(np.int64)]
    a, b, c = facets.T
    facets = facets[(a != b) & (b != c) & (c != a)]
    first = np.argmin(facets, axis=1)
    facets = np.stack([np.take_along_axis(facets, ((first + k) % 3)[:, None], axis=1)[:, 0] for k in range(3)], axis=1)
    facets = facets[np.lexsort(facets.T[::-1])]
    edges = facets[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    _, uses = np.unique(np.sort(edges, axis=1), axis=0, return_counts=True)
    if np.any(uses != 2):
        raise ValueError(f"{int(np.sum(uses != 2))} edges do not join exactly two facets after snapping to the grid")
    return FacetMesh((corners / GRID_PER_MM).astype(np.float32), facets)


def without_facets(mesh: FacetMesh, missing: int) -> FacetMesh:
    """The mesh less its ``missing`` largest facets: a file as a careless export leaves it."""
    a, b, c = (mesh.corners[mesh.facets[:, k]].astype(np.float64) for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    lost = np.argsort(-area, kind="stable")[:missing]
    return FacetMesh(mesh.corners, np.delete(mesh.facets, lost, axis=0))


def stl_bytes(mesh: FacetMesh, title: str) -> bytes:
    """Binary STL: 80 byte heading, facet count, then 50 bytes a facet (normal, three corners, attribute 0)."""
    record = np.zeros(len(mesh.facets), dtype=[("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("spare", "<u2")])
    corners = mesh.corners[mesh.facets]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).astype(np.float64)
    length = np.linalg.norm(normal, axis=1)
    record["normal"] = np.divide(normal, length[:, None], out=np.zeros_like(normal), where=length[:, None] > 0)
    record["corner"] = corners
    heading = f"{title}, millimetre".encode("ascii")[:80].ljust(80)
    return heading + np.uint32(len(record)).tobytes() + record.tobytes()


def threemf_bytes(mesh: FacetMesh, title: str) -> bytes:
    """A 3MF package after the 3MF Core Specification: one mesh object, one build item, unit millimetre."""
    return write_3mf([MeshObject(mesh.corners, mesh.facets)], [BuildItem(0)], {"Title": title}, _SINGLE_DIGITS)
