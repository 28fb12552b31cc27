"""The planning benchmarks: adapters give known optima, checks find planted faults, records and totals are honest."""

from __future__ import annotations

import gzip
import json
import time
from argparse import Namespace
from dataclasses import replace
from itertools import permutations, product
from pathlib import Path
from typing import Any

import pytest

from tests.bench import planning, plates_cpsat, plates_ours, plates_rules, sites_cpsat, sites_ours
from tests.bench.lattice_apart import apart_steps
from tests.bench.plan_case import Ask, Beside, Found, PlanCase
from tests.bench.plan_read import read_plan_cases
from tests.bench.plan_side import Measured, measure
from tests.bench.plan_totals import entry_of, tables
from tests.bench.plates_bound import completion_bound, makespan_bound, tardiness_bound
from tests.bench.plates_check import plan_faults, plan_value
from tests.bench.plates_problem import RIGHT_ANGLES, Build, Machine, Part, PlatesProblem, Put, timed
from tests.bench.sites_problem import SitesProblem, cheapest_with_room, linear_bound, load_faults, load_value

HALF = (((0.0, 0.0), (8.0, 0.0), (8.0, 19.0), (0.0, 19.0)),)
"""Two of these find room on a plate of 20 x 20, three do not."""
FULL = (((0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0)),)
TRIANGLE = (((0.0, 0.0), (20.0, 0.0), (0.0, 20.0)),)
OPTIONS = Namespace(rotate=False, seed=1, no_audit=False)


def ask(work: int = 400, bound: float | None = None) -> Ask:
    return Ask(5.0, 1, 1, time.monotonic(), bound, work)


def plates(times: tuple[float, ...], dues: tuple[float, ...], machines: int = 1, rings: Any = HALF) -> PlatesProblem:
    machine = Machine(20.0, 20.0, 0.0, 0.0, 0.0, times, (0.0,) * len(times))
    return PlatesProblem(tuple(Part(rings, due=d) for d in dues), (machine,) * machines, "tardiness")


# Times 10, 4, 4 and dues 10, 4, 8, two parts a plate, one machine: the two short ones first (end 4), then the long one
# (end 14, 4 late) cost 4; the short first alone, then the other two (end 14: 4 + 6 late) cost 10; no plan costs less.
THREE = plates((10.0, 4.0, 4.0), (10.0, 4.0, 8.0))


def test_three_parts_by_hand_give_their_optimum_with_ours_and_cpsat() -> None:
    found = plates_ours.ours(THREE, ask())
    assert (found.value, found.status) == (4.0, "")
    exact = plates_cpsat.solve(THREE, ask())
    assert (exact.value, exact.status) == (4.0, "optimal")


def test_completion_and_makespan_by_hand() -> None:
    # Unlike machines: 3 + 1 a plate on the first, 1 + 2 on the second; each part fills a plate by itself.
    slow = Machine(20.0, 20.0, 0.0, 0.0, 3.0, (1.0, 1.0), (0.0, 0.0))
    quick = Machine(20.0, 20.0, 0.0, 0.0, 1.0, (2.0, 2.0), (0.0, 0.0))
    problem = PlatesProblem((Part(FULL), Part(FULL)), (slow, quick), "completion")
    assert plates_ours.ours(problem, ask()).value == 3.0 + 4.0
    assert completion_bound(problem) <= 7.0
    both = replace(problem, goal="makespan")
    assert plates_ours.ours(both, replace(ask(), seconds=1.0, work=None)).value == 4.0
    assert makespan_bound(both) <= 4.0


def test_area_bound_is_no_larger_than_the_optimum_and_worth_more_than_parts_alone() -> None:
    found = plates_cpsat.area_bound(THREE, replace(ask(), seconds=5.0))
    assert found.bound is not None
    assert tardiness_bound(THREE) < found.bound <= 4.0


def test_cpsat_turns_boxes_and_keeps_spacing_and_margin() -> None:
    # Two pieces of 8 x 19 and 19 x 8 fill the 17 x 19 inside the margin with 1 between them only when one is turned.
    flat = (((0.0, 0.0), (19.0, 0.0), (19.0, 8.0), (0.0, 8.0)),)
    machine = Machine(18.0, 20.0, 0.5, 1.0, 0.0, (5.0, 5.0), (0.0, 0.0))
    parts = (Part(HALF, RIGHT_ANGLES), Part(flat, RIGHT_ANGLES))
    problem = PlatesProblem(parts, (machine,), "completion")
    found = plates_cpsat.solve(problem, ask())
    assert (found.value, found.status) == (10.0, "optimal")


