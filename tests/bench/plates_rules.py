"""What a planner without an optimizer does with plates of parts, and the engine's own first plan."""

from __future__ import annotations

import math

from router.nesting import Nest, PlateSpec, Shape
from router.scheduling.solve import SolveParams, solve
from tests.bench.plan_case import Ask, Found
from tests.bench.plates_bound import makespan_bound
from tests.bench.plates_check import plan_faults, plan_value
from tests.bench.plates_ours import judged, shop_of
from tests.bench.plates_problem import PlatesProblem, Put, takes, timed


def greedy(problem: PlatesProblem, ask: Ask) -> Found:
    """The engine's first plan: every part at the place that is cheapest when its turn comes."""
    due = math.ceil(makespan_bound(problem) / problem.unit) if problem.goal == "makespan" else None
    shop, rooms = shop_of(problem, due)
    outcome = solve(shop, rooms, SolveParams(ask.seed, None, 0, 1), started=ask.began)
    return judged(problem, outcome)


def habit(problem: PlatesProblem, ask: Ask) -> Found:
    """A list rule: parts by due date (tallest first where all are due alike) onto the machine that is free first.

    A plate takes the next part of the list as long as one fits, and parts released by the time it would start or by
    the release of its first part; then it runs.
    """
    rest = sorted(
        range(len(problem.parts)),
        key=lambda i: (problem.parts[i].due, -max(m.tall[i] or 0.0 for m in problem.machines), i),
    )
    shapes = [Shape.make([(p.rings[0], p.rings[1:])], p.angles) for p in problem.parts]
    free = [0.0] * len(problem.machines)
    queues: list[list[list[Put]]] = [[] for _ in problem.machines]
    while rest:
        k = min((m for m in range(len(free)) if takes(problem, m, rest[0])), key=lambda m: (free[m], m))
        machine = problem.machines[k]
        nest = Nest(PlateSpec(machine.width, machine.depth, edge_margin_mm=machine.margin, spacing_mm=machine.spacing))
        gate = max(free[k], problem.parts[rest[0]].release)
        on: list[int] = []
        for i in list(rest):
            if problem.parts[i].release > gate or not takes(problem, k, i):
                continue
            if nest.add(shapes[i], 1):
                on.append(i)
            elif not on:
                return Found(None, status=f"part {i} finds no room on an empty plate of machine {k}")
            else:
                break
        # Placements come in the order the parts were added.
        queues[k].append([Put(i, p.x_mm, p.y_mm, p.angle_deg) for i, p in zip(on, nest.placements, strict=True)])
        rest = [i for i in rest if i not in on]
        free[k] = gate + machine.duration(on)
    builds = timed(problem, queues)
    wrong = plan_faults(problem, builds)
    if wrong:
        return Found(None, status=f"unsound: {'; '.join(wrong[:3])}")
    return Found(plan_value(problem, builds))
