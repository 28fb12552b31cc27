"""One plate, deep: does a set fit, which subset is worth most, how short can a strip be."""

from __future__ import annotations

import threading
from collections import Counter

import pytest

from router.kernel.run import Cancelled, Status, WorkLimit
from router.nesting import (
    Placement,
    PlateSpec,
    Shape,
    best_subset,
    clear_caches,
    confirm,
    fit_all,
    forget_fits,
    pack,
    pack_strip,
)
from router.nesting.plate_fit import FitSearch
from router.nesting.separate import Stand, Yard, deep_spec
from router.nesting.strip import density

QUARTERS = (0.0, 90.0, 180.0, 270.0)
ELL = Shape.make([([(0, 0), (60, 0), (60, 20), (20, 20), (20, 60), (0, 60)], [])], QUARTERS)
FRAME = Shape.make([([(0, 0), (90, 0), (90, 90), (0, 90)], [[(10, 10), (80, 10), (80, 80), (10, 80)]])], (0.0,))
TRIANGLE = Shape.make([([(0, 0), (50, 0), (0, 50)], [])], QUARTERS)


def rectangle(width: float, depth: float, angles: tuple[float, ...] = (0.0, 90.0)) -> Shape:
    return Shape.make([([(0, 0), (width, 0), (width, depth), (0, depth)], [])], angles)


@pytest.fixture(autouse=True)
def fresh() -> None:
    clear_caches()
    forget_fits()


def test_certain_answers_need_no_search() -> None:
    spec = PlateSpec(100, 100)
    assert fit_all(spec, []).fits
    assert fit_all(spec, [(rectangle(91, 10), 1)]).status is Status.INFEASIBLE
    crowd = fit_all(spec, [(rectangle(30, 30), 10)])
    assert crowd.status is Status.INFEASIBLE
    assert "need" in crowd.reason
    yes = fit_all(spec, [(ELL, 1), (rectangle(30, 30), 1)])
    assert yes.fits
    assert yes.work == 0
    assert confirm(spec, {ELL.key: ELL, **{s.key: s for s in [rectangle(30, 30)]}}, yes.placements) == []


def test_deep_search_finds_what_the_quick_answer_misses() -> None:
    spec = PlateSpec(140, 140)
    demand = [(ELL, 5), (TRIANGLE, 2)]
    assert not pack(spec, demand).complete
    assert not fit_all(spec, demand).fits
    deep = fit_all(spec, demand, WorkLimit(30), seed=1)
    assert deep.fits
    assert deep.work > 0
    assert Counter(p.shape_key for p in deep.placements) == Counter({s.key: n for s, n in demand})
    assert confirm(spec, {s.key: s for s, _ in demand}, deep.placements) == []
    # From now on the quick question knows, for the set and for every part of it.
    assert fit_all(spec, demand).fits
    part = fit_all(spec, [(ELL, 3), (TRIANGLE, 1)])
    assert part.fits
    assert len(part.placements) == 4


def test_not_found_is_not_called_impossible() -> None:
    spec = PlateSpec(100, 100)
    # Four squares of 44 mm and 2 mm between them leave strips of at most 2 mm; a strip of 3 x 30 has no place, though
    # the area test allows it for squares of 43 mm.
    demand = [(rectangle(43, 43), 4), (rectangle(3.5, 30), 1)]
    answer = fit_all(spec, demand, WorkLimit(6))
    assert answer.status is Status.NO_SOLUTION_IN_TIME
    assert "work limit" in answer.reason
    assert len(answer.placements) == 4
    event = threading.Event()
    event.set()
    assert fit_all(spec, demand, Cancelled(event)).status is Status.CANCELLED


def test_fixed_pieces_stay_where_they_are() -> None:
    spec = PlateSpec(100, 100)
    block = rectangle(90, 40)
    stands = Placement(block.key, 5.25, 30.3, 0.0)
    # Below 25.3 - 2 and above 24.7 - 2 mm stay free.
    small = rectangle(22, 22)
    answer = fit_all(spec, [(small, 6)], WorkLimit(30), fixed=[stands], fixed_shapes={block.key: block})
    assert answer.fits
    assert confirm(spec, {block.key: block, small.key: small}, [stands, *answer.placements]) in (
        [],
        ["piece 1 reaches 0.250 mm beyond the usable region"],
    )
    with pytest.raises(ValueError, match="fixed"):
        fit_all(spec, [(small, 1)], fixed=[stands])
    with pytest.raises(ValueError, match="-2"):
        fit_all(spec, [(small, -2)])


def test_yard_presses_a_piece_in_by_moving_the_others() -> None:
    spec = PlateSpec(100, 50, edge_margin_mm=0, spacing_mm=0, resolution_mm=1)
    half = rectangle(50, 50, (0.0,))
    yard = Yard(spec, [half], seed=4)
    middle = Stand(0, 0, 0, 25)
    _, shared = yard.attempt([middle], 0, 0)
    assert shared == 2 * 25 * 50
    found = yard.separate([middle], 0, 60, 60)
    assert found is not None
    assert sorted(s.column for s in found) == [0, 50]
    assert yard.separate(found, 0, 10, 5) is None
    assert yard.stand(0, yard.placement(found[0])) == found[0]
    assert yard.stand(0, Placement(half.key, 0.5, 0, 0.0)) is None


