"""Laws that part facts obey whatever the part: movement, mirroring, scale, containment."""

from __future__ import annotations

import math

import manifold3d
import numpy as np
import numpy.typing as npt
import pytest
import shapely
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from router.geometry import Footprint, Orientation, PartFacts, facts_from_json, facts_to_json, measure_mesh

Floats = npt.NDArray[np.float64]

QUICK = settings(
    max_examples=12, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], database=None
)


def to_mesh(solid: manifold3d.Manifold) -> trimesh.Trimesh:
    raw = solid.to_mesh64()
    return trimesh.Trimesh(raw.vert_properties[:, :3], raw.tri_verts.astype(np.int64), process=False)


@st.composite
def parts(draw: st.DrawFn) -> trimesh.Trimesh:
    """Brackets of two to four blocks, some drilled, some with a round boss; always one closed solid or several."""
    size = st.integers(4, 40)
    shift = st.integers(-15, 15)
    solid = manifold3d.Manifold.cube([draw(size), draw(size), draw(size)], True)
    for _ in range(draw(st.integers(1, 3))):
        block = manifold3d.Manifold.cube([draw(size), draw(size), draw(size)], True)
        block = block.rotate([0.0, 0.0, draw(st.sampled_from([0.0, 20.0, 45.0]))])
        solid += block.translate([draw(shift), draw(shift), draw(shift)])
    if draw(st.booleans()):
        drill = manifold3d.Manifold.cylinder(200.0, 1.5, 1.5, 24, True)
        solid -= drill.rotate([draw(st.sampled_from([0.0, 90.0])), 0.0, 0.0]).translate([draw(shift), 0.0, draw(shift)])
    if draw(st.booleans()):
        solid += manifold3d.Manifold.sphere(draw(st.integers(3, 12)), 24).translate([0.0, draw(shift), draw(shift)])
    return to_mesh(solid)


def moved(mesh: trimesh.Trimesh, matrix: Floats) -> trimesh.Trimesh:
    copy = mesh.copy()
    copy.apply_transform(matrix)
    return copy


def facts_of(mesh: trimesh.Trimesh) -> PartFacts:
    return measure_mesh(mesh, "test", 45.0)


def area_of(shape: Footprint) -> float:
    return float(sum(shapely.Polygon(outer, holes).area for outer, holes in shape.polygons))


def same_stance(first: Orientation, second: Orientation, mesh_scale: float, scale: float = 1.0) -> None:
    assert second.height_mm == pytest.approx(first.height_mm * scale, rel=1e-6, abs=1e-6)
    assert second.footprint.area_mm2 == pytest.approx(first.footprint.area_mm2 * scale**2, rel=1e-5)
    assert second.overhang_area_mm2 == pytest.approx(first.overhang_area_mm2 * scale**2, rel=1e-4, abs=1e-4)
    # the columns stand elsewhere after a turn: allow one percent of the part's own envelope
    slack = 0.01 * first.height_mm * first.footprint.area_mm2 * scale**3
    assert second.support_volume_mm3 == pytest.approx(first.support_volume_mm3 * scale**3, rel=0.02, abs=slack)
    assert mesh_scale > 0.0


def span(mesh: trimesh.Trimesh) -> float:
    return float(np.ptp(mesh.vertices, axis=0).max())


@QUICK
@given(parts(), st.integers(1, 359))
def test_turning_about_z_changes_nothing_that_matters(mesh: trimesh.Trimesh, degrees: int) -> None:
    turned = moved(mesh, trimesh.transformations.rotation_matrix(math.radians(degrees), [0, 0, 1]))
    before, after = facts_of(mesh), facts_of(turned)
    assert after.volume_mm3 == pytest.approx(before.volume_mm3, rel=1e-9)
    same_stance(before.orientations[0], after.orientations[0], span(mesh))


@QUICK
@given(parts(), st.tuples(*[st.integers(-900, 900)] * 3))
def test_moving_changes_nothing(mesh: trimesh.Trimesh, shift: tuple[int, int, int]) -> None:
    before = facts_of(mesh)
    after = facts_of(moved(mesh, trimesh.transformations.translation_matrix(shift)))
    assert after.volume_mm3 == pytest.approx(before.volume_mm3, rel=1e-9)
    assert after.area_mm2 == pytest.approx(before.area_mm2, rel=1e-9)
    assert after.bbox_mm == pytest.approx(before.bbox_mm, abs=1e-9)
    same_stance(before.orientations[0], after.orientations[0], span(mesh))


