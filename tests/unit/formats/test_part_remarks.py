"""Models that can be planned but deserve a look are told of, and no sound one is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh
from small_folder import SMALL, copy_small

from router.formats import look_at_scenario


def _box(mm: float) -> trimesh.Trimesh:
    return trimesh.creation.box((mm, mm, mm))


def _open() -> trimesh.Trimesh:
    box = _box(20.0)
    return trimesh.Trimesh(box.vertices, box.faces[:-1], process=False)


def _inverted() -> trimesh.Trimesh:
    box = _box(20.0)
    return trimesh.Trimesh(box.vertices, box.faces[:, ::-1], process=False)


def _doubled() -> trimesh.Trimesh:
    box = _box(20.0)
    return trimesh.Trimesh(box.vertices, np.concatenate([box.faces, box.faces]), process=False)


def _self_cutting() -> trimesh.Trimesh:
    other = _box(20.0)
    other.apply_translation((7.0, 3.0, 1.0))
    return trimesh.util.concatenate([_box(20.0), other])


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (_open, "mesh is not closed"),
        (_doubled, "mesh is not closed"),
        (_inverted, "facets face inwards"),
        (_self_cutting, "bodies overlap"),
        (lambda: _box(0.3), "0.3 x 0.3 x 0.3 mm is smaller than 0.5 mm; is the unit right?"),
        (lambda: _box(2000.0), "2000 x 2000 x 2000 mm is larger than every plate"),
    ],
)
def test_a_doubtful_model_is_remarked_on_and_no_fault(
    make: Callable[[], trimesh.Trimesh], said: str, tmp_path: Path, measured: Path
) -> None:
    folder = copy_small(tmp_path)
    make().export(folder / "models" / "ring.stl")
    faults, remarks = look_at_scenario(folder, measured)
    assert faults == ()
    (remark,) = remarks
    assert remark.startswith("models/ring.stl: ") and said in remark


def test_sound_models_get_no_remark(measured: Path) -> None:
    assert look_at_scenario(SMALL, measured) == ((), ())