@pytest.mark.parametrize("rule", [plates_rules.greedy, plates_rules.habit])
def test_rules_give_sound_plans_no_better_than_the_optimum(rule: Any) -> None:
    found = rule(THREE, ask())
    assert found.value is not None
    assert found.value >= 4.0


def test_exposure_setup_and_layers_reach_the_engine() -> None:
    machine = Machine(20.0, 20.0, 0.0, 0.0, 60.0, (30.0, 90.0), (120.0, 240.0), layer=0.5)
    problem = PlatesProblem((Part(HALF), Part(HALF)), (machine,), "completion", unit=60.0)
    # Together: 60 + 90 + 120 + 240 = 510 for both; the short one alone first: 210, then 210 + 390 = 600, in all 810.
    assert plates_ours.ours(problem, ask()).value == 810.0


def test_a_part_too_tall_or_too_wide_goes_elsewhere() -> None:
    low = Machine(20.0, 20.0, 0.0, 0.0, 0.0, (None, 5.0), (0.0, 0.0))
    narrow = Machine(10.0, 20.0, 0.0, 0.0, 0.0, (5.0, 5.0), (0.0, 0.0))
    problem = PlatesProblem((Part(HALF), Part(FULL)), (low, narrow), "completion")
    found = plates_ours.ours(problem, ask())
    assert found.value == 10.0
    assert plates_rules.habit(problem, ask()).value == 10.0


def sound() -> tuple[Build, ...]:
    return timed(THREE, [[[Put(1, 0, 0, 0), Put(2, 10, 0, 0)], [Put(0, 0, 0, 0)]]])


def test_check_passes_a_right_plan_and_works_its_value_out() -> None:
    assert plan_faults(THREE, sound()) == []
    assert plan_value(THREE, sound()) == 4.0
    assert plan_value(replace(THREE, goal="completion"), sound()) == 4.0 + 4.0 + 14.0
    assert plan_value(replace(THREE, goal="makespan"), sound()) == 14.0


@pytest.mark.parametrize(
    ("puts", "word"),
    [
        ((Put(1, 0, 0, 0), Put(2, 7.999, 0, 0)), "overlap"),
        ((Put(1, 0, 0, 0), Put(2, 12.001, 0, 0)), "over the edge"),
        ((Put(1, 0, -0.001, 0), Put(2, 10, 0, 0)), "over the edge"),
        ((Put(1, 0, 0, 0),), "stands on 0 plates"),
        ((Put(1, 0, 0, 0), Put(1, 10, 0, 0)), "stands on 2 plates"),
        ((Put(1, 8, 19, 180), Put(2, 10, 0, 0)), "not allowed"),
        ((), "no part"),
    ],
)
def test_check_finds_planted_faults_of_a_plate(puts: tuple[Put, ...], word: str) -> None:
    first, last = sound()
    assert any(word in f for f in plan_faults(THREE, (replace(first, puts=puts), last)))


def test_check_finds_planted_faults_of_time_and_spacing() -> None:
    first, last = sound()
    assert any("while one runs" in f for f in plan_faults(THREE, (first, replace(last, begin=3.0))))
    early = replace(THREE, parts=(replace(THREE.parts[0], release=5.0), *THREE.parts[1:]))
    assert any("last part comes at 5" in f for f in plan_faults(early, (first, replace(last, begin=4.0))))
    apart = replace(THREE, machines=(replace(THREE.machines[0], spacing=2.5),))
    assert any("2.5 asked" in f for f in plan_faults(apart, sound()))
    tall = replace(THREE, machines=(replace(THREE.machines[0], tall=(None, 4.0, 4.0)),))
    assert any("taller" in f for f in plan_faults(tall, sound()))


def test_touching_slanted_sides_are_no_overlap() -> None:
    problem = plates((1.0, 1.0), (1.0, 1.0), rings=TRIANGLE)
    problem = replace(problem, parts=tuple(replace(p, angles=(0.0, 180.0)) for p in problem.parts))
    touching = timed(problem, [[[Put(0, 0, 0, 0), Put(1, 20, 20, 180)]]])
    assert plan_faults(problem, touching) == []
    into = timed(problem, [[[Put(0, 0, 0, 0), Put(1, 19.999, 19.999, 180)]]])
    assert any("overlap" in f for f in plan_faults(problem, into))


