"""One CP-SAT model of an assignment or location problem."""

from __future__ import annotations

import time

from ortools.sat.python import cp_model

from tests.bench.best_moment import BestMoment
from tests.bench.plan_case import Ask, Found
from tests.bench.sites_problem import SitesProblem, load_faults, load_value

#: Costs are whole numbers of this part of a unit.
_SCALE = 10_000
_SIZE_SCALE = 1_000
MOST_PAIRS = 60_000


def solve(problem: SitesProblem, ask: Ask) -> Found:
    """The best assignment CP-SAT finds in the time asked, and its bound."""
    n_c, n_s = len(problem.pieces), len(problem.capacity)
    if n_c * n_s > MOST_PAIRS:
        return Found(None, status="too large")
    cp = cp_model.CpModel()
    whole = all(float(v).is_integer() for row in problem.size for v in row)
    scale = 1 if whole else _SIZE_SCALE
    used = [cp.new_bool_var(f"open_{s}") for s in range(n_s)]
    load = {}
    cost = sum(round(problem.fixed[s] * _SCALE) * used[s] for s in range(n_s))
    for c in range(n_c):
        for s in range(n_s):
            if problem.split:
                load[c, s] = cp.new_int_var(0, problem.pieces[c], f"load_{c}_{s}")
                cp.add(load[c, s] <= problem.pieces[c] * used[s])
                cost += round(problem.price(c, s) * _SCALE) * load[c, s]
            else:
                load[c, s] = cp.new_bool_var(f"load_{c}_{s}")
                cp.add_implication(load[c, s], used[s])
                cost += round(problem.cost[c][s] * _SCALE) * load[c, s]
    for c in range(n_c):
        if problem.split:
            cp.add(sum(load[c, s] for s in range(n_s)) == problem.pieces[c])
        else:
            cp.add_exactly_one(load[c, s] for s in range(n_s))
    for s in range(n_s):
        # Sizes are rounded up and capacities down, so a plan of the model is a plan of the problem.
        sizes = [
            -int(-problem.size[c][s] * scale // 1) * (1 if problem.split else problem.pieces[c]) for c in range(n_c)
        ]
        cp.add(sum(sizes[c] * load[c, s] for c in range(n_c)) <= int(problem.capacity[s] * scale) * used[s])
    cp.minimize(cost)
    solver = cp_model.CpSolver()
    left = ask.began + ask.seconds - time.monotonic()
    if left <= 0.1:
        return Found(None, status="too large: no time left after building the model")
    solver.parameters.max_time_in_seconds = left
    solver.parameters.num_workers = ask.workers
    solver.parameters.random_seed = ask.seed
    moment = BestMoment(ask.began)
    status = solver.solve(cp, moment)
    name = solver.status_name(status).lower()
    bound = solver.best_objective_bound / _SCALE
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Found(None, bound=bound, status=name)
    loads = {
        key: solver.value(v) * (1 if problem.split else problem.pieces[key[0]])
        for key, v in load.items()
        if solver.value(v)
    }
    wrong = load_faults(problem, loads)
    if wrong:
        return Found(None, status=f"unsound: {'; '.join(wrong[:3])}")
    return Found(load_value(problem, loads), bound=bound, status=name, to_best_s=moment.last)
