"""The lower bound: below the best of all plans of tiny books, and below whatever the planner finds on larger ones."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from toy_scenario import box_part, toy_scenario

from router.domain.network import Scenario
from router.kernel.run import Silent
from router.nesting import Nest
from router.planning.bound import lower_bound
from router.planning.bound_ascent import ascend
from router.planning.bound_lagrangian import Duals, priced, safe_duals
from router.planning.bound_rows import build_rows
from router.planning.eligibility import Choice
from router.planning.habit import habit_state
from router.planning.plate_state import PlateState
from router.planning.problem import Problem
from router.planning.solve import RunParams, first_plan, plan_scenario
from router.planning.state import State


def tiny(seed: int) -> Scenario:
    """One to three lines, three pieces in all, one or two machines."""
    rng = random.Random(seed)
    scenario = toy_scenario(3, seed)
    alloy = rng.choice(("NI", "SS"))
    pair = {"NI": ("M1", "M6", "M3"), "SS": ("M4", "M3", "M1")}[alloy]
    chosen = rng.sample(pair, rng.choice((1, 2)))
    quantities = rng.choice(((1,), (2,), (3,), (1, 1), (1, 2), (1, 1, 1)))
    parts = {
        f"box-{k}.stl": box_part(f"box-{k}", rng.uniform(20, 140), rng.uniform(20, 120), rng.uniform(10, 120))
        for k in range(2)
    }
    lines = tuple(
        replace(
            scenario.lines[n],
            model=f"box-{rng.randrange(2)}.stl",
            alloy_id=alloy,
            parameter_set_id=f"{alloy}-40",
            quantity=quantity,
            accreditations=(),
            approved_sites=(),
            own_plate=rng.random() < 0.2,
            coupons=rng.choice((0, 0, 1, 2)),
            may_split_sites=rng.random() < 0.3,
        )
        for n, quantity in enumerate(quantities)
    )
    machines = tuple(
        replace(m, loaded_alloy_id=alloy, maintenance=()) for m in scenario.network.machines if m.machine_id in chosen
    )
    return replace(scenario, lines=lines, parts=parts, network=replace(scenario.network, machines=machines))


def partitions(items: list[int]) -> Iterator[list[list[int]]]:
    """All ways to part a list into heaps."""
    if not items:
        yield []
        return
    for rest in partitions(items[1:]):
        yield [[items[0]], *rest]
        for n in range(len(rest)):
            yield [*rest[:n], [items[0], *rest[n]], *rest[n + 1 :]]


def plate_with(
    problem: Problem, number: int, machine: int, heap: list[int], how: dict[int, Choice]
) -> PlateState | None:
    plate = PlateState(number, machine, problem.lines[heap[0]].parameter_set_id, Nest(problem.specs[machine]))
    for line in sorted(set(heap)):
        if not plate.accepts(problem, line):
            return None
        grown = plate.with_pieces(problem, line, how[line], heap.count(line))
        if grown is None or grown[1] < heap.count(line):
            return None
        plate = grown[0]
    return plate


def best_of_all(problem: Problem) -> int | None:
    """Least landed cost of every grouping, machine, orientation and order that the nesting engine lays out."""
    best: int | None = None
    pieces = [i for i, line in enumerate(problem.lines) for _ in range(line.quantity)]
    seen: set[tuple[tuple[int, ...], ...]] = set()
    for heaps in partitions(pieces):
        form = tuple(sorted(tuple(sorted(heap)) for heap in heaps))
        if form in seen:
            continue
        seen.add(form)
        variants: list[list[PlateState]] = []
        for number, heap in enumerate(form, start=1):
            found = []
            for machine in range(len(problem.machines)):
                lines = sorted(set(heap))
                for picked in itertools.product(*(problem.choices(i, machine) for i in lines)):
                    plate = plate_with(problem, number, machine, list(heap), dict(zip(lines, picked, strict=True)))
                    if plate is not None:
                        found.append(plate)
            variants.append(found)
        for plates in itertools.product(*variants):
            for order in itertools.permutations(plates):
                cost = cost_of(problem, order)
                if cost is not None and (best is None or cost < best):
                    best = cost
    return best


def cost_of(problem: Problem, order: tuple[PlateState, ...]) -> int | None:
    """Landed cost of these plates, each machine in this order; None when the rules forbid it."""
    for i, line in enumerate(problem.lines):
        sites = {problem.machines[p.machine].site_id for p in order if i in p.items}
        if len(sites) > 1 and not line.may_split_sites:
            return None
    state = State(problem)
    for machine in range(len(problem.machines)):
        mine = [p for p in order if p.machine == machine]
        if mine and state.change(machine, [p.plate_id for p in mine], {p.plate_id: p for p in mine}) is None:
            return None
    return state.total_cents


@pytest.mark.parametrize("seed", range(40))
def test_no_plan_of_a_tiny_book_is_below_the_bound(seed: int) -> None:
    problem = Problem(tiny(seed))
    lines = range(len(problem.lines))
    best = best_of_all(problem)
    bound = lower_bound(problem, lines)
    if best is None:
        pytest.skip("some line of this book cannot be built")
    assert bound is not None
    assert bound.cents <= best
    # Not an empty promise either: a piece or two alone on a plate leave the bound about half the truth.
    assert bound.cents >= 0.3 * best


@pytest.mark.parametrize("seed", range(40))
def test_neither_plan_nor_habit_gets_below_the_bound(seed: int) -> None:
    problem = Problem(toy_scenario(4 + seed % 12, 100 + seed))
    for state in (first_plan(problem, seed, Silent()), habit_state(problem)):
        bound = lower_bound(problem, state.placed_lines())
        assert bound is not None
        assert 0 < bound.cents <= state.total_cents
        shares = bound.shares
        parts = shares.own + shares.shared + shares.lots + shares.freight + shares.lateness + shares.capacity
        assert parts == pytest.approx(bound.cents, abs=10)


@pytest.mark.parametrize("seed", range(4))
def test_the_search_never_gets_below_the_bound(seed: int) -> None:
    result = plan_scenario(toy_scenario(6, 300 + seed), RunParams(seed=seed, seconds=None, work=400))
    assert result.bound_cents is not None
    assert 0 < result.bound_cents <= result.plan.totals.landed_cents


def test_any_multipliers_give_a_bound_no_better_than_the_best() -> None:
    """The closed form holds for whatever multipliers; good ones are worth having."""
    problem = Problem(toy_scenario(25, 8))
    rows = build_rows(problem, range(25))
    assert rows is not None
    found = ascend(rows, None)
    state = first_plan(problem, 0, Silent())
    assert state.missing() == 0
    chance = np.random.default_rng(5)
    for _ in range(10):
        hours = chance.uniform(0, 3000, found.duals.hour_cents.shape)
        cuts = chance.uniform(0, 1e6, len(found.duals.cuts))
        wild = priced(rows, safe_duals(rows, hours, found.duals.cuts, cuts))
        assert wild.cents <= state.total_cents
        assert wild.cents <= found.priced.cents * (1 + 1e-3)
    assert priced(rows, Duals.none(rows)).cents <= found.priced.cents


def test_a_plate_of_its_own_is_paid_whole() -> None:
    """One small piece: with a plate of its own it bears the whole start and all its layers."""
    scenario = toy_scenario(1, 5)
    line = replace(
        scenario.lines[0],
        model="cube.stl",
        alloy_id="SS",
        parameter_set_id="SS-40",
        steps=(),
        quantity=1,
        coupons=0,
        as_modelled=True,
        accreditations=(),
        approved_sites=(),
        own_plate=True,
    )
    machines = tuple(m for m in scenario.network.machines if m.machine_id == "M4")
    scenario = replace(
        scenario,
        lines=(line,),
        parts={"cube.stl": box_part("cube", 20.0, 20.0, 20.0)},
        network=replace(scenario.network, machines=machines),
    )
    alone = lower_bound(Problem(scenario), [0])
    shared = lower_bound(Problem(replace(scenario, lines=(replace(line, own_plate=False),))), [0])
    assert alone is not None and shared is not None
    problem = Problem(scenario)
    state = first_plan(problem, 0, Silent())
    # Plate 6000, purge 1800, set-up and cooling 190 min and 90 min of loading at 49 an hour: a start of about 290 EUR.
    assert alone.shares.shared > 25_000
    assert alone.cents > state.total_cents - 200
    # Whole plates know it without: the only line of its powder needs a plate, however small its share.
    assert shared.cents == pytest.approx(alone.cents, abs=1_000)
    assert shared.shares.capacity > 20_000


def test_a_line_too_large_for_one_plate_pays_for_two_lots() -> None:
    """Squares of 150 mm: one fits a plate of 241 mm, so five are five lots, not the 2.6 plates of their area."""
    scenario = toy_scenario(1, 5)
    line = replace(
        scenario.lines[0],
        model="slab.stl",
        alloy_id="SS",
        parameter_set_id="SS-40",
        steps=(),
        quantity=5,
        coupons=0,
        as_modelled=True,
        accreditations=(),
        approved_sites=(),
        own_plate=False,
        may_split_sites=False,
    )
    machines = tuple(m for m in scenario.network.machines if m.machine_id == "M4")
    scenario = replace(
        scenario,
        lines=(line,),
        parts={"slab.stl": box_part("slab", 150.0, 150.0, 20.0)},
        network=replace(scenario.network, machines=machines),
    )
    problem = Problem(scenario)
    rows = build_rows(problem, [0])
    assert rows is not None
    one = problem.lot_ready(0, "S2", 0.02 * 150 * 150 * 20 / 1000, 1, problem.now)[1]
    assert math.isclose(rows.lots_cents[0], 5 * one, rel_tol=0.01)


def test_lines_nobody_can_build_are_not_in_the_bound() -> None:
    problem = Problem(toy_scenario(3, 3))
    assert lower_bound(problem, []) is None
