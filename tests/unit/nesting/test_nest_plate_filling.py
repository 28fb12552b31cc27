"""Filling one plate: adding, removing, copying, capacity."""

from __future__ import annotations

from dataclasses import replace

import pytest

from router.nesting import (
    KeepOut,
    Nest,
    Placement,
    PlateSpec,
    Shape,
    capacity,
    capacity_layout,
    confirm,
    pack,
    quick_verdict,
)


def rectangle(width: float, depth: float, angles: tuple[float, ...] = (0.0,)) -> Shape:
    return Shape.make([([(0, 0), (width, 0), (width, depth), (0, depth)], [])], angles)


PLATE = PlateSpec(241, 241)
FRAME = Shape.make([([(0, 0), (100, 0), (100, 100), (0, 100)], [[(20, 20), (80, 20), (80, 80), (20, 80)]])], (0.0,))


def test_squares_reach_the_grid_count() -> None:
    # 231 mm usable, pitch 12 mm: floor((231 + 2) / 12) = 19 a side.
    square = rectangle(10, 10)
    assert capacity(PLATE, square) == 19 * 19
    layout = capacity_layout(PLATE, square)
    assert confirm(PLATE, {square.key: square}, layout) == []


def test_finer_grid_reaches_counts_a_coarse_one_misses() -> None:
    # Pitch 10.5 mm: 12 a side on 125.5 mm need half-millimetre cells, which small plates get.
    plate = PlateSpec(125.5, 125.5, edge_margin_mm=0, spacing_mm=0.5)
    assert capacity(plate, rectangle(10, 10)) == 12 * 12


def test_small_piece_stands_in_the_hole_of_a_large_one() -> None:
    plate = PlateSpec(110, 110)
    nest = Nest(plate)
    small = rectangle(50, 50)
    assert nest.add(FRAME) == 1
    assert nest.add(small, 2) == 1
    assert confirm(plate, nest.shapes, nest.placements) == []
    assert quick_verdict(plate, [(FRAME, 1), (small, 1)]).answer == "yes"
    assert Nest(plate).add(FRAME, 2) == 1


def test_hole_too_tight_for_the_spacing_stays_empty() -> None:
    nest = Nest(PlateSpec(110, 110))
    nest.add(FRAME)
    assert nest.add(rectangle(57, 57)) == 0
    assert nest.add(rectangle(56, 56)) == 1


def test_piece_of_exactly_the_usable_size_fits_between_cells() -> None:
    plate = PlateSpec(241.37, 180.21, edge_margin_mm=5)
    full = rectangle(231.37, 170.21)
    nest = Nest(plate)
    assert nest.add(full, 2) == 1
    assert confirm(plate, nest.shapes, nest.placements) == []
    assert capacity(plate, full) == 1
    assert quick_verdict(plate, [(rectangle(231.4, 10), 1)]).answer == "no"


def test_keep_outs_stay_free() -> None:
    screws = tuple(KeepOut(x, y, 8) for x in (15, 226) for y in (15, 226))
    plate = PlateSpec(241, 241, keep_outs=screws)
    square = rectangle(10, 10)
    layout = capacity_layout(plate, square)
    assert confirm(plate, {square.key: square}, layout) == []
    assert 361 - 4 * 4 <= len(layout) < 361


def test_round_plate() -> None:
    plate = PlateSpec(150, 150, round=True)
    square = rectangle(10, 10)
    layout = capacity_layout(plate, square)
    assert confirm(plate, {square.key: square}, layout) == []
    # The 12 mm cells of the squares with spacing fill the disc of radius 71 mm to at least 80 %.
    assert len(layout) * 144 > 0.8 * 3.14159 * 71**2
    assert quick_verdict(plate, [(rectangle(100, 100), 1)]).answer == "no"


def test_remove_frees_room_and_keeps_the_rest() -> None:
    nest = Nest(PLATE)
    large, small = rectangle(110, 110), rectangle(40, 40)
    assert nest.add(large, 5) == 4
    assert nest.add(large) == 0
    kept = [nest.placements[0], nest.placements[3]]
    nest.remove([1, 2])
    assert nest.placements == kept
    assert nest.add(large, 3) == 2
    assert nest.add(small) == 0
    assert confirm(PLATE, nest.shapes, nest.placements) == []
    with pytest.raises(IndexError, match="no piece 9"):
        nest.remove([0, 9])
    assert len(nest.placements) == 4


