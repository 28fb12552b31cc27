"""The committed part models: all there, closed but for the declared one, of sensible size, remade byte for byte."""

from __future__ import annotations

import zipfile
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import trimesh

import scenarios
from scenarios.catalogue import CATALOGUE, CatalogueEntry, entry_of
from scenarios.meshfile import FacetMesh, settled_mesh, threemf_bytes, without_facets
from scenarios.models import BUILDERS, MISSING_FACETS, main, mesh_of, model_bytes
from scenarios.solids.forms import box, loft, smooth_path, solid_from, tube
from scenarios.solids.outlines import involute_gear

FOLDER = Path(scenarios.__file__).parent / "demo" / "models"
TOTAL_LIMIT_BYTES = 12_000_000
FACETS_LOW, FACETS_HIGH = 500, 25_000
SMALL_PART = "spinal-cage"
CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"


@cache
def loaded(file: str) -> trimesh.Trimesh:
    mesh = trimesh.load(FOLDER / file, force="mesh")
    assert isinstance(mesh, trimesh.Trimesh)
    return mesh


@pytest.mark.parametrize("entry", CATALOGUE, ids=lambda entry: entry.part)
def test_model_is_a_sound_solid_or_says_it_is_not(entry: CatalogueEntry) -> None:
    mesh = loaded(entry.file)
    assert mesh.is_watertight is entry.closed
    assert mesh.volume > 0
    assert FACETS_LOW <= len(mesh.faces) <= FACETS_HIGH
    assert mesh.bounds[0] == pytest.approx([0.0, 0.0, 0.0], abs=0.02)
    # A shut hollow is an inner shell of its own; anything else must hang together.
    assert mesh.body_count == entry.loose_pieces + (1 if entry.powder_trap else 0)


def test_catalogue_builders_and_folder_name_the_same_parts() -> None:
    parts = [entry.part for entry in CATALOGUE]
    assert len(set(parts)) == len(parts) >= 36
    assert set(parts) == set(BUILDERS)
    assert {entry.file for entry in CATALOGUE} == {path.name for path in FOLDER.iterdir()}
    assert all(Path(entry.file).stem == entry.part for entry in CATALOGUE)
    assert sum(entry.file.endswith(".3mf") for entry in CATALOGUE) >= 4


def test_all_files_together_stay_under_the_limit() -> None:
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < TOTAL_LIMIT_BYTES


def test_exactly_one_open_model_and_it_lacks_the_stated_facets() -> None:
    (entry,) = [entry for entry in CATALOGUE if not entry.closed]
    mesh = loaded(entry.file)
    edges, uses = np.unique(np.sort(mesh.edges, axis=1), axis=0, return_counts=True)
    # Two facets apart leave six free edges, two sharing an edge leave four.
    assert len(edges[uses == 1]) in (4, 6)
    assert MISSING_FACETS == 2


def test_exactly_one_powder_trap_and_it_is_an_inward_shell() -> None:
    (entry,) = [entry for entry in CATALOGUE if entry.powder_trap]
    volumes = sorted(float(shell.volume) for shell in loaded(entry.file).split(only_watertight=False))
    assert volumes[0] < 0 < volumes[1]
    assert -volumes[0] < volumes[1]


def test_loose_pieces_are_solids_not_hollows() -> None:
    (entry,) = [entry for entry in CATALOGUE if entry.loose_pieces > 1]
    assert all(piece.volume > 0 for piece in loaded(entry.file).split(only_watertight=False))


def test_sizes_reach_from_a_coping_to_a_lance() -> None:
    longest = {entry.part: float(max(loaded(entry.file).extents)) for entry in CATALOGUE}
    assert longest["crown-coping-incisor"] < 10
    assert longest["sampling-lance-rod"] > 180
    assert longest["static-mixer-lance"] > 335
    assert sorted(loaded(entry_of("pump-casing-cover").file).extents)[1] > 225


def test_small_part_made_anew_has_the_committed_bytes() -> None:
    entry = entry_of(SMALL_PART)
    assert model_bytes(entry) == (FOLDER / entry.file).read_bytes()


def test_3mf_part_made_anew_has_the_committed_mesh() -> None:
    # The packed bytes may differ between compression libraries, so the unpacked model is compared.
    entry = entry_of("dental-bridge-three-unit")
    with zipfile.ZipFile(FOLDER / entry.file) as committed:
        mesh = mesh_of(entry)
        root = ElementTree.fromstring(committed.read("3D/3dmodel.model"))
        triangles = [tuple(int(t.attrib[k]) for k in ("v1", "v2", "v3")) for t in root.iter(f"{CORE}triangle")]
        assert triangles == [tuple(row) for row in mesh.facets.tolist()]
        assert root.attrib["unit"] == "millimeter"
        assert len(root.findall(f"{CORE}build/{CORE}item")) == 1


