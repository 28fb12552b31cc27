"""Whole lists on few plates: rectangles exactly, outlines by deep placing; stop rules and reports."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Sequence

import pytest

from router.kernel.run import AnyOf, Cancelled, NoBetter, Progress, Silent, Status, WorkLimit
from router.nesting import KeepOut, Placement, PlateSpec, Shape, confirm, fewest_plates
from router.nesting.fewest_plates import is_box
from router.nesting.rect_bins import BoxSearch, bin_bound

QUARTERS = (0.0, 90.0, 180.0, 270.0)
ELL = Shape.make([([(0, 0), (60, 0), (60, 20), (20, 20), (20, 60), (0, 60)], [])], QUARTERS)
FRAME = Shape.make([([(0, 0), (90, 0), (90, 90), (0, 90)], [[(10, 10), (80, 10), (80, 80), (10, 80)]])], (0.0,))


def rectangle(width: float, depth: float, angles: Sequence[float] = (0.0, 90.0)) -> Shape:
    return Shape.make([([(3, 4), (3 + width, 4), (3 + width, 4 + depth), (3, 4 + depth)], [])], angles)


def bare(width: float, depth: float) -> PlateSpec:
    return PlateSpec(width, depth, edge_margin_mm=0, spacing_mm=0)


def whole_and_sound(
    spec: PlateSpec, demand: Sequence[tuple[Shape, int]], plates: Sequence[Sequence[Placement]]
) -> None:
    shapes = {shape.key: shape for shape, _ in demand}
    stands = Counter(p.shape_key for plate in plates for p in plate)
    assert stands == +Counter({s.key: n for s, n in demand})
    for plate in plates:
        assert confirm(spec, shapes, plate) == []


def test_boxes_close_without_waste() -> None:
    # Two 10 x 10 bins, each exactly a 6x10 and four 2x5 pieces; the ones that may not turn are upright.
    demand = [(rectangle(6, 10), 2), (rectangle(2, 5, (0.0,)), 4), (rectangle(5, 2), 4)]
    result = fewest_plates(bare(10, 10), demand, WorkLimit(400))
    assert (len(result.plates), result.bound, result.status) == (2, 2, Status.OPTIMAL)
    whole_and_sound(bare(10, 10), demand, result.plates)


def test_rotation_not_allowed_is_not_used() -> None:
    upright = rectangle(4, 10, (0.0,))
    assert len(fewest_plates(bare(12, 10), [(upright, 3)], WorkLimit(50)).plates) == 1
    with pytest.raises(ValueError, match="fits no bin"):
        fewest_plates(bare(10, 9), [(upright, 1)], WorkLimit(50))
    lying = rectangle(4, 10, (90.0, 270.0))
    result = fewest_plates(bare(10, 12), [(lying, 3)], WorkLimit(50))
    assert len(result.plates) == 1
    whole_and_sound(bare(10, 12), [(lying, 3)], result.plates)


def test_spacing_and_margin_of_boxes() -> None:
    # Usable 90 mm: two 44 mm boxes and 2 mm between them, four a plate.
    spec = PlateSpec(100, 100)
    demand = [(rectangle(44, 44), 9)]
    result = fewest_plates(spec, demand, WorkLimit(100))
    assert len(result.plates) == 3 == result.bound
    whole_and_sound(spec, demand, result.plates)


def test_bound_knows_that_large_pieces_need_bins_of_their_own() -> None:
    # Area alone says 2 (5 x 36 of 100); any two 6 x 6 exclude each other.
    assert bin_bound((10, 10), [(6, 6)] * 5, [3] * 5) == 5
    assert bin_bound((10, 10), [(5, 5)] * 5, [3] * 5) == 2
    assert bin_bound((10, 12), [(5, 8), (5, 8)], [1, 1]) == 1
    assert bin_bound((10, 12), [(6, 8), (6, 8)], [1, 1]) == 2
    # The second can only lie, and then it is 9 of 10 wide: nothing stands beside it (area alone says 2 bins do).
    assert bin_bound((10, 7), [(6, 5), (5, 9)], [1, 3]) == 2
    assert bin_bound((10, 10), [], []) == 0


def test_ejection_reaches_what_greedy_misses() -> None:
    # Cut from three full 20 x 20 bins (areas sum to 3 x 400), so three bins are the optimum.
    pieces = [(12, 7), (8, 7), (5, 13), (15, 6), (9, 7), (6, 7)]
    assert sum(w * h for w, h in pieces) == 400
    search = BoxSearch((20, 20), pieces * 3, [3] * 18, seed=5)
    assert search.bound == 3
    for _ in range(600):
        if search.done:
            break
        search.improve()
    assert search.best is not None
    assert search.best.bins == 3


def test_only_true_boxes_take_the_box_engine() -> None:
    assert is_box(rectangle(3, 4))
    assert not is_box(rectangle(3, 4, (0.0, 45.0)))
    assert not is_box(ELL)
    assert not is_box(FRAME)


def test_outlines_interlock_and_small_ones_stand_in_holes() -> None:
    spec = PlateSpec(110, 110)
    demand = [(FRAME, 2), (ELL, 2), (rectangle(20, 20), 2)]
    result = fewest_plates(spec, demand, WorkLimit(30), seed=1)
    whole_and_sound(spec, demand, result.plates)
    # A frame leaves room inside for an ell and the square in its corner: two plates and not one more.
    assert len(result.plates) == 2


def test_round_plate_with_keep_out() -> None:
    spec = PlateSpec(150, 150, round=True, keep_outs=(KeepOut(75, 75, 6),))
    demand = [(ELL, 7), (rectangle(30, 30), 4)]
    result = fewest_plates(spec, demand, WorkLimit(25), seed=2)
    whole_and_sound(spec, demand, result.plates)
    assert result.bound <= len(result.plates) <= 3


def test_piece_exactly_as_large_as_the_plate() -> None:
    spec = PlateSpec(100.37, 100.37)
    plug = Shape.make(
        [([(0, 0), (90.37, 0), (90.37, 90.37), (0, 90.37)], [[(5, 5), (80, 5), (80, 80), (5, 80)]])], (0,)
    )
    demand = [(plug, 2), (ELL, 2)]
    result = fewest_plates(spec, demand, WorkLimit(10))
    whole_and_sound(spec, demand, result.plates)
    assert len(result.plates) == 2


def test_faults_and_nothing() -> None:
    empty = fewest_plates(PlateSpec(100, 100), [], WorkLimit(5))
    assert (empty.plates, empty.bound, empty.status) == ((), 0, Status.OPTIMAL)
    assert fewest_plates(PlateSpec(100, 100), [(ELL, 0)], WorkLimit(5)).plates == ()
    for shape in (ELL, rectangle(5, 5)):
        with pytest.raises(ValueError, match="demand of"):
            fewest_plates(PlateSpec(100, 100), [(shape, -1)], WorkLimit(5))
    with pytest.raises(ValueError, match="fits in no allowed rotation"):
        fewest_plates(PlateSpec(60, 60), [(ELL, 1)], WorkLimit(5))


class Notes(Silent):
    def __init__(self) -> None:
        self.values: list[float] = []
        self.end: list[Status] = []

    def incumbent(self, value: float, seconds: float) -> None:
        assert seconds >= 0
        self.values.append(value)

    def ended(self, status: Status, reason: str) -> None:
        self.end.append(status)


def test_listener_hears_falling_values_and_cancel_keeps_the_best() -> None:
    event = threading.Event()
    notes = Notes()

    class CancelLater:
        def reason(self, progress: Progress) -> str | None:
            if progress.work >= 6:
                event.set()
            return None

    spec = PlateSpec(130, 130)
    demand = [(ELL, 11), (rectangle(33, 27), 9)]
    result = fewest_plates(spec, demand, AnyOf([CancelLater(), Cancelled(event)]), 3, notes)
    whole_and_sound(spec, demand, result.plates)
    assert result.status is Status.CANCELLED
    assert (result.work, notes.end) == (6, [Status.CANCELLED])
    assert notes.values == sorted(notes.values, reverse=True)
    assert notes.values[-1] == len(result.plates)


def test_no_better_ends_the_search() -> None:
    demand = [(ELL, 5)]
    result = fewest_plates(PlateSpec(100, 100), demand, NoBetter(8))
    whole_and_sound(PlateSpec(100, 100), demand, result.plates)
    assert result.status is Status.OPTIMAL or "no better" in result.reason
