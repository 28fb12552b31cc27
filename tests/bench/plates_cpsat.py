"""The monolithic CP-SAT model of plates of parts, solved within the time asked; and a bound from a relaxation of it."""

from __future__ import annotations

import math
import time

from ortools.sat.python import cp_model

from tests.bench.best_moment import BestMoment
from tests.bench.lattice_apart import apart_steps
from tests.bench.plan_case import Ask, Found
from tests.bench.plates_check import plan_faults, plan_value
from tests.bench.plates_model import PlatesModel
from tests.bench.plates_problem import UNTURNED, PlatesProblem, Put, timed

#: Above this many parts the model is not built: it holds a condition for every pair of parts.
MOST_PARTS = 20
MOST_BOXES = 50


def holds(problem: PlatesProblem) -> bool:
    """Whether the model is built at all."""
    return len(problem.parts) <= (MOST_PARTS if outlines_only(problem) else MOST_BOXES)


def outlines_only(problem: PlatesProblem) -> bool:
    """Whether no part may be turned."""
    return all(p.angles == UNTURNED for p in problem.parts)


def prepare(problem: PlatesProblem) -> None:
    """Work out beforehand, once for all cases, which displacements keep two outlines apart: no clock runs yet."""
    if holds(problem) and outlines_only(problem):
        machine = problem.machines[0]
        for j, other in enumerate(problem.parts):
            for part in problem.parts[:j]:
                apart_steps(part, other, math.floor(machine.width), math.floor(machine.depth))


def solve(problem: PlatesProblem, ask: Ask) -> Found:
    """The best plan CP-SAT finds in the time asked, building the model included, and its bound if it is one.

    The bound holds for the model's own plans (positions on the lattice, or boxes): it is told in the note only.
    """
    if not holds(problem):
        return Found(None, status="too large")
    model = PlatesModel(problem)
    if outlines_only(problem):
        model.keep_outlines_apart()
    else:
        model.keep_boxes_apart()
        model.hint_alone()
    model.minimise()
    return _run(model, ask)


def area_bound(problem: PlatesProblem, ask: Ask) -> Found:
    """A value no plan goes below, positions free: the same model with the sum of areas in place of positions.

    Only where every time is a whole number, as the model rounds times up; proven by CP-SAT in the time asked.
    """
    times = [t for m in problem.machines for t in (m.setup, *m.tall, *m.exposure) if t is not None]
    if not all(float(t).is_integer() for t in [*times, *(d for p in problem.parts for d in (p.release, p.due))]):
        return Found(None, status="times are not whole")
    model = PlatesModel(problem)
    model.keep_to_area()
    model.minimise()
    solver = _solver(ask)
    if solver is None:
        return Found(None, status="no time left after building the model")
    status = solver.solve(model.cp)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE, cp_model.UNKNOWN):
        return Found(None, status=solver.status_name(status).lower())
    return Found(None, bound=float(math.ceil(solver.best_objective_bound - 1e-6)), status="bound")


def _solver(ask: Ask) -> cp_model.CpSolver | None:
    """A solver with what is left of the time; None when building the model took it all."""
    left = ask.began + ask.seconds - time.monotonic()
    if left <= 0.1:
        return None
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = left
    solver.parameters.num_workers = ask.workers
    solver.parameters.random_seed = ask.seed
    return solver


def _run(model: PlatesModel, ask: Ask) -> Found:
    """Solve, and check the plan like everybody's."""
    solver = _solver(ask)
    if solver is None:
        return Found(None, status="too large: no time left after building the model")
    moment = BestMoment(ask.began)
    status = solver.solve(model.cp, moment)
    name = solver.status_name(status).lower()
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Found(None, status=name)
    problem = model.problem
    queues: list[list[tuple[int, list[Put]]]] = [[] for _ in problem.machines]
    for b, row in enumerate(model.builder):
        for k, here in enumerate(row):
            if here is not None and solver.value(here):
                puts = [_put(model, solver, i, k) for i in range(b, model.n) if solver.value(model.on[b, i])]
                queues[k].append((solver.value(model.ends[b]), puts))
    builds = timed(problem, [[puts for _, puts in sorted(q, key=lambda item: item[0])] for q in queues])
    wrong = plan_faults(problem, builds)
    if wrong:
        return Found(None, status=f"unsound: {'; '.join(wrong[:3])}")
    note = f"bound on its own plans {solver.best_objective_bound:g}"
    return Found(plan_value(problem, builds), status=name, to_best_s=moment.last, note=note)


def _put(model: PlatesModel, solver: cp_model.CpSolver, i: int, k: int) -> Put:
    x, y = float(solver.value(model.x[i])), float(solver.value(model.y[i]))
    part, machine = model.problem.parts[i], model.problem.machines[k]
    if part.angles == UNTURNED:
        return Put(i, x, y, 0.0)
    x0, y0, _, y1 = part.region().bounds
    corner = machine.margin
    if solver.value(model.turned[i]):
        # A quarter turn takes (x, y) to (-y, x).
        return Put(i, corner + x + y1, corner + y - x0, 90.0)
    return Put(i, corner + x - x0, corner + y - y0, 0.0)
