"""Each inequality of the bound by itself: against hand-worked figures and against everything it must stay below."""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
import pytest
from toy_scenario import toy_scenario

from router.nesting import KeepOut, PlateSpec, Shape, capacity
from router.planning.bound_after import Weights, lane_of, lot_floor
from router.planning.bound_ascent import sample
from router.planning.bound_cuts import residual_cut
from router.planning.bound_lagrangian import Duals, priced
from router.planning.bound_late import Arrivals
from router.planning.bound_plates import cover, discs_in, least_keep_out_mm2, most_on_plate, room_mm2
from router.planning.bound_rows import build_rows, machine_classes
from router.planning.problem import Problem

RIGHT = (0.0, 90.0, 180.0, 270.0)


@pytest.fixture(scope="module")
def problem() -> Problem:
    return Problem(toy_scenario(30, 11))


def rectangle(width: float, depth: float, hole: float = 0.0) -> Shape:
    outer = ((0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth))
    holes = []
    if hole:
        x, y = (width - hole) / 2, (depth - hole) / 2
        holes = [((x, y), (x, y + hole), (x + hole, y + hole), (x + hole, y))]
    return Shape.make(((outer, holes),), RIGHT)


def disc(radius: float) -> Shape:
    corners = [(radius * math.cos(k * math.pi / 32), radius * math.sin(k * math.pi / 32)) for k in range(64)]
    return Shape.make(((corners, ()),), (0.0,))


# --- plates -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("side", "most"),
    [
        (1.99, 0),
        (2.0, 1),
        (3.41, 1),
        (3.42, 2),
        (3.93, 2),
        (3.94, 3),
        (4.0, 4),
        (4.82, 4),
        (4.83, 5),
        (5.99, 8),
        (6.0, 9),
    ],
)
def test_discs_of_radius_one_in_small_squares(side: float, most: int) -> None:
    assert discs_in(side, side, False, 1.0) == most


def test_no_row_or_hexagonal_arrangement_beats_the_number_of_discs() -> None:
    rng = random.Random(3)
    for _ in range(300):
        width, depth = rng.uniform(2, 30), rng.uniform(2, 30)
        rows = math.floor((depth - 2) / math.sqrt(3) + 1 + 1e-12)
        wide, narrow = math.floor(width / 2), math.floor((width - 1) / 2)
        hexagonal = sum(wide if k % 2 == 0 else narrow for k in range(rows))
        square = math.floor(width / 2) * math.floor(depth / 2)
        assert discs_in(width, depth, False, 1.0) >= max(hexagonal, square)


def test_in_a_circle_seven_discs_have_room_at_three_radii() -> None:
    # One in the middle and six around it; a second disc needs twice the radius.
    assert discs_in(6.0, 6.0, True, 1.0) >= 7
    assert discs_in(3.99, 3.99, True, 1.0) == 1
    assert discs_in(4.0, 4.0, True, 1.0) >= 2
    with pytest.raises(ValueError, match="above 0"):
        discs_in(4.0, 4.0, True, 0.0)


@pytest.mark.parametrize("round_plate", [False, True])
def test_the_nesting_engine_never_places_more_than_the_most(round_plate: bool) -> None:
    spec = PlateSpec(160.0, 160.0, round_plate, 4.0, 2.0, (KeepOut(30.0, 30.0, 5.0),))
    rng = random.Random(7)
    shapes = [rectangle(rng.uniform(8, 70), rng.uniform(8, 70)) for _ in range(12)]
    shapes += [disc(rng.uniform(6, 40)) for _ in range(8)] + [rectangle(60.0, 60.0, 45.0)]
    for shape in shapes:
        assert capacity(spec, shape) <= most_on_plate(spec, shape)


def test_discs_that_area_would_let_through() -> None:
    """Discs of 100 mm on 241 mm: area allows five of them and a bit, geometry four."""
    spec = PlateSpec(241.0, 241.0, False, 5.0, 2.0)
    shape = disc(50.0)
    assert room_mm2(spec) / cover(shape, 2.0).area_mm2 > 5
    assert most_on_plate(spec, shape) == 4


def test_a_hole_is_filled_only_where_nothing_stands_in_it() -> None:
    ring = cover(rectangle(60.0, 60.0, 30.0), 2.0)
    hole = ring.holes_mm2[0]
    assert hole == pytest.approx(28.01**2, rel=1e-3)
    assert ring.closed_mm2(hole + 1, math.inf) == pytest.approx(ring.area_mm2 + hole)
    assert ring.closed_mm2(hole - 1, math.inf) == ring.area_mm2
    # Room round a keep-out is not the plate's: such a hole cannot be counted.
    assert ring.closed_mm2(hole + 1, hole - 1) == ring.area_mm2
    assert least_keep_out_mm2(PlateSpec(200.0, 200.0)) == math.inf
    screw = PlateSpec(200.0, 200.0, keep_outs=(KeepOut(100.0, 100.0, 6.0),))
    assert least_keep_out_mm2(screw) == pytest.approx(math.pi * 5.0**2, rel=0.01)


# --- whole plates -------------------------------------------------------------------------------------------