def test_pieces_are_taken_off_by_shape_the_last_first() -> None:
    nest = Nest(PLATE)
    large, small = rectangle(110, 110), rectangle(40, 40)
    nest.add(large, 2)
    nest.add(small, 3)
    nest.put(small, replace(nest.placements[-1], shape_key=small.key, x_mm=5.0, y_mm=5.0))
    before = list(nest.placements)
    nest.take_off({large.key: 1, small.key: 2, "nowhere": 4})
    assert nest.placements == [before[0], *before[2:4]], "the order of the rest stays"
    assert nest.net_area_mm2 == 110 * 110 + 2 * 40 * 40
    twin = Nest.of(PLATE, nest.shapes, nest.placements)
    assert twin.free_area_mm2 == nest.free_area_mm2, "their room is free again"
    nest.take_off({large.key: 9})
    assert set(nest.shapes) == {small.key}
    nest.take_off({})
    assert nest.placements == before[2:4]


def test_copy_is_independent_both_ways() -> None:
    nest = Nest(PLATE)
    piece = rectangle(110, 110)
    nest.add(piece, 2)
    twin = nest.copy()
    assert twin.add(piece, 9) == 2
    assert len(nest.placements) == 2
    assert nest.add(piece, 9) == 2
    nest.remove([0, 1, 2, 3])
    assert nest.fill == 0.0
    assert len(twin.placements) == 4
    assert twin.add(piece) == 0
    assert nest.add(piece, 9) == 4


def test_fill_and_free_area() -> None:
    nest = Nest(PLATE)
    assert nest.free_area_mm2 == pytest.approx(231 * 231)
    nest.add(rectangle(100, 50))
    assert nest.fill == pytest.approx(5000 / 231**2)
    # In the corner the piece blocks itself and the spacing on two sides; the rounded corner still meets its cells.
    assert nest.free_area_mm2 == pytest.approx(231 * 231 - 102 * 52)


def test_put_stands_anywhere_and_blocks() -> None:
    nest = Nest(PLATE)
    piece = rectangle(100, 100)
    nest.put(piece, Placement(piece.key, 70.3, 70.7, 0.0))
    # The strips beside it are 63.3 and 63.7 mm; 64 mm squares fit only where the corner gap allows.
    assert nest.copy().add(rectangle(66, 66)) == 0
    assert nest.copy().add(rectangle(64, 64), 99) == 3
    assert nest.add(rectangle(63, 63), 99) == 8
    assert confirm(PLATE, nest.shapes, nest.placements) == []
    with pytest.raises(ValueError, match="not"):
        nest.put(piece, Placement("other", 0, 0, 0))


def test_pack_with_pieces_already_standing() -> None:
    piece = rectangle(110, 110)
    fixed = (Placement(piece.key, 60, 60, 0.0),)
    result = pack(PLATE, [(piece, 1)], fixed=fixed)
    assert result.placed == () and result.left == {piece.key: 1} and not result.complete
    with pytest.raises(ValueError, match="no shape"):
        pack(PLATE, [(piece, 1)], fixed=(Placement("unknown", 1, 1, 0.0),))
    with pytest.raises(ValueError, match="not possible"):
        pack(PLATE, [(piece, -1)])


def test_pack_result_can_not_spoil_the_cache() -> None:
    piece = rectangle(110, 110)
    first = pack(PLATE, [(piece, 5)])
    first.left.clear()
    assert pack(PLATE, [(piece, 5)]).left == {piece.key: 1}


def test_empty_demand_is_complete() -> None:
    assert pack(PLATE, []).complete
    assert quick_verdict(PLATE, []).answer == "yes"


def test_more_rounds_find_a_packing_one_round_misses() -> None:
    plate = PlateSpec(70, 70, edge_margin_mm=0, spacing_mm=0, resolution_mm=1)
    # Four 40 x 30 around a 10 x 10 core: the pinwheel that no bottom-left order of turned pieces closes at once.
    arm, core = rectangle(40, 30, (0.0, 90.0)), rectangle(10, 10)
    demand = [(arm, 4), (core, 1)]
    many = pack(plate, demand, rounds=60, seed=1)
    assert confirm(plate, {arm.key: arm, core.key: core}, many.placed) == []
    assert len(many.placed) >= len(pack(plate, demand).placed)
