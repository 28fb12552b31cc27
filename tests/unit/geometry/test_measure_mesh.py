"""Closedness, bodies, hollows, notes, orientations, and the memory of measured files."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from router.geometry import PartFacts, facts_from_json, facts_to_json, measure, measure_mesh, shadow
from router.geometry.choose import MOST
from router.geometry.pose import set_down
from router.geometry.shadow import footprint
from router.geometry.surface import build_surface


def box(size: tuple[float, float, float], at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> trimesh.Trimesh:
    mesh = trimesh.creation.box(size)
    mesh.apply_translation(at)
    return mesh


def inside_out(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.faces[:, ::-1], process=False)


def together(*meshes: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.util.concatenate(list(meshes))


def facts_of(mesh: trimesh.Trimesh) -> PartFacts:
    return measure_mesh(mesh, "x", 45.0)


def test_hollow_is_counted_and_its_roof_is_supported_inside() -> None:
    facts = facts_of(together(box((20, 20, 20)), inside_out(box((10, 10, 10)))))
    assert (facts.body_count, facts.closed_hollows) == (1, 1)
    assert facts.volume_mm3 == pytest.approx(7000.0)
    assert any("trap powder" in note for note in facts.notes)
    assert facts.orientations[0].support_volume_mm3 == pytest.approx(1000.0, rel=0.01)
    assert facts.orientations[0].overhang_area_mm2 == pytest.approx(100.0)
    assert facts.orientations[0].footprint.area_mm2 == pytest.approx(400.0)


def test_body_inside_a_hollow_and_a_loose_inside_out_shell() -> None:
    facts = facts_of(together(box((20, 20, 20)), inside_out(box((10, 10, 10))), box((4, 4, 4))))
    assert (facts.body_count, facts.closed_hollows) == (2, 1)
    facts = facts_of(together(box((20, 20, 20)), inside_out(box((5, 5, 5), (40, 0, 0)))))
    assert (facts.body_count, facts.closed_hollows) == (1, 0)
    assert any("inside-out" in note for note in facts.notes)


def test_many_hollows() -> None:
    pores = [
        inside_out(box((1, 1, 1), (4.0 * x, 4.0 * y, 4.0 * z))) for x in range(7) for y in range(7) for z in range(7)
    ]
    facts = facts_of(together(box((40, 40, 40), (12, 12, 12)), *pores))
    assert facts.closed_hollows == 343
    assert facts.volume_mm3 == pytest.approx(64000.0 - 343.0)


def test_facets_that_face_inwards_or_disagree_are_turned() -> None:
    whole = facts_of(box((10, 20, 30)))
    turned = facts_of(inside_out(box((10, 20, 30))))
    assert turned.volume_mm3 == pytest.approx(6000.0)
    assert any("inwards" in note for note in turned.notes)
    assert turned.orientations[0] == whole.orientations[0]
    faces = box((10, 20, 30)).faces.copy()
    faces[3] = faces[3][::-1]
    mixed = facts_of(trimesh.Trimesh(box((10, 20, 30)).vertices, faces, process=False))
    assert mixed.closed and mixed.volume_mm3 == pytest.approx(6000.0)
    assert any("disagreed" in note for note in mixed.notes)


def test_open_mesh_is_measured_with_a_note() -> None:
    lid_off = box((10, 10, 10))
    lid_off = trimesh.Trimesh(lid_off.vertices, lid_off.faces[:-1], process=False)
    facts = facts_of(lid_off)
    assert not facts.closed
    assert any("not closed" in note for note in facts.notes)
    assert facts.orientations[0].footprint.area_mm2 == pytest.approx(100.0)
    assert 0.8 * 1000.0 <= facts.volume_mm3 <= 1000.0
    assert len(facts.orientations) >= 3


def test_a_single_upright_sheet_still_gets_a_footprint() -> None:
    sheet = trimesh.Trimesh([(0, 0, 0), (30, 0, 0), (30, 0, 10), (0, 0, 10)], [(0, 1, 2), (0, 2, 3)], process=False)
    facts = facts_of(sheet)
    assert not facts.closed and facts.volume_mm3 == pytest.approx(0.0)
    for stance in facts.orientations:
        region = shapely.union_all([shapely.Polygon(outer, holes) for outer, holes in stance.footprint.polygons])
        points = np.array(sheet.vertices) @ np.array(stance.matrix).reshape(3, 3).T
        points -= points.min(axis=0)
        assert region.area > 0.0
        assert float(shapely.distance(region, shapely.points(points[:, :2])).max()) <= 0.011


def test_overlapping_bodies_are_noted() -> None:
    facts = facts_of(together(box((10, 10, 10)), box((10, 10, 10), (5, 0, 0))))
    assert facts.body_count == 2
    assert any("overlap" in note and "1500" in note for note in facts.notes)
    apart = facts_of(together(box((10, 10, 10)), box((10, 10, 10), (15, 0, 0))))
    assert not any("overlap" in note for note in apart.notes)
    assert len(apart.orientations[0].footprint.polygons) == 2


def test_footprint_keeps_holes_and_is_no_hull() -> None:
    block = manifold3d.Manifold.cube([40.0, 40.0, 5.0]) - manifold3d.Manifold.cube([30.0, 10.0, 9.0]).translate(
        [5, 5, -1]
    )
    block -= manifold3d.Manifold.cube([30.0, 10.0, 9.0]).translate([20, 25, -1])
    raw = block.to_mesh64()
    facts = facts_of(trimesh.Trimesh(raw.vert_properties, raw.tri_verts.astype(np.int64), process=False))
    shape = facts.orientations[0].footprint
    assert shape.area_mm2 == pytest.approx(1600.0 - 300.0 - 200.0)
    ((outer, holes),) = shape.polygons
    assert len(outer) == 8 and [len(hole) for hole in holes] == [4]
    assert shapely.LinearRing(outer).is_ccw and not shapely.LinearRing(holes[0]).is_ccw
    assert min(x for x, _ in outer) == 0.0 and min(y for _, y in outer) == 0.0


def test_a_long_rod_can_lie_or_stand() -> None:
    rod = trimesh.creation.cylinder(5.0, 120.0, sections=64)
    rod.apply_transform(trimesh.transformations.rotation_matrix(0.7, [1, 2, 0]))
    facts = facts_of(rod)
    heights = [item.height_mm for item in facts.orientations]
    assert min(heights) == pytest.approx(10.0, abs=0.1)
    assert max(heights) == pytest.approx(120.0, abs=0.1)
    by_name = {item.name: item for item in facts.orientations}
    assert by_name["on end"].support_volume_mm3 == 0.0
    assert by_name["flat"].height_mm == min(heights)


def test_a_bulky_part_is_offered_a_tilt_where_that_saves_support() -> None:
    shell = manifold3d.Manifold.cube([60.0, 60.0, 60.0], True)
    shell -= manifold3d.Manifold.cube([80.0, 40.0, 40.0], True)
    raw = shell.to_mesh64()
    facts = facts_of(trimesh.Trimesh(raw.vert_properties, raw.tri_verts.astype(np.int64), process=False))
    upright = facts.orientations[0]
    assert upright.support_volume_mm3 == pytest.approx(60.0 * 40.0 * 40.0, rel=0.01)
    best = min(facts.orientations, key=lambda item: item.support_volume_mm3)
    assert best.support_volume_mm3 < 0.1 * upright.support_volume_mm3


def test_part_on_a_tilted_flat_is_put_down_on_it() -> None:
    wedge = box((40, 30, 10))
    wedge.apply_transform(trimesh.transformations.rotation_matrix(0.4, [0.3, 1.0, 0.1]))
    facts = facts_of(wedge)
    lowest = min(facts.orientations, key=lambda item: item.height_mm)
    assert lowest.height_mm == pytest.approx(10.0, abs=1e-6)
    assert (lowest.footprint.width_mm, lowest.footprint.depth_mm) == pytest.approx((40.0, 30.0), abs=1e-6)
    assert lowest.support_volume_mm3 == 0.0


@pytest.mark.parametrize("angle", [-1.0, 90.5, float("nan")])
def test_overhang_angle_is_checked(angle: float, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="overhang angle"):
        measure_mesh(box((1, 1, 1)), "x", angle)
    with pytest.raises(ValueError, match="overhang angle"):
        measure(tmp_path / "any.stl", overhang_deg=angle)


def test_mesh_without_triangles_or_with_nan_is_refused() -> None:
    with pytest.raises(ValueError, match="without triangles"):
        facts_of(trimesh.Trimesh([(0, 0, 0)], np.zeros((0, 3), dtype=int), process=False))
    broken = box((1, 1, 1))
    vertices = broken.vertices.copy()
    vertices[0, 0] = np.nan
    with pytest.raises(ValueError, match="finite"):
        facts_of(trimesh.Trimesh(vertices, broken.faces, process=False))


def test_memory_by_content(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    model = tmp_path / "box.stl"
    model.write_bytes(bytes(box((10, 20, 30)).export(file_type="stl")))
    cache = tmp_path / "deep" / "cache"
    first = measure(model, cache_dir=cache)
    (entry,) = cache.iterdir()
    assert entry.name == f"{first.content_hash}.json"
    assert facts_from_json(entry.read_text()) == first

    def forbidden(*_: object) -> PartFacts:
        raise AssertionError("measured although remembered")

    with monkeypatch.context() as patch:
        patch.setattr("router.geometry.measuring.measure_mesh", forbidden)
        copy = tmp_path / "copy.stl"
        copy.write_bytes(model.read_bytes())
        assert measure(copy, cache_dir=cache) == first
        with pytest.raises(AssertionError):
            measure(model, "cm", cache_dir=cache)
        with pytest.raises(AssertionError):
            measure(model, overhang_deg=40.0, cache_dir=cache)
    whole = entry.read_text()
    other = facts_to_json(first).replace(first.content_hash, "0" * 64)
    for damaged in ("", "{}", whole[: len(whole) // 2], "[]", other, whole.replace('"a"', "7", 1), "\x00"):
        entry.write_text(damaged)
        assert measure(model, cache_dir=cache) == first
        assert entry.read_text() == whole
    assert [path.name for path in cache.iterdir()] == [entry.name]


def test_a_memory_that_cannot_be_written_does_not_stop_measuring(tmp_path: Path) -> None:
    model = tmp_path / "box.stl"
    model.write_bytes(bytes(box((1, 2, 3)).export(file_type="stl")))
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    assert measure(model, cache_dir=blocked / "cache").volume_mm3 == pytest.approx(6.0)


def test_json_refuses_what_is_not_facts() -> None:
    good = json.loads(facts_to_json(facts_of(box((1, 2, 3)))))
    for change in ({"bbox_mm": [1.0, 2.0]}, {"orientations": []}, {"volume_mm3": "much"}, {"content_hash": 5}):
        with pytest.raises(ValueError):
            facts_from_json(json.dumps(good | change))
    with pytest.raises(ValueError):
        facts_from_json(json.dumps(good | {"area_mm2": float("nan")}))


def test_never_more_than_six_orientations() -> None:
    solid = manifold3d.Manifold.cube([10, 20, 70], True) + manifold3d.Manifold.cube([50, 12, 9], True).rotate(
        [10, 25, 40]
    )
    raw = solid.to_mesh64()
    facts = facts_of(trimesh.Trimesh(raw.vert_properties, raw.tri_verts.astype(np.int64), process=False))
    assert 3 <= len(facts.orientations) <= MOST


# The peak of this process alone: what getrusage says also holds the process it was forked from.
FINE_MESH = """
import re, resource, sys, time
from pathlib import Path
import router.geometry as geometry
geometry.measure(Path(sys.argv[1]))
start = time.process_time()
facts = geometry.measure(Path(sys.argv[2]))
spent, status = time.process_time() - start, Path("/proc/self/status")
own = re.search(r"VmHWM:\\s*(\\d+) kB", status.read_text()) if status.exists() else None
peak_kb = int(own[1]) if own else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(facts.triangles, spent, peak_kb / 1024.0)
"""


def test_half_a_million_triangles_in_five_seconds_and_a_gigabyte(tmp_path: Path) -> None:
    """Processor time, so that a busy machine does not fail it; compiled code is warmed up on a small part first."""
    small, fine = tmp_path / "small.stl", tmp_path / "fine.stl"
    small.write_bytes(bytes(box((1, 2, 3)).export(file_type="stl")))
    torus = trimesh.creation.torus(20.0, 5.0, major_sections=1000, minor_sections=250)
    fine.write_bytes(bytes(torus.export(file_type="stl")))
    done = subprocess.run(
        [sys.executable, "-c", FINE_MESH, str(small), str(fine)],
        capture_output=True, text=True, check=True, cwd=Path(__file__).resolve().parents[3],
    )  # fmt: skip
    triangles, seconds, peak_mb = done.stdout.split()
    assert int(triangles) == 500_000
    assert float(seconds) < 5.0
    assert float(peak_mb) < 1024.0


@pytest.mark.parametrize("turn", [0.0, 90.0])
def test_a_ragged_shadow_cut_into_strips_is_the_same_shadow(turn: float, monkeypatch: pytest.MonkeyPatch) -> None:
    torus = trimesh.creation.torus(20.0, 5.0, major_sections=120, minor_sections=60)
    torus.vertices += np.random.default_rng(3).normal(scale=0.1, size=torus.vertices.shape)
    torus.apply_transform(trimesh.transformations.rotation_matrix(1.2, [1, 0, 0]))
    torus.apply_transform(trimesh.transformations.rotation_matrix(np.radians(turn), [0, 0, 1]))
    surface = build_surface(np.array(torus.vertices), np.array(torus.faces, dtype=np.int64))
    pose = set_down(surface, np.eye(3))
    whole = footprint(pose)
    monkeypatch.setattr(shadow, "_EDGES_AT_ONCE", 150)
    strips = footprint(pose)
    assert strips.area_mm2 == pytest.approx(whole.area_mm2, abs=1e-5)
    regions = [shapely.union_all([shapely.Polygon(a, b) for a, b in item.polygons]) for item in (whole, strips)]
    assert regions[0].symmetric_difference(regions[1]).area < 0.1 * regions[0].length
    # every facet's own shadow, united one by one, is the same region
    points = pose.points[:, :2]
    facets = shapely.polygons(points[np.column_stack([surface.faces, surface.faces[:, 0]])])
    one_by_one = shapely.union_all(facets[shapely.area(facets) > 0.0])
    assert one_by_one.area == pytest.approx(whole.area_mm2, rel=1e-6)


def test_an_underside_buried_in_another_body_needs_no_support() -> None:
    # slab 30 x 30 at z = 15 whose middle 20 x 20 lies inside a block: (900 - 400) x 15 remains
    facts = facts_of(together(box((20, 20, 20), (0, 0, 10)), box((30, 30, 10), (0, 0, 20))))
    assert facts.orientations[0].support_volume_mm3 == pytest.approx(500.0 * 15.0, rel=0.01)