def test_two_thirds_and_two_thirds_need_two_plates() -> None:
    """A(S) = 4/3, k = 2, r = 1/3: with both lines whole the inequality asks for N = 2, area alone for 4/3."""
    cut = residual_cut(0, 0, [np.array([0]), np.array([1])], np.array([2 / 3, 2 / 3]))
    assert cut.plates == pytest.approx(1 / 3)
    assert cut.constant == pytest.approx(2 / 3)
    assert (4 / 3 - cut.constant) / cut.plates == pytest.approx(2.0)


def test_no_whole_number_of_plates_breaks_a_cut() -> None:
    rng = random.Random(1)
    for _ in range(200):
        areas = np.array([rng.uniform(0.02, 2.5) for _ in range(rng.randrange(1, 4))])
        cut = residual_cut(0, 0, [np.array([n]) for n in range(len(areas))], areas)
        for x in itertools.product((0.0, 0.25, 0.6, 1.0), repeat=len(areas)):
            used = float(areas @ np.array(x))
            for plates in range(math.ceil(used - 1e-12), math.ceil(used) + 3):
                assert used - cut.plates * plates <= cut.constant + 1e-6


# --- after the plate ----------------------------------------------------------------------------------------


def shipments_at_best(problem: Problem, line: int, site_id: str) -> float:
    """Least freight and carbon over every way of parting the pieces into shipments."""
    wanted = problem.lines[line]
    best = [0.0]
    for n in range(1, wanted.quantity + 1):
        ways = []
        for last in range(1, n + 1):
            quotes = problem.desk.quotes(site_id, wanted.ship_to, problem.part_kg[line], problem.box_cm3[line], last)
            ways.append(best[n - last] + min((q.total_cents for q in quotes), default=math.inf))
        best.append(min(ways))
    return best[-1]


def test_freight_is_below_every_parting_into_shipments(problem: Problem) -> None:
    checked = 0
    for line in range(len(problem.lines)):
        for site_id in problem.sites_for(line):
            lane = lane_of(problem, site_id, problem.lines[line].ship_to)
            floor = float(Weights(problem, line).floors(lane).min())
            best = shipments_at_best(problem, line, site_id)
            assert floor <= best + 1e-6
            # Tight but for the roundings where one shipment is best.
            assert floor >= 0.75 * best
            checked += 1
    assert checked > 50


def test_steps_are_below_every_parting_into_lots(problem: Problem) -> None:
    for line in range(len(problem.lines)):
        quantity = problem.lines[line].quantity
        for site_id in problem.sites_for(line):
            floor = lot_floor(problem, line, site_id)
            for most in (1, 3, quantity):
                best = [0]
                for n in range(1, quantity + 1):
                    lots = range(1, min(n, most) + 1)
                    best.append(
                        min(best[n - k] + problem.lot_ready(line, site_id, 1.5, k, problem.now)[1] for k in lots)
                    )
                together = min(quantity, most)
                assert floor.cents(quantity / together, together / quantity, 1.5) <= best[-1] + 1e-6


def test_no_run_arrives_for_less_than_its_bucket_says(problem: Problem) -> None:
    arrivals = Arrivals(problem, len(problem.lines))
    rng = random.Random(2)
    for line in range(len(problem.lines)):
        wanted = problem.lines[line]
        for machine in problem.machines_for(line)[:3]:
            made = problem.machines[machine]
            lane = lane_of(problem, made.site_id, wanted.ship_to)
            support = problem.choices(line, machine)[0].support_cm3
            floors = Weights(problem, line).floors(lane)
            table = arrivals.cents(line, made.site_id, made.unload_min, support, lane, floors)
            for _ in range(6):
                run_end = problem.now + rng.randrange(0, 60 * 1440)
                unloaded = problem.staffed[made.site_id].attended(run_end, made.unload_min)[1]
                done = problem.plate_done(made.site_id, wanted.alloy_id, (), unloaded, 1.0)[0]
                ready = problem.lot_ready(line, made.site_id, support, wanted.quantity, done)[0]
                real = problem.shipping(line, made.site_id, wanted.quantity, ready).cents
                assert table[arrivals.first_bucket(run_end)] <= real + 1e-6


# --- the programme ------------------------------------------------------------------------------------------


def test_equal_machines_form_a_class(problem: Problem) -> None:
    classes = machine_classes(problem)
    assert sorted(m for members in classes for m in members) == list(range(len(problem.machines)))
    for members in classes:
        assert len({problem.specs[m] for m in members}) == 1
        assert len({problem.machines[m].rate_cents_per_h for m in members}) == 1


def test_a_sample_asks_the_machines_for_what_the_book_does(problem: Problem) -> None:
    rows = build_rows(problem, range(len(problem.lines)))
    assert rows is not None
    few = sample(rows, 8)
    assert len(few.lines) <= 8

    def least_hours(book: object) -> float:
        least = np.full(len(book.lines), np.inf)  # type: ignore[attr-defined]
        np.minimum.at(least, book.line, book.hours)  # type: ignore[attr-defined]
        return float(least.sum())

    assert least_hours(few) == pytest.approx(least_hours(rows))
    assert priced(few, Duals.none(few)).cents > 0
