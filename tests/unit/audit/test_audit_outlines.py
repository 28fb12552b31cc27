"""Shapes on a plate against rectangle arithmetic and known figures."""

from __future__ import annotations

import math

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from router.audit.figures import GEOMETRY_MM
from router.audit.outlines import (
    inner_area_mm2,
    keeps_recoater_rule,
    long_axes,
    off_blade_deg,
    overhang_mm,
    overlap,
    placed,
)
from router.domain.machines import KeepOutZone, Plate

LENGTHS = st.floats(1.0, 50.0)
SPOTS = st.floats(-60.0, 60.0)


@given(w=LENGTHS, d=LENGTHS, x=SPOTS, y=SPOTS)
def test_overlap_of_rectangles(w: float, d: float, x: float, y: float) -> None:
    # One rectangle 20 x 30 at the origin, another w x d at (x, y).
    reach = min(20.0, x + w) - max(0.0, x), min(30.0, y + d) - max(0.0, y)
    if abs(min(reach) - GEOMETRY_MM) > 1e-6:
        assert overlap(shapely.box(0, 0, 20, 30), shapely.box(x, y, x + w, y + d)) == (min(reach) > GEOMETRY_MM)


@given(angle=st.floats(0.0, 360.0), ratio=st.floats(1.5, 10.0))
def test_the_long_axis_turns_with_the_piece(angle: float, ratio: float) -> None:
    axes = long_axes(placed(shapely.box(0, 0, 10 * ratio, 10), 3.0, 4.0, angle))
    assert len({round(off_blade_deg(axis), 6) for _, axis in axes}) == 1
    for found, axis in axes:
        assert found == pytest.approx(ratio)
        assert off_blade_deg(axis) == pytest.approx(off_blade_deg(angle), abs=1e-6)


def test_a_triangle_has_several_least_rectangles() -> None:
    # 3-4-5: 3 x 4 on a leg and 5 x 2.4 on the long side, both of area 12.
    axes = long_axes(shapely.Polygon([(0, 0), (4, 0), (0, 3)]))
    assert {round(ratio, 3) for ratio, _ in axes} == {round(4 / 3, 3), round(5 / 2.4, 3)}
    assert keeps_recoater_rule(axes, 0.0, 2.0, 15.0)


@pytest.mark.parametrize(("angle", "kept"), [(0.0, False), (14.9, False), (15.0, True), (165.0, True), (170.0, False)])
def test_a_long_bar_keeps_off_the_blade(angle: float, kept: bool) -> None:
    assert keeps_recoater_rule(long_axes(shapely.box(0, 0, 60, 10)), angle, 3.0, 15.0) is kept


def test_a_piece_counts_as_long_from_the_ratio_on() -> None:
    assert not keeps_recoater_rule(long_axes(shapely.box(0, 0, 30, 10)), 0.0, 3.0, 15.0)
    assert keeps_recoater_rule(long_axes(shapely.box(0, 0, 29.9, 10)), 0.0, 3.0, 15.0)


def test_how_far_a_piece_reaches_beyond_the_plate() -> None:
    square = Plate(100.0, 80.0, False, 5.0, 3.0)
    assert overhang_mm(shapely.box(5, 5, 95, 75), square, 5.0) == pytest.approx(0.0)
    assert overhang_mm(shapely.box(90, 10, 102, 20), square, 0.0) == pytest.approx(2.0)
    round_plate = Plate(100.0, 100.0, True, 5.0, 3.0)
    assert overhang_mm(shapely.box(20, 10, 80, 90), round_plate, 0.0) == pytest.approx(0.0)
    assert overhang_mm(shapely.box(20, 10, 80, 90), round_plate, 5.0) == pytest.approx(5.0)


def test_area_inside_the_margin_leaves_keep_outs_in() -> None:
    screws = (KeepOutZone(15.0, 15.0, 4.0), KeepOutZone(85.0, 15.0, 4.0))
    assert inner_area_mm2(Plate(100.0, 80.0, False, 5.0, 3.0, screws)) == pytest.approx(90 * 70)
    assert inner_area_mm2(Plate(100.0, 100.0, True, 5.0, 3.0)) == pytest.approx(math.pi * 45**2)
