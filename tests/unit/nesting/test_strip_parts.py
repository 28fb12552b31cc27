"""What the strip function stands on: rectangles by skyline, compaction by linear programming, the time limit."""

from __future__ import annotations

import math
import time
from collections import Counter

import pytest

from router.kernel.run import TimeLimit, WorkLimit
from router.nesting import Placement, PlateSpec, Shape, confirm, pack_strip
from router.nesting.compact import Compaction
from router.nesting.rect_strip import BoxStripSearch

ELL = Shape.make([([(0, 0), (60, 0), (60, 20), (20, 20), (20, 60), (0, 60)], [])], (0.0, 90.0, 180.0, 270.0))
FRAME = Shape.make([([(0, 0), (90, 0), (90, 90), (0, 90)], [[(10, 10), (80, 10), (80, 80), (10, 80)]])], (0.0,))


def rectangle(width: float, depth: float, angles: tuple[float, ...] = (0.0, 90.0)) -> Shape:
    return Shape.make([([(0, 0), (width, 0), (width, depth), (0, depth)], [])], angles)


def test_cut_rectangles_are_put_together_again() -> None:
    sizes = [(30.0, 40.0), (70.0, 15.0), (25.0, 70.0), (45.0, 25.0), (45.0, 30.0), (30.0, 45.0)]
    search = BoxStripSearch(100.0, sizes, [3] * len(sizes), seed=1)
    first = search.height
    for _ in range(200):
        if search.done:
            break
        search.improve()
    assert search.bound <= search.height <= first
    assert search.best.height == search.height
    corners = [
        (x, y, *((h, w) if over else (w, h))) for (x, y, over), (w, h) in zip(search.best.places, sizes, strict=True)
    ]
    assert max(y + h for _, y, _, h in corners) == pytest.approx(search.height)
    for k, (x, y, w, h) in enumerate(corners):
        assert x >= 0 and x + w <= 100 + 1e-6 and y >= 0
        assert all(
            x + w <= a + 1e-6 or a + c <= x + 1e-6 or y + h <= b + 1e-6 or b + d <= y + 1e-6
            for a, b, c, d in corners[:k]
        )


def test_rectangles_that_may_not_turn_are_refused_when_too_wide() -> None:
    with pytest.raises(ValueError, match="wider"):
        BoxStripSearch(10.0, [(12.0, 5.0)], [1])
    assert BoxStripSearch(10.0, [(12.0, 5.0)], [3]).height == 12.0
    assert BoxStripSearch(10.0, [(8.0, 5.0)], [2]).height == 8.0


@pytest.mark.parametrize("spacing", [0.0, 2.0])
def test_strips_of_rectangles_keep_spacing_and_turns(spacing: float) -> None:
    turning, fixed = rectangle(40, 25), rectangle(20, 70, (0.0,))
    demand = [(turning, 7), (fixed, 4)]
    result = pack_strip(100.0, demand, WorkLimit(30), 1, 5.0, spacing)
    assert result.engine == "boxes"
    spec = PlateSpec(result.length + 1e-6, 100, edge_margin_mm=0, spacing_mm=spacing)
    assert confirm(spec, {s.key: s for s, _ in demand}, result.placements) == []
    assert Counter(p.shape_key for p in result.placements) == {turning.key: 7, fixed.key: 4}
    again = pack_strip(100.0, demand, WorkLimit(30), 1, 5.0, spacing)
    assert again.placements == result.placements
    with pytest.raises(ValueError, match="rectangle"):
        pack_strip(100.0, [(ELL, 1)], WorkLimit(1), engine="boxes")


@pytest.mark.parametrize("spacing", [0.0, 1.5])
def test_compaction_closes_gaps_and_keeps_order(spacing: float) -> None:
    bar = rectangle(10, 30)
    loose = [
        Placement(FRAME.key, 5.0, 8.0, 0.0),
        Placement(bar.key, 40.0, 40.0, 0.0),
        Placement(ELL.key, 110.0, 20.0, 0.0),
        Placement(ELL.key, 255.0, 90.0, 180.0),
    ]
    shapes = {s.key: s for s in (FRAME, bar, ELL)}
    tight = Compaction(100.0, shapes, spacing).tighten(loose, time.monotonic() + 30, rounds=2000)
    assert [(p.shape_key, p.angle_deg) for p in tight] == [(p.shape_key, p.angle_deg) for p in loose]
    # Frame, then the upright of the first ell; the second ell turned by 180 degrees stands in its corner.
    assert max(p.x_mm + (60 if p.angle_deg == 0 else 0) for p in tight[2:]) == pytest.approx(
        90 + 60 + spacing + (20 + spacing), abs=0.01
    )
    spec = PlateSpec(300, 100, edge_margin_mm=0, spacing_mm=spacing)
    assert confirm(spec, shapes, tight) == []


def test_compaction_out_of_time_changes_nothing() -> None:
    loose = (Placement(ELL.key, 5.0, 8.0, 0.0), Placement(ELL.key, 155.0, 8.0, 0.0))
    assert Compaction(100.0, {ELL.key: ELL}).tighten(loose, time.monotonic() - 1) == loose


def test_the_strip_keeps_its_time() -> None:
    star = [
        (30 * r * math.cos(k * math.pi / 7), 30 * r * math.sin(k * math.pi / 7)) for k, r in enumerate([1.0, 0.6] * 7)
    ]
    shape = Shape.make([(star, [])], (0.0, 180.0))
    pack_strip(100.0, [(shape, 3)], TimeLimit(0.3), 1, 0.3)
    for seconds in (0.6, 1.2):
        began = time.monotonic()
        result = pack_strip(100.0, [(shape, 15)], TimeLimit(seconds), 1, seconds)
        assert time.monotonic() - began < seconds + 0.5
        spec = PlateSpec(result.length + 0.01, 100, edge_margin_mm=0, spacing_mm=0)
        assert confirm(spec, {shape.key: shape}, result.placements) == []
        assert len(result.placements) == 15