def test_deep_cells_are_finer_within_limits() -> None:
    assert deep_spec(PlateSpec(241, 241)).resolution_mm == 0.5
    assert deep_spec(PlateSpec(400, 400)).resolution_mm == 1.0
    assert deep_spec(PlateSpec(241, 241, resolution_mm=2)).resolution_mm == 2


def test_fit_search_starts_again_from_nothing() -> None:
    spec = deep_spec(PlateSpec(100, 100))
    search = FitSearch(spec, {rectangle(44, 44): 5}, 1, [], {}, [])
    layouts = [search.attempt() for _ in range(12)]
    assert max(len(layout) for layout in layouts) == 4
    assert not search.complete


def test_best_subset_takes_the_worth_not_the_size() -> None:
    spec = PlateSpec(100, 100)
    large, small = rectangle(85, 85), rectangle(40, 40)
    result = best_subset(spec, [(large, 1, 30.0), (small, 6, 10.0)], WorkLimit(30))
    assert result.chosen == {small.key: 4}
    assert result.value == 40.0 <= result.bound
    dear = best_subset(spec, [(large, 1, 50.0), (small, 6, 10.0)], WorkLimit(30))
    assert dear.chosen == {large.key: 1}
    assert confirm(spec, {large.key: large, small.key: small}, dear.placements) == []


def test_best_subset_fills_holes_and_proves_when_all_stand() -> None:
    spec = PlateSpec(110, 110)
    result = best_subset(spec, [(FRAME, 1, 5.0), (ELL, 1, 3.0), (rectangle(20, 20), 1, 1.0)], WorkLimit(60), seed=1)
    assert result.status is Status.OPTIMAL
    assert result.value == result.bound == 9.0
    shapes = {s.key: s for s in (FRAME, ELL, rectangle(20, 20))}
    assert confirm(spec, shapes, result.placements) == []


def test_best_subset_beside_fixed_pieces_and_faults() -> None:
    spec = PlateSpec(100, 100)
    block, small = rectangle(90, 40), rectangle(40, 40)
    stands = Placement(block.key, 5, 5, 0.0)
    result = best_subset(spec, [(small, 4, 1.0)], WorkLimit(20), fixed=[stands], fixed_shapes={block.key: block})
    assert result.chosen == {small.key: 2}
    assert confirm(spec, {block.key: block, small.key: small}, [stands, *result.placements]) == []
    with pytest.raises(ValueError, match="twice"):
        best_subset(spec, [(small, 1, 1.0), (small, 1, 2.0)], WorkLimit(1))
    with pytest.raises(ValueError, match="negative"):
        best_subset(spec, [(small, 1, -1.0)], WorkLimit(1))
    too_big = best_subset(spec, [(rectangle(200, 5), 1, 9.0)], WorkLimit(1))
    assert (too_big.chosen, too_big.value) == ({}, 0.0)


@pytest.mark.parametrize("engine", ["own", "spyrrow"])
def test_strip_holds_every_piece(engine: str) -> None:
    demand = [(ELL, 4), (TRIANGLE, 3)]
    result = pack_strip(100.0, demand, WorkLimit(12), 1, 1.0, engine=engine)
    assert result.engine == engine
    spec = PlateSpec(result.length + 1e-6, 100, edge_margin_mm=0, spacing_mm=0)
    assert confirm(spec, {ELL.key: ELL, TRIANGLE.key: TRIANGLE}, result.placements) == []
    assert Counter(p.shape_key for p in result.placements) == {ELL.key: 4, TRIANGLE.key: 3}
    assert 0.6 < density(100.0, demand, result) <= 1.0
    assert result.length == pytest.approx((4 * 2000 + 3 * 1250) / 100 / density(100.0, demand, result))


def test_strip_with_holes_is_our_own() -> None:
    demand = [(FRAME, 2), (ELL, 2)]
    result = pack_strip(90.0, demand, WorkLimit(8), 1, 2.0)
    assert result.engine == "own"
    # The ells stand inside the frames: no more than the frames themselves.
    assert result.length == pytest.approx(180, abs=1.0)
    with pytest.raises(ValueError, match="spyrrow"):
        pack_strip(90.0, demand, WorkLimit(8), 1, 1.0, engine="spyrrow")
    with pytest.raises(ValueError, match="high"):
        pack_strip(80.0, demand, WorkLimit(8), 1, 1.0)
    assert pack_strip(90.0, [], WorkLimit(8)).length == 0.0


def test_strip_with_any_angle_is_still_sound() -> None:
    upright = Shape.make([([(0, 0), (50, 0), (0, 50)], [])], (0.0,))
    result = pack_strip(60.0, [(upright, 4)], WorkLimit(200), 1, 1.0, any_angle={upright.key})
    free = Shape.make([([(0, 0), (50, 0), (0, 50)], [])], tuple({p.angle_deg for p in result.placements}))
    turned = [Placement(free.key, p.x_mm, p.y_mm, p.angle_deg % 360) for p in result.placements]
    spec = PlateSpec(result.length + 1e-6, 60, edge_margin_mm=0, spacing_mm=0)
    assert len(turned) == 4
    assert confirm(spec, {free.key: free}, turned) == []
    # Two triangles with one leg up side by side need 100; turned into each other two make a square.
    assert result.length < pack_strip(60.0, [(upright, 4)], WorkLimit(200), 1, 1.0, engine="own").length
