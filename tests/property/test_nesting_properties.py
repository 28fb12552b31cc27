"""Properties of the nesting engine on random outlines: concave, with holes, round plates, keep-outs."""

from __future__ import annotations

import math
from collections import Counter

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from router.nesting import KeepOut, Nest, PlateSpec, Shape, capacity, capacity_layout, clear_caches, confirm, pack
from router.nesting import quick_verdict as verdict_of

QUICK = settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def outlines(draw: st.DrawFn, largest_mm: float = 45.0) -> Shape:
    """Star-shaped (often concave) ring, sometimes with a hole or a second part, anywhere, with some rotations."""
    corners = draw(st.integers(3, 9))
    radius = draw(st.floats(3.0, largest_mm))
    shares = draw(st.lists(st.floats(0.35, 1.0), min_size=corners, max_size=corners))
    cx, cy = draw(st.floats(-200, 200)), draw(st.floats(-200, 200))

    def ring(scale: float) -> list[tuple[float, float]]:
        return [
            (
                cx + scale * radius * share * math.cos(2 * math.pi * i / corners),
                cy + scale * radius * share * math.sin(2 * math.pi * i / corners),
            )
            for i, share in enumerate(shares)
        ]

    holes = [ring(draw(st.floats(0.3, 0.8)))] if draw(st.booleans()) else []
    parts = [(ring(1.0), holes)]
    if draw(st.integers(0, 4)) == 0:
        parts.append(([(cx + 2 * radius, cy), (cx + 2 * radius + 5, cy), (cx + 2 * radius, cy + 5)], []))
    return Shape.make(
        parts, draw(st.sampled_from([(0.0,), (0.0, 90.0), (0.0, 90.0, 180.0, 270.0), (15.0, 195.0, 77.7)]))
    )


@st.composite
def plates(draw: st.DrawFn) -> PlateSpec:
    width = draw(st.floats(60, 140))
    disc = draw(st.booleans())
    depth = width if disc else draw(st.floats(60, 140))
    zones = draw(st.lists(st.builds(KeepOut, st.floats(0, width), st.floats(0, depth), st.floats(0.5, 15)), max_size=3))
    return PlateSpec(
        width,
        depth,
        round=disc,
        edge_margin_mm=draw(st.sampled_from([0.0, 5.0, 3.3])),
        spacing_mm=draw(st.sampled_from([0.0, 0.5, 2.0, 3.7])),
        keep_outs=tuple(zones),
        resolution_mm=draw(st.sampled_from([0.0, 1.0, 1.7])),
    )


demands = st.lists(st.tuples(outlines(), st.integers(0, 6)), min_size=1, max_size=6)


def fill_up(nest: Nest, demand: list[tuple[Shape, int]], snug: bool = False) -> None:
    for shape, count in demand:
        before = len(nest.placements)
        assert nest.add(shape, count, snug) == len(nest.placements) - before <= count


@QUICK
@given(plates(), demands, st.booleans())
def test_added_pieces_pass_the_exact_check(spec: PlateSpec, demand: list[tuple[Shape, int]], snug: bool) -> None:
    nest = Nest(spec)
    fill_up(nest, demand, snug)
    assert confirm(spec, nest.shapes, nest.placements) == []
    assert 0 <= nest.fill <= 1 + 1e-6
    assert math.isclose(
        nest.net_area_mm2, sum(nest.shapes[p.shape_key].area_mm2 for p in nest.placements), abs_tol=1e-6
    )


@QUICK
@given(plates(), demands, st.integers(0, 99), st.integers(1, 5))
def test_pack_neither_loses_nor_doubles_a_piece(
    spec: PlateSpec, demand: list[tuple[Shape, int]], seed: int, rounds: int
) -> None:
    result = pack(spec, demand, seed=seed, rounds=rounds)
    wanted: Counter[str] = Counter()
    for shape, count in demand:
        wanted[shape.key] += count
    placed = Counter(p.shape_key for p in result.placed)
    assert placed + Counter(result.left) == +wanted
    assert result.complete == (not result.left)
    assert confirm(spec, {s.key: s for s, _ in demand}, result.placed) == []
    clear_caches()
    assert pack(spec, demand, seed=seed, rounds=rounds) == result
    assert pack(spec, demand[::-1], seed=seed, rounds=rounds) == result


@QUICK
@given(plates(), demands, st.data())
def test_removal_frees_exactly_the_room_of_the_removed(
    spec: PlateSpec, demand: list[tuple[Shape, int]], data: st.DataObject
) -> None:
    nest = Nest(spec)
    fill_up(nest, demand)
    pieces = len(nest.placements)
    gone = data.draw(st.sets(st.integers(0, pieces - 1))) if pieces else set()
    old = list(nest.placements)
    nest.remove(gone)
    assert nest.placements == [p for i, p in enumerate(old) if i not in gone]
    # The room left must be as if the removed pieces had never been there.
    again = Nest.of(spec, {s.key: s for s, _ in demand}, nest.placements)
    assert math.isclose(again.free_area_mm2, nest.free_area_mm2)
    fill_up(nest, demand)
    assert confirm(spec, nest.shapes, nest.placements) == []
    if gone:
        removed = old[max(gone)].shape_key
        shape = next(s for s, _ in demand if s.key == removed)
        only = Nest.of(spec, {shape.key: shape}, [])
        assert only.add(shape) == 1


@QUICK
@given(plates(), demands, outlines())
def test_copies_do_not_touch_each_other(spec: PlateSpec, demand: list[tuple[Shape, int]], extra: Shape) -> None:
    nest, lone = Nest(spec), Nest(spec)
    fill_up(nest, demand)
    fill_up(lone, demand)
    twin = nest.copy()
    twin.add(extra, 3)
    twin.remove(range(len(twin.placements)))
    twin.add(extra, 50)
    assert nest.placements == lone.placements
    assert nest.free_area_mm2 == lone.free_area_mm2
    assert nest.add(extra, 3) == lone.add(extra, 3)
    assert nest.placements == lone.placements
    assert confirm(spec, twin.shapes, twin.placements) == []


@QUICK
@given(plates(), outlines())
def test_capacity_is_reached_and_never_below_a_greedy_fill(spec: PlateSpec, shape: Shape) -> None:
    nest = Nest(spec)
    greedy = nest.add(shape, 10_000)
    held = capacity(spec, shape)
    assert held >= greedy
    assert len(pack(spec, [(shape, held)]).placed) == held
    assert confirm(spec, {shape.key: shape}, capacity_layout(spec, shape)) == []
    assert held * shape.bound_area_mm2(spec.spacing_mm) <= spec.bound_area_mm2 * (1 + 1e-9)


@QUICK
@given(plates(), demands)
def test_a_quick_no_is_never_contradicted(spec: PlateSpec, demand: list[tuple[Shape, int]]) -> None:
    answer = verdict_of(spec, demand).answer
    packed = pack(spec, demand, rounds=3)
    if packed.complete:
        assert answer != "no"
    if answer == "yes":
        assert packed.complete or pack(spec, demand, rounds=1).complete


@QUICK
@given(plates(), demands)
def test_a_full_plate_stays_full_until_something_leaves(spec: PlateSpec, demand: list[tuple[Shape, int]]) -> None:
    nest = Nest(spec)
    for shape, _ in demand:
        nest.add(shape, 10_000)
    for shape, _ in demand:
        assert nest.add(shape) == 0
        # Same answer without what the nest remembers from earlier searches.
        assert Nest.of(spec, nest.shapes, nest.placements).add(shape) == 0
