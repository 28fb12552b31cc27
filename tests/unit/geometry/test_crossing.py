"""A body that cuts through itself is told of, however it stands, and no sound one is."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from router.geometry import crossing, measure_mesh
from router.geometry.measuring import NOT_LOOKED

STRAIGHT = ((0.0, 0.0), (40.0, 0.0))
LOOP = ((0.0, 0.0), (40.0, 0.0), (40.0, 30.0), (17.0, 30.0), (17.0, -20.0))
HOOK = ((0.0, 0.0), (40.0, 0.0), (40.0, 30.0), (17.0, 30.0), (17.0, 12.0))
"""As the loop, but it ends before it comes back to itself."""


def tube(path: tuple[tuple[float, float], ...], side_mm: float = 4.0) -> trimesh.Trimesh:
    """One closed body of square section along a path in the plane."""
    along = np.array(path)
    steps = np.diff(along, axis=0)
    steps = steps / np.linalg.norm(steps, axis=1)[:, None]
    tangents = np.vstack([steps[:1], steps[:-1] + steps[1:], steps[-1:]])
    across = np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)
    half = side_mm / 2
    corners = [(-half, -half), (half, -half), (half, half), (-half, half)]
    points = [[*(p + a * y), z] for p, a in zip(along, across, strict=True) for y, z in corners]
    faces = [[0, 2, 1], [0, 3, 2]]
    for n in range(len(path) - 1):
        for k in range(4):
            a, b = 4 * n + k, 4 * n + (k + 1) % 4
            faces += [[a, b, b + 4], [a, b + 4, a + 4]]
    end = 4 * (len(path) - 1)
    faces += [[end, end + 1, end + 2], [end, end + 2, end + 3]]
    mesh = trimesh.Trimesh(points, faces, process=False)
    assert mesh.is_watertight and mesh.body_count == 1
    return mesh


def cutting(mesh: trimesh.Trimesh) -> list[str]:
    return [n for n in measure_mesh(mesh, "x").notes if "cuts through itself" in n]


@pytest.mark.parametrize("turn", [0.0, 0.4, 1.3])
def test_a_body_that_runs_through_itself_is_told_of(turn: float) -> None:
    mesh = tube(LOOP)
    mesh.apply_transform(trimesh.transformations.rotation_matrix(turn, np.array([1.0, 2.0, 0.5])))
    (note,) = cutting(mesh)
    assert "pairs of facets: volume and supports are an estimate" in note


@pytest.mark.parametrize(
    "mesh",
    [
        tube(STRAIGHT),
        tube(HOOK),
        trimesh.creation.icosphere(subdivisions=4, radius=20.0),
        trimesh.creation.torus(20.0, 5.0),
        trimesh.creation.annulus(5.0, 10.0, 30.0),
        trimesh.creation.cone(10.0, 30.0, sections=200),
    ],
)
def test_a_sound_body_is_not(mesh: trimesh.Trimesh) -> None:
    assert not cutting(mesh)
    mesh.apply_transform(trimesh.transformations.rotation_matrix(0.7, np.array([0.3, 1.0, 2.0]), [900.0, 0.0, 50.0]))
    assert not cutting(mesh)


def test_a_hollow_that_reaches_out_of_its_body_cuts_it() -> None:
    hollow = trimesh.creation.box((10.0, 6.0, 6.0))
    hollow.invert()
    hollow.apply_translation((9.0, 0.5, 0.7))
    assert cutting(trimesh.util.concatenate([trimesh.creation.box((20.0, 20.0, 20.0)), hollow]))


def test_bodies_that_overlap_are_told_of_by_their_volume_only() -> None:
    other = trimesh.creation.box((20.0, 20.0, 20.0))
    other.apply_translation((7.0, 3.0, 1.0))
    both = trimesh.util.concatenate([trimesh.creation.box((20.0, 20.0, 20.0)), other])
    assert not cutting(both)
    assert any("bodies overlap" in n for n in measure_mesh(both, "x").notes)


def test_a_mesh_too_fine_to_look_at_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crossing, "MOST_PAIRS", 3)
    (note,) = cutting(tube(LOOP))
    assert note.endswith(NOT_LOOKED)
