"""Parts that nothing can make are told by their measured size."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from router.geometry import measure, unusable


def _saved(mesh: trimesh.Trimesh, folder: Path) -> Path:
    path = folder / "part.stl"
    mesh.export(path)
    return path


@pytest.mark.parametrize(
    ("mesh", "unit", "said"),
    [
        (trimesh.creation.box((1e-6, 1e-6, 1e-6)), "mm", "1e-06 x 1e-06 x 1e-06 mm"),
        (trimesh.creation.box((20.0, 20.0, 20.0)), "micron", "0.02 x 0.02 x 0.02 mm"),
        (trimesh.creation.box((20.0, 30.0, 0.001)), "mm", "a flat part"),
        (trimesh.Trimesh([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]]), "mm", "a single triangle"),
        (trimesh.Trimesh([[9, 0, 0], [0, 9, 0], [0, 0, 9]], [[0, 1, 2]]), "mm", "a single triangle"),
        (trimesh.Trimesh([[0, 0, 0], [9, 0, 0], [9, 9, 0], [0, 9, 0]], [[0, 1, 2], [0, 2, 3]]), "mm", "2 triangles"),
    ],
)
def test_what_no_machine_makes_is_unusable(mesh: trimesh.Trimesh, unit: str, said: str, tmp_path: Path) -> None:
    found = unusable(measure(_saved(mesh, tmp_path), unit))
    assert found is not None and said in found.found


def test_a_sheet_leaning_in_space_is_flat(tmp_path: Path) -> None:
    mesh = trimesh.creation.box((20.0, 30.0, 1e-4))
    mesh.apply_transform(trimesh.transformations.rotation_matrix(0.7, np.array([1.0, 2.0, 0.5])))
    found = unusable(measure(_saved(mesh, tmp_path)))
    assert found is not None and "a flat part" in found.found


@pytest.mark.parametrize("sides", [(0.1, 0.1, 0.1), (30.0, 30.0, 0.1), (400.0, 400.0, 400.0)])
def test_small_and_large_parts_that_can_be_made_are_left_alone(
    sides: tuple[float, float, float], tmp_path: Path
) -> None:
    assert unusable(measure(_saved(trimesh.creation.box(sides), tmp_path))) is None
