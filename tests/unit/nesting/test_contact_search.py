"""Plates filled in exact contact: what was cut from full plates goes back on as many."""

from __future__ import annotations

from collections import Counter

from router.kernel.run import Status, WorkLimit
from router.nesting import KeepOut, PlateSpec, Shape, clear_caches, confirm, contact_fit, fewest_plates
from router.nesting.contact_search import ContactSearch, takes

BARE = PlateSpec(100, 100, edge_margin_mm=0, spacing_mm=0)


def shape(*ring: tuple[float, float], angles: tuple[float, ...] = (0.0,)) -> Shape:
    return Shape.make([(ring, [])], angles)


# Two squares of 100, cut along slanted lines by hand; coordinates as on the plate.
FIRST = [
    shape((0, 0), (37, 0), (52, 41), (0, 63)),
    shape((37, 0), (100, 0), (100, 28), (52, 41)),
    shape((0, 63), (52, 41), (61, 100), (0, 100)),
    shape((52, 41), (100, 28), (100, 100), (61, 100)),
]
SECOND = [
    shape((0, 0), (100, 0), (100, 21), (0, 44)),
    shape((0, 44), (33, 36.41), (45, 100), (0, 100)),
    shape((33, 36.41), (100, 21), (100, 100), (70, 60), (45, 100)),
    shape((70, 60), (100, 100), (45, 100)),
]


def test_cut_plates_are_filled_again() -> None:
    demand = [(s, 2) for s in FIRST] + [(s, 1) for s in SECOND]
    assert takes(BARE, demand)
    result = fewest_plates(BARE, demand, WorkLimit(600), seed=1)
    assert (len(result.plates), result.bound, result.status) == (3, 3, Status.OPTIMAL)
    for plate in result.plates:
        assert confirm(BARE, {s.key: s for s, _ in demand}, plate) == []
    stands = Counter(p.shape_key for plate in result.plates for p in plate)
    assert stands == {s.key: n for s, n in demand}


def test_the_edge_is_kept_free_and_rotations_are_used() -> None:
    spec = PlateSpec(110, 110, edge_margin_mm=5, spacing_mm=0)
    triangle = shape((0, 0), (100, 0), (0, 100), angles=(0.0, 90.0, 180.0, 270.0))
    search = ContactSearch(spec, [(triangle, 4)], seed=2)
    while search.count != 2 and search.improve():
        pass
    assert search.count == 2
    assert all(confirm(spec, {triangle.key: triangle}, plate) == [] for plate in search.best)


def test_the_same_seed_gives_the_same_plates() -> None:
    demand = [(s, 1) for s in FIRST + SECOND]
    runs = []
    for _ in range(2):
        clear_caches()
        search = ContactSearch(BARE, demand, seed=5)
        for _ in range(10):
            search.improve()
        runs.append(search.best)
    assert runs[0] == runs[1]


def test_plates_it_can_not_work_on_are_left_to_deep_placing() -> None:
    demand = [(s, 1) for s in FIRST]
    assert not takes(PlateSpec(100, 100, edge_margin_mm=0, spacing_mm=2), demand)
    assert not takes(PlateSpec(100, 100, round=True, edge_margin_mm=0, spacing_mm=0), demand)
    assert not takes(PlateSpec(100, 100, edge_margin_mm=0, spacing_mm=0, keep_outs=(KeepOut(50, 50, 1),)), demand)
    assert not takes(BARE, [])
    many = shape((0, 0), (9, 0), (0, 9), angles=tuple(float(a) for a in range(300)))
    assert not takes(BARE, [(many, 1)])


def test_one_plate_in_exact_contact() -> None:
    for cut in (FIRST, SECOND):
        found = contact_fit(BARE, cut)
        assert found is not None
        assert confirm(BARE, {s.key: s for s in cut}, found) == []
        assert Counter(p.shape_key for p in found) == Counter(s.key for s in cut)
    assert contact_fit(BARE, [*FIRST, shape((0, 0), (1, 0), (0, 1))]) is None
    assert contact_fit(BARE, [shape((0, 0), (60, 0), (60, 60), (0, 60))] * 2) is None
    assert contact_fit(BARE, []) == ()
    assert contact_fit(PlateSpec(100, 100), [shape((0, 0), (10, 0), (0, 10))]) is None
