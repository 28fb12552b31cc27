"""Deep nesting on random outlines: sound, whole, monotone, repeatable, and cancelled without loss."""

from __future__ import annotations

import math
import threading
from collections import Counter

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from router.kernel.run import Cancelled, Progress, Status, WorkLimit
from router.nesting import (
    KeepOut,
    PlateSpec,
    Shape,
    best_subset,
    clear_caches,
    confirm,
    fewest_plates,
    fit_all,
    forget_fits,
)
from router.nesting.rect_bins import BoxSearch, bin_bound

QUICK = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def outlines(draw: st.DrawFn) -> Shape:
    """Star-shaped, often concave ring, sometimes with a hole."""
    corners = draw(st.integers(3, 8))
    radius = draw(st.floats(5.0, 24.0))
    shares = draw(st.lists(st.floats(0.4, 1.0), min_size=corners, max_size=corners))

    def ring(scale: float) -> list[tuple[float, float]]:
        turn = 2 * math.pi / corners
        return [
            (7 + scale * radius * share * math.cos(turn * i), -3 + scale * radius * share * math.sin(turn * i))
            for i, share in enumerate(shares)
        ]

    holes = [ring(draw(st.floats(0.4, 0.8)))] if draw(st.booleans()) else []
    return Shape.make([(ring(1.0), holes)], draw(st.sampled_from([(0.0,), (0.0, 90.0), (15.0, 195.0, 77.7)])))


@st.composite
def plates(draw: st.DrawFn) -> PlateSpec:
    width = draw(st.floats(64, 90))
    disc = draw(st.booleans())
    zones = draw(st.lists(st.builds(KeepOut, st.floats(0, 20), st.floats(0, 20), st.floats(0.5, 5)), max_size=2))
    return PlateSpec(
        width,
        width if disc else draw(st.floats(64, 90)),
        round=disc,
        edge_margin_mm=draw(st.sampled_from([0.0, 3.3])),
        spacing_mm=draw(st.sampled_from([0.0, 0.5, 2.0])),
        keep_outs=tuple(zones),
        resolution_mm=draw(st.sampled_from([0.0, 1.0])),
    )


def merged(demand: list[tuple[Shape, int]]) -> Counter[str]:
    wanted: Counter[str] = Counter()
    for shape, count in demand:
        wanted[shape.key] += count
    return +wanted


demands = st.lists(st.tuples(outlines(), st.integers(0, 3)), min_size=1, max_size=5)


@QUICK
@given(plates(), demands, st.integers(0, 99))
def test_plates_are_sound_and_hold_every_piece_once(
    spec: PlateSpec, demand: list[tuple[Shape, int]], seed: int
) -> None:
    try:
        result = fewest_plates(spec, demand, WorkLimit(8), seed)
    except ValueError as fault:
        # Only a piece that finds no place on the empty plate may be refused.
        assert "shape" in str(fault)
        assert any(not fit_all(spec, [(shape, 1)]).fits for shape, count in demand if count)
        return
    shapes = {s.key: s for s, _ in demand}
    assert sum((Counter(p.shape_key for p in plate) for plate in result.plates), Counter()) == merged(demand)
    for plate in result.plates:
        assert confirm(spec, shapes, plate) == []
    assert result.bound <= len(result.plates)
    assert fewest_plates(spec, demand[::-1], WorkLimit(8), seed) == result


@QUICK
@given(plates(), demands, st.integers(0, 99), st.data())
def test_fit_is_sound_and_monotone(
    spec: PlateSpec, demand: list[tuple[Shape, int]], seed: int, data: st.DataObject
) -> None:
    forget_fits()
    clear_caches()
    answer = fit_all(spec, demand, WorkLimit(6), seed)
    shapes = {s.key: s for s, _ in demand}
    stands = Counter(p.shape_key for p in answer.placements)
    assert confirm(spec, shapes, answer.placements) == []
    assert stands <= merged(demand)
    assert answer.fits == (stands == merged(demand) and answer.status is Status.FEASIBLE)
    if answer.fits:
        fewer = [(s, data.draw(st.integers(0, n))) for s, n in demand]
        part = fit_all(spec, fewer)
        assert part.fits
        assert Counter(p.shape_key for p in part.placements) == merged(fewer)
        assert confirm(spec, shapes, part.placements) == []
    forget_fits()
    clear_caches()
    assert fit_all(spec, demand, WorkLimit(6), seed) == answer


@QUICK
@given(plates(), st.lists(outlines(), min_size=1, max_size=4), st.integers(0, 9), st.data())
def test_subsets_are_sound_and_within_their_bound(
    spec: PlateSpec, shapes: list[Shape], seed: int, data: st.DataObject
) -> None:
    known = {s.key: s for s in shapes}
    demand = [(s, data.draw(st.integers(0, 4)), data.draw(st.floats(0, 10))) for s in known.values()]
    result = best_subset(spec, demand, WorkLimit(10), seed)
    assert confirm(spec, known, result.placements) == []
    assert Counter(p.shape_key for p in result.placements) == Counter(result.chosen)
    for shape, count, _ in demand:
        assert result.chosen.get(shape.key, 0) <= count
    worth = math.fsum(value * result.chosen.get(shape.key, 0) for shape, _, value in demand)
    assert math.isclose(worth, result.value, abs_tol=1e-9)
    assert result.value <= result.bound * (1 + 1e-9) + 1e-9
    assert best_subset(spec, demand, WorkLimit(10), seed) == result


boxes = st.lists(st.tuples(st.integers(1, 10), st.integers(1, 10)), min_size=1, max_size=25)


@QUICK
@given(boxes, st.integers(10, 16), st.integers(0, 9))
def test_boxes_neither_overlap_nor_leave_their_bin(sizes: list[tuple[int, int]], side: int, seed: int) -> None:
    search = BoxSearch((side, 10), sizes, [3] * len(sizes), seed)
    for _ in range(70):
        search.improve()
    assert search.best is not None
    taken: set[tuple[int, int, int]] = set()
    for (w, h), place in zip(sizes, search.best.places, strict=True):
        across, up = (h, w) if place.turned else (w, h)
        cells = {
            (place.bin, x, y)
            for x in range(round(place.x), round(place.x) + across)
            for y in range(round(place.y), round(place.y) + up)
        }
        assert all(0 <= x < side and 0 <= y < 10 for _, x, y in cells)
        assert not cells & taken
        taken |= cells
    assert len(taken) == sum(w * h for w, h in sizes)
    assert bin_bound((side, 10), sizes, [3] * len(sizes)) <= search.best.bins == len({b for b, _, _ in taken})


@QUICK
@given(demands, st.integers(0, 6))
def test_cancel_returns_a_whole_answer(demand: list[tuple[Shape, int]], after: int) -> None:
    event = threading.Event()
    inner = Cancelled(event)

    class Later:
        def reason(self, progress: Progress) -> str | None:
            if progress.work >= after:
                event.set()
            return inner.reason(progress)

    spec = PlateSpec(75, 75)
    result = fewest_plates(spec, demand, Later())
    assert sum((Counter(p.shape_key for p in plate) for plate in result.plates), Counter()) == merged(demand)
    assert result.status in (Status.CANCELLED, Status.OPTIMAL)