def test_displacements_of_two_squares_are_those_without_common_area() -> None:
    square = Part((((0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)),))
    apart = {n for low, high in apart_steps(square, square, 3, 3) for n in range(low, high + 1)}
    expected = {7 * dx + dy for dx in range(-3, 4) for dy in range(-3, 4) if max(abs(dx), abs(dy)) >= 2}
    assert apart == expected


def test_bounds_hold_for_every_plan_of_small_problems() -> None:
    """Against every grouping and sequence of three parts, each pair of which shares a plate."""
    machine = Machine(20.0, 20.0, 0.0, 0.0, 2.0, (3.0, 1.0, 2.0), (4.0, 6.0, 1.0))
    for due, count in product((0.0, 9.0), (1, 2)):
        parts = tuple(Part(HALF, due=due) for _ in range(3))
        problem = PlatesProblem(parts, (machine,) * count, "tardiness")
        groups = [[(0,), (1,), (2,)], [(0, 1), (2,)], [(0, 2), (1,)], [(1, 2), (0,)]]
        least = {"tardiness": 1e9, "completion": 1e9, "makespan": 1e9}
        for group in groups:
            for order in permutations(group):
                for where in product(range(count), repeat=len(order)):
                    laid = [[Put(i, 10.0 * n, 0, 0) for n, i in enumerate(g)] for g in order]
                    queues = [[g for g, w in zip(laid, where, strict=True) if w == k] for k in range(count)]
                    for goal in least:
                        asked = replace(problem, goal=goal)
                        least[goal] = min(least[goal], plan_value(asked, timed(asked, queues)))
        assert tardiness_bound(problem) <= least["tardiness"]
        assert completion_bound(problem) <= least["completion"]
        assert makespan_bound(problem) <= least["makespan"]


# Two agents of capacity 3, jobs of sizes 2, 2, 1: the cheap agent (1 a job) has room for two of them (2 + 1), one of
# size 2 goes to the dear one: 1 + 1 + 5 = 7.
TINY_GAP = {
    "name": "tiny_0", "agents": 2, "jobs": 3, "cost": [[1, 1, 1], [5, 6, 7]], "resource": [[2, 2, 1], [2, 2, 1]],
    "capacity": [3, 3], "value": 7, "status": "optimal",
}  # fmt: skip
# Divisible: site 0 holds 6 of 10 units at cost 0, site 1 the rest at 1 a unit; both cost 10 to open.
TINY_SPLIT = {
    "name": "tiny_split", "capacity": [6, 20], "fixed_cost": [10, 10], "demand": [7, 3],
    "cost_to_serve_all_demand": [[0, 7], [0, 3]], "value": 20 - 6, "status": "optimal",
}  # fmt: skip


def tiny(kind: str, entry: Any) -> dict[str, Any]:
    return {"problem": kind, "objective": "", "instances": [entry]}


def test_a_tiny_assignment_gives_its_optimum(tmp_path: Path) -> None:
    path = tmp_path / "any.json"
    path.write_text(json.dumps(tiny("Generalised assignment", TINY_GAP)))
    (case,) = read_plan_cases(str(path), OPTIONS)
    assert case.optimal
    for engine in ("ours", "cpsat"):
        assert case.engines[engine](ask()).value == 7.0, engine
    assert case.prove is not None
    bound = case.prove(0.0)
    assert bound is not None
    assert 5.0 < bound <= 7.0


def test_a_divisible_customer_is_split_where_that_is_cheaper(tmp_path: Path) -> None:
    path = tmp_path / "any.json"
    path.write_text(json.dumps(tiny("Capacitated facility location", TINY_SPLIT)))
    (case,) = read_plan_cases(str(path), OPTIONS)
    # Serving all from site 1 costs 10 + 10; with site 0 as well 20 + 4.
    assert case.engines["cpsat"](ask()).value == 20.0
    assert case.engines["ours"](ask()).value == 20.0
    free = SitesProblem((6.0, 20.0), (0.0, 0.0), (7, 3), ((1.0, 1.0),) * 2, ((0.0, 7.0), (0.0, 3.0)), True)
    assert sites_ours.ours(free, ask()).value == 4.0
    assert sites_cpsat.solve(free, ask()).value == 4.0
    assert linear_bound(free) == pytest.approx(4.0, rel=1e-5)
    whole = replace(free, pieces=(1, 1), size=((7.0, 7.0), (3.0, 3.0)), split=False)
    assert sites_ours.ours(whole, ask()).value == 7.0
    assert load_value(whole, cheapest_with_room(whole) or {}) == 7.0


