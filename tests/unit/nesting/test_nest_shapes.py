"""Shapes, allowed rotations and plates."""

from __future__ import annotations

import math

import pytest

from router.nesting import KeepOut, PlateSpec, Shape, allowed_angles

Outline = list[tuple[list[tuple[float, float]], list[list[tuple[float, float]]]]]


def rectangle(width: float, depth: float) -> Outline:
    return [([(0, 0), (width, 0), (width, depth), (0, depth)], [])]


def test_shape_area_counts_holes_and_equality_is_by_content() -> None:
    frame = [([(0, 0), (40, 0), (40, 40), (0, 40)], [[(10, 10), (30, 10), (30, 30), (10, 30)]])]
    one, same, other = Shape.make(frame, (0,)), Shape.make(frame, (360.0,)), Shape.make(frame, (0, 90))
    assert one.area_mm2 == pytest.approx(1200)
    assert one == same and hash(one) == hash(same)
    assert one != other


def test_bound_area_of_a_square_follows_the_steiner_formula() -> None:
    # Area of a convex set dilated by r: A + P r + pi r^2 (Steiner), here r = 1.
    grown = Shape.make(rectangle(10, 10), (0,)).bound_area_mm2(2.0)
    exact = 100 + 40 + math.pi
    assert exact - 0.01 < grown <= exact


def test_bound_area_closes_a_hole_narrower_than_the_spacing() -> None:
    slotted = [([(0, 0), (20, 0), (20, 20), (0, 20)], [[(9.5, 5), (10.5, 5), (10.5, 15), (9.5, 15)]])]
    solid = Shape.make(rectangle(20, 20), (0,)).bound_area_mm2(2.0)
    assert Shape.make(slotted, (0,)).bound_area_mm2(2.0) == pytest.approx(solid)


@pytest.mark.parametrize(
    ("polygons", "angles", "word"),
    [
        ([([(0, 0), (1, 0)], [])], (0,), "3 vertices"),
        ([([(0, 0), (1, 0), (2, 0)], [])], (0,), "no area"),
        ([([(0, 0), (1, 0), (math.nan, 1)], [])], (0,), "finite"),
        ([], (0,), "no area"),
        (rectangle(1, 1), (), "rotation"),
        (rectangle(1, 1), (math.inf,), "finite"),
    ],
)
def test_bad_shapes_are_refused_in_words(polygons: object, angles: tuple[float, ...], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        Shape.make(polygons, angles)  # type: ignore[arg-type]


def test_self_crossing_outline_is_repaired() -> None:
    bow_tie: Outline = [([(0, 0), (10, 10), (10, 0), (0, 10)], [])]
    assert Shape.make(bow_tie, (0,)).area_mm2 == pytest.approx(50)


def test_square_and_rectangle_lose_their_repeated_rotations() -> None:
    assert allowed_angles(rectangle(10, 10)) == (0.0,)
    assert allowed_angles(rectangle(10, 20)) == (0.0, 90.0)
    corner: Outline = [([(0, 0), (20, 0), (20, 10), (10, 10), (10, 20), (0, 20)], [])]
    assert allowed_angles(corner) == (0.0, 90.0, 180.0, 270.0)


@pytest.mark.parametrize("lean_deg", [0, 7, 45, 90, 133])
@pytest.mark.parametrize("off_deg", [10.0, 30.0])
def test_long_piece_keeps_off_the_blade(lean_deg: float, off_deg: float) -> None:
    cos, sin = math.cos(math.radians(lean_deg)), math.sin(math.radians(lean_deg))
    bar: Outline = [([(cos * x - sin * y, sin * x + cos * y) for x, y in ((0, 0), (80, 0), (80, 10), (0, 10))], [])]
    angles = allowed_angles(bar, min_off_blade_deg=off_deg)
    assert angles
    for angle in angles:
        lean = (lean_deg + angle) % 180
        assert min(lean, 180 - lean) >= off_deg - 1e-6
        assert angle % 15 == 0


def test_plate_figures_are_checked() -> None:
    with pytest.raises(ValueError, match="equal width and depth"):
        PlateSpec(100, 120, round=True)
    with pytest.raises(ValueError, match="no room"):
        PlateSpec(100, 9, edge_margin_mm=5)
    with pytest.raises(ValueError, match="above 0"):
        PlateSpec(-1, 100)
    with pytest.raises(ValueError, match="radius"):
        KeepOut(1, 1, 0)


def test_usable_and_bound_area() -> None:
    plate = PlateSpec(110, 60, edge_margin_mm=5, spacing_mm=2)
    assert plate.usable_area_mm2 == pytest.approx(100 * 50)
    exact = 100 * 50 + 300 * 1 + math.pi
    assert exact <= plate.bound_area_mm2 < exact + 0.1
    drilled = PlateSpec(110, 60, edge_margin_mm=5, spacing_mm=2, keep_outs=(KeepOut(50, 30, 4),))
    assert drilled.usable_area_mm2 == pytest.approx(5000 - 16 * math.pi, abs=0.05)
    assert exact - 9 * math.pi <= drilled.bound_area_mm2 < exact - 9 * math.pi + 0.1
    disc = PlateSpec(110, 110, round=True, edge_margin_mm=5, spacing_mm=2)
    assert disc.usable_area_mm2 == pytest.approx(2500 * math.pi, rel=1e-4)
    assert disc.bound_area_mm2 >= 51**2 * math.pi
