"""The lattice search against trying every combination with shapely, and what must hold for any set in contact."""

from __future__ import annotations

import itertools
import math

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Polygon
from shapely.affinity import rotate, translate
from shapely.geometry.base import BaseGeometry

from router.kernel.run import WorkLimit
from router.nesting import PlateSpec, Shape, confirm, contact_fit, fewest_plates, lattice_fit

QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
#: What meets by less than this only touches.
_TOUCH = 1e-4


@st.composite
def outlines(draw: st.DrawFn, largest: float = 4.0) -> Shape:
    """Star-shaped ring with coordinates in hundredths, often concave, sometimes turned as well."""
    corners = draw(st.integers(3, 7))
    shares = draw(st.lists(st.floats(0.4, 1.0), min_size=corners, max_size=corners))
    radius = draw(st.floats(1.0, largest))
    ring = [
        (
            round(radius * share * math.cos(2 * math.pi * i / corners), 2),
            round(radius * share * math.sin(2 * math.pi * i / corners), 2),
        )
        for i, share in enumerate(shares)
    ]
    return Shape.make([(ring, [])], draw(st.sampled_from([(0.0,), (0.0, 180.0), (0.0, 90.0)])))


@st.composite
def boxes(draw: st.DrawFn) -> Shape:
    """Rectangles in whole steps: exact contact everywhere."""
    wide, deep = draw(st.integers(1, 5)), draw(st.integers(1, 5))
    return Shape.make(
        [([(0, 0), (wide, 0), (wide, deep), (0, deep)], [])], draw(st.sampled_from([(0.0,), (0.0, 90.0)]))
    )


def standing(spec: PlateSpec, shape: Shape) -> list[BaseGeometry]:
    """The piece at every lattice position of step 1, in every rotation."""
    found: list[BaseGeometry] = []
    for angle in shape.angles_deg:
        region = rotate(shape.region(), angle, origin=(0, 0))
        x0, y0, x1, y1 = region.bounds
        for column in range(int(spec.width_mm - (x1 - x0) + 1e-6) + 1 if x1 - x0 <= spec.width_mm + 1e-6 else 0):
            for row in range(int(spec.depth_mm - (y1 - y0) + 1e-6) + 1 if y1 - y0 <= spec.depth_mm + 1e-6 else 0):
                found.append(translate(region, column - x0, row - y0))
    return found


def apart(a: BaseGeometry, b: BaseGeometry, spacing: float) -> bool:
    if spacing > 0:
        return bool(a.distance(b) >= spacing - 1e-3)
    return bool(a.intersection(b).area <= _TOUCH)


def by_trying(spec: PlateSpec, shapes: list[Shape], spacing: float) -> bool:
    """Whether some combination of positions is free of overlap."""
    positions = [standing(spec, shape) for shape in shapes]

    def extend(chosen: list[BaseGeometry]) -> bool:
        if len(chosen) == len(positions):
            return True
        return any(
            all(apart(place, other, spacing) for other in chosen) and extend([*chosen, place])
            for place in positions[len(chosen)]
        )

    return extend([])


@QUICK
@given(st.lists(st.one_of(outlines(), boxes()), min_size=1, max_size=3), st.sampled_from([0.0, 0.6]))
def test_the_answer_is_that_of_trying_everything(shapes: list[Shape], spacing: float) -> None:
    spec = PlateSpec(7, 6, edge_margin_mm=0, spacing_mm=spacing)
    answer = lattice_fit(spec, shapes, step_mm=1, nodes=100_000)
    assert answer.status == ("yes" if by_trying(spec, shapes, spacing) else "no")


@QUICK
@given(st.lists(st.one_of(outlines(), boxes()), min_size=2, max_size=8), st.sampled_from([0.0, 0.5, 1.3]))
def test_layouts_pass_the_exact_check_and_lose_nothing(shapes: list[Shape], spacing: float) -> None:
    spec = PlateSpec(14, 12, edge_margin_mm=1, spacing_mm=spacing)
    answer = lattice_fit(spec, shapes, step_mm=0.5, nodes=3000)
    if answer.status == "yes":
        assert confirm(spec, {s.key: s for s in shapes}, answer.placements) == []
        assert sorted(p.shape_key for p in answer.placements) == sorted(s.key for s in shapes)
    else:
        assert answer.placements == ()


@QUICK
@given(st.lists(boxes(), min_size=2, max_size=6), st.data())
def test_a_piece_less_never_turns_yes_into_no(shapes: list[Shape], data: st.DataObject) -> None:
    spec = PlateSpec(7, 7, edge_margin_mm=0, spacing_mm=0)
    if lattice_fit(spec, shapes, step_mm=1).status == "yes":
        gone = data.draw(st.integers(0, len(shapes) - 1))
        assert lattice_fit(spec, shapes[:gone] + shapes[gone + 1 :], step_mm=1, nodes=100_000).status == "yes"


@QUICK
@given(st.lists(st.integers(1, 6), min_size=0, max_size=3), st.lists(st.integers(1, 6), min_size=0, max_size=3))
def test_a_plate_cut_by_a_grid_is_put_together_again(across: list[int], along: list[int]) -> None:
    xs = sorted({0, 7, *across})
    ys = sorted({0, 7, *along})
    boxes_ = [
        Polygon([(a, c), (b, c), (b, d), (a, d)])
        for (a, b), (c, d) in itertools.product(itertools.pairwise(xs), itertools.pairwise(ys))
    ]
    shapes = [Shape.make([(list(p.exterior.coords)[:-1], [])], (0.0,)) for p in boxes_]
    spec = PlateSpec(7, 7, edge_margin_mm=0, spacing_mm=0)
    assert lattice_fit(spec, shapes, step_mm=1, nodes=20_000_000).status == "yes"


@QUICK
@given(st.lists(st.one_of(outlines(), boxes()), min_size=1, max_size=6))
def test_layouts_in_contact_pass_the_exact_check_and_lose_nothing(shapes: list[Shape]) -> None:
    spec = PlateSpec(11, 10, edge_margin_mm=1, spacing_mm=0)
    known = {s.key: s for s in shapes}
    found = contact_fit(spec, shapes, tries=5)
    if found is not None:
        assert confirm(spec, known, found) == []
        assert sorted(p.shape_key for p in found) == sorted(s.key for s in shapes)
    result = fewest_plates(spec, [(s, 1) for s in shapes], WorkLimit(6))
    assert all(confirm(spec, known, plate) == [] for plate in result.plates)
    assert sorted(p.shape_key for plate in result.plates for p in plate) == sorted(s.key for s in shapes)
    assert result.bound <= len(result.plates)