def test_command_writes_only_the_named_part(tmp_path: Path) -> None:
    assert main(["--out", str(tmp_path), "--part", SMALL_PART]) == 0
    assert [path.name for path in tmp_path.iterdir()] == [f"{SMALL_PART}.stl"]


def test_command_refuses_an_unknown_part_and_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--out", str(tmp_path / "new"), "--part", "left-handed-sprocket"]) == 2
    assert "left-handed-sprocket" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()


def test_entry_refuses_an_empty_quantity_range() -> None:
    with pytest.raises(ValueError, match="not a range"):
        CatalogueEntry("x", "X", "x.stl", ("316L",), 5, 4, "general")
    with pytest.raises(KeyError, match="nothing-here"):
        entry_of("nothing-here")


def test_settled_mesh_keeps_a_block_exact_and_stands_it_at_the_origin() -> None:
    mesh = settled_mesh(box((-3, 4, 5), (7, 9, 7)), 0.01)
    assert mesh.facets.shape == (12, 3)
    assert mesh.corners.min(axis=0).tolist() == [0, 0, 0]
    assert mesh.corners.max(axis=0).tolist() == [10, 5, 2]
    assert len(without_facets(mesh, 3).facets) == 9


def test_settled_mesh_refuses_nothing() -> None:
    with pytest.raises(ValueError, match="no solid"):
        settled_mesh(box((0, 0, 0), (1, 1, 1)) - box((-1, -1, -1), (2, 2, 2)), 0.01)


def test_open_faces_do_not_pass_as_a_solid() -> None:
    corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], dtype=np.float64)
    with pytest.raises(ValueError, match="does not close"):
        solid_from(corners, np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3]]))


def test_tube_and_loft_volumes_match_geometry() -> None:
    # A regular 24-gon of circumradius r has area 12 r^2 sin(15 deg); a straight tube is that times its length.
    area = 12 * 2.0**2 * np.sin(np.radians(15))
    assert tube([(0, 0, 0), (3, 4, 12)], 2.0, 24).volume() == pytest.approx(13 * area)
    square = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)], dtype=np.float64)
    rings = [np.column_stack([square * (3 - z), np.full(4, z)]) for z in (0.0, 2.0)]
    # Frustum of a pyramid: h/3 (A + a + sqrt(A a)) with A = 36, a = 4; held on planar sides.
    assert loft(rings).volume() == pytest.approx(2 / 3 * (36 + 4 + 12))
    assert smooth_path([(0, 0, 0), (1, 0, 0), (2, 0, 0)], 4)[:, 0] == pytest.approx(np.linspace(0, 2, 9))


def test_gear_tooth_is_half_a_pitch_thick_on_its_pitch_circle() -> None:
    # Standard tooth without shift: thickness on the pitch circle is pi m / 2.
    module, teeth = 2.5, 36
    points = np.asarray(involute_gear(module, teeth, flank_points=60).to_polygons()[0])
    radius = np.hypot(points[:, 0], points[:, 1])
    assert radius.max() == pytest.approx(module * (teeth / 2 + 1), rel=1e-6)
    assert radius.min() == pytest.approx(module * (teeth / 2 - 1.25), rel=1e-6)
    tooth = points[np.abs(np.arctan2(points[:, 1], points[:, 0])) < np.pi / teeth]
    near = tooth[np.argsort(np.abs(np.hypot(tooth[:, 0], tooth[:, 1]) - module * teeth / 2))[:2]]
    width = abs(np.subtract(*np.arctan2(near[:, 1], near[:, 0]))) * module * teeth / 2
    assert width == pytest.approx(np.pi * module / 2, rel=0.02)


def test_3mf_package_carries_no_clock() -> None:
    for entry in CATALOGUE:
        if entry.file.endswith(".3mf"):
            with zipfile.ZipFile(FOLDER / entry.file) as package:
                assert package.testzip() is None
                assert package.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
                assert {info.date_time for info in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    mesh = FacetMesh(np.eye(4, 3, dtype=np.float32), np.array([[0, 1, 2], [0, 3, 1], [1, 3, 2], [0, 2, 3]]))
    assert threemf_bytes(mesh, "corner") == threemf_bytes(mesh, "corner")
