"""The exact checker must find every kind of breach by itself."""

from __future__ import annotations

from router.nesting import KeepOut, Placement, PlateSpec, Shape, confirm

SQUARE = Shape.make([([(0, 0), (20, 0), (20, 20), (0, 20)], [])], (0.0, 90.0))
RING = Shape.make([([(0, 0), (60, 0), (60, 60), (0, 60)], [[(10, 10), (50, 10), (50, 50), (10, 50)]])], (0.0,))
SHAPES = {SQUARE.key: SQUARE, RING.key: RING}
PLATE = PlateSpec(100, 100)


def at(shape: Shape, x: float, y: float, angle: float = 0.0) -> Placement:
    return Placement(shape.key, x, y, angle)


def test_good_nest_has_no_findings() -> None:
    assert confirm(PLATE, SHAPES, [at(SQUARE, 5, 5), at(SQUARE, 27, 5), at(SQUARE, 25, 27, 90)]) == []


def test_overlap() -> None:
    assert confirm(PLATE, SHAPES, [at(SQUARE, 5, 5), at(SQUARE, 24, 24)]) == ["pieces 1 and 2 overlap by 1.000 mm2"]


def test_spacing_to_a_hundredth() -> None:
    assert confirm(PLATE, SHAPES, [at(SQUARE, 5, 5), at(SQUARE, 26.995, 5)]) == []
    assert confirm(PLATE, SHAPES, [at(SQUARE, 5, 5), at(SQUARE, 26.98, 5)]) == [
        "pieces 1 and 2 are 1.980 mm apart, 2 mm asked"
    ]


def test_edge_margin() -> None:
    assert confirm(PLATE, SHAPES, [at(SQUARE, 4.5, 40)]) == ["piece 1 reaches 0.500 mm beyond the usable region"]
    disc = PlateSpec(100, 100, round=True)
    assert confirm(disc, SHAPES, [at(SQUARE, 40, 40)]) == []
    assert "beyond" in confirm(disc, SHAPES, [at(SQUARE, 10, 10)])[0]


def test_keep_out_and_hole_around_it() -> None:
    plate = PlateSpec(100, 100, keep_outs=(KeepOut(50, 50, 10),))
    assert confirm(plate, SHAPES, [at(RING, 20, 20)]) == []
    assert confirm(plate, SHAPES, [at(SQUARE, 59, 40)]) == ["piece 1 reaches 1.000 mm into the keep-out at x 50, y 50"]


def test_piece_in_the_hole_of_another() -> None:
    assert confirm(PLATE, SHAPES, [at(RING, 20, 20), at(SQUARE, 40, 40)]) == []
    assert "apart" in confirm(PLATE, SHAPES, [at(RING, 20, 20), at(SQUARE, 31, 40)])[0]


def test_touching_pieces_are_fine_without_spacing() -> None:
    bare = PlateSpec(100, 100, spacing_mm=0)
    assert confirm(bare, SHAPES, [at(SQUARE, 5, 5), at(SQUARE, 25, 5)]) == []
    assert "overlap" in confirm(bare, SHAPES, [at(SQUARE, 5, 5), at(SQUARE, 24.9, 5)])[0]


def test_unknown_shape_and_rotation() -> None:
    assert confirm(PLATE, SHAPES, [Placement("nothing", 5, 5, 0)]) == ["piece 1: no shape with key nothing"]
    assert confirm(PLATE, SHAPES, [at(SQUARE, 40, 40, 45)]) == ["piece 1: rotation 45 degrees is not allowed"]
