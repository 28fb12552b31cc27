"""Few pieces on a lattice of positions: exact contact, certain no, limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import Polygon, unary_union

from router.nesting import KeepOut, PlateSpec, Shape, confirm, lattice_fit
from router.nesting.convex_parts import convex_parts
from router.nesting.mask import closed_rings

TIGHT = PlateSpec(20, 20, edge_margin_mm=0, spacing_mm=0)
FIXED = (0.0,)


def rectangle(width: float, depth: float, angles: tuple[float, ...] = FIXED) -> Shape:
    return Shape.make([([(0, 0), (width, 0), (width, depth), (0, depth)], [])], angles)


def test_a_pinwheel_fills_the_plate_exactly() -> None:
    pieces = [rectangle(13, 7), rectangle(7, 13), rectangle(6, 6), rectangle(13, 7), rectangle(7, 13)]
    answer = lattice_fit(TIGHT, pieces, step_mm=1)
    assert answer.status == "yes"
    assert confirm(TIGHT, {s.key: s for s in pieces}, answer.placements) == []
    assert sorted(p.shape_key for p in answer.placements) == sorted(s.key for s in pieces)


def test_the_same_area_in_other_pieces_does_not_fit() -> None:
    # Both long ones are stacked, 19 of 20 high, beside a column 7 wide: 6 x 8 stands there, 8 x 6 does not.
    long = [rectangle(13, 11), rectangle(13, 8), rectangle(7, 8)]
    assert sum(s.area_mm2 for s in long) + 48 < 400
    assert lattice_fit(TIGHT, [*long, rectangle(6, 8)], step_mm=1).status == "yes"
    assert lattice_fit(TIGHT, [*long, rectangle(8, 6)], step_mm=1).status == "no"
    taller = [rectangle(13, 11), rectangle(13, 10)]
    assert lattice_fit(TIGHT, taller, step_mm=1).status == "no"
    assert lattice_fit(TIGHT, [rectangle(20, 20), rectangle(1, 1)], step_mm=1).reason.startswith("the pieces need 401")


def test_triangles_meet_along_their_slopes() -> None:
    triangle = Shape.make([([(0, 0), (10, 0), (0, 10)], [])], (0.0, 180.0))
    pieces = [triangle] * 8
    answer = lattice_fit(TIGHT, pieces, step_mm=1)
    assert answer.status == "yes" and len(answer.placements) == 8
    assert confirm(TIGHT, {triangle.key: triangle}, answer.placements) == []
    assert lattice_fit(TIGHT, [*pieces, triangle], step_mm=1).status == "no"
    single = Shape.make([([(0, 0), (10, 0), (0, 10)], [])], FIXED)
    # Without the half turn four right corners of this kind stand; a fifth finds room only across a slope.
    assert lattice_fit(TIGHT, [single] * 4, step_mm=1).status == "yes"
    assert lattice_fit(TIGHT, [single] * 8, step_mm=1).status == "no"


def test_a_piece_stands_in_the_hole_of_another() -> None:
    frame = Shape.make([([(0, 0), (20, 0), (20, 20), (0, 20)], [[(4, 4), (15, 4), (15, 15), (4, 15)]])], FIXED)
    fits, too_wide = rectangle(11, 11), rectangle(11.5, 10)
    answer = lattice_fit(TIGHT, [frame, fits], step_mm=1)
    assert answer.status == "yes"
    assert confirm(TIGHT, {frame.key: frame, fits.key: fits}, answer.placements) == []
    assert lattice_fit(TIGHT, [frame, too_wide], step_mm=1).status == "no"


def test_spacing_edge_and_keep_outs_are_kept() -> None:
    spec = PlateSpec(50, 50, edge_margin_mm=5, spacing_mm=2)
    square = rectangle(19, 19)
    answer = lattice_fit(spec, [square] * 4, step_mm=1)
    assert answer.status == "yes" and confirm(spec, {square.key: square}, answer.placements) == []
    wider = rectangle(19.5, 19)
    assert lattice_fit(spec, [wider] * 4, step_mm=1).status == "no"
    barred = PlateSpec(50, 50, edge_margin_mm=5, spacing_mm=2, keep_outs=(KeepOut(25, 25, 0.9),))
    answer = lattice_fit(barred, [square] * 4, step_mm=1)
    assert answer.status == "yes" and confirm(barred, {square.key: square}, answer.placements) == []
    shut = PlateSpec(50, 50, edge_margin_mm=5, spacing_mm=2, keep_outs=(KeepOut(25, 25, 2.5),))
    assert lattice_fit(shut, [square] * 4, step_mm=1).status == "no"


def test_a_round_plate_holds_what_its_circle_holds() -> None:
    spec = PlateSpec(100, 100, round=True, edge_margin_mm=0, spacing_mm=0)
    fits, too_large = rectangle(70, 70), rectangle(71, 71)
    answer = lattice_fit(spec, [fits], step_mm=1)
    assert answer.status == "yes" and confirm(spec, {fits.key: fits}, answer.placements) == []
    assert lattice_fit(spec, [too_large], step_mm=0.5).status == "no"


def test_wide_lattices_span_several_words() -> None:
    spec = PlateSpec(150, 40, edge_margin_mm=0, spacing_mm=0)
    pieces = [rectangle(75, 40), rectangle(75, 20), rectangle(75, 20)]
    answer = lattice_fit(spec, pieces, step_mm=0.5)
    assert answer.status == "yes" and confirm(spec, {s.key: s for s in pieces}, answer.placements) == []
    assert lattice_fit(spec, [*pieces[:2], rectangle(75, 20.5)], step_mm=0.5).status == "no"


def test_the_origin_may_be_the_anchor() -> None:
    shifted = Shape.make([([(-0.5, 0), (9.5, 0), (9.5, 10), (-0.5, 10)], [])], FIXED)
    # Its origin on whole steps, every piece begins half a step off: two no longer fit side by side.
    assert lattice_fit(TIGHT, [shifted] * 2, step_mm=1, anchor="corner").status == "yes"
    assert lattice_fit(TIGHT, [shifted] * 4, step_mm=1, anchor="corner").status == "yes"
    assert lattice_fit(TIGHT, [shifted] * 4, step_mm=1, anchor="origin").status == "no"


def test_the_limit_ends_the_search_and_bad_figures_are_refused() -> None:
    pieces = [rectangle(7.1, 7.1)] * 5
    answer = lattice_fit(TIGHT, pieces, step_mm=0.25, nodes=20)
    assert (answer.status, answer.nodes) == ("unknown", 20)
    assert lattice_fit(TIGHT, pieces, step_mm=1).placements == lattice_fit(TIGHT, pieces, step_mm=1).placements
    assert lattice_fit(TIGHT, [], step_mm=1).status == "yes"
    for step, nodes in ((-1.0, 10), (math.nan, 10), (1.0, 0)):
        with pytest.raises(ValueError, match="step"):
            lattice_fit(TIGHT, pieces, step, nodes)


def test_many_vertices_are_thinned_outward() -> None:
    disc = [(30 * math.cos(k * math.pi / 90), 30 * math.sin(k * math.pi / 90)) for k in range(180)]
    ring = [(20 * x / 30, 20 * y / 30) for x, y in disc]
    shape = Shape.make([(disc, [ring])], FIXED)
    small = rectangle(20, 20)
    spec = PlateSpec(140, 70, edge_margin_mm=2, spacing_mm=2)
    answer = lattice_fit(spec, [shape, shape, small, small])
    assert answer.status == "yes"
    assert confirm(spec, {shape.key: shape, small.key: small}, answer.placements) == []


@pytest.mark.parametrize(
    "region",
    [
        Polygon([(0, 0), (6, 0), (6, 2), (2, 2), (2, 6), (0, 6)]),
        Polygon([(0, 0), (9, 1), (8, 9), (5, 3), (1, 7)], [[(2, 1.5), (4, 1.5), (3, 2.5)]]),
        Polygon([(0, 0), (4, 0), (5, 3), (1, 5)]),
        Polygon([(0, 0), (1, 3), (4, 4), (4, 0)]),
    ],
)
def test_convex_parts_cover_the_outline_once(region: Polygon) -> None:
    parts = [Polygon(part) for part in convex_parts(closed_rings(region))]
    assert all(part.exterior.is_ccw and part.convex_hull.area == pytest.approx(part.area) for part in parts)
    assert math.fsum(part.area for part in parts) == pytest.approx(region.area)
    assert unary_union(parts).symmetric_difference(region).area == pytest.approx(0, abs=1e-9)
    for part in convex_parts(closed_rings(region)):
        assert int(np.lexsort((part[:, 0], part[:, 1]))[0]) == 0
