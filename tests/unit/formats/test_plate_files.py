"""Files of finished plates: true size, true place, sound by an independent reader of each format."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import lib3mf
import numpy as np
import pytest
import shapely
from sample_result import BUILD, PLAN
from small_folder import SMALL, copy_small
from typer.testing import CliRunner

from router.cli.commands import app
from router.domain.machines import KeepOutZone
from router.domain.network import Scenario
from router.domain.plan import Build, PlacedPiece
from router.formats import plan_to_json, read_scenario
from router.formats.plate_3mf import plate_3mf, read_plate_3mf
from router.formats.plate_dxf import plate_dxf
from router.formats.plate_layout import PlateLayout, lay_out
from router.formats.plate_svg import BORDER_MM, plate_svg
from router.geometry import MeshError, read_mesh
from router.geometry.measuring import sound_surface
from router.geometry.pose import set_down
from router.geometry.surface import Surface, build_surface
from router.geometry.threemf import read_3mf
from router.geometry.threemf_write import BuildItem, MeshObject, write_3mf
from router.kernel.faults import FaultyInput
from router.service.plate_files import write_plate_files

PLACE_MM = 1e-6
"""Positions survive the file to this much."""

PIECES = (
    PlacedPiece("1001-1", "a", 20.1, 1 / 3 + 20, 0.0),
    PlacedPiece("1001-1", "a", 150.000001, 60.0, 90.0),
    PlacedPiece("1001-2", "b", 123.456789, 140.0, 195.0),
    PlacedPiece("1003-1", "b", 60.0, 180.0, 37.3),
    PlacedPiece("1008-1", "a", 180.0, 215.0, 270.0),
    PlacedPiece(None, "coupon", 200.0, 12.5, 0.0),
    PlacedPiece(None, "coupon", 220.0, 12.5, 45.0),
)
PLATE_BUILD = replace(BUILD, pieces=PIECES)


@pytest.fixture(scope="module")
def scenario(measured: Path) -> Scenario:
    return read_scenario(SMALL, measured)


@pytest.fixture(scope="module")
def layout(scenario: Scenario) -> PlateLayout:
    return lay_out(scenario, PLATE_BUILD)


@pytest.fixture(scope="module")
def surfaces(scenario: Scenario) -> Mapping[str, Surface]:
    units = {line.model: line.unit for line in scenario.lines}
    return {m: sound_surface(read_mesh(SMALL / "models" / m, unit), []) for m, unit in units.items()}


@pytest.fixture(scope="module")
def package(layout: PlateLayout, surfaces: Mapping[str, Surface]) -> bytes:
    return plate_3mf(layout, surfaces.__getitem__)


def _close(one: PlacedPiece, other: PlacedPiece) -> bool:
    turn = abs((one.angle_deg - other.angle_deg + 180) % 360 - 180)
    return (
        (one.line_id, one.orientation) == (other.line_id, other.orientation)
        and math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) < PLACE_MM
        and turn < 1e-9
    )


def test_silhouette_of_every_placed_mesh_lies_in_its_placed_footprint(
    scenario: Scenario, surfaces: Mapping[str, Surface]
) -> None:
    tried = 0
    for line in scenario.lines:
        for stance in scenario.parts[line.model].orientations:
            placed = PlacedPiece(line.line_id, stance.key, 80.0, 90.0, 33.0)
            (piece,) = lay_out(scenario, replace(BUILD, pieces=(placed,))).pieces
            footprint = shapely.union_all([shapely.Polygon(o, h) for o, h in piece.on_plate()])
            data = plate_3mf(lay_out(scenario, replace(BUILD, pieces=(placed,))), surfaces.__getitem__)
            vertices, faces, _ = read_3mf(Path("plate.3mf"), data)
            shadow = shapely.union_all(shapely.polygons(vertices[faces][:, :, :2]), grid_size=1e-5)
            assert shadow.within(footprint.buffer(1e-4)), f"{line.model} {stance.key}"
            assert shadow.area == pytest.approx(stance.footprint.area_mm2, rel=2e-3)
            tried += 1
    assert tried > 20


def test_positions_return_from_the_3mf(package: bytes) -> None:
    back = read_plate_3mf(package, "B1.build.3mf")
    assert len(back) == len(PIECES)
    assert all(_close(one, other) for one, other in zip(back, PIECES, strict=True))


def test_meshes_stand_in_place_on_the_plate(
    package: bytes, layout: PlateLayout, surfaces: Mapping[str, Surface]
) -> None:
    vertices, _, per_item = read_3mf(Path("plate.3mf"), package)
    assert vertices.min() >= 0.0
    first = 0
    for piece, triangles in zip(layout.pieces, per_item, strict=True):
        if piece.orientation is None:
            first += 8
            continue
        surface = surfaces[piece.model]
        assert triangles == len(surface.faces)
        points = set_down(surface, np.array(piece.orientation.matrix).reshape(3, 3)).points
        angle = math.radians(piece.placed.angle_deg)
        c, s = math.cos(angle), math.sin(angle)
        x = c * points[:, 0] - s * points[:, 1] + piece.placed.x_mm
        y = s * points[:, 0] + c * points[:, 1] + piece.placed.y_mm
        found = vertices[first : first + len(points)]
        assert np.abs(found - np.column_stack((x, y, points[:, 2]))).max() < PLACE_MM
        assert found[:, 2].min() == 0.0
        assert found[:, 2].max() == pytest.approx(piece.orientation.height_mm, abs=PLACE_MM)
        first += len(points)
    assert first == len(vertices)


def test_lib3mf_reads_it_strictly_without_a_warning(package: bytes, layout: PlateLayout) -> None:
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromBuffer(package)
    assert reader.GetWarningCount() == 0
    meshes = model.GetMeshObjects()
    seen = 0
    while meshes.MoveNext():
        mesh = meshes.GetCurrentMeshObject()
        assert mesh.IsValid()
        assert mesh.IsManifoldAndOriented()
        seen += 1
    # One object a part model and orientation, the coupon among them, however many pieces there are.
    assert seen == len({(p.model, p.orientation.key if p.orientation else "") for p in layout.pieces}) == 5
    items = model.GetBuildItems()
    for piece in layout.pieces:
        assert items.MoveNext()
        item = items.GetCurrent()
        assert item.GetPartNumber() == piece.mark
        shift = list(item.GetObjectTransform().Fields[3])
        assert shift == pytest.approx(
            [piece.placed.x_mm, piece.placed.y_mm, 0.0], abs=2e-5
        )  # it keeps single precision
    assert not items.MoveNext()


def test_an_open_model_is_a_surface_object_and_lib3mf_agrees(
    scenario: Scenario, surfaces: Mapping[str, Surface]
) -> None:
    whole = surfaces["bracket.stl"]
    torn = build_surface(whole.vertices, whole.faces[:-1])
    one = lay_out(scenario, replace(BUILD, pieces=PIECES[:1]))
    data = plate_3mf(one, lambda model: torn)
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromBuffer(data)
    meshes = model.GetMeshObjects()
    assert meshes.MoveNext()
    mesh = meshes.GetCurrentMeshObject()
    assert not mesh.IsManifoldAndOriented()
    assert mesh.GetType() == lib3mf.ObjectType.Surface


def test_equal_plates_give_equal_bytes(layout: PlateLayout, package: bytes, surfaces: Mapping[str, Surface]) -> None:
    assert plate_3mf(layout, surfaces.__getitem__) == package
    assert plate_dxf(layout) == plate_dxf(layout)
    assert plate_svg(layout) == plate_svg(layout)


def test_foreign_and_tilted_plates_are_told(package: bytes) -> None:
    triangle = MeshObject(np.eye(3), np.array([[0, 1, 2]]), "", "part.stl:a")
    tilted = (1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, -1.0, 0.0, 5.0, 5.0, 0.0)
    data = write_3mf([triangle], [BuildItem(0, tilted, "L1/1"), BuildItem(0)], {})
    with pytest.raises(FaultyInput) as caught:
        read_plate_3mf(data, "x.3mf")
    assert [(f.where, f.field) for f in caught.value.faults] == [("item 1", "transform"), ("item 2", "partnumber")]
    with pytest.raises(MeshError):
        read_plate_3mf(package[:200], "x.3mf")


def test_writer_refuses_what_is_no_3mf() -> None:
    good = MeshObject(np.eye(3), np.array([[0, 1, 2]]))
    with pytest.raises(ValueError, match="at least one build item"):
        write_3mf([good], [], {})
    with pytest.raises(ValueError, match="build item of object 1"):
        write_3mf([good], [BuildItem(1)], {})
    with pytest.raises(ValueError, match="repeated corner"):
        write_3mf([MeshObject(np.eye(3), np.array([[0, 1, 1]]))], [BuildItem(0)], {})
    with pytest.raises(ValueError, match="not finite"):
        write_3mf([MeshObject(np.full((3, 3), np.nan), np.array([[0, 1, 2]]))], [BuildItem(0)], {})


def _polygons_of(path: str) -> list[np.ndarray[tuple[int, int], np.dtype[np.float64]]]:
    rings = re.findall(r"M([^MZ]*)Z", path)
    return [np.array([[float(v) for v in pair.split()] for pair in ring.split("L")]) for ring in rings]


def test_svg_is_in_true_size_and_draws_every_ring_in_place(layout: PlateLayout) -> None:
    root = ElementTree.fromstring(plate_svg(layout))
    space = "{http://www.w3.org/2000/svg}"
    _, _, width, height = (float(v) for v in root.get("viewBox", "").split())
    assert root.get("width") == f"{width:g}mm"
    assert root.get("height") == f"{height:g}mm"
    assert width == layout.plate.width_mm + 2 * BORDER_MM
    plate = root.find(f"{space}g")
    assert plate is not None
    # A turned-over y axis with its zero at the plate's lower edge, one unit a millimetre.
    floor = BORDER_MM + layout.plate.depth_mm
    assert plate.get("transform") == f"matrix(1 0 0 -1 {BORDER_MM:g} {floor:g})"
    drawn = [p for p in plate.findall(f"{space}path") if p.get("data-mark")]
    assert [p.get("data-mark") for p in drawn] == [piece.mark for piece in layout.pieces]
    for path, piece in zip(drawn, layout.pieces, strict=True):
        wanted = [ring for outer, holes in piece.on_plate() for ring in (outer, *holes)]
        found = _polygons_of(path.get("d", ""))
        assert len(found) == len(wanted)
        for one, other in zip(found, wanted, strict=True):
            assert np.abs(one - np.array(other)).max() <= 0.0005 + 1e-9


def test_dxf_is_sound_and_in_millimetres(layout: PlateLayout, tmp_path: Path) -> None:
    zone = KeepOutZone(15.0, 15.0, 6.0)
    path = tmp_path / "plate.dxf"
    path.write_bytes(plate_dxf(replace(layout, plate=replace(layout.plate, keep_outs=(zone,)))))
    document = ezdxf.readfile(path)
    assert not document.audit().errors
    assert document.header["$INSUNITS"] == 4
    space = document.modelspace()
    areas = dict.fromkeys(("PARTS", "HOLES", "COUPONS"), 0.0)
    for line in space.query("LWPOLYLINE"):
        assert line.closed
        if line.dxf.layer in areas:
            areas[line.dxf.layer] += float(shapely.Polygon(line.get_points("xy")).area)
    net = sum(shapely.Polygon(o, h).area for p in layout.pieces if p.orientation for o, h in p.outline)
    assert areas["PARTS"] - areas["HOLES"] == pytest.approx(net, rel=1e-6)
    assert areas["HOLES"] > 0.0
    assert areas["COUPONS"] == pytest.approx(2 * layout.coupon_side_mm**2)
    (circle,) = space.query("CIRCLE")
    assert (circle.dxf.layer, circle.dxf.radius) == ("KEEP_OUT", 6.0)
    marks = [text.dxf.text for text in space.query("TEXT")]
    assert marks == [piece.mark for piece in layout.pieces]


def test_round_plates_are_circles(layout: PlateLayout, tmp_path: Path) -> None:
    disc = replace(layout, plate=replace(layout.plate, round=True, keep_outs=()))
    path = tmp_path / "disc.dxf"
    path.write_bytes(plate_dxf(disc))
    circles = ezdxf.readfile(path).modelspace().query("CIRCLE")
    margin = disc.plate.edge_margin_mm
    assert [(c.dxf.layer, c.dxf.radius) for c in circles] == [("PLATE", 125.0), ("USABLE", 125.0 - margin)]
    assert '<circle class="plate" cx="125" cy="125" r="125"/>' in plate_svg(disc)


def test_unknown_lines_and_orientations_are_all_told(scenario: Scenario) -> None:
    wrong = (PlacedPiece("9-9", "a", 0, 0, 0), PIECES[0], PlacedPiece("1001-1", "z", 0, 0, 0))
    with pytest.raises(FaultyInput) as caught:
        lay_out(scenario, replace(BUILD, pieces=wrong, machine_id="M99"))
    said = [(f.where, f.field) for f in caught.value.faults]
    assert said == [
        ("build B1", "machine_id"),
        ("build B1 pieces[0]", "line_id"),
        ("build B1 pieces[2]", "orientation"),
    ]


def _result(folder: Path, fingerprint: str, build: Build) -> Path:
    folder.mkdir()
    plan = replace(PLAN, scenario_fingerprint=fingerprint, builds=(build,))
    (folder / "plan.json").write_text(plan_to_json(plan), encoding="utf-8")
    return folder


def test_service_writes_three_files_a_build(scenario: Scenario, measured: Path, tmp_path: Path) -> None:
    result = _result(tmp_path / "result", scenario.fingerprint, PLATE_BUILD)
    out = tmp_path / "deep" / "plates"
    (files,) = write_plate_files(result, SMALL, out, measured)
    assert sorted(p.name for p in out.iterdir()) == ["B1.build.3mf", "B1.dxf", "B1.svg"]
    assert [p.name for p in out.parent.iterdir()] == ["plates"]
    back = read_plate_3mf(files.threemf.read_bytes(), files.threemf.name)
    assert all(_close(one, other) for one, other in zip(back, PIECES, strict=True))
    again = files.threemf.read_bytes()
    write_plate_files(result, SMALL, out, measured)
    assert files.threemf.read_bytes() == again
    for name in ("mine.svg", "mine.dxf", "notes.txt"):
        (out / name).write_text("mine", encoding="utf-8")
        with pytest.raises(FaultyInput, match=name):
            write_plate_files(result, SMALL, out, measured)
        assert (out / name).read_text(encoding="utf-8") == "mine" and files.threemf.read_bytes() == again
        (out / name).unlink()


@pytest.mark.parametrize("name", ["../B1", "a/b", "", "B 1"])
def test_service_refuses_names_that_are_no_file_names(
    scenario: Scenario, measured: Path, tmp_path: Path, name: str
) -> None:
    result = _result(tmp_path / "result", scenario.fingerprint, replace(PLATE_BUILD, build_id=name))
    with pytest.raises(FaultyInput, match="build_id"):
        write_plate_files(result, SMALL, tmp_path / "plates", measured)
    assert not (tmp_path / "plates").exists()


def test_service_refuses_a_scenario_that_is_not_the_plans(scenario: Scenario, measured: Path, tmp_path: Path) -> None:
    folder = copy_small(tmp_path)
    network = folder / "network.yaml"
    network.write_text(network.read_text(encoding="utf-8") + "# changed since\n", encoding="utf-8")
    result = _result(tmp_path / "result", scenario.fingerprint, PLATE_BUILD)
    with pytest.raises(FaultyInput, match="scenario_fingerprint"):
        write_plate_files(result, folder, tmp_path / "plates", measured)
    assert not (tmp_path / "plates").exists()


def test_command_writes_the_plates_and_names_them(
    scenario: Scenario, measured: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("router.cli.commands.cache_dir", lambda: measured)
    result = _result(tmp_path / "result", scenario.fingerprint, PLATE_BUILD)
    done = CliRunner().invoke(app, ["plates", str(result), str(SMALL), "--out", str(tmp_path / "plates")])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "plates" / "B1.build.3mf").is_file()