@QUICK
@given(parts(), st.sampled_from([0, 1]))
def test_a_mirrored_part_has_the_same_facts(mesh: trimesh.Trimesh, axis: int) -> None:
    mirror = np.eye(4)
    mirror[axis, axis] = -1.0
    before, after = facts_of(mesh), facts_of(moved(mesh, mirror))
    assert after.closed == before.closed
    assert after.volume_mm3 == pytest.approx(before.volume_mm3, rel=1e-9)
    assert after.area_mm2 == pytest.approx(before.area_mm2, rel=1e-9)
    assert after.body_count == before.body_count
    same_stance(before.orientations[0], after.orientations[0], span(mesh))


@QUICK
@given(parts(), st.sampled_from([0.5, 2.0, 4.0]))
def test_scaling(mesh: trimesh.Trimesh, scale: float) -> None:
    before, after = facts_of(mesh), facts_of(moved(mesh, np.diag([scale, scale, scale, 1.0])))
    assert after.volume_mm3 == pytest.approx(before.volume_mm3 * scale**3, rel=1e-9)
    assert after.area_mm2 == pytest.approx(before.area_mm2 * scale**2, rel=1e-9)
    same_stance(before.orientations[0], after.orientations[0], span(mesh), scale)


@QUICK
@given(parts())
def test_outlines_contain_every_projected_vertex_and_stay_close(mesh: trimesh.Trimesh) -> None:
    facts = facts_of(mesh)
    assert len({item.name for item in facts.orientations}) == len(facts.orientations) >= 3
    for stance in facts.orientations:
        rotation = np.array(stance.matrix).reshape(3, 3)
        assert np.allclose(rotation @ rotation.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(rotation) == pytest.approx(1.0)
        points = mesh.vertices @ rotation.T
        points -= points.min(axis=0)
        shape = stance.footprint
        region = shapely.union_all([shapely.Polygon(outer, holes) for outer, holes in shape.polygons])
        assert region.is_valid
        assert float(shapely.distance(region, shapely.points(points[:, :2])).max()) <= 1e-6
        # facets too, not only their corners
        middles = points[mesh.faces].mean(axis=1)[:, :2]
        assert float(shapely.distance(region, shapely.points(middles)).max()) <= 1e-6
        assert region.bounds == pytest.approx((0.0, 0.0, shape.width_mm, shape.depth_mm), abs=1e-9)
        assert (shape.width_mm, shape.depth_mm) == pytest.approx(tuple(points[:, :2].max(axis=0)), abs=1e-6)
        assert shape.area_mm2 <= area_of(shape) + 1e-6
        assert area_of(shape) <= shape.area_mm2 + 0.2 * region.length + 1e-6
        assert shape.area_mm2 <= shape.width_mm * shape.depth_mm + 1e-6
        assert stance.height_mm == pytest.approx(float(points[:, 2].max()), abs=1e-9)
        assert stance.support_volume_mm3 >= 0.0 and stance.overhang_area_mm2 >= 0.0
        hull = shape.width_mm * shape.depth_mm * stance.height_mm
        assert stance.support_volume_mm3 <= hull - facts.volume_mm3 + 0.02 * hull


@QUICK
@given(parts())
def test_facts_survive_json_to_the_last_bit_and_repeat_exactly(mesh: trimesh.Trimesh) -> None:
    facts = facts_of(mesh)
    assert facts_from_json(facts_to_json(facts)) == facts
    assert facts_of(mesh.copy()) == facts


@QUICK
@given(parts(), st.floats(0.0, 89.0))
def test_a_larger_overhang_angle_never_needs_less_support(mesh: trimesh.Trimesh, angle: float) -> None:
    small = measure_mesh(mesh, "test", angle).orientations[0]
    large = measure_mesh(mesh, "test", 90.0).orientations[0]
    assert small.overhang_area_mm2 <= large.overhang_area_mm2 + 1e-9
    assert small.support_volume_mm3 <= large.support_volume_mm3 * 1.02 + 0.01 * large.height_mm * 10.0


@QUICK
@given(st.integers(2, 60), st.integers(2, 60), st.integers(2, 60))
def test_a_box_has_its_three_sides_as_heights(x: int, y: int, z: int) -> None:
    facts = facts_of(trimesh.creation.box((float(x), float(y), float(z))))
    straight = [item for item in facts.orientations if item.support_volume_mm3 == 0.0]
    wanted = {float(side) for side in (x, y, z)}
    tall = {round(item.height_mm, 6) for item in straight}
    assert float(min(x, y, z)) in tall
    assert float(z) in tall
    for item in straight:
        if round(item.height_mm, 6) in wanted:
            assert item.footprint.area_mm2 * item.height_mm == pytest.approx(x * y * z)
            corners = [len(outer) for outer, _ in item.footprint.polygons]
            assert corners == [4]
