"""From a mesh file to a mesh in mm with shared vertices."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import trimesh

from router.geometry.errors import MeshError
from router.geometry.stl import read_stl
from router.geometry.threemf import read_3mf

MM_PER_STL_UNIT = {"micron": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4, "foot": 304.8}
"""Units a caller may state for an STL file, which carries none (ISO/ASTM 52901: state them in the order)."""

MAX_FILE_BYTES = 1_000_000_000
LARGEST_MM = 1.0e5
"""A part beyond 100 m is a file in the wrong unit; refusing it keeps every later sum well inside double precision."""


def read_mesh(path: Path, unit: str = "mm") -> trimesh.Trimesh:
    """Read an STL (binary or text) or 3MF file.

    Parameters
    ----------
    path : the file; the kind is told by its content, not by its name
    unit : length unit of an STL file: micron, mm, cm, m, inch or foot; a 3MF file states its own and ignores this

    Returns
    -------
    Triangles in mm with equal vertices merged; facets with repeated corners are dropped. For 3MF all build items
    are placed by their transforms and merged. `metadata["items"]` is the number of build items.

    Raises
    ------
    MeshError : unreadable, empty, damaged, unsafe, not finite, or without a single triangle that has an area
    """
    return parse_mesh(path, load_bytes(path), unit)


def load_bytes(path: Path) -> bytes:
    """Return the file's bytes.

    Raises
    ------
    MeshError : the file cannot be read or is larger than is sensible
    """
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise MeshError(path, f"{size} bytes", f"at most {MAX_FILE_BYTES} bytes")
        return path.read_bytes()
    except OSError as error:
        raise MeshError(path, f"no readable file ({error.strerror or error})", "an STL or 3MF file") from error


def parse_mesh(path: Path, data: bytes, unit: str) -> trimesh.Trimesh:
    """Turn a file's bytes into a mesh; `path` only names the file in errors. See `read_mesh`."""
    if unit not in MM_PER_STL_UNIT:
        raise MeshError(path, f"unit {unit!r}", "one of " + ", ".join(MM_PER_STL_UNIT))
    items = 1
    if data[:4] == b"PK\x03\x04":
        corners, faces, per_item = read_3mf(path, data)
        items = len(per_item)
        vertices, where = _merge(corners)
        faces = where[faces]
    else:
        vertices, where = _merge(read_stl(path, data) * MM_PER_STL_UNIT[unit])
        faces = where.reshape(-1, 3)
    if not len(faces):
        raise MeshError(path, "no triangles", "at least one triangle")
    if not np.isfinite(vertices).all():
        raise MeshError(path, "a coordinate that is not a finite number", "finite coordinates")
    if float(np.abs(vertices).max()) > LARGEST_MM:
        raise MeshError(path, "coordinates beyond 100 m", "a part in the right unit")
    real = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    faces = faces[real]
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    if not used.all():  # stray vertices must not stretch the box
        vertices, faces = vertices[used], (np.cumsum(used) - 1)[faces]
    edges = vertices[faces[:, 1:]] - vertices[faces[:, :1]]
    if not np.cross(edges[:, 0], edges[:, 1]).any():
        raise MeshError(path, "only triangles without area", "at least one triangle with an area")
    return trimesh.Trimesh(vertices=vertices, faces=faces, process=False, metadata={"items": items})


def _merge(corners: npt.NDArray[np.float64]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Give equal points one number: STL repeats a vertex bit for bit in every facet that meets there."""
    corners = np.ascontiguousarray(corners + 0.0)  # minus zero becomes zero
    bits = corners.view(np.uint64)
    mixed = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)  # odd multipliers spread the bits; a clash is caught below
    for axis, factor in ((1, 0xC2B2AE3D27D4EB4F), (2, 0x165667B19E3779F9)):
        mixed = (mixed ^ (mixed >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed += bits[:, axis] * np.uint64(factor)
    _, first, where = np.unique(mixed, return_index=True, return_inverse=True)
    if not np.array_equal(bits[first][where], bits):
        unique, where = np.unique(bits, axis=0, return_inverse=True)
        return unique.view(np.float64), where.reshape(-1)
    return corners[first], where