def test_load_check_finds_planted_faults() -> None:
    problem = SitesProblem((3.0, 3.0), (0.0, 0.0), (1, 2), ((2.0, 2.0), (2.0, 2.0)), ((1.0, 1.0),) * 2, False)
    assert load_faults(problem, {(0, 0): 1, (1, 1): 2}) == ["site 1 takes 4, capacity 3"]
    assert any("2 sites" in f for f in load_faults(problem, {(0, 0): 1, (1, 0): 1, (1, 1): 1}))
    assert any("1 pieces placed" in f for f in load_faults(problem, {(0, 0): 1, (1, 1): 1}))


def irregular(path: Path) -> Path:
    jobs = [[t, 0, d] for t, d in ((10, 10), (4, 4), (4, 8))]
    head = {"polygons": {"three": [HALF[0]] * 3}}
    record = {"name": "t1", "pieces": "three", "n": 3, "machines": 1, "jobs": jobs,
              "by_board": {"441": {"total_tardiness": 4}}}  # fmt: skip
    later = {**record, "name": "t2", "jobs": [[t, r, d + 20] for t, r, d in jobs], "by_board": {}}
    path.write_bytes(gzip.compress("\n".join(json.dumps(r) for r in (head, record, later)).encode()))
    return path


def test_command_writes_a_record_and_takes_it_up_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out.json"
    arguments = [str(irregular(tmp_path / "x")), "--seconds", "1", "--json", str(out), "--engines", "ours,habit"]
    assert planning.main(arguments) == 0
    first = json.loads(out.read_text())
    assert [(e["name"], e["value"], e["best_known"], e["bound"]) for e in first] == [
        ("t1", 4, 4, 0),
        ("t2", 0, None, 0),
    ]
    assert [e["status"] for e in first] == ["feasible", "optimal"]
    assert all(e["seconds"] > 0 and e["peak_mb"] > 10 and "habit" in e["baselines"] for e in first)
    assert "at least as good 1/1" in capsys.readouterr().out
    first[0]["value"] = 9
    out.write_text(json.dumps(first))
    assert planning.main(arguments) == 0
    assert [e["value"] for e in json.loads(out.read_text())] == [9, 0]
    assert "at least as good 0/1" in capsys.readouterr().out


def test_turns_are_asked_by_option(tmp_path: Path) -> None:
    path = irregular(tmp_path / "x")
    assert [c.name for c in read_plan_cases(str(path), Namespace(rotate=True, seed=1, no_audit=False))] == [
        "t1/turned",
        "t2/turned",
    ]


def test_what_is_no_benchmark_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.json"
    path.write_text('{"something": 1}')
    assert planning.main([str(path)]) == 2
    path.write_text('{"problem": "Generalised assignment", "instances": [{"agents": 1}]}')
    assert planning.main([str(path)]) == 2
    assert planning.main(["generated:many"]) == 2
    assert planning.main([str(tmp_path)]) == 2
    assert planning.main([str(path), "--engines", "theirs"]) == 2
    assert "lacks something" in capsys.readouterr().err


def case_of(value: float, **more: Any) -> PlanCase:
    return PlanCase("c", "f", "cost", 3, value, None, {}, 1.0, **more)


def test_values_that_cannot_be_are_named_and_late_ones_do_not_count() -> None:
    def status(found: Found, case: PlanCase, seconds: float = 1.0) -> Any:
        return entry_of(case, 1.0, {"ours": Measured(found, seconds, 1.0)}, {})

    assert status(Found(9.0), case_of(10.0, optimal=True))["status"].startswith("below the proven optimum")
    assert status(Found(9.0), case_of(10.0))["status"] == "feasible"
    assert status(Found(9.0, bound=9.5), case_of(9.0))["status"].startswith("below the bound")
    late = status(Found(9.0), case_of(10.0), 5.0)
    assert (late["value"], late["late_value"]) == (None, 9)
    assert late["status"].startswith("late")
    ready = status(Found(9.0, ready_s=0.9, beside={"habit": Beside(12.0, 0.1)}), case_of(10.0), 5.0)
    assert (ready["value"], ready["baselines"]["habit"]["value"]) == (9, 12)
    assert any("best known" in text for text in tables([ready]))


def test_an_engine_that_fails_or_dies_is_told() -> None:
    def fails(_: Ask) -> Found:
        raise ValueError("no such thing")

    def dies(_: Ask) -> Found:
        raise SystemExit(3)

    assert "no such thing" in measure(fails, 1.0, 1, 1).found.status
    assert measure(dies, 1.0, 1, 1).found.status == "crashed"
